"""One source of a table as columns: a season file, a CSV of berries, or a CSV of sheets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell, read_sheets, score_columns
from calibrate.data.codedsheet import CodedSheet, spelled_once
from calibrate.data.conditions import Conditions, conditions_in
from calibrate.data.factor import Factor, combined, first_rows
from calibrate.data.pairs import flag_names, looks_like_season
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale, score_label
from gauge.errors import BadTableError
from gauge.records import Sample
from gauge.season.file import SeasonFile, open_season

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Columns that identify berries or put them into groups; any other column may be a cue.
FACTORS = (
    "season", "site", "sample", "number", "selection", "plot", "replicate", "clamshell", "lot",
    "harvest_date", "storage_day", "storage_temp_c",
)  # fmt: skip
NAMED_SEASON = "_season"  # the season that a source itself names, "?" for none
FLAGS = "_flags"  # the flags of a berry's peak, as `gauge readings` writes them
NUMERIC = frozenset({"storage_day", "storage_temp_c"})
_OTHER_NAMES = {"berry": "number", "temperature_c": "storage_temp_c"}


@dataclass(frozen=True, kw_only=True)
class Scores:
    """Finger scores: which berry each belongs to, its position on the scale, rater and occasion."""

    berry: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    rank: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    rater: Factor = field(default_factory=lambda: Factor.of(()))
    occasion: Factor = field(default_factory=lambda: Factor.of(()))

    def at(self, rows: Ints) -> Scores:
        """Take some scores."""
        return Scores(
            berry=self.berry[rows],
            rank=self.rank[rows],
            rater=self.rater.at(rows),
            occasion=self.occasion.at(rows),
        )


@dataclass(frozen=True, kw_only=True)
class Source:
    """What one source holds."""

    name: str
    # N of each berry, shape (n,); NaN for a berry without a peak.
    force_newton: Floats
    # Each of n rows; a source that does not name its season may, as NAMED_SEASON, be of any.
    factors: dict[str, Factor]
    scores: Scores = field(default_factory=Scores)
    scale: Scale | None = None
    clamshells: tuple[Clamshell, ...] = ()
    conditions: Conditions | None = None  # of a season


def read_source(
    path: Path,
    *,
    scale: Scale | None = None,
    cues: Sequence[str] = (),
    without_flags: Sequence[str] = (),
) -> Source:
    """Read a source, whichever kind it is.

    A season file; a CSV with `force_N` (or `force` and `unit`) or `score` or both, and any of
    `FACTORS`, `berry`, `rater`, `occasion`, `flags` and `count`; or a CSV of clamshell sheets.

    `scale` is that of the scores in a CSV, `cues` are further columns to keep, and berries
    `without_flags` are those with none of them. Raises UnreadableFileError, BadTableError and
    ImpossibleSheetError.
    """
    if looks_like_season(path):
        return _from_season(path, cues, without_flags)
    sheet = CodedSheet(path, "a header with selection and force_N, and one row a berry")
    if "score" in sheet.header or score_columns(sheet.header, scale) is None:
        return _from_berries(sheet, scale, cues, without_flags)
    clamshells = read_sheets(path, scale=scale)
    return Source(
        name=str(path),
        force_newton=np.zeros(0),
        factors={},
        scale=clamshells[0].scale,
        clamshells=clamshells,
    )


def season_of(sheet: Clamshell) -> str | None:
    """Find the season that a sheet's own columns name: `season`, or the year of `harvest_date`."""
    return sheet.levels.get("season") or sheet.levels.get("harvest_date", "")[:4] or None


def _tidy(name: str, text: str) -> str | None:
    """Write one level one way: 7, 7.0 and "7 " are the same storage day; None for a blank."""
    text = text.strip()
    if name in NUMERIC:
        try:
            return f"{float(text):g}"
        except ValueError:
            pass
    return text or None


