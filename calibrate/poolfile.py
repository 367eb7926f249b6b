"""Reading one source of a table (season file, CSV of berries, clamshell sheets) into columns.

Levels are kept as text; joining sources, and what contradicts what, is in pooling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.clamshell import Clamshell
from calibrate.scale import BLACKBERRY, RASPBERRY, Scale
from calibrate.sheetfile import looks_like_sheets, read_sheets
from gauge.csvsheet import CsvSheet
from gauge.errors import BadTableError, UnknownUnitError
from gauge.records import Sample
from gauge.units import newtons, parse_unit

Floats = NDArray[np.float64]
Texts = Sequence[str | None]

# Columns that tell berries apart or put them into groups; any other column may be a cue.
LEVELS = (
    "season", "site", "sample", "number", "selection", "plot", "replicate", "clamshell", "lot",
    "harvest_date", "storage_day", "storage_temp_c",
)  # fmt: skip
_NUMERIC = frozenset({"storage_day", "storage_temp_c"})
_OTHER_NAMES = {"berry": "number", "temperature_c": "storage_temp_c"}


@dataclass(frozen=True, kw_only=True)
class Part:
    """What one source holds.

    Attributes
    ----------
    source : str
    force_n : ndarray of float, shape (n,)
        NaN for a berry without a peak.
    levels : dict of str to sequence of (str or None), each of length n
        None or a blank where nothing is told.
    score_at, rank : sequence of int, shape (s,)
        Which berry each finger score belongs to, and its position on the scale.
    rater, occasion : sequence of str, shape (s,)
    scale : Scale or None
    clamshells : tuple of Clamshell
    said_season : bool
        Whether the source itself says of which season it is.
    """

    source: str
    force_n: Floats
    levels: dict[str, Texts]
    score_at: Sequence[int] = ()
    rank: Sequence[int] = ()
    rater: Sequence[str] = ()
    occasion: Sequence[str] = ()
    scale: Scale | None = None
    clamshells: tuple[Clamshell, ...] = ()
    said_season: bool = True


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
    ...     read_part(path).force_n
    array([9.80665])
    """
    from calibrate.pairfile import looks_like_season

    if looks_like_season(path):
        return _read_season(path, cues)
    sheet = CsvSheet(path, "a header with selection and force_N, and one row a berry")
    if "score" not in sheet.columns and looks_like_sheets(sheet.columns, scale):
        return _sheet_part(path, scale)
    return _read_csv(sheet, scale, cues)


def tidy(level: str, text: str) -> str | None:
    """Write one level one way: 7, 7.0 and "7 " are the same storage day; None for a blank.

    Examples
    --------
    >>> tidy("storage_day", "7.0"), tidy("selection", "7.0"), tidy("site", " ")
    ('7', '7.0', None)
    """
    text = text.strip()
    if level in _NUMERIC:
        try:
            return f"{float(text):g}"
        except ValueError:
            return text or None
    return text or None


def season_of(levels: dict[str, str | None]) -> str | None:
    """The season that one row's own levels tell: `season`, or the year of `harvest_date`.

    Examples
    --------
    >>> season_of({"harvest_date": "2026-07-03"})
    '2026'
    """
    return levels.get("season") or (levels.get("harvest_date") or "")[:4] or None


def _sheet_part(path: Path, scale: Scale | None) -> Part:
    clamshells = read_sheets(path, scale=scale)
    said = all(season_of(dict(one.levels)) for one in clamshells)
    return Part(
        source=str(path),
        force_n=np.zeros(0),
        levels={},
        scale=clamshells[0].scale,
        clamshells=clamshells,
        said_season=said,
    )


def _read_csv(sheet: CsvSheet, scale: Scale | None, cues: Sequence[str]) -> Part:
    names = {_OTHER_NAMES.get(name, name): name for name in sheet.header if name}
    levels: dict[str, Texts] = {}
    for level in (*LEVELS, *cues):
        if level in names:
            cells = sheet.columns[names[level]]
            known = {text: tidy(level, text) for text in set(cells)} if level in _NUMERIC else {}
            levels[level] = [known[text] for text in cells] if known else cells
    for cue in cues:
        if cue not in levels:
            raise BadTableError(
                f"{sheet.path}: the header has no column '{cue}' "
                f"(it has {', '.join(sheet.header)})."
            )
    force = _forces(sheet)
    ranks: list[int | None] = []
    if "score" in sheet.columns:
        scale = scale or _scale_of(sheet)
        ranks = sheet.parsed("score", lambda text: _rank(text, scale))
    if force is None and not ranks:
        raise BadTableError(
            f"{sheet.path}: the header has neither force_N nor score nor counts of scores "
            f"(it has {', '.join(sheet.header)}).",
            todo="Name the columns as 'calibrate table --help' says.",
        )
    n = len(sheet)
    forces = np.full(n, np.nan) if force is None else force
    empty = [i for i in np.flatnonzero(np.isnan(forces)) if not ranks or ranks[i] is None]
    if empty:
        sheet.bad(int(empty[0]), "force_N" if "force_N" in names else "force", "the cell is empty")
    raters = sheet.columns.get("rater", ("",) * n)
    occasions = sheet.columns.get("occasion", ("1",) * n)
    at = list(range(n))
    if "count" in sheet.columns:
        at = np.repeat(at, sheet.parsed("count", sheet.whole)).tolist()
        # Rows that stand for several berries name none of them.
        levels.pop("number", None)
        levels = {name: [column[i] for i in at] for name, column in levels.items()}
    kept = [row for row, i in enumerate(at) if ranks[i] is not None] if ranks else []
    scored = [at[row] for row in kept]
    whole = "count" not in sheet.columns and len(kept) == n
    said = "season" in levels or "harvest_date" in levels
    if not said:
        levels["season"] = [sheet.path.stem] * len(at)
    elif "season" not in levels:
        levels["season"] = [(date or "")[:4] or None for date in levels["harvest_date"]]
    return Part(
        source=str(sheet.path),
        force_n=forces[at],
        levels=levels,
        score_at=kept,
        rank=[ranks[i] for i in scored],  # type: ignore[misc]
        rater=raters if whole else [raters[i] for i in scored],
        occasion=occasions if whole else [occasions[i] for i in scored],
        scale=scale,
        said_season=said,
    )


