"""All that `calibrate table` shows of a pool, as a document and in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calibrate.data.clamshell import unused_columns
from calibrate.data.conditions import within
from calibrate.data.pairs import flagged_note
from calibrate.tables.cues import CueEffect, cue_effect
from calibrate.tables.measures import Shares
from calibrate.tables.samplingunits import sort_key
from calibrate.tables.seasons import KeepRule, SeasonRanks, season_ranks
from calibrate.tables.source import NUMERIC
from calibrate.tables.storage import HALF_SOFT, Endpoint, Softening, softening_by_row
from calibrate.tables.table import Row, Table
from gauge.errors import FirmhandError, TooFewScoresError

CAUTION = (
    "Numbers on which fruit is sold or withheld: local grades and the buyer's terms decide, not "
    "this table."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """A table with what goes on from it.

    `softening` has an entry for each row with its storage days drawn together, and its levels.
    """

    table: Table
    softening: tuple[tuple[Mapping[str, str | None], Softening], ...]
    ranks: SeasonRanks | None
    cues: tuple[CueEffect, ...]
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Make one document of the whole report."""
        table, scale = self.table, self.table.scale
        return {
            "by": list(table.by),
            "unit": table.unit,
            "level": table.level,
            "berries": table.pool.n,
            "sources": list(table.pool.sources),
            "scores": scale and list(scale.labels),
            "sale_limit": scale and scale.sale_limit,
            "rows": [self._row_json(row) for row in table.rows],
            "comparisons": [one.to_json() for one in table.compared],
            "replication": [one.to_json() for one in table.replication],
            "softening": [_levels_json(levels) | one.to_json() for levels, one in self.softening],
            "seasons": self.ranks and self.ranks.to_json(),
            "cues": [one.to_json() for one in self.cues],
            "contradictions": list(table.pool.contradictions),
            "repeated": table.pool.repeated,
            "flagged": table.pool.n_flagged,
            "notes": list(self.notes),
            "caution": CAUTION,
        }

    def _row_json(self, row: Row) -> dict[str, Any]:
        """Make a document of one row."""
        labels = () if self.table.scale is None else self.table.scale.labels
        soft = row.predicted_soft and row.predicted_soft.times(100).to_json()
        return {
            **_levels_json(row.levels),
            "n": row.n,
            "units": row.units,
            "clamshells": row.clamshells or (row.units if self.table.unit == "clamshell" else None),
            "mean_N": row.force.value,
            "low_N": row.force.low,
            "high_N": row.force.high,
            "sd_N": row.sd_newton,
            "se_N": row.found["force"].se if "force" in row.found else None,
            "why": row.force.why or None,
            "n_scored": row.n_scored,
            "scores": row.scores and dict(zip(labels, row.scores, strict=True)),
            "scored_units": row.found["score"].n_units if "score" in row.found else 0,
            "mean_score": row.scores and row.mean_score.to_json(),
            **(row.shares or Shares()).to_json(),
            "predicted": row.predicted
            and {"scores": dict(zip(labels, row.predicted, strict=True)), "soft_pct": soft},
            "letters": dict(row.letters),
        }

    def csv_rows(self) -> list[dict[str, Any]]:
        """Make flat records of the rows, one column an estimate's value, low and high."""
        rows = [_flat(self._row_json(row)) for row in self.table.rows]
        names = {name for row in rows for name in row}
        # What is a group of columns in one row and missing in another is no column itself.
        groups = {
            name
            for name in names
            if all(row.get(name) is None for row in rows)
            and any(other.startswith(f"{name}_") for other in names)
        }
        return [{k: v for k, v in row.items() if k not in groups} for row in rows]


def _levels_json(levels: Mapping[str, str | None]) -> dict[str, Any]:
    """Write levels for JSON: days and temperatures as numbers."""
    document: dict[str, Any] = {}
    for name, text in levels.items():
        number = sort_key(text)
        document[name] = number[1] if name in NUMERIC and number[0] == 0 else text
    return document


