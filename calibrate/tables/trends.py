"""What goes on from the units of a table: softening in storage, and ranks across seasons.

The statistics are in softening and seasonranks; here units are put into groups for them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.stats.estimate import Estimate
from calibrate.tables.seasonranks import KeepRule, SeasonRanks, rank_seasons
from calibrate.tables.softening import (
    Softening,
    half_soft_by_force,
    half_soft_by_score,
    loss_per_day,
)
from calibrate.tables.tablerows import mean_force
from calibrate.tables.tables import Table, sort_key
from calibrate.tables.units import Units


def _groups(units: Units, by: Sequence[str]) -> dict[tuple[str | None, ...], NDArray[np.int64]]:
    """Units of each combination of levels, in order."""
    found: dict[tuple[str | None, ...], list[int]] = {}
    for index in range(units.n.size):
        found.setdefault(tuple(units.label(name, index) for name in by), []).append(index)
    ordered = sorted(found, key=lambda key: tuple(sort_key(text) for text in key))
    return {key: np.array(found[key], np.int64) for key in ordered}


def softening_by_row(
    table: Table, calibration: Calibration | None, level: float
) -> tuple[tuple[Mapping[str, str | None], Softening], ...]:
    """Softening in storage of each combination of the table's other levels.

    Parameters
    ----------
    table : Table
    calibration : Calibration or None
        Tells from force when half the berries are soft, where there are no scores.
    level : float
        Of the intervals.

    Returns
    -------
    tuple of (levels, Softening)
        Empty without two storage days.

    Examples
    --------
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> from calibrate.tables.tables import tabulate
    >>> part = Part(source="a.csv", force_newton=np.array([2.0, 1.5, 1.0]), levels={
    ...     "selection": ["R-114"] * 3, "clamshell": list("123"), "storage_day": list("048")})
    >>> (levels, found), = softening_by_row(tabulate(join([part])), None, 0.95)
    >>> dict(levels), found.loss_n_day.value
    ({'selection': 'R-114'}, 0.125)
    """
    by = [name for name in table.by if name != "storage_day"]
    found: dict[tuple[str | None, ...], Softening] = {}
    for source in (table.units, table.sheets):
        known = None if source is None else source.levels.get("storage_day")
        if source is None or known is None or len(known.labels) < 2:
            continue
        day = np.array([_number(text) for text in known.labels] + [np.nan])[known.code]
        for key, mine in _groups(source, by).items():
            use = mine[np.isfinite(day[mine])]
            if np.unique(day[use]).size > 1:
                one = _soften(source, use, day, table, calibration, level)
                found[key] = _joined(found.get(key), one)
    return tuple((dict(zip(by, key, strict=True)), one) for key, one in found.items())


def _number(text: str) -> float:
    kind, number, _ = sort_key(text)
    return number if kind == 0 else np.nan


def _soften(
    units: Units,
    use: NDArray[np.int64],
    day: NDArray[np.float64],
    table: Table,
    calibration: Calibration | None,
    level: float,
) -> Softening:
    none = Estimate(value=None, why="neither scores with a sale limit nor a calibration")
    pressed = use[units.n[use] > 0]
    loss = Estimate(value=None, why="no peak force")
    if pressed.size:
        loss = loss_per_day(day[pressed], units.mean_newton[pressed], level=level)
    half, origin = none, ""
    scale = table.scale
    if units.scores is not None and scale is not None and scale.sale_limit is not None:
        scored = use[units.scores[use].sum(axis=1) > 0]
        counts = units.scores[scored]
        soft = counts[:, scale.rank(scale.sale_limit) + 1 :].sum(axis=1)
        half = half_soft_by_score(day[scored], soft, counts.sum(axis=1), level=level)
        origin = "scores"
    elif calibration is not None and pressed.size:
        half = half_soft_by_force(day[pressed], units.mean_h[pressed], calibration, level=level)
        origin = "force"
    return Softening(
        clamshells=int(use.size), loss_n_day=loss, half_soft_day=half, half_from=origin
    )


def _joined(first: Softening | None, second: Softening) -> Softening:
    """Loss from the berries, half-soft day from the sheets, when a selection has both."""
    if first is None:
        return second
    return Softening(
        clamshells=first.clamshells,
        loss_n_day=first.loss_n_day,
        half_soft_day=second.half_soft_day,
        half_from=second.half_from,
    )


def season_ranks(units: Units | None, rule: KeepRule) -> SeasonRanks | None:
    """Ranks of the selections within seasons; None without two seasons.

    Parameters
    ----------
    units : Units or None
    rule : KeepRule
        Which selections to keep.

    Raises
    ------
    FirmhandError
        See `calibrate.tables.seasonranks.rank_seasons`.

    Examples
    --------
    >>> season_ranks(None, KeepRule(top=0.5)) is None
    True
    """
    if units is None or "selection" not in units.levels or "season" not in units.levels:
        return None
    if len(units.levels["season"].labels) < 2:
        return None
    told: dict[str, dict[str, tuple[float, float | None, int]]] = {}
    for (season, selection), mine in _groups(units, ("season", "selection")).items():
        pressed = mine[units.n[mine] > 0]
        if season is None or selection is None or not pressed.size:
            continue
        force, _, se = mean_force(
            units.n[pressed], units.mean_newton[pressed], units.ss_n2[pressed], units.name
        )
        assert force.value is not None
        told.setdefault(season, {})[selection] = (force.value, se, int(pressed.size))
    return rank_seasons(told, rule) if len(told) > 1 else None