def _forces(sheet: CsvSheet) -> Floats | None:
    """Newtons, NaN where the cell is blank; None without a column."""
    if "force_N" in sheet.columns:
        column, units = "force_N", None
    elif "force" in sheet.columns and "unit" in sheet.columns:
        column, units = "force", sheet.parsed("unit", _unit)
    elif "force" in sheet.columns:
        raise BadTableError(
            f"{sheet.path}: column 'force' has no unit.",
            todo="Add a column unit (N, lbf, kgf ...), or name the column force_N.",
        )
    else:
        return None
    values = sheet.parsed(column, lambda text: sheet.number(text) if text else np.nan)
    if units is not None:
        values = [v if np.isnan(v) else newtons(v, u) for v, u in zip(values, units, strict=True)]
    force = np.array(values, dtype=float)
    wrong = force <= 0
    if wrong.any():
        index = int(np.argmax(wrong))
        sheet.bad(index, column, f"a peak of {force[index]:g} N is no press on a berry")
    return force


def _unit(text: str) -> Any:
    try:
        return parse_unit(text)
    except UnknownUnitError as error:
        raise ValueError(error.what.rstrip(".")) from None


def _rank(text: str, scale: Scale) -> int | None:
    if not text:
        return None
    label = text
    if label not in scale.labels and text.replace(".", "", 1).isdigit() and float(text) % 1 == 0:
        label = str(int(float(text)))
    if label not in scale.labels:
        raise ValueError(f"'{text}' is not a score of the scale {', '.join(scale.labels)}")
    return scale.rank(label)


def _scale_of(sheet: CsvSheet) -> Scale:
    for scale in (BLACKBERRY, RASPBERRY):
        try:
            for text in set(sheet.columns["score"]):
                _rank(text, scale)
        except ValueError:
            continue
        return scale
    raise BadTableError(
        f"{sheet.path}, column 'score': the scores are neither 1 to 5 nor firm and soft.",
        todo="Declare the scale with --scores, for example --scores 1-4.",
    )


def _read_season(path: Path, cues: Sequence[str]) -> Part:
    from gauge.season import open_season

    names = [name for name in LEVELS if name != "season"]
    with open_season(path, read_only=True) as season:
        scale = Scale.from_json(season.scale_text)
        code = season.code
        berry = season.columns("berry", ["berry_id", "peak_N", "void", *names])
        scores = season.columns("scores", ["berry_id", "score_rank", "rater", "occasion"])
        samples = {row.sample.code: row.sample for row in season.samples()}
        sheets = season.clamshell_counts()
    scored = set(scores["berry_id"])
    rows = zip(berry["berry_id"], berry["peak_N"], berry["void"], strict=True)
    keep = [
        at
        for at, (number, peak, void) in enumerate(rows)
        if void is None and (peak is not None or number in scored)
    ]
    place = {berry["berry_id"][at]: row for row, at in enumerate(keep)}
    peaks = berry["peak_N"]
    levels: dict[str, Texts] = {"season": [code] * len(keep)}
    for name in names:
        column = berry[name]
        known = {value: None if value is None else tidy(name, str(value)) for value in set(column)}
        if any(text is not None for text in known.values()):
            levels[name] = [known[column[at]] for at in keep]
    for cue in cues:
        told = {sample: _cue(one, cue) for sample, one in samples.items()}
        levels[cue] = [told[berry["sample"][at]] for at in keep]
    kept = [at for at, number in enumerate(scores["berry_id"]) if number in place]
    return Part(
        source=str(path),
        force_n=np.array([np.nan if peaks[i] is None else peaks[i] for i in keep], dtype=float),
        levels=levels,
        score_at=[place[scores["berry_id"][at]] for at in kept],
        rank=[scores["score_rank"][at] - 1 for at in kept],
        rater=[scores["rater"][at] for at in kept],
        occasion=[str(scores["occasion"][at]) for at in kept],
        scale=scale,
        clamshells=tuple(
            Clamshell.from_document(
                row.sheet,
                sample=row.sample,
                scale=scale,
                rater=row.rater,
                levels=_levels(samples[row.sample], code, (*names, *cues)),
                where=str(path),
            )
            for row in sheets
        ),
    )


def _levels(sample: Sample, season: str, names: Sequence[str]) -> dict[str, str]:
    told = {name: _cue(sample, name) for name in names if name not in ("sample", "number")}
    tidied = {name: tidy(name, text) for name, text in told.items() if text is not None}
    return {"season": season} | {name: text for name, text in tidied.items() if text}


def _cue(sample: Sample, name: str) -> str | None:
    value = sample.cues.get(name, getattr(sample, name, None))
    return None if value is None else str(value)
