"""Whether the spread of scores grows with force, and as which power of it.

``log s = a + b log F``, b between 0 (the same in newtons at all forces) and 1 (in proportion to
force, as Weber's law has it for most that is felt).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.likelihood import log_interval
from calibrate.stats.ordinal import OrdinalFit, fit_ordinal
from gauge.errors import FirmhandError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Standard deviations: a score statistic below it goes with no likelihood ratio that is shown.
_HOPELESS = 1.2
# One-sided level at which the growth is taken in; scores of a hand below which nothing is asked.
_SHOWN, _FEWEST = 0.05, 20


@dataclass(frozen=True, kw_only=True, slots=True)
class SpreadGrowth:
    """A spread that is in proportion to a power of force, from 0 to 1, with its standard error.

    `p_value` is one-sided, of the likelihood ratio against a power of 0, which lies on the edge:
    half of that of a chi-square with one degree of freedom (Self, S. G. & Liang, K.-Y. (1987) J.
    Am. Stat. Assoc. 82:605-610). The spread is what is reported at `at_newton`, the geometric mean
    of all forces.
    """

    power: float = 0.0
    error: float = 0.0
    p_value: float = 1.0
    at_newton: float = 1.0

    @property
    def shown(self) -> bool:
        """Whether it earns its keep."""
        return self.p_value < _SHOWN

    def factor(self, force_newton: Floats) -> Floats:
        """How many times the reported spread is that at other forces."""
        if self.power == 0.0:
            return np.ones_like(force_newton)
        return np.asarray((np.maximum(force_newton, 1e-9) / self.at_newton) ** self.power)


NO_GROWTH = SpreadGrowth()


def spread_growth(
    force_newton: Floats, rank: Ints, weight: Floats, hand: Ints, n_ranks: int
) -> SpreadGrowth:
    """Estimate the growth of the spread that all hands share, each with cut points of its own.

    The location-scale model of ordered scores (McCullagh, P. (1980) J. R. Stat. Soc. B 42:109-142,
    section 6), with one power for all hands; `rank` counts from 0 for the firmest score, as force
    falls.
    """
    if not (force_newton > 0).all():
        return NO_GROWTH
    at = float(np.exp(np.average(np.log(force_newton), weights=weight)))
    used = [hand == j for j in np.unique(hand) if weight[hand == j].sum() >= _FEWEST]

    def value(power: float) -> float:
        total = 0.0
        for rows in used:
            force = force_newton[rows]
            spread = (force / at) ** power
            fit = fit_ordinal(force, rank[rows], weight[rows], n_ranks=n_ranks, spread=spread)
            total += fit.log_likelihood
        return total

    try:
        found = highest(value, at)
        if not found.shown:
            return found
        near = min(max(found.power, 0.1), 0.9)
        return highest(value, at, (0.0, near - 0.1, near, near + 0.1))
    except FirmhandError:
        return SpreadGrowth(at_newton=at)


def may_grow(fit: OrdinalFit, force_newton: Floats, rank: Ints, weight: Floats) -> bool:
    """Return whether `spread_growth` of one hand is worth its time, from its plain fit.

    The score test of b = 0 (Rao, C. R. (1948) Proc. Camb. Phil. Soc. 44:50-57) with observed
    information needs no further fit. It only rules out: what is left is judged by the likelihood
    ratio.
    """
    if not (force_newton > 0).all():
        return False
    log_force = np.log(force_newton)
    log_force = log_force - np.average(log_force, weights=weight)
    upper, lower = fit.ends(force_newton[:, None], rank)
    _, d_up, d_low, d_up2, d_up_low, d_low2 = log_interval(upper, lower)
    up, low = np.where(np.isfinite(upper), upper, 0.0), np.where(np.isfinite(lower), lower, 0.0)
    by_up, by_low = d_up2 * up + d_up_low * low + d_up, d_low2 * low + d_up_low * up + d_low
    score = -float((weight * log_force) @ (d_up * up + d_low * low))
    bend = -float((weight * log_force**2) @ (by_up * up + by_low * low))
    beside = fit.by_parameters(by_up, by_low, force_newton[:, None], rank).T @ (weight * log_force)
    information = bend - float(beside @ fit.covariance @ beside)
    return not (information > 0.0 and score < _HOPELESS * math.sqrt(information))


def highest(
    value: Callable[[float], float], at_newton: float, powers: Sequence[float] = (0.0, 0.5, 1.0)
) -> SpreadGrowth:
    """Find the power of the highest log-likelihood by a parabola through the last three powers."""
    tried = [value(power) for power in powers]
    bend, slope, level = np.polyfit(powers[-3:], tried[-3:], 2)
    power = float(np.clip(-slope / (2.0 * bend), 0.0, 1.0)) if bend < 0 else powers[-1]
    gain = 2.0 * (max(level + slope * power + bend * power**2, *tried) - tried[0])
    if bend >= 0.0 or power == 0.0 or gain <= 0.0:
        return SpreadGrowth(at_newton=at_newton)
    return SpreadGrowth(
        power=power,
        error=math.sqrt(-0.5 / bend),
        p_value=0.5 * math.erfc(math.sqrt(gain / 2.0)),
        at_newton=at_newton,
    )
