"""A cumulative logit model with covariates and one random intercept: scores of several judges.

logit P(score <= k) = theta_k - x'beta - b_j, b_j normal with mean zero. Laplace's method or
adaptive Gauss-Hermite quadrature over the judges. What the panel model is compared with; it stands
on the same likelihood and quadrature, and published fits hold for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.model.panellikelihood import adaptive_nodes
from calibrate.stats.likelihood import log_interval
from calibrate.stats.ordinal import fit_ordinal
from gauge.errors import InvalidValueError, NotConvergedError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class MixedFit:
    """A fit with a random intercept.

    Attributes
    ----------
    threshold : ndarray of float, shape (n_ranks - 1,)
        theta, ascending.
    coef : ndarray of float, shape (p,)
    sd : float
        Standard deviation of the intercepts.
    mode : ndarray of float, shape (groups,)
        Most likely intercept of each group.
    log_likelihood : float
        Marginal.
    parameters : int
    """

    threshold: Floats
    coef: Floats
    sd: float
    mode: Floats
    log_likelihood: float
    parameters: int

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return 2.0 * self.parameters - 2.0 * self.log_likelihood


def fit_mixed(x: ArrayLike, rank: ArrayLike, group: ArrayLike, *, points: int = 1) -> MixedFit:
    """Fit by maximum marginal likelihood.

    Parameters
    ----------
    x : array_like of float, shape (n, p)
        Covariates without a constant.
    rank : array_like of int, shape (n,)
        0 to n_ranks - 1, each used.
    group : array_like of int, shape (n,)
        Judge, 0 to groups - 1.
    points : int
        Nodes for each group; 1 is Laplace's method.

    Raises
    ------
    InvalidValueError, TooFewScoresError, SeparationError, NotConvergedError

    Examples
    --------
    >>> x, rank = [[0.0], [1.0], [0.0], [1.0]] * 3, [0, 1, 1, 0] * 3
    >>> fit = fit_mixed(x, rank, [0] * 4 + [1] * 4 + [2] * 4)
    >>> round(fit.sd, 2), round(fit.log_likelihood, 4)  # the judges are alike: 12 log 2
    (0.0, -8.3178)
    """
    from scipy.optimize import minimize

    groups = np.asarray(group, dtype=np.int64)
    ranks = np.asarray(rank, dtype=np.int64)
    flat = fit_ordinal(x, ranks)
    xs = np.asarray(x, dtype=float).reshape(ranks.size, -1)
    if groups.shape != ranks.shape or (flat.free < 0).any():
        raise InvalidValueError("every rank must be used, and every row have a group")
    cuts = flat.threshold.size
    likelihood = _Likelihood(xs, ranks, groups, points)

    def loss(packed: Floats) -> float:
        return -likelihood(*_unpack(packed, cuts))

    start = np.concatenate(
        [flat.threshold[:1], np.log(np.diff(flat.threshold)), flat.coef, [np.log(0.5)]]
    )
    bounds = [(None, None)] * (start.size - 1) + [(-8.0, 4.0)]
    best = minimize(
        loss,
        start,
        jac="3-point",
        method="L-BFGS-B",
        bounds=bounds,
        options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 500, "maxfun": 50_000},
    )
    if not np.isfinite(best.fun) or np.abs(best.jac[:-1]).max() > 1e-2:
        raise NotConvergedError(
            "The model with judges did not converge.",
            todo="Check for a judge or a covariate that decides the score alone.",
        )
    theta, beta, sd = _unpack(best.x, cuts)
    return MixedFit(
        threshold=theta,
        coef=beta,
        sd=sd,
        mode=likelihood.mode,
        log_likelihood=float(-best.fun),
        parameters=start.size,
    )


def _unpack(packed: Floats, cuts: int) -> tuple[Floats, Floats, float]:
    theta = packed[0] + np.concatenate([[0.0], np.cumsum(np.exp(packed[1:cuts]))])
    return theta, packed[cuts:-1], float(np.exp(packed[-1]))


class _Likelihood:
    """Marginal log-likelihood; remembers the modes, from which the next search starts."""

    def __init__(self, x: Floats, rank: Ints, group: Ints, points: int) -> None:
        self.x, self.rank, self.group, self.points = x, rank, group, points
        self.groups = int(group.max()) + 1
        self.mode = np.zeros(self.groups)

    def __call__(self, theta: Floats, beta: Floats, sd: float) -> float:
        wide = np.concatenate([[-np.inf], theta, [np.inf]])
        shift = self.x @ beta
        upper, lower = wide[self.rank + 1] - shift, wide[self.rank] - shift
        # The log of a row's probability is concave in b (see ordinal), and so is its sum.
        mode = self.mode.copy()
        for _ in range(50):
            b = mode[self.group]
            _, d_up, d_low, d_up2, d_both, d_low2 = log_interval(upper - b, lower - b)
            slope = self._sum(-d_up - d_low) - mode / sd**2
            curve = -self._sum(d_up2 + 2.0 * d_both + d_low2) + sd**-2.0
            step = slope / curve
            mode += np.clip(step, -2.0, 2.0)
            if np.abs(step).max() < 1e-11:
                break
        self.mode = mode
        node, log_weight = adaptive_nodes(mode, curve**-0.5, sd, self.points)
        at = node[self.group]
        value = log_interval(upper[:, None] - at, lower[:, None] - at)[0]
        total = log_weight + np.stack([self._sum(column) for column in value.T], axis=1)
        return float(np.logaddexp.reduce(total, axis=1).sum())

    def _sum(self, row: Floats) -> Floats:
        return np.asarray(np.bincount(self.group, row, minlength=self.groups), dtype=float)
