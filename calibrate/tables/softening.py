"""Firmness lost per storage day, and days until half the berries pass the sale limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.stats.dayline import Line, crossing, fit_line, fit_logit_line
from calibrate.stats.estimate import Estimate
from calibrate.tables.samplingunits import Key, SamplingUnits, sort_key
from calibrate.tables.table import Table
from gauge.errors import FirmhandError, SeparationError, TooFewScoresError

# Multiple of the last storage day seen; a line is not carried further.
_FARTHEST = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Softening:
    """What storage does to one selection.

    Attributes
    ----------
    clamshells : int
    loss_n_day : Estimate
        Newtons lost per storage day (above zero: softer).
    half_soft_day : Estimate
        Day at which half the berries are beyond the sale limit.
    half_from : str
        "scores" (seen), "force" (predicted by the calibration), or empty.
    """

    clamshells: int
    loss_n_day: Estimate
    half_soft_day: Estimate
    half_from: str = ""


def softening_by_row(
    table: Table, calibration: Calibration | None, level: float
) -> tuple[tuple[Mapping[str, str | None], Softening], ...]:
    """Estimate softening in storage for each combination of the table's other levels.

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
    """
    by = [name for name in table.by if name != "storage_day"]
    found: dict[Key, Softening] = {}
    for source in (table.units, table.sheets):
        known = None if source is None else source.factors.get("storage_day")
        if source is None or known is None or len(known.labels) < 2:
            continue
        day = np.array([_number(text) for text in known.labels] + [np.nan])[known.code]
        for key, mine in source.groups(by).items():
            use = mine[np.isfinite(day[mine])]
            if np.unique(day[use]).size > 1:
                one = _soften(source, use, day, table, calibration, level)
                if key in found:
                    # Loss from the berries, half-soft day from the sheets.
                    half, origin = one.half_soft_day, one.half_from
                    one = replace(found[key], half_soft_day=half, half_from=origin)
                found[key] = one
    return tuple((dict(zip(by, key, strict=True)), one) for key, one in found.items())


def _number(text: str) -> float:
    kind, number, _ = sort_key(text)
    return number if kind == 0 else np.nan


def _soften(
    units: SamplingUnits,
    use: NDArray[np.int64],
    day: NDArray[np.float64],
    table: Table,
    calibration: Calibration | None,
    level: float,
) -> Softening:
    pressed = units.pressed(use)
    loss = Estimate(value=None, why="no peak force")
    if pressed.size:
        loss = loss_per_day(day[pressed], units.mean_newton[pressed], level=level)
    half = Estimate(value=None, why="neither scores with a sale limit nor a calibration")
    origin, scale = "", table.scale
    if units.scores is not None and scale is not None and scale.sale_limit is not None:
        scored = units.scored(use)
        counts = units.scores[scored]
        soft = counts[:, scale.beyond_limit].sum(axis=1)
        half = half_soft_by_score(day[scored], soft, counts.sum(axis=1), level=level)
        origin = "scores"
    elif calibration is not None and pressed.size:
        half = half_soft_by_force(day[pressed], units.mean_h[pressed], calibration, level=level)
        origin = "force"
    return Softening(
        clamshells=int(use.size), loss_n_day=loss, half_soft_day=half, half_from=origin
    )


def loss_per_day(day: ArrayLike, mean_newton: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Estimate newtons lost per storage day; no value, with the reason, where no line fits."""
    try:
        slope = fit_line(day, mean_newton).slope_estimate(level)
    except TooFewScoresError as error:
        return Estimate(value=None, why=str(error))
    assert slope.value is not None
    return Estimate(
        value=-slope.value,
        low=None if slope.high is None else -slope.high,
        high=None if slope.low is None else -slope.low,
    )


def half_soft_by_score(
    day: ArrayLike, hits: ArrayLike, n: ArrayLike, *, level: float = 0.95
) -> Estimate:
    """Estimate the day at which half the berries are scored beyond the limit."""
    try:
        line = fit_logit_line(day, hits, n)
    except SeparationError:
        return Estimate(value=None, why="days of firm and of soft berries do not overlap")
    except FirmhandError as error:
        return Estimate(value=None, why=error.what.rstrip("."))
    return _to_come(crossing(line, 0.0, level=level), line, softens=line.slope > 0)


def half_soft_by_force(
    day: ArrayLike, mean_h: ArrayLike, calibration: Calibration, *, level: float = 0.95
) -> Estimate:
    """Estimate the day at which the mean berry falls to the cut of the sale limit.

    For forces spread evenly to both sides of their mean (on the scale of the calibration) this is
    the day at which half the berries are beyond the limit. The interval of the cut counts too.

    Parameters
    ----------
    day, mean_h : array_like of float, shape (m,)
        Storage day, and mean on the scale of the calibration, of each clamshell.
    calibration : Calibration
    level : float
        Also the level at which the calibration's interval is read.
    """
    from scipy.special import ndtri

    boundary = calibration.scale.sale_boundary
    cut = None if boundary is None else calibration.cuts[boundary].value
    if boundary is None or cut is None:
        return Estimate(value=None, why="the calibration knows no cut at the sale limit")
    try:
        line = fit_line(day, mean_h)
    except TooFewScoresError as error:
        return Estimate(value=None, why=str(error))
    ends = calibration.cuts[boundary].low, calibration.cuts[boundary].high
    z = float(ndtri((1 + calibration.level) / 2))
    middle = float(calibration.h(cut))
    # An open side of the cut is taken as wide as the other one.
    halves = [abs(float(calibration.h(end)) - middle) for end in ends if end is not None]
    variance = (max(halves, default=0.0) / z) ** 2
    found = crossing(line, middle, target_variance=variance, level=level)
    return _to_come(found, line, softens=line.slope < 0)


def _to_come(found: Estimate, line: Line, *, softens: bool) -> Estimate:
    """Hold days to what can be: none before the harvest, none for fruit that does not soften."""
    if not softens:
        return Estimate(value=None, low=None, high=None, why="no softening over the days seen")
    if found.value is None:
        return found
    if found.value > _FARTHEST * line.last_day:
        # As good as no softening: how far beyond is decided by rounding.
        why = f"far beyond the last storage day seen ({line.last_day:g})"
        return Estimate(value=None, low=found.low, why=why)
    reasons = [found.why] if found.why else []
    if found.value < 0:
        reasons.append("more than half were beyond the limit at day 0")
    elif found.value > line.last_day:
        reasons.append(f"beyond the last storage day seen ({line.last_day:g})")
    return Estimate(
        value=max(found.value, 0.0),
        low=None if found.low is None else max(found.low, 0.0),
        high=None if found.high is None else max(found.high, 0.0),
        why="; ".join(reasons),
    )
