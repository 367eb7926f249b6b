"""Fingers that are less sharp on some berries: a cumulative logit with a spread that varies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.ordinal import OrdinalFit, log_interval
from gauge.errors import NotConvergedError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class ScaledFit:
    """A fit with spread s exp(w'gamma).

    Attributes
    ----------
    phi : ndarray
        Thresholds and effects, as in the fit that it starts from.
    gamma : ndarray, shape (q,)
        Log ratio of spreads for a unit of each column.
    log_likelihood : float
    """

    phi: Floats
    gamma: Floats
    log_likelihood: float


def fit_scaled(fit: OrdinalFit, x: Floats, rank: Ints, weight: Floats, w: Floats) -> ScaledFit:
    """Extend a fit by columns that change the spread.

    P(score <= k) = logistic((theta_k - x'beta) / exp(w'gamma)): the location-scale model of
    McCullagh (1980) J. R. Stat. Soc. B 42:109, section 6.

    Parameters
    ----------
    fit : OrdinalFit
        Of the same rows without `w`, all ranks used; its estimates are the start.
    x : ndarray, shape (n, p)
    rank : ndarray of int, shape (n,)
    weight : ndarray, shape (n,)
    w : ndarray, shape (n, q)

    Raises
    ------
    NotConvergedError
        If the optimiser stopped away from the maximum.

    Examples
    --------
    >>> from calibrate.stats.ordinal import fit_ordinal
    >>> force, rank = np.tile([[1.0], [2.0], [3.0]], (4, 1)), np.tile([0, 0, 0, 1, 1, 1], 2)
    >>> count = np.array([1.0, 10, 19, 19, 10, 1, 6, 10, 14, 14, 10, 6])
    >>> cold = np.repeat([[0.0], [1.0]], 6, axis=0)
    >>> fit = fit_scaled(fit_ordinal(force, rank, count), force, rank, count, cold)
    >>> round(float(np.exp(fit.gamma[0])), 1)  # spread of cold berries over that of warm ones
    3.5
    """
    from scipy.optimize import minimize

    p, q = x.shape[1], w.shape[1]
    cuts = fit.phi.size - p

    def loss(values: Floats) -> tuple[float, Floats]:
        theta, beta, gamma = values[:cuts], values[cuts : cuts + p], values[cuts + p :]
        if cuts > 1 and np.diff(theta).min() <= 0:
            return np.inf, np.zeros(values.size)
        shrink = np.exp(-w @ gamma)
        edges = np.concatenate([[-np.inf], theta, [np.inf]])
        shift = x @ beta
        upper = (edges[rank + 1] - shift) * shrink
        lower = (edges[rank] - shift) * shrink
        value, d_upper, d_lower, *_ = log_interval(upper, lower)
        up, low = weight * d_upper * shrink, weight * d_lower * shrink
        gradient = np.zeros(values.size)
        np.add.at(gradient, rank[rank < cuts], up[rank < cuts])
        np.add.at(gradient, rank[rank > 0] - 1, low[rank > 0])
        gradient[cuts : cuts + p] = -(up + low) @ x
        ends = np.where(rank < cuts, weight * d_upper * np.where(rank < cuts, upper, 0.0), 0.0)
        ends += np.where(rank > 0, weight * d_lower * np.where(rank > 0, lower, 0.0), 0.0)
        gradient[cuts + p :] = -ends @ w
        return -float(weight @ value), -gradient

    start = np.concatenate([fit.phi, np.zeros(q)])
    result = minimize(loss, start, jac=True, method="BFGS", options={"gtol": 1e-7})
    # BFGS calls it a failure when rounding hides the last gain; the gradient decides.
    if not np.abs(result.jac).max() < 1e-3 * max(1.0, float(weight.sum()) ** 0.5):
        raise NotConvergedError("The fit with unequal spreads stopped away from the maximum.")
    return ScaledFit(
        phi=result.x[: cuts + p], gamma=result.x[cuts + p :], log_likelihood=-float(result.fun)
    )
