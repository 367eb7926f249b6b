"""The cumulative logit model of ordered scores, fitted by maximum likelihood.

logit P(score <= k | x) = theta_k - x'beta, ranks from 0. Any design matrix, weighted rows, and
columns whose effect may differ between thresholds. Forces, cut points and files are not known here;
the likelihood is in likelihood, the climb to its maximum in newton.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.likelihood import Terms, log_interval, make_terms
from calibrate.stats.newton import Optimum, climb
from calibrate.stats.verdict import Verdict, require_two_used, separated
from gauge.errors import InvalidValueError, NotConvergedError, SeparationError

__all__ = ["OrdinalFit", "Terms", "fit_ordinal", "log_interval", "make_terms"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class OrdinalFit:
    """A cumulative logit fit, with its verdict.

    Attributes
    ----------
    threshold : ndarray of float, shape (n_ranks - 1,)
        theta, ascending. Two are equal around an unused inner rank; beyond the used ranks they
        are minus or plus infinity.
    varying : ndarray of float, shape (free thresholds, q)
        Effects of the columns that may differ between thresholds.
    coef : ndarray of float, shape (p,)
        beta: above zero moves scores towards the last rank.
    covariance : ndarray of float
        Inverse of the observed information over `phi`.
    log_likelihood, n : float
    terms : Terms
    phi : ndarray of float
        Free thresholds, varying effects threshold by threshold for each column, beta.
    free : ndarray of int, shape (n_ranks - 1,)
        For each threshold its place in `phi`; -1 below and -2 above the used ranks.
    verdict : Verdict
    """

    threshold: Floats
    varying: Floats
    coef: Floats
    covariance: Floats
    log_likelihood: float
    n: float
    terms: Terms
    phi: Floats
    free: Ints
    verdict: Verdict

    @property
    def se(self) -> Floats:
        """Standard errors of `phi` (observed information)."""
        return np.sqrt(np.diagonal(self.covariance))

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return 2.0 * self.phi.size - 2.0 * self.log_likelihood


def fit_ordinal(
    x: ArrayLike,
    rank: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    n_ranks: int | None = None,
    varying: ArrayLike | None = None,
    allow_separated: bool = False,
) -> OrdinalFit:
    """Fit a cumulative logit model by maximum likelihood.

    Parameters
    ----------
    x : array_like of float, shape (n, p)
        Covariates without a constant; p may be 0.
    rank : array_like of int, shape (n,)
        0 to `n_ranks` - 1.
    weight : array_like of float, shape (n,), optional
        How many rows each row stands for; zero rows are left out.
    n_ranks : int, optional
        Size of the scale; by default one more than the largest rank.
    varying : array_like of float, shape (n, q), optional
        Columns with an effect of their own on every threshold.
    allow_separated : bool
        Where no finite maximum exists, return the point where the likelihood stopped rising
        (`Verdict.separated` is then true). Its log-likelihood is the supremum to 1e-9, good for a
        likelihood ratio; its parameters and covariance mean nothing.

    Raises
    ------
    InvalidValueError
        If shapes differ, a number is not finite, or a rank lies outside the scale.
    TooFewScoresError
        If fewer than two ranks are used.
    SeparationError
        If the columns tell the ranks apart, so that no finite maximum exists (Albert, A. &
        Anderson, J. A. (1984) Biometrika 71:1-10), or if a column is constant or repeated.
    NotConvergedError
        If Newton's method stopped away from the maximum.

    Examples
    --------
    >>> fit = fit_ordinal([[0.0], [1.0], [0.0], [1.0]], [0, 0, 1, 1], [3, 1, 1, 3])
    >>> round(float(fit.coef[0]), 6)  # the log odds ratio 2 log 3
    2.197225
    """
    xs, ranks, weights, wide = _clean(x, rank, weight, varying)
    size = int(ranks.max(initial=0)) + 1 if n_ranks is None else n_ranks
    if ranks.size and (ranks.min() < 0 or ranks.max() >= size):
        raise InvalidValueError(f"a rank lies outside 0 to {size - 1}")
    totals = np.bincount(ranks, weights, minlength=size)
    used = np.flatnonzero(totals > 0)
    require_two_used(used)
    terms = make_terms(xs, np.searchsorted(used, ranks).astype(np.int64), weights, used.size, wide)
    cuts = used.size - 1
    below = np.cumsum(totals[used])[:-1] / totals.sum()
    start = np.zeros(terms.design.shape[1])
    start[:cuts] = np.log(below / (1.0 - below))
    best = climb(terms, start)
    apart = _looks_odd(best, terms) and separated(terms.design)
    if apart and not allow_separated:
        raise SeparationError(
            "The columns tell the scores apart without overlap, so no finite best fit exists.",
            todo="Collect rows where neighbouring scores overlap, or drop the column.",
        )
    covariance = _inverse(-best.hessian)
    if not apart and not (best.converged and (np.diagonal(covariance) > 0).all()):
        raise NotConvergedError(
            "The scores are told apart all but completely, or counts differ so widely, that the "
            f"maximum is not settled in floating point (decrement {best.decrement:.3g}).",
            todo="Check the counts, and collect rows where neighbouring scores overlap.",
        )
    place = np.searchsorted(used, np.arange(size - 1), side="right") - 1
    free = np.where(place < 0, -1, np.where(place >= cuts, -2, place)).astype(np.int64)
    q = wide.shape[1]
    theta = np.concatenate([best.phi[:cuts], [np.inf, -np.inf]])
    return OrdinalFit(
        threshold=theta[free],
        varying=best.phi[cuts : cuts * (1 + q)].reshape(q, cuts).T,
        coef=best.phi[cuts * (1 + q) :],
        covariance=covariance,
        log_likelihood=best.value,
        n=float(weights.sum()),
        terms=terms,
        phi=best.phi,
        free=free,
        verdict=Verdict(
            converged=best.converged,
            iterations=best.iterations,
            decrement=best.decrement,
            max_gradient=float(np.abs(best.gradient).max()),
            unused=tuple(int(k) for k in np.flatnonzero(totals == 0)),
            separated=apart,
        ),
    )


def _inverse(information: Floats) -> Floats:
    """Invert the information, scaled by its diagonal; NaN where floats cannot."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information), 1e-300))
    outer = np.outer(scale, scale)
    try:
        return np.asarray(np.linalg.inv(information * outer) * outer, dtype=float)
    except np.linalg.LinAlgError:
        return np.full_like(information, np.nan)


