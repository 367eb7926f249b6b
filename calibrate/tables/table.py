"""The table: one row for each combination of levels, and the comparison of selections.

One level is compared within each combination of the others, outcome by outcome.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calibrate.cuts.calibration import Calibration
from calibrate.data.clamshell import DEFECTS
from calibrate.data.scale import Scale
from calibrate.stats.allpairs import Comparison
from calibrate.stats.groups import compare_means, compare_proportions, compare_scores
from calibrate.tables.pooling import Pool
from calibrate.tables.rows import Row, make_row
from calibrate.tables.samplingunits import (
    SamplingUnits,
    UnitName,
    berry_units,
    choose_unit,
    ordered,
    sheet_units,
    sort_key,
)
from gauge.errors import FirmhandError, NoSuchRecordError


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """A comparison within one stratum (the other levels held), or why there is none."""

    within: Mapping[str, str | None]
    outcome: str
    level: str
    comparison: Comparison | None
    why: str = ""

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        body: dict[str, Any] = {"why": self.why}
        if self.comparison is not None:
            body = self.comparison.to_json()
        return {"outcome": self.outcome, "of": self.level, "within": dict(self.within)} | body


@dataclass(frozen=True, kw_only=True)
class Table:
    """All rows, what was compared, and what the reader must know."""

    pool: Pool
    by: tuple[str, ...]
    unit: str
    level: float
    calibration: Calibration | None
    rows: tuple[Row, ...]
    compared: tuple[Compared, ...]
    scale: Scale | None
    notes: tuple[str, ...]
    # What the rows were made of, for the statistics that go on from here.
    units: SamplingUnits
    sheets: SamplingUnits


def tabulate(
    pool: Pool,
    *,
    by: Sequence[str] = ("selection",),
    unit: UnitName | None = None,
    calibration: Calibration | None = None,
    compare: str | None = None,
    block: str | None = None,
    level: float = 0.95,
) -> Table:
    """Make the table.

    Parameters
    ----------
    pool : Pool
    by : sequence of str
        Levels that make a row.
    unit : {"clamshell", "replicate", "berry"}, optional
        By default the clamshell or sample, or else the replicate, or else the berry.
    calibration : Calibration, optional
        Predicts scores from force.
    compare : str, optional
        Level to compare, within each combination of the others; by default selection if it is one
        of `by`, or else the first.
    block : str, optional
        Level whose additive effect is taken out when means are compared.
    level : float
        Of intervals; letters are at 1 - level.

    Raises
    ------
    NoSuchRecordError
        If no source has a level that was asked for.
    """
    notes: list[str] = []
    chosen, why = choose_unit(pool) if unit is None else (unit, "")
    units = berry_units(pool, chosen, calibration=calibration, extra=by)
    if units.m and why:
        notes.append(f"Unit: {why}.")
    sheets = sheet_units(pool.clamshells)
    for name in (*by, *([block] if block else [])):
        if name not in units.factors and name not in sheets.factors:
            raise NoSuchRecordError(
                f"No source has a level '{name}'.", todo="Give --by a column that is there."
            )
    notes += _mixed(units if units.m else sheets, by, block)
    what = compare or ("selection" if "selection" in by else (by[0] if by else None))
    if what is not None and what not in by:
        raise NoSuchRecordError(
            f"'{what}' cannot be compared, for it does not make rows.", todo=f"Add --by {what}."
        )
    berries, cards = units.groups(by), sheets.groups(by)
    rows = [
        make_row(
            dict(zip(by, key, strict=True)), berries.get(key), cards.get(key), pool.scale, level
        )
        for key in ordered((*berries, *cards))
    ]
    table = Table(
        pool=pool,
        by=tuple(by),
        unit=chosen if units.m else "clamshell",
        level=level,
        calibration=calibration,
        rows=tuple(rows),
        compared=(),
        scale=pool.scale or (calibration.scale if calibration is not None else None),
        notes=tuple(notes),
        units=units,
        sheets=sheets,
    )
    if what is None:
        return table
    compared = tuple(_compare_within(table, what, block))
    return replace(table, rows=tuple(_with_letters(rows, compared)), compared=compared)


def _mixed(units: SamplingUnits, by: Sequence[str], block: str | None) -> list[str]:
    """Say which conditions are mixed within the rows."""
    notes = []
    for name in ("storage_day", "storage_temp_c", "season"):
        if name not in by:
            found = set(units.factor(name).code.tolist()) - {-1}
            if len(found) > 1:
                todo = f"add --by {name} for a row each, or --block {name} to take them out"
                if name == block:
                    todo = "--block takes them out of the comparison of forces only"
                notes.append(f"{len(found)} values of {name} are mixed in each row: {todo}.")
    return notes


def _with_letters(rows: Sequence[Row], compared: Sequence[Compared]) -> list[Row]:
    """Give each row the letters of its group, outcome by outcome."""
    letters: dict[frozenset[tuple[str, str | None]], dict[str, str]] = {}
    for one in compared:
        if one.comparison is not None:
            for group, given in zip(one.comparison.groups, one.comparison.letters, strict=True):
                levels = {**one.within, one.level: group}
                letters.setdefault(frozenset(levels.items()), {})[one.outcome] = given
    return [replace(row, letters=letters.get(frozenset(row.levels.items()), {})) for row in rows]


def _compare_within(table: Table, what: str, block: str | None) -> list[Compared]:
    """Compare one level (`what`, one of those that make rows) within each combination of others."""
    others = [name for name in table.by if name != what]
    compared = []
    # Units without the level make a row, but no group.
    strata = {
        kind: one.where(one.factor(what).code >= 0).groups(others)
        for kind, one in (("units", table.units), ("sheets", table.sheets))
    }
    for held in ordered(key for groups in strata.values() for key in groups):
        within = dict(zip(others, held, strict=True))
        for outcome, kind in _outcomes(table).items():
            found, why = None, ""
            try:
                none = getattr(table, kind).at(np.zeros(0, np.int64))
                found = _model(table, outcome, strata[kind].get(held, none), what, block)
            except FirmhandError as error:
                why = str(error).rstrip(".")
            compared.append(
                Compared(within=within, outcome=outcome, level=what, comparison=found, why=why)
            )
    return compared


def _outcomes(table: Table) -> dict[str, str]:
    """Find what can be compared, and by units or sheets; these count before single scores."""
    scale, sheets = table.pool.scale, table.sheets
    found = {"force": "units"} if table.units.pressed().m else {}
    if sheets.m or table.units.scores is not None:
        found["score"] = "sheets" if sheets.m else "units"
        if scale is not None and scale.sale_boundary is not None:
            found["soft"] = found["score"]
    for name in DEFECTS:
        if any(getattr(one, name) is not None for one in sheets.sheets):
            found[name] = "sheets"
    return found


def _model(
    table: Table, outcome: str, units: SamplingUnits, what: str, block: str | None
) -> Comparison:
    how: dict[str, Any] = {"level": table.level, "unit": units.name}
    if outcome == "force":
        units = units.pressed()
    elif outcome in DEFECTS:
        counted = [getattr(sheet, outcome) is not None for sheet in units.sheets]
        units = units.where(np.array(counted, bool))
    else:
        units = units.scored()
    factor = units.factor(what)
    names = sorted({factor.labels[code] for code in set(factor.code.tolist())}, key=sort_key)
    place = {name: at for at, name in enumerate(names)}
    group = np.array([place.get(label, -1) for label in factor.labels], np.int64)[factor.code]
    if outcome == "force":
        blocks = units.factors[block].code if block else None
        return compare_means(units.mean_newton, group, names, block=blocks, **how)
    scores, scale = units.scores, table.pool.scale
    assert scores is not None
    if outcome == "score":
        return compare_scores(scores, group, names, **how)
    if outcome == "soft":
        assert scale is not None
        hits = scores[:, scale.beyond_limit].sum(axis=1)
    else:
        hits = np.array([getattr(sheet, outcome) for sheet in units.sheets], dtype=float)
    return compare_proportions(hits, scores.sum(axis=1), group, names, **how)
