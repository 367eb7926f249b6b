"""Whether scores given one after another go together, and what that costs.

Tired or warm fingers, or one mood at a time, make a rater's errors alike for a while. Each score
then counts less than one, and intervals that count it as one are too narrow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import ForceScale, transform
from calibrate.stats.ordinal import fit_ordinal
from gauge.errors import FirmhandError

Floats = NDArray[np.float64]

# Lags that are looked at; scores of a rater below which nothing is asked.
_LAGS, _FEWEST = 8, 20
# One-sided level at which dependence is taken to be there.
_SHOWN = 0.01


@dataclass(frozen=True, kw_only=True)
class Dependence:
    """Dependence of scores by the order in which they were given."""

    lag_one: float = 0.0  # correlation of a rater's errors from one score to the next
    # One-sided, of the hypothesis that there is none; 1 where no order is known.
    p_value: float = 1.0
    # How many scores count as much as one independent score would: 1 where none is shown.
    inflation: float = 1.0

    def warnings(self) -> list[str]:
        """Say what was found and what was done about it."""
        if self.inflation == 1.0:
            return []
        return [
            f"scores given one after another go together (correlation {self.lag_one:.2f}, "
            f"p {self.p_value:.2g}): {self.inflation:.1f} of them count as one; rests and mixed "
            "orders of berries make more of the same work"
        ]


def dependence(pairs: Pairs, force_scale: ForceScale) -> Dependence:
    """Measure how scores depend on those before, over all raters, in the order of the rows.

    Residuals are the derivatives of each score's log-likelihood by a shift of the rater's own cut
    points (Li, C. & Shepherd, B. E. (2012) Biometrika 99:473-480, for such residuals). Their
    correlations at the first lags are fitted by ``a phi^k``, an autoregression seen through scores
    (Box, Jenkins & Reinsel (1994) Time Series Analysis, chapter 4), and a mean of n such errors has
    ``1 + 2 sum (1 - k / n) a phi^k`` times the variance of independent ones.

    Counts say nothing of an order, and neither do rows that were sorted by score.
    """
    if (pairs.count != 1.0).any():
        return Dependence()
    products, squares, lengths = np.zeros(_LAGS), 0.0, []
    order = scoring_order(pairs)
    for rater in np.unique(pairs.rater):
        residual = _residuals(pairs, order[pairs.rater[order] == rater], force_scale)
        if residual.size:
            squares += float(residual @ residual)
            lengths.append(residual.size)
            products += [float(residual[k:] @ residual[:-k]) for k in range(1, _LAGS + 1)]
    if not lengths or squares == 0.0:
        return Dependence()
    n = sum(lengths)
    pairs_at_lag = np.array([n - k * len(lengths) for k in range(1, _LAGS + 1)])
    correlation = products / squares * n / pairs_at_lag
    # Residuals about a fit are correlated by about -1 / n of each rater when errors are not.
    z = (float(correlation[0]) + len(lengths) / n) * math.sqrt(n)
    p_value = 0.5 * math.erfc(z / math.sqrt(2.0))
    shown = p_value < _SHOWN
    inflation = _inflation(correlation, pairs_at_lag, n / len(lengths)) if shown else 1.0
    return Dependence(lag_one=float(correlation[0]), p_value=p_value, inflation=inflation)


def scoring_order(pairs: Pairs) -> NDArray[np.int64]:
    """Order of the rows by time of scoring, or as they stand where a time is missing."""
    times = pairs.extra.get("scored_at")
    if times is None or not all(times):
        return np.arange(pairs.rank.size)
    return np.asarray(np.argsort([str(time) for time in times], kind="stable"))


def _inflation(correlation: Floats, weight: Floats, n: float) -> float:
    """Sum what correlations at the first lags say of all lags, for raters of n scores each.

    Residuals about a mean lose the variance of that mean at every lag, which is given back.
    """
    first = _all_lags(correlation, weight, n)
    return _all_lags(correlation + first / n, weight, n)


def _all_lags(correlation: Floats, weight: Floats, n: float) -> float:
    """Fit a phi^k by least squares over a grid of phi, and sum it over all lags."""
    lags = np.arange(1, correlation.size + 1)
    phi = np.linspace(0.05, 0.95, 91)[:, None]
    decay = phi**lags
    a = (weight * decay) @ correlation / ((weight * decay**2).sum(axis=1))
    a = np.clip(a, 0.0, 1.0)
    loss = (weight * (correlation - a[:, None] * decay) ** 2).sum(axis=1)
    best = int(np.argmin(loss))
    all_lags = np.arange(1, max(int(n), 2))
    fall = (1.0 - all_lags / n) * phi[best] ** all_lags
    return 1.0 + 2.0 * float(a[best] * fall.sum())


def _residuals(pairs: Pairs, rows: NDArray[np.int64], force_scale: ForceScale) -> Floats:
    """Residuals of one rater's `rows` about his or her own cut points; none where none fit."""
    used, rank = np.unique(pairs.rank[rows], return_inverse=True)
    steps = np.diff(rank)
    if used.size < 2 or rows.size < _FEWEST or (steps >= 0).all() or (steps <= 0).all():
        return np.zeros(0)
    h = transform(pairs.force_newton[rows], force_scale)[:, None]
    try:
        fit = fit_ordinal(h, rank, np.ones(rows.size))
    except FirmhandError:
        return np.zeros(0)
    cuts = used.size - 1
    return np.asarray(fit.contributions(h, rank)[:, :cuts].sum(axis=1))
