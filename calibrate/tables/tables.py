"""The table: one row for each combination of levels, and the comparison of selections.

Berries become units in units; models of comparison are in selections. Nothing is drawn here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.data.scale import Scale
from calibrate.tables.comparisons import Compared, Key, compare_within
from calibrate.tables.pooling import Pool
from calibrate.tables.tablerows import Row, make_row
from calibrate.tables.units import UnitName, Units, berry_units, choose_unit, sheet_units
from gauge.errors import NoSuchRecordError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    units, sheets : Units or None
        What the rows were made of, for the statistics that go on from here.
    """

    by: tuple[str, ...]
    unit: str
    rows: tuple[Row, ...]
    compared: tuple[Compared, ...]
    scale: Scale | None
    notes: tuple[str, ...]
    units: Units | None = None
    sheets: Units | None = None


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

    Examples
    --------
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.2, 1.4, 2.0, 2.2, 2.4]), levels={
    ...     "selection": ["R-114"] * 3 + ["R-120"] * 3, "clamshell": list("123123")})
    >>> for row in tabulate(join([part])).rows:
    ...     print(row.levels["selection"], round(row.force.value, 2), row.letters["force"])
    R-114 1.2 b
    R-120 2.2 a
    """
    notes: list[str] = []
    chosen, why = choose_unit(pool) if unit is None else (unit, "")
    units = None
    if pool.n:
        units = berry_units(pool, chosen, calibration=calibration, extra=by)
        if why:
            notes.append(f"Unit: {why}.")
    sheets = sheet_units(pool.clamshells)
    for name in (*by, *([block] if block else [])):
        if not any(name in one.levels for one in (units, sheets) if one is not None):
            raise NoSuchRecordError(
                f"No source has a level '{name}'.", todo="Give --by a column that is there."
            )
    notes += _mixed(units or sheets, by)
    keys, of_units, of_sheets = _keys(by, units, sheets)
    rows = []
    for index, key in enumerate(keys):
        mine = np.flatnonzero(of_units == index)
        cards = np.flatnonzero(of_sheets == index)
        rows.append(
            make_row(dict(zip(by, key, strict=True)), units, mine, sheets, cards, pool, level)
        )
    what = compare or ("selection" if "selection" in by else (by[0] if by else None))
    if what is not None and what not in by:
        raise NoSuchRecordError(
            f"'{what}' cannot be compared, for the rows do not tell it apart.",
            todo=f"Add --by {what}.",
        )
    compared: list[Compared] = []
    if what is not None:
        place = by.index(what)
        compared = compare_within(
            keys, place, by, units, of_units, sheets, of_sheets, pool.scale, block, level
        )
        rows = _with_letters(rows, compared)
    return Table(
        by=tuple(by),
        unit=chosen if units is not None else "clamshell",
        rows=tuple(rows),
        compared=tuple(compared),
        scale=pool.scale or (calibration.scale if calibration is not None else None),
        notes=tuple(notes),
        units=units,
        sheets=sheets,
    )


def _mixed(units: Units | None, by: Sequence[str]) -> list[str]:
    """Say which conditions are mixed within the rows."""
    notes = []
    for name in ("storage_day", "storage_temp_c", "season"):
        if units is not None and name in units.levels and name not in by:
            found = {int(c) for c in np.unique(units.levels[name].code)} - {-1}
            if len(found) > 1:
                notes.append(f"{len(found)} values of {name} are mixed in each row: --by {name}.")
    return notes


def sort_key(text: str | None) -> tuple[int, float, str]:
    """Order of levels: numbers by size, then texts, then none.

    Examples
    --------
    >>> sorted(["14", "7", None, "late"], key=sort_key)
    ['7', '14', 'late', None]
    """
    if text is None:
        return (2, 0.0, "")
    try:
        return (0, float(text), text)
    except ValueError:
        return (1, 0.0, text)


def _keys(
    by: Sequence[str], units: Units | None, sheets: Units | None
) -> tuple[list[Key], Ints, Ints]:
    """Distinct combinations in order, and for each unit and sheet which one is its own."""
    told: list[list[Key]] = []
    for one in (units, sheets):
        if one is None:
            told.append([])
            continue
        columns = []
        for name in by:
            if name not in one.levels:
                columns.append([None] * one.n.size)
                continue
            labels: list[str | None] = [*one.levels[name].labels, None]
            columns.append([labels[c] for c in one.levels[name].code.tolist()])
        told.append(list(zip(*columns, strict=True)) if by else [()] * one.n.size)
    distinct = set(told[0]) | set(told[1])
    keys = sorted(distinct, key=lambda key: tuple(sort_key(text) for text in key))
    place = {key: index for index, key in enumerate(keys)}
    of_units, of_sheets = (np.array([place[key] for key in one], np.int64) for one in told)
    return keys, of_units, of_sheets


def _with_letters(rows: list[Row], compared: Sequence[Compared]) -> list[Row]:
    told: dict[tuple[frozenset[tuple[str, str | None]], str], str] = {}
    for one in compared:
        if one.comparison is None:
            continue
        for group, given in zip(one.comparison.groups, one.comparison.letters, strict=True):
            levels = {**one.within, one.level: group}
            told[frozenset(levels.items()), one.outcome] = given
    outcomes = list(dict.fromkeys(one.outcome for one in compared))
    return [
        replace(
            row,
            letters={
                outcome: told[frozenset(row.levels.items()), outcome]
                for outcome in outcomes
                if (frozenset(row.levels.items()), outcome) in told
            },
        )
        for row in rows
    ]