def _from_berries(
    sheet: CodedSheet, scale: Scale | None, cues: Sequence[str], without_flags: Sequence[str]
) -> Source:
    names = {_OTHER_NAMES.get(name, name): name for name in sheet.header if name}
    for cue in cues:
        if cue not in names:
            sheet.lacks(cue)
    factors = {
        factor: sheet.relabelled(names[factor], partial(_tidy, factor))
        for factor in dict.fromkeys((*FACTORS, *cues))
        if factor in names
    }
    n, column = len(sheet), sheet.force_column
    force, rank = np.full(n, np.nan), np.full(n, np.nan)
    if column:
        force = sheet.forces(blank=True)
        for row in np.flatnonzero(force <= 0)[:1].tolist():
            sheet.bad(row, column, f"a peak of {force[row]:g} N is no press on a berry")
    if "score" in sheet.header:
        scale = scale or _scale_of(sheet)
        rank = sheet.ranks(scale, blank=True)
    elif not column:
        raise _no_column(sheet)
    if (blank := np.isnan(force) & np.isnan(rank)).any():
        sheet.bad(int(blank.argmax()), column or "score", "the cell is empty")
    at = np.arange(n)
    if "flags" in sheet.header:
        factors[FLAGS] = sheet.relabelled("flags", lambda text: _joined(flag_names(text)))
        at = at[_without(factors[FLAGS], without_flags)]
    if "count" in sheet.header:
        at = np.repeat(at, sheet.values("count", sheet.whole).astype(np.int64)[at])
        # Rows that stand for several berries name none of them.
        factors.pop("number", None)
    if "season" not in factors and "harvest_date" in factors:
        factors["season"] = sheet.relabelled("harvest_date", lambda date: date[:4] or None)
    factors[NAMED_SEASON] = factors.get("season") or Factor.always("?", n)
    factors.setdefault("season", Factor.always(sheet.path.stem, n))
    scored = np.flatnonzero(np.isfinite(rank[at]))
    rows, berry_at = at[scored], scored
    if "rater" in sheet.header and "number" in factors and "sample" not in factors:
        first = _first_of_berry(factors, force)
        at = np.unique(first)
        berry_at = np.searchsorted(at, first)[scored]
    rater, occasion = (
        spelled_once(sheet.columns[name]) if name in sheet.header else Factor.always(default, n)
        for name, default in (("rater", ""), ("occasion", "1"))
    )
    return Source(
        name=str(sheet.path),
        force_newton=force[at],
        factors={name: factor.at(at) for name, factor in factors.items()},
        scores=Scores(
            berry=berry_at,
            rank=rank[rows].astype(np.int64),
            rater=rater.at(rows),
            occasion=occasion.at(rows),
        ),
        scale=scale,
    )


def _no_column(sheet: CodedSheet) -> BadTableError:
    return BadTableError(
        f"{sheet.path}: the header has neither force_N nor score nor counts of scores "
        f"(it has {', '.join(sheet.header)}).",
        todo="Name the columns as 'calibrate table --help' says.",
    )


def _first_of_berry(factors: Mapping[str, Factor], force: Floats) -> Ints:
    """Find the first row of each row's berry, in a sheet of one row a score.

    Rows that differ in nothing but rater and score are of one berry.
    """
    _, code = np.unique(force, return_inverse=True)
    alike = Factor(code=code.astype(np.int32), labels=())
    return first_rows(combined([*factors.values(), alike], force.size))


def _scale_of(sheet: CodedSheet) -> Scale:
    seen = set(sheet.parsed("score", lambda text: score_label(text) if text else "")) - {""}
    for scale in (BLACKBERRY, RASPBERRY):
        if seen <= set(scale.labels):
            return scale
    raise BadTableError(
        f"{sheet.path}, column 'score': the scores are neither 1 to 5 nor firm and soft.",
        todo="Declare the scale with --scores, for example --scores 1-4.",
    )


def _joined(flags: Iterable[str]) -> str | None:
    """Write flags as one label; None for none."""
    return "; ".join(sorted(flags)) or None


