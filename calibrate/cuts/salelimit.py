"""The sale limit in newtons, and what a threshold costs in fruit.

A number from here never decides by itself: local grades and buyers' terms do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration, Side
from calibrate.stats.estimate import Estimate, t_quantile
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
CAUTION = (
    "Whether fruit may be sold is decided by local grades, food-safety rules and the buyer's "
    "terms, not by this number."
)


def _boundary(calibration: Calibration) -> tuple[int, float]:
    """Return the boundary beyond the sale limit, and its cut on the model's scale."""
    index = calibration.scale.sale_boundary
    if index is None:
        raise InvalidValueError(
            f"The scale {', '.join(calibration.scale.labels)} has no sale limit.",
            todo="Declare one with --sale-limit.",
        )
    cut = calibration.cuts[index].value
    if cut is None:
        raise InvalidValueError(
            "No score beyond the sale limit was used, so its cut point is not known.",
            todo="Score softer berries.",
        )
    return index, float(calibration.h(cut))


def _half_width(
    calibration: Calibration, index: int, force_newton: Floats, z: Floats, level: float
) -> Floats:
    """Half-width of z = (h - c) / s at forces, by the delta method; NaN without a covariance."""
    if calibration.covariance is None:
        return np.full(np.shape(z), np.nan)
    matrix, growth = np.array(calibration.covariance), calibration.growth
    widening = growth.factor(force_newton)
    variance = matrix[index, index] / widening**2 + z**2 * matrix[-1, -1]
    variance = (variance + 2 * z * matrix[index, -1] / widening) / calibration.spread**2
    if growth.power:
        variance = variance + (z * np.log(force_newton / growth.at_newton) * growth.error) ** 2
    return np.asarray(t_quantile(math.inf, level) * np.sqrt(variance))


def limit_force(calibration: Calibration, *, share: float = 0.95, level: float = 0.95) -> Estimate:
    """Find the force in newtons at which `share` of berries is within the sale limit.

    h = c + s logit(share), with its interval by the delta method on the model's scale; what is
    not above zero is left open. An InvalidValueError where the scale has no sale limit, or its cut
    is not known.
    """
    if not 0 < share < 1:
        raise InvalidValueError("a share lies between 0 and 1")
    index, cut = _boundary(calibration)
    logit = math.log(share / (1 - share))
    force = calibration.force_at(share, index)
    if force is None:
        return Estimate(value=None)
    half = float(_half_width(calibration, index, np.array(force), np.array(logit), level))
    # From z to h: dz / dh is 1 / s, less what the spread grows by.
    half *= float(calibration.spread_at(force))
    half /= 1.0 - calibration.growth.power * (force - cut) / force
    on_scale = Estimate.around(float(calibration.h(force)), half).map(calibration.force)
    return on_scale.map(lambda end: end if end > 0 else math.nan)


def within_any_hand(calibration: Calibration, force_newton: float) -> float:
    """Estimate P(score within the sale limit | force) of any hand that such raters come from.

    The mean over hands: log-normal about the middle one by `hand_sds`, at normal quantiles. Of a
    calibration that knows no other hands it is that of its one hand.
    """
    from scipy.special import expit, ndtri

    index, _ = _boundary(calibration)
    sds = np.array(calibration.hand_sds or (calibration.hand_sd or 0.0,))
    shift = np.exp(np.multiply.outer(sds, ndtri((np.arange(200) + 0.5) / 200)))
    cuts = calibration.h(calibration.cuts[index].known * shift)
    z = (float(calibration.h(force_newton)) - cuts) / calibration.spread_at(force_newton)
    return float(expit(z).mean())


@dataclass(frozen=True, kw_only=True)
class WithinCurve:
    """Probability of a score within the sale limit at each force; all shape (n,)."""

    force_newton: Floats
    probability: Floats
    low: Floats
    high: Floats


def within_curve(
    calibration: Calibration, force_newton: ArrayLike, *, level: float = 0.95
) -> WithinCurve:
    """Estimate P(score within the sale limit | force) with a pointwise interval.

    The delta method on the logit z = (h - c) / s, then the logistic, so that limits stay between
    0 and 1. Limits are NaN where the calibration carries no covariance. Errors as of `limit_force`.
    """
    from scipy.special import expit

    index, cut = _boundary(calibration)
    force = np.asarray(force_newton, dtype=float)
    z = (calibration.h(force) - cut) / calibration.spread_at(force)
    half = _half_width(calibration, index, force, z, level)
    return WithinCurve(
        force_newton=force, probability=expit(z), low=expit(z - half), high=expit(z + half)
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class ThresholdCost:
    """What happens to 100 berries when all below a force are withheld.

    `shipped` are at or above it; `sound_discarded` below it though fingers would have called them
    within the limit, `soft_shipped` at or above it though beyond the limit; `cost` is that of the
    two errors.
    """

    threshold_newton: float
    shipped: float
    sound_discarded: float
    soft_shipped: float
    cost: float


def threshold_costs(
    calibration: Calibration,
    force_newton: ArrayLike,
    thresholds_newton: Sequence[float],
    *,
    discard_cost: float = 1.0,
    ship_cost: float = 1.0,
) -> tuple[ThresholdCost, ...]:
    """Expect the errors of thresholds over berries of given forces, out of 100.

    Costs are those of a sound berry withheld and of a soft berry shipped. An InvalidValueError
    without berries, with a negative cost, or without a sale limit.
    """
    forces = np.asarray(force_newton, dtype=float)
    if forces.size == 0:
        raise InvalidValueError("no berry to weigh a threshold over")
    if discard_cost < 0 or ship_cost < 0:
        raise InvalidValueError("a cost is below zero")
    within = within_curve(calibration, forces).probability
    costs = []
    for threshold in thresholds_newton:
        kept = forces >= threshold
        discarded = 100 * float(np.sum(within[~kept])) / forces.size
        shipped_soft = 100 * float(np.sum(1 - within[kept])) / forces.size
        costs.append(
            ThresholdCost(
                threshold_newton=float(threshold),
                shipped=100 * float(kept.mean()),
                sound_discarded=discarded,
                soft_shipped=shipped_soft,
                cost=discard_cost * discarded + ship_cost * shipped_soft,
            )
        )
    return tuple(costs)


def cheapest_threshold(
    calibration: Calibration, *, discard_cost: float = 1.0, ship_cost: float = 1.0
) -> Side:
    """Find the force at which withholding and shipping one more berry cost the same.

    Withhold while ship_cost (1 - P) > discard_cost P, so P = ship / (ship + discard) at the
    threshold, whatever the berries' forces (Elkan (2001) The foundations of cost-sensitive
    learning, section 2). An InvalidValueError where a cost is not above zero.
    """
    if discard_cost <= 0 or ship_cost <= 0:
        raise InvalidValueError("both costs must be above zero")
    index, _ = _boundary(calibration)
    return calibration.force_at(ship_cost / (ship_cost + discard_cost), index)
