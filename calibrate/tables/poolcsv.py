"""Reading a CSV of berries for a table: forces, finger scores and levels."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calibrate.data.codedsheet import CodedSheet
from calibrate.data.forcecolumn import read_forces
from calibrate.data.levels import Level
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from calibrate.tables.poolpart import LEVELS, Part, tidy
from gauge.errors import BadTableError

Floats = NDArray[np.float64]
_OTHER_NAMES = {"berry": "number", "temperature_c": "storage_temp_c"}


def read_berries(sheet: CodedSheet, scale: Scale | None, cues: Sequence[str]) -> Part:
    r"""Read the columns that a table needs; see `calibrate.tables.poolfile.read_part`.

    Raises
    ------
    BadTableError
        If a column lacks or a cell cannot be right; names row and column.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "berries.csv")
    ...     _ = path.write_text("selection,force_N,score\nR-114,2.1,2\nR-120,1.1,4\n")
    ...     part = read_berries(CodedSheet(path, "berries"), None, ())
    >>> part.rank.tolist(), part.levels["selection"].labels
    ([1, 3], ('R-114', 'R-120'))
    """
    names = {_OTHER_NAMES.get(name, name): name for name in sheet.header if name}
    for cue in cues:
        if cue not in names:
            sheet.lacks(cue)
    levels: dict[str, Level] = {}
    for level in dict.fromkeys((*LEVELS, *cues)):
        if level in names:
            levels[level] = sheet.relabelled(names[level], partial(tidy, level))
    force = _forces(sheet)
    rank = None
    if "score" in sheet.header:
        scale = scale or _scale_of(sheet)
        rank = sheet.values("score", lambda text: _rank(text, scale)).astype(np.int64)
    if force is None and rank is None:
        raise BadTableError(
            f"{sheet.path}: the header has neither force_N nor score nor counts of scores "
            f"(it has {', '.join(sheet.header)}).",
            todo="Name the columns as 'calibrate table --help' says.",
        )
    n = len(sheet)
    force = np.full(n, np.nan) if force is None else force
    rank = np.full(n, -1) if rank is None else rank
    empty = np.flatnonzero(np.isnan(force) & (rank < 0))
    if empty.size:
        sheet.bad(int(empty[0]), "force_N" if "force_N" in names else "force", "the cell is empty")
    at = np.arange(n)
    if "count" in sheet.header:
        at = np.repeat(at, sheet.values("count", sheet.whole).astype(np.int64))
        # Rows that stand for several berries name none of them.
        levels.pop("number", None)
    said = "season" in levels or "harvest_date" in levels
    if not said:
        levels["season"] = _always(sheet.path.stem, n)
    elif "season" not in levels:
        levels["season"] = sheet.relabelled("harvest_date", lambda date: date[:4] or None)
    scored = np.flatnonzero(rank[at] >= 0)
    rows = at[scored]
    rater, occasion = (
        sheet.column(name) if name in sheet.header else _always(default, n)
        for name, default in (("rater", ""), ("occasion", "1"))
    )
    return Part(
        source=str(sheet.path),
        force_newton=force[at],
        levels={name: level.at(at) for name, level in levels.items()},
        score_at=scored,
        rank=rank[rows],
        rater=rater.at(rows),
        occasion=occasion.at(rows),
        scale=scale,
        said_season=said,
    )


def _always(text: str, n: int) -> Level:
    return Level(code=np.zeros(n, np.int32), labels=(text,))


def _forces(sheet: CodedSheet) -> Floats | None:
    """Newtons, NaN where the cell is blank; None without a column."""
    if "force_N" not in sheet.header and "force" not in sheet.header:
        return None
    column = "force_N" if "force_N" in sheet.header else "force"
    if column == "force" and "unit" not in sheet.header:
        raise BadTableError(
            f"{sheet.path}: column 'force' has no unit.",
            todo="Add a column unit (N, lbf, kgf ...), or name the column force_N.",
        )
    force = read_forces(sheet, blank=True)
    wrong = force <= 0
    if wrong.any():
        index = int(np.argmax(wrong))
        sheet.bad(index, column, f"a peak of {force[index]:g} N is no press on a berry")
    return force


def _rank(text: str, scale: Scale) -> int:
    """Position on the scale; -1 for a blank."""
    if not text:
        return -1
    label = text
    if label not in scale.labels and text.replace(".", "", 1).isdigit() and float(text) % 1 == 0:
        label = str(int(float(text)))
    if label not in scale.labels:
        raise ValueError(f"'{text}' is not a score of the scale {', '.join(scale.labels)}")
    return scale.rank(label)


def _scale_of(sheet: CodedSheet) -> Scale:
    for scale in (BLACKBERRY, RASPBERRY):
        try:
            for text in sheet.column("score").labels:
                _rank(text, scale)
        except ValueError:
            continue
        return scale
    raise BadTableError(
        f"{sheet.path}, column 'score': the scores are neither 1 to 5 nor firm and soft.",
        todo="Declare the scale with --scores, for example --scores 1-4.",
    )