def _without(flags: Factor, names: Sequence[str]) -> NDArray[np.bool_]:
    """Find the rows that have none of the flags of these names."""
    use = [flag_names(label).isdisjoint(names) for label in flags.labels]
    return np.array([*use, True], bool)[flags.code]  # the last entry is what the code -1 finds


def _from_season(path: Path, cues: Sequence[str], without_flags: Sequence[str]) -> Source:
    """Read tables, not the view: what is known of a sample is converted once, not each berry."""
    from gauge.season.checks import peak_flags

    with open_season(path, read_only=True) as season:
        scale = Scale.from_json(season.scale_text)
        code = season.code
        berry = season.columns("berries", ["berry_id", "sample_id", "number", "void_why"])
        peak = season.columns("peaks", ["berry_id", "peak_n"])
        score = season.columns("scores", ["berry_id", "score_rank", "rater", "occasion"])
        samples = season.samples()
        levels = {row.sample.code: _levels(row.sample, code, cues) for row in samples}
        clamshells = _clamshells_in(season, scale, levels)
        doubts = peak_flags(season)
        conditions = conditions_in(season)
    berry_id = np.array(berry["berry_id"], np.int64)
    force = np.full(berry_id.size, np.nan)
    force[_places(berry_id, peak["berry_id"])] = peak["peak_n"]
    scored = _places(berry_id, score["berry_id"])
    useful = np.isfinite(force)
    useful[scored] = True
    flags = Factor.of([_joined(doubts.get(i, ())) for i in berry["berry_id"]])
    keep = useful & np.array([why is None for why in berry["void_why"]], bool)
    keep &= _without(flags, without_flags)
    rows = np.flatnonzero(keep)
    of_sample = _places([row.sample_id for row in samples], berry["sample_id"])[rows]
    by_sample = {
        name: Factor.of([one.get(name) for one in levels.values()]).at(of_sample)
        for name in dict.fromkeys(name for one in levels.values() for name in one)
    }
    scores = Scores(
        berry=(np.cumsum(keep) - 1)[scored],
        rank=np.array(score["score_rank"], np.int64) - 1,
        rater=Factor.of(score["rater"]),
        occasion=Factor.of(list(map(str, score["occasion"]))),
    )
    return Source(
        name=str(path),
        force_newton=force[rows],
        factors={
            "sample": Factor.of(list(levels)).at(of_sample),
            "number": Factor.of(list(map(str, berry["number"]))).at(rows),
            NAMED_SEASON: Factor.always(code, rows.size),
            FLAGS: flags.at(rows),
            **by_sample,
        },
        scores=scores.at(np.flatnonzero(keep[scored])),
        scale=scale,
        conditions=conditions,
        clamshells=clamshells,
    )


def _clamshells_in(
    season: SeasonFile, scale: Scale, levels: Mapping[str, dict[str, str]]
) -> tuple[Clamshell, ...]:
    """Read the sheets of a season, each with what is known of its sample."""
    read = partial(Clamshell.from_document, scale=scale, where=str(season.path))
    return tuple(
        read(row.sheet, sample=row.sample, rater=row.rater, levels=levels[row.sample])
        for row in season.clamshell_counts()
    )


def _places(ids: Sequence[int] | Ints, sought: Sequence[int]) -> Ints:
    """Find where each id stands; the season file holds no id that stands nowhere."""
    order = np.argsort(ids)
    return order[np.searchsorted(ids, np.array(sought, np.int64), sorter=order)]


def _levels(sample: Sample, season: str, cues: Sequence[str]) -> dict[str, str]:
    """What a season file knows of a sample, blanks left out."""
    found = {"season": season}
    for name in (*FACTORS, *cues):
        value = sample.cues.get(name, getattr(sample, name, None))
        text = None if value is None else _tidy(name, str(value))
        if text is not None and name not in ("sample", "number"):
            found.setdefault(name, text)
    return found