def _looks_odd(best: Optimum, terms: Terms) -> bool:
    """Tell whether separation is possible, so that the linear programme is worth its time.

    Without separation the maximum is near the start and the information is far from singular.
    """
    if not best.converged or best.iterations > 12 or np.abs(terms.design @ best.phi).max() > 30.0:
        return True
    scale = 1.0 / np.sqrt(np.maximum(-np.diagonal(best.hessian), 1e-300))
    return bool(np.linalg.eigvalsh(-best.hessian * np.outer(scale, scale))[0] < 1e-10)


def _clean(
    x: ArrayLike, rank: ArrayLike, weight: ArrayLike | None, varying: ArrayLike | None
) -> tuple[Floats, Ints, Floats, Floats]:
    ranks = np.asarray(rank, dtype=np.int64)
    n = ranks.shape[0]
    xs = np.asarray(x, dtype=float).reshape(n, -1) if n else np.zeros((0, 0))
    weights = np.ones(n) if weight is None else np.asarray(weight, dtype=float)
    wide = np.zeros((n, 0)) if varying is None else np.asarray(varying, dtype=float).reshape(n, -1)
    if ranks.ndim != 1 or weights.shape != (n,):
        raise InvalidValueError("rank and weight need one value a row")
    if not (np.isfinite(xs).all() and np.isfinite(wide).all() and np.isfinite(weights).all()):
        raise InvalidValueError("a covariate or weight is not finite")
    if (weights < 0).any():
        raise InvalidValueError("a weight is below zero")
    kept = weights > 0
    if kept.all():
        return xs, ranks, weights, wide
    return xs[kept], ranks[kept], weights[kept], wide[kept]
