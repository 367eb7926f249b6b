"""Ship or not: the sale limit in newtons, and what a threshold costs in fruit.

A number from here never decides by itself: local grades and buyers' terms do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration, Side
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
CAUTION = (
    "Whether fruit may be sold is decided by local grades, food-safety rules and the buyer's "
    "terms, not by this number."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitForce:
    """Force at which a stated share of berries is scored within the sale limit."""

    share: float
    force_newton: Side
    low_newton: Side
    high_newton: Side


def _boundary(calibration: Calibration) -> tuple[int, float]:
    """Index of the boundary beyond the sale limit, and its cut on the model's scale."""
    index = calibration.scale.sale_boundary
    if index is None:
        raise InvalidValueError(
            f"The scale {', '.join(calibration.scale.labels)} has no sale limit.",
            todo="Declare one with --sale-limit.",
        )
    cut = calibration.cuts_newton[index]
    if cut is None:
        raise InvalidValueError(
            "No score beyond the sale limit was used, so its cut point is not known.",
            todo="Score softer berries.",
        )
    return index, float(calibration.h(cut))


def _variances(calibration: Calibration, index: int) -> tuple[float, float, float]:
    """Variance of the cut, of the spread, and their covariance, on the model's scale."""
    if calibration.covariance is None:
        return math.nan, math.nan, math.nan
    matrix = np.array(calibration.covariance)
    return float(matrix[index, index]), float(matrix[-1, -1]), float(matrix[index, -1])


def limit_force(
    calibration: Calibration, *, share: float = 0.95, level: float = 0.95
) -> LimitForce:
    """Find the force at which `share` of berries is within the sale limit.

    h = c + s logit(share), with its interval by the delta method on the model's scale.

    Parameters
    ----------
    calibration : Calibration
    share, level : float
        Between 0 and 1.

    Raises
    ------
    InvalidValueError
        If the scale has no sale limit, or its cut is not known.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,), low_newton=(1.8,),
    ...                   high_newton=(2.2,), spread=0.25, covariance=((0.01, 0.0), (0.0, 0.0004)))
    >>> limit = limit_force(one)
    >>> round(limit.force_newton, 3), round(limit.low_newton, 3)
    (2.736, 2.509)
    """
    from scipy.stats import norm

    if not 0 < share < 1:
        raise InvalidValueError("a share lies between 0 and 1")
    index, cut = _boundary(calibration)
    logit = math.log(share / (1 - share))
    cut_variance, spread_variance, covariance = _variances(calibration, index)
    variance = cut_variance + logit**2 * spread_variance + 2 * logit * covariance
    half = float(norm.ppf(0.5 + level / 2)) * math.sqrt(variance)
    middle = cut + calibration.spread * logit
    sides = [_above_zero(calibration.force(x)) for x in (middle - half, middle, middle + half)]
    return LimitForce(share=share, force_newton=sides[1], low_newton=sides[0], high_newton=sides[2])


def _above_zero(force_newton: float) -> Side:
    return force_newton if math.isfinite(force_newton) and force_newton > 0 else None


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
    """P(score within the sale limit | force) with a pointwise interval.

    The delta method on the logit z = (h - c) / s, then the logistic, so that limits stay between
    0 and 1. Limits are NaN where the calibration carries no covariance.

    Raises
    ------
    InvalidValueError
        If the scale has no sale limit, or its cut is not known.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,), low_newton=(1.8,),
    ...                   high_newton=(2.2,), spread=0.25, covariance=((0.01, 0.0), (0.0, 0.0004)))
    >>> curve = within_curve(one, [1.5, 2.0, 2.5])
    >>> curve.probability.round(2).tolist(), curve.low.round(2).tolist()
    ([0.12, 0.5, 0.88], [0.05, 0.31, 0.76])
    """
    from scipy.special import expit
    from scipy.stats import norm

    index, cut = _boundary(calibration)
    force = np.asarray(force_newton, dtype=float)
    z = (calibration.h(force) - cut) / calibration.spread
    cut_variance, spread_variance, covariance = _variances(calibration, index)
    variance = (cut_variance + z**2 * spread_variance + 2 * z * covariance) / calibration.spread**2
    half = float(norm.ppf(0.5 + level / 2)) * np.sqrt(variance)
    return WithinCurve(
        force_newton=force, probability=expit(z), low=expit(z - half), high=expit(z + half)
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class ThresholdCost:
    """What happens to 100 berries when all below a force are withheld.

    Attributes
    ----------
    threshold_newton : float
    shipped : float
        Berries at or above the threshold.
    sound_discarded : float
        Berries below it that fingers would have called within the limit.
    soft_shipped : float
        Berries at or above it that fingers would have called beyond the limit.
    cost : float
        With the stated costs of the two errors.
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
    """Expected errors of thresholds over berries of given forces, out of 100.

    Parameters
    ----------
    calibration : Calibration
    force_newton : array_like, shape (n,)
        The berries to think of.
    thresholds_newton : sequence of float
    discard_cost, ship_cost : float
        Cost of a sound berry withheld and of a soft berry shipped.

    Raises
    ------
    InvalidValueError
        Without berries, with a negative cost, or without a sale limit.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
    ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.25)
    >>> cost = threshold_costs(one, [1.0, 2.0, 3.0, 4.0], [1.5])[0]
    >>> round(cost.soft_shipped, 1), round(cost.sound_discarded, 1)
    (13.0, 0.4)
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
    """Force at which withholding and shipping one more berry cost the same.

    Withhold while ship_cost (1 - P) > discard_cost P, so P = ship / (ship + discard) at the
    threshold, whatever the berries' forces (Elkan (2001) The foundations of cost-sensitive
    learning, section 2).

    Raises
    ------
    InvalidValueError
        If a cost is not above zero.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
    ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.25)
    >>> round(cheapest_threshold(one, ship_cost=9.0), 3)
    2.549
    """
    if discard_cost <= 0 or ship_cost <= 0:
        raise InvalidValueError("both costs must be above zero")
    index, _ = _boundary(calibration)
    return calibration.force_at(ship_cost / (ship_cost + discard_cost), index)
