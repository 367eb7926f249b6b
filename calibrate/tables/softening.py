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
    """What storage does to one selection."""

    clamshells: int
    # N lost per storage day (above zero: softer).
    loss_n_day: Estimate
    # Day at which half the berries are beyond the sale limit.
    half_soft_day: Estimate
    # "scores" (seen), "force" (predicted by the calibration), or empty.
    half_from: str = ""


def softening_by_row(table: Table) -> tuple[tuple[Mapping[str, str | None], Softening], ...]:
    """Estimate softening for each combination of the table's other levels; none without two days.

    Where there are no scores, the calibration says from force when half the berries are soft.
    """
    by = [name for name in table.by if name != "storage_day"]
    found: dict[Key, Softening] = {}
    for source in (table.units, table.sheets):
        for key, group in source.groups(by).items():
            units = group.where(np.isfinite(_days(group)))
            if np.unique(_days(units)).size > 1:
                one = _soften(units, table)
                if key in found:
                    # Loss from the berries, half-soft day from the sheets.
                    half, origin = one.half_soft_day, one.half_from
                    one = replace(found[key], half_soft_day=half, half_from=origin)
                found[key] = one
    return tuple((dict(zip(by, key, strict=True)), one) for key, one in found.items())


def _days(units: SamplingUnits) -> NDArray[np.float64]:
    """Find the storage day of each unit, NaN where it is none or no number."""
    factor = units.factor("storage_day")
    numbers = [number if kind == 0 else np.nan for kind, number, _ in map(sort_key, factor.labels)]
    return np.array([*numbers, np.nan])[factor.code]


def _soften(units: SamplingUnits, table: Table) -> Softening:
    scale, calibration, level = table.scale, table.calibration, table.level
    pressed, scored = units.pressed(), units.scored()
    loss = Estimate(value=None, why="no peak force")
    if pressed.m:
        loss = loss_per_day(_days(pressed), pressed.mean_newton, level=level)
    half = Estimate(value=None, why="neither scores with a sale limit nor a calibration")
    origin = ""
    if scored.scores is not None and scale is not None and scale.sale_limit is not None:
        soft = scored.scores[:, scale.beyond_limit].sum(axis=1)
        half = half_soft_by_score(_days(scored), soft, scored.scores.sum(axis=1), level=level)
        origin = "scores"
    elif calibration is not None and pressed.m:
        half = half_soft_by_force(_days(pressed), pressed.mean_h, calibration, level=level)
        origin = "force"
    return Softening(clamshells=units.m, loss_n_day=loss, half_soft_day=half, half_from=origin)


def loss_per_day(day: ArrayLike, mean_newton: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Estimate newtons lost per storage day; no value, with the reason, where no line fits."""
    try:
        return fit_line(day, -np.asarray(mean_newton, dtype=float)).slope_estimate(level)
    except TooFewScoresError as error:
        return Estimate(value=None, why=str(error))


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
        return Estimate(value=None, why="no softening over the days seen")
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
    return replace(found.map(lambda day: max(day, 0.0)), why="; ".join(reasons))
