"""The table: one row for each combination of levels, and the comparison of selections.

One level is compared within each combination of the others, outcome by outcome.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.data.clamshell import DEFECTS
from calibrate.data.scale import Scale
from calibrate.stats.groups import Comparison, compare_means, compare_proportions, compare_scores
from calibrate.tables.pooling import Pool
from calibrate.tables.rows import Row, make_row
from calibrate.tables.samplingunits import (
    Key,
    SamplingUnits,
    UnitName,
    berry_units,
    choose_unit,
    ordered,
    sheet_units,
)
from gauge.errors import FirmhandError, NoSuchRecordError

Ints = NDArray[np.int64]


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Placed:
    """Units, and the row of the table that each belongs to."""

    units: SamplingUnits
    row: Ints

    @classmethod
    def among(cls, units: SamplingUnits, by: Sequence[str], keys: Sequence[Key]) -> Placed:
        """Find the row of each unit by its levels."""
        place = {key: index for index, key in enumerate(keys)}
        return cls(units=units, row=np.array([place[key] for key in units.keys(by)], np.int64))


@dataclass(frozen=True, kw_only=True)
class Table:
    """All rows, what was compared, and what the reader must know."""

    by: tuple[str, ...]
    unit: str
    rows: tuple[Row, ...]
    compared: tuple[Compared, ...]
    scale: Scale | None
    notes: tuple[str, ...]
    # What the rows were made of, for the statistics that go on from here.
    units: SamplingUnits | None = None
    sheets: SamplingUnits | None = None


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
    units = berry_units(pool, chosen, calibration=calibration, extra=by) if pool.n else None
    if units is not None and why:
        notes.append(f"Unit: {why}.")
    sheets = sheet_units(pool.clamshells)
    both = [one for one in (units, sheets) if one is not None]
    for name in (*by, *([block] if block else [])):
        if not any(name in one.factors for one in both):
            raise NoSuchRecordError(
                f"No source has a level '{name}'.", todo="Give --by a column that is there."
            )
    notes += _mixed(units or sheets, by)
    keys = ordered(key for one in both for key in one.keys(by))
    berries, cards = (
        None if one is None else Placed.among(one, by, keys) for one in (units, sheets)
    )
    rows = []
    for index, key in enumerate(keys):
        mine, of_sheets = (
            np.flatnonzero(one.row == index) if one is not None else np.zeros(0, np.int64)
            for one in (berries, cards)
        )
        levels = dict(zip(by, key, strict=True))
        rows.append(make_row(levels, units, mine, sheets, of_sheets, pool.scale, level))
    what = compare or ("selection" if "selection" in by else (by[0] if by else None))
    if what is not None and what not in by:
        raise NoSuchRecordError(
            f"'{what}' cannot be compared, for the rows do not tell it apart.",
            todo=f"Add --by {what}.",
        )
    compared: list[Compared] = []
    if what is not None:
        compared = _compare_within(
            keys, by, what, berries, cards, scale=pool.scale, block=block, level=level
        )
    return Table(
        by=tuple(by),
        unit=chosen if units is not None else "clamshell",
        rows=tuple(_with_letters(rows, compared)),
        compared=tuple(compared),
        scale=pool.scale or (calibration.scale if calibration is not None else None),
        notes=tuple(notes),
        units=units,
        sheets=sheets,
    )


def _mixed(units: SamplingUnits | None, by: Sequence[str]) -> list[str]:
    """Say which conditions are mixed within the rows."""
    notes = []
    for name in ("storage_day", "storage_temp_c", "season"):
        if units is not None and name in units.factors and name not in by:
            found = set(units.factors[name].code.tolist()) - {-1}
            if len(found) > 1:
                notes.append(f"{len(found)} values of {name} are mixed in each row: --by {name}.")
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


def _compare_within(
    keys: Sequence[Key],
    by: Sequence[str],
    what: str,
    berries: Placed | None,
    sheets: Placed | None,
    *,
    scale: Scale | None,
    block: str | None,
    level: float,
) -> list[Compared]:
    """Compare one level (`what`, one of `by`) within each combination of the others."""
    place = by.index(what)
    strata: dict[Key, dict[int, str]] = {}
    for index, key in enumerate(keys):
        label = key[place]
        if label is not None:
            strata.setdefault(key[:place] + key[place + 1 :], {})[index] = label
    others = [name for name in by if name != what]
    compared = []
    for held, names in strata.items():
        within = dict(zip(others, held, strict=True))
        for outcome, placed in _outcomes(berries, sheets, scale):
            found, why = None, ""
            try:
                found = _model(outcome, placed, names, block, level, scale)
            except FirmhandError as error:
                why = str(error).rstrip(".")
            compared.append(
                Compared(within=within, outcome=outcome, level=what, comparison=found, why=why)
            )
    return compared


def _outcomes(
    berries: Placed | None, sheets: Placed | None, scale: Scale | None
) -> list[tuple[str, Placed]]:
    """Find what can be compared, and by which units; sheets count before single scores."""
    found: list[tuple[str, Placed]] = []
    if berries is not None and np.isfinite(berries.units.mean_newton).any():
        found.append(("force", berries))
    scored = sheets or berries
    if scored is not None and scored.units.scores is not None:
        found.append(("score", scored))
        if scale is not None and scale.sale_boundary is not None:
            found.append(("soft", scored))
    if sheets is not None:
        for name in DEFECTS:
            if any(getattr(one, name) is not None for one in sheets.units.sheets):
                found.append((name, sheets))
    return found


def _model(
    outcome: str,
    placed: Placed,
    names: Mapping[int, str],
    block: str | None,
    level: float,
    scale: Scale | None,
) -> Comparison:
    units = placed.units
    mine = np.flatnonzero(np.isin(placed.row, list(names)))
    if outcome == "force":
        mine = units.pressed(mine)
    elif outcome in DEFECTS:
        counted = [getattr(units.sheets[i], outcome) is not None for i in mine]
        mine = mine[np.array(counted, bool)]
    else:
        mine = units.scored(mine)
    present, group = np.unique(placed.row[mine], return_inverse=True)
    labels = [names[index] for index in present.tolist()]
    if outcome == "force":
        blocks = units.factors[block].code[mine] if block else None
        return compare_means(
            units.mean_newton[mine], group, labels, block=blocks, level=level, unit=units.name
        )
    assert units.scores is not None
    table = units.scores[mine]
    if outcome == "score":
        return compare_scores(table, group, labels, level=level, unit=units.name)
    if outcome == "soft":
        assert scale is not None
        hits = table[:, scale.beyond_limit].sum(axis=1)
    else:
        hits = np.array([getattr(units.sheets[i], outcome) for i in mine], dtype=float)
    return compare_proportions(hits, table.sum(axis=1), group, labels, level=level, unit=units.name)