def _flat(document: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in document.items():
        if isinstance(value, dict) and key != "overdispersion":
            flat |= _flat(value, f"{prefix}{key}_")
        elif key != "overdispersion":
            flat[f"{prefix}{key}".removesuffix("_value")] = value
    return flat


def build_report(
    table: Table,
    *,
    cues: Sequence[str] = (),
    rule: KeepRule | None = None,
    endpoint: Endpoint = HALF_SOFT,
) -> Report:
    """Find all that follows from a table: effects of cues on mean force, decisions, storage days.

    By default the best half of the selections is kept; the day of the endpoint is found beside that
    with half the berries soft.
    """
    notes, pool = list(table.notes), table.pool
    if pool.repeated:
        notes.append(f"{pool.repeated} rows stand in more than one source; each was counted once.")
    if pool.contradictions:
        notes.append(
            f"{len(pool.contradictions)} contradictions between sources; the first source's word "
            "was taken."
        )
    notes += [f"{note}." for note in flagged_note(pool.n_flagged)]
    notes += within(*pool.conditions)
    if unused := unused_columns(pool.clamshells, (*table.by, *table.blocks, *cues)):
        notes.append(f"Columns of the sheets that were not used: {', '.join(unused)}.")
    effects = []
    for cue in cues:
        try:
            if not table.units.m:
                raise TooFewScoresError("cues need peak forces")
            effects.append(cue_effect(table.units, cue, level=table.level))
        except FirmhandError as error:
            notes.append(f"Cue {cue}: {str(error).rstrip('.')}.")
    ranks = None
    try:
        ranks = season_ranks(table.units, rule or KeepRule(top=0.5))
    except FirmhandError as error:
        notes.append(f"Seasons: {str(error).rstrip('.')}.")
    return Report(
        table=table,
        softening=softening_by_row(table, endpoint),
        ranks=ranks,
        cues=tuple(effects),
        notes=tuple(notes),
    )


def lines(report: Report) -> list[str]:
    """Write what the blocks rest on: tests, models, letters, seasons, and what was extrapolated."""
    found = [*_in_short(report), *_tests(report)]
    if any(row.letters for row in report.table.rows):
        found.append(letters_rule(report))
    if report.ranks is not None:
        found += [
            f"Rank correlation of {a} and {b}: {rho:.2f} (Spearman)."
            for (a, b), rho in report.ranks.spearman.items()
        ]
        found.append(
            f"Seasons are linked by {', '.join(report.ranks.checks)}, which stand in all. Keep and "
            "drop are at least 90 % sure; values are drawn towards one another (BLUP, Henderson "
            "1975) as far as seasons disagree."
        )
    found += [
        f"{one.outcome}{_where(one.within)}: p is below 0.05, but all rows share a letter: rows "
        "differ when taken together, and no single pair of them is proved to."
        for one in report.table.compared
        if one.comparison is not None
        and one.comparison.p < 0.05
        and len(set(one.comparison.letters)) == 1
    ]
    days = [(*pair, one.last_day) for _, one in report.softening for pair in one.days.items()]
    found += dict.fromkeys(
        f"{endpoint}: {day.why}."
        for endpoint, (day, source), _ in days
        if not source and endpoint != HALF_SOFT
    )
    if any((day.value or 0.0) > last for _, (day, _), last in days):
        last_days = ", ".join(f"{day:g}" for day in sorted({last for *_, last in days}))
        found.append(f"* beyond day {last_days}, the last day tested: extrapolated.")
    if any(row.shares and row.shares.marketable_most for row in report.table.rows):
        found.append(
            "Marketable: within the sale limit, neither leaky nor decayed, counted as if no berry "
            "had two defects; the upper end allows for berries that have."
        )
    return found


def _in_short(report: Report) -> list[str]:
    """Say in a sentence where the compared groups are shown to differ, and where not."""
    differ: dict[bool, list[str]] = {True: [], False: []}
    for one in report.table.compared:
        if one.comparison is not None:
            shown = one.comparison.p < 1 - report.table.level
            differ[shown].append(f"{one.outcome}{_where(one.within)}")
    return [
        f"By {short_name(report.table.compared[0].level)}, rows are {word} to differ in "
        f"{', '.join(these)}."
        for word, these in (("shown", differ[True]), ("not shown", differ[False]))
        if these
    ]


def _tests(report: Report) -> list[str]:
    """Write the tests of every measure, why there is none, and each model once."""
    tests: dict[str, list[str]] = {}
    missing: dict[str, list[str]] = {}
    models: dict[str, dict[str, None]] = {}
    for one in report.table.compared:
        where, made = _where(one.within), one.comparison
        if made is None:
            missing.setdefault(one.why, []).append(f"{one.outcome}{where}")
            continue
        tests.setdefault(one.outcome, []).append(f"{made.statistic}, p = {made.p:.2g}{where}")
        models.setdefault(made.model, {})[one.outcome] = None
    return [
        *(f"{outcome}: {'; '.join(each)}." for outcome, each in tests.items()),
        *(f"{', '.join(these)}: not compared, {why}." for why, these in missing.items()),
        *(f"Model of {', '.join(outcomes)}: {model}." for model, outcomes in models.items()),
    ]


def letters_rule(report: Report) -> str:
    """Say how letters are read: only within the same levels of what was not compared."""
    compared = report.table.compared[0].level if report.table.compared else ""
    held = [short_name(name) for name in report.table.by if name != compared]
    rule = "ows that share a letter are not shown to differ."
    rule = f"Within the same {' and '.join(held)}, r{rule}" if held else f"R{rule}"
    given = dict.fromkeys(name for row in report.table.rows for name in row.letters)
    first = {"force": "the firmest", "score": "the softest"}
    named = [f"by {name} {first[name]}" for name in given if name in first]
    most = [name.replace("_", " ") for name in given if name not in first]
    named += [f"by {', '.join(most)} the most"] if most else []
    return f"{rule} a stands at the largest value: {', '.join(named)}." if named else rule


def _where(within: Mapping[str, str | None]) -> str:
    return f" at {', '.join(map(level_text, within.items()))}" if within else ""


def level_text(level: tuple[str, str | None]) -> str:
    """Write a level with its name.

    Examples
    --------
    >>> level_text(("storage_day", "7")), level_text(("site", None))
    ('day 7', 'site -')
    """
    return f"{short_name(level[0])} {level[1] or '-'}"


def short_name(name: str) -> str:
    """Write the name of a level as the head of a column."""
    return {"storage_day": "day", "storage_temp_c": "°C", "harvest_date": "harvest"}.get(name, name)
