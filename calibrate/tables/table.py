"""The table: one row for each combination of levels, and the comparison of selections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibrate.cuts.calibration import Calibration
from calibrate.data.scale import Scale
from calibrate.tables.comparisons import Compared, Placed, compare_within
from calibrate.tables.pooling import Pool
from calibrate.tables.rows import Row, make_row
from calibrate.tables.samplingunits import (
    SamplingUnits,
    UnitName,
    berry_units,
    choose_unit,
    ordered,
    sheet_units,
)
from gauge.errors import NoSuchRecordError


@dataclass(frozen=True, kw_only=True)
class Table:
    """All rows, what was compared, and what the reader must know.

    Attributes
    ----------
    by : tuple of str
    unit : str
    rows : tuple of Row
    compared : tuple of Compared
    scale : Scale or None
    notes : tuple of str
    units, sheets : SamplingUnits or None
        What the rows were made of, for the statistics that go on from here.
    """

    by: tuple[str, ...]
    unit: str
    rows: tuple[Row, ...]
    compared: tuple[Compared, ...]
    scale: Scale | None
    notes: tuple[str, ...]
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
        compared = compare_within(
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
