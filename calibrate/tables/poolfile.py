"""Reading one source of a table, whichever kind it is: season file, CSV of berries or of sheets.

The first two are read by poolseason and poolcsv.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from calibrate.data.codedsheet import CodedSheet
from calibrate.data.pairfile import looks_like_season
from calibrate.data.scale import Scale
from calibrate.data.sheetfile import looks_like_sheets, read_sheets
from calibrate.tables.poolcsv import read_berries
from calibrate.tables.poolpart import Part, season_of
from calibrate.tables.poolseason import read_season


def read_part(path: Path, *, scale: Scale | None = None, cues: Sequence[str] = ()) -> Part:
    r"""Read a source, whichever kind it is.

    Parameters
    ----------
    path : Path
        A season file; a CSV with `force_N` (or `force` and `unit`) or `score` or both, and any of
        `selection`, `harvest_date`, `storage_day`, `storage_temp_c`, `season`, `site`, `replicate`,
        `clamshell`, `sample`, `berry`, `rater`, `occasion`, `count`; or a CSV of clamshell sheets.
    scale : Scale, optional
        Of the scores in a CSV.
    cues : sequence of str
        Further columns to keep.

    Raises
    ------
    UnreadableFileError, BadTableError, ImpossibleSheetError

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "berries.csv")
    ...     _ = path.write_text("selection,force,unit\nR-114,1,kgf\n")
    ...     read_part(path).force_newton
    array([9.80665])
    """
    if looks_like_season(path):
        return read_season(path, cues)
    sheet = CodedSheet(path, "a header with selection and force_N, and one row a berry")
    if "score" not in sheet.header and looks_like_sheets(sheet.header, scale):
        return _sheet_part(path, scale)
    return read_berries(sheet, scale, cues)


def _sheet_part(path: Path, scale: Scale | None) -> Part:
    clamshells = read_sheets(path, scale=scale)
    said = all(season_of(dict(one.levels)) for one in clamshells)
    return Part(
        source=str(path),
        force_newton=np.zeros(0),
        levels={},
        scale=clamshells[0].scale,
        clamshells=clamshells,
        said_season=said,
    )
