"""The likelihood of ordered scores under the cumulative logit, with its derivatives.

It is written without a difference of probabilities. For a row of rank k let
a = theta_k - x'beta and b = theta_{k-1} - x'beta; then
``logistic(a) - logistic(b) = logistic(a) * logistic(-b) * (1 - exp(b - a))``, so that
log P = log logistic(a) + log logistic(-b) + log(1 - exp(-(a - b))): exact in the tails, with the
outer thresholds true infinities (their factor is 1 and is left out), and concave term by term
(Pratt, J. W. (1981) Concavity of the log likelihood, J. Am. Stat. Assoc. 76:103-106).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def logistic(z: Floats) -> Floats:
    """Return 1 / (1 + exp(-z)), without overflow."""
    e = np.exp(-np.abs(z))
    out: Floats = np.where(z >= 0, 1.0, e) / (1.0 + e)
    return out


def interval_probability(upper: Floats, lower: Floats) -> Floats:
    """Return logistic(upper) - logistic(lower), taken in the tail where both are small.

    ``upper >= lower``, of the same shape; plus and minus infinity are welcome.
    """
    # Equal to logistic(-lower) - logistic(-upper): there no digits are lost.
    flip = lower > 0
    return logistic(np.where(flip, -lower, upper)) - logistic(np.where(flip, -upper, lower))


def log_interval(
    upper: Floats, lower: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Return the log of `interval_probability`, with its derivatives.

    The building block for models that are not linear in their parameters (spreads that differ
    between raters, effects of raters). ``upper > lower`` everywhere, of the same shape; plus and
    minus infinity are welcome.

    Returns
    -------
    value, d_upper, d_lower, d_upper2, d_upper_lower, d_lower2 : ndarray of float
        The log probability, its gradient, and its second derivatives.
    """
    gap = upper - lower
    with np.errstate(invalid="ignore"):
        ratio = np.exp(-gap) / -np.expm1(-gap)
    p_up, p_low = logistic(-upper), logistic(lower)
    value = -np.logaddexp(0.0, -upper) - np.logaddexp(0.0, lower) + np.log(-np.expm1(-gap))
    curve = ratio * (1.0 + ratio)
    return (
        value,
        p_up + ratio,
        -p_low - ratio,
        -p_up * (1.0 - p_up) - curve,
        curve,
        -p_low * (1.0 - p_low) - curve,
    )


@dataclass(frozen=True, kw_only=True)
class Terms:
    """A cumulative logit likelihood as a sum of concave terms in one parameter vector.

    log L(phi) = weight . log logistic(design phi) + gap_weight . log(1 - exp(-gap phi))

    Attributes
    ----------
    design : ndarray of float, shape (m, p)
        One row for each finite end of a score's interval, the sign of that end folded in.
    weight : ndarray of float, shape (m,)
    gap : ndarray of float, shape (g, p)
        Rows whose product with phi is the distance between two neighbouring thresholds.
    gap_weight : ndarray of float, shape (g,)
    """

    design: Floats
    weight: Floats
    gap: Floats
    gap_weight: Floats

    def __call__(self, phi: Floats) -> tuple[float, Floats, Floats]:
        """Return log-likelihood, gradient and Hessian; minus infinity if thresholds cross."""
        distance = self.gap @ phi
        if distance.size and not distance.min() > 0:
            return -np.inf, np.zeros(phi.size), np.zeros((phi.size, phi.size))
        across = self._across
        z = phi @ across
        e = np.exp(-np.abs(z))
        one_plus = 1.0 + e
        # Weight times logistic(-z), and times logistic(z) once more.
        pull = self.weight * np.where(z >= 0, e, 1.0) / one_plus
        curve = self.weight * e / (one_plus * one_plus)
        value = self.weight @ (np.minimum(z, 0.0) - np.log1p(e))
        gradient = across @ pull
        hessian = (across * -curve) @ self.design
        if distance.size:
            left = -np.expm1(-distance)
            ratio = np.exp(-distance) / left
            squeeze = self.gap_weight * ratio
            value += self.gap_weight @ np.log(left)
            gradient += squeeze @ self.gap
            hessian -= (self.gap.T * (squeeze * (1.0 + ratio))) @ self.gap
        return float(value), gradient, hessian

    @cached_property
    def _across(self) -> Floats:
        return np.ascontiguousarray(self.design.T)


def make_terms(
    x: Floats,
    rank: Ints,
    weight: Floats,
    n_ranks: int,
    varying: Floats | None = None,
    spread: Floats | None = None,
) -> Terms:
    """Lay out the likelihood terms of weighted rows; each of the `n_ranks` ranks is used.

    `x` (n, p) has one effect on all thresholds, `varying` (n, q) one of its own on every threshold
    (non-proportional odds). The parameters are the thresholds, then for each column of `varying`
    its effect on each threshold, then beta. `spread` (n,) is how many times as wide as of others
    the distribution of a row's score is.
    """
    cuts = n_ranks - 1
    q = 0 if varying is None else varying.shape[1]
    width = cuts * (1 + q)

    def rows(which: Ints, threshold: Ints) -> Floats:
        out = np.zeros((which.size, width + x.shape[1]))
        at = np.arange(which.size)
        out[at, threshold] = 1.0
        for j in range(q):
            out[at, cuts * (1 + j) + threshold] = -varying[which, j]  # type: ignore[index]
        out[:, width:] = -x[which]
        return out

    upper, lower = np.flatnonzero(rank < cuts), np.flatnonzero(rank > 0)
    inner = np.flatnonzero((rank > 0) & (rank < cuts))
    if q or spread is not None:
        gap = rows(inner, rank[inner]) - rows(inner, rank[inner] - 1)
        gap_weight = weight[inner]
    else:
        # x cancels in the distance of two thresholds: one term a rank, whatever the rows.
        k = np.arange(1, cuts)
        gap = np.zeros((k.size, width + x.shape[1]))
        gap[k - 1, k], gap[k - 1, k - 1] = 1.0, -1.0
        gap_weight = np.asarray(np.bincount(rank, weight, minlength=n_ranks)[1:-1], dtype=float)
    design = np.concatenate([rows(upper, rank[upper]), -rows(lower, rank[lower] - 1)])
    if spread is not None:
        design /= spread[np.concatenate([upper, lower])][:, None]
        gap /= spread[inner][:, None]
    return Terms(
        design=design,
        weight=np.concatenate([weight[upper], weight[lower]]),
        gap=gap,
        gap_weight=gap_weight,
    )
