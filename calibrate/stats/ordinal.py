"""The cumulative logit model of ordered scores, fitted by maximum likelihood.

logit P(score <= k | x) = theta_k - x'beta, ranks from 0; any design matrix and weighted rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.likelihood import Terms, log_interval, make_terms
from calibrate.stats.newton import Optimum, maximise
from gauge.errors import InvalidValueError, NotConvergedError, SeparationError, TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class OrdinalFit:
    """A cumulative logit fit.

    Attributes
    ----------
    threshold : ndarray of float, shape (n_ranks - 1,)
        theta, ascending. Two are equal around an unused inner rank; beyond the used ranks they
        are minus or plus infinity.
    coef : ndarray of float, shape (p,)
        beta: above zero moves scores towards the last rank.
    phi, covariance : ndarray of float
        Free thresholds, then beta, and the inverse of the observed information over these.
    free : ndarray of int, shape (n_ranks - 1,)
        For each threshold its place in `phi`; -1 below and -2 above the used ranks.
    """

    threshold: Floats
    coef: Floats
    covariance: Floats
    log_likelihood: float
    terms: Terms
    phi: Floats
    free: Ints

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return 2.0 * self.phi.size - 2.0 * self.log_likelihood

    def contributions(self, x: Floats, rank: Ints) -> Floats:
        """Gradient of each row's log-likelihood over `phi` at the fit, for one berry of each row.

        `x` and `rank` are as they were fitted; weighted by the counts the gradients add up to zero.
        """
        _, d_upper, d_lower, *_ = log_interval(*self.ends(x, rank))
        return self.by_parameters(d_upper, d_lower, x, rank)

    def ends(self, x: Floats, rank: Ints) -> tuple[Floats, Floats]:
        """Upper and lower end of each row's interval on the scale of the logit, shape (n,)."""
        cuts = self.phi.size - x.shape[1]
        edges = np.concatenate([[-np.inf], self.phi[:cuts], [np.inf]])
        # Places of the used ranks among the thresholds that were fitted.
        place = np.searchsorted(np.unique(rank), rank)
        shift = x @ self.coef
        return edges[place + 1] - shift, edges[place] - shift

    def by_parameters(self, by_upper: Floats, by_lower: Floats, x: Floats, rank: Ints) -> Floats:
        """Carry derivatives by each row's ends over to `phi`, shape (n, p)."""
        cuts = self.phi.size - x.shape[1]
        place = np.searchsorted(np.unique(rank), rank)
        gradient = np.zeros((len(rank), self.phi.size))
        upper, lower = np.flatnonzero(place < cuts), np.flatnonzero(place > 0)
        gradient[upper, place[upper]] += by_upper[upper]
        gradient[lower, place[lower] - 1] += by_lower[lower]
        # An outer end, an infinity, never moves.
        pull = np.where(place < cuts, by_upper, 0.0) + np.where(place > 0, by_lower, 0.0)
        gradient[:, cuts:] = -pull[:, None] * x
        return gradient


def fit_ordinal(
    x: ArrayLike,
    rank: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    n_ranks: int | None = None,
    spread: Floats | None = None,
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
    spread : ndarray of float, shape (n,), optional
        How many times as wide the distribution of each row's score is; without weights of zero.

    Raises
    ------
    InvalidValueError
        If shapes differ, a number is not finite, or a rank lies outside the scale.
    TooFewScoresError
        If fewer than two ranks are used.
    SeparationError
        If the columns separate the ranks, so that no finite maximum exists (Albert, A. &
        Anderson, J. A. (1984) Biometrika 71:1-10), or if a column is constant or repeated.
    NotConvergedError
        If Newton's method stopped away from the maximum.
    """
    xs, ranks, weights = _clean(x, rank, weight)
    size = int(ranks.max(initial=0)) + 1 if n_ranks is None else n_ranks
    if ranks.size and (ranks.min() < 0 or ranks.max() >= size):
        raise InvalidValueError(f"a rank lies outside 0 to {size - 1}")
    totals = np.bincount(ranks, weights, minlength=size)
    used = np.flatnonzero(totals > 0)
    require_two_used(used)
    places = np.searchsorted(used, ranks).astype(np.int64)
    terms = make_terms(xs, places, weights, used.size, spread=spread)
    cuts = used.size - 1
    below = np.cumsum(totals[used])[:-1] / totals.sum()
    start = np.zeros(terms.design.shape[1])
    start[:cuts] = np.log(below / (1.0 - below))
    best = maximise(terms, start)
    if _looks_odd(best, terms) and separated(terms.design):
        raise SeparationError(
            "The columns separate the scores without overlap, so no finite best fit exists.",
            todo="Collect rows where neighbouring scores overlap, or drop the column.",
        )
    covariance = _inverse(-best.hessian)
    if not (best.converged and (np.diagonal(covariance) > 0).all()):
        raise NotConvergedError(
            "The scores are separated all but completely, or counts differ so widely, that the "
            f"maximum is not settled in floating point (decrement {best.decrement:.3g}).",
            todo="Check the counts, and collect rows where neighbouring scores overlap.",
        )
    place = np.searchsorted(used, np.arange(size - 1), side="right") - 1
    free = np.where(place < 0, -1, np.where(place >= cuts, -2, place)).astype(np.int64)
    theta = np.concatenate([best.phi[:cuts], [np.inf, -np.inf]])
    return OrdinalFit(
        threshold=theta[free],
        coef=best.phi[cuts:],
        covariance=covariance,
        log_likelihood=best.value,
        terms=terms,
        phi=best.phi,
        free=free,
    )


def require_two_used(used: Ints, source: str = "The data") -> None:
    """Refuse data with fewer than two used scores."""
    if len(used) < 2:
        raise TooFewScoresError(
            f"{source} use{'s' if source != 'The data' else ''} "
            f"{'only one score' if len(used) else 'no score'}, so there is no cut point to fit.",
            todo="Score berries from firm to soft, so that two scores or more are used.",
        )


class Separation(Enum):
    """How one column divides neighbouring ranks."""

    OVERLAP = "overlap"
    QUASI = "quasi-complete"
    COMPLETE = "complete"


def force_separation(lowest: Floats, highest: Floats) -> Separation:
    """Return whether one falling column separates the used ranks, from their least and most values.

    A finite best fit exists if and only if the values of some pair of neighbouring ranks overlap:
    one slope serves all boundaries, so one overlap bounds it (Albert, A. & Anderson, J. A. (1984)
    Biometrika 71:1-10, carried over to ordered classes). Touching values count as no overlap: the
    likelihood then rises towards a limit that it never reaches. Negated and swapped, the arrays ask
    about a rising column.
    """
    gap = lowest[:-1] - highest[1:]
    if (gap < 0).any():
        return Separation.OVERLAP
    return Separation.COMPLETE if (gap > 0).all() else Separation.QUASI


def separated(design: Floats) -> bool:
    """Return whether some direction of the parameters never lowers any term of the likelihood.

    A direction d other than zero with ``design @ d >= 0`` (`Terms.design`) means that no finite
    maximum exists (complete or quasi-complete separation), or that the columns are not of full
    rank. Found by a linear programme (Konis, K. (2007) Linear programming algorithms for detecting
    separated data in binary logistic regression models, DPhil thesis, University of Oxford).
    """
    from scipy.optimize import linprog

    scaled = design / np.maximum(np.abs(design).max(axis=0), 1e-300)
    if np.linalg.matrix_rank(scaled) < design.shape[1]:
        return True
    result = linprog(
        -scaled.sum(axis=0),
        A_ub=-scaled,
        b_ub=np.zeros(design.shape[0]),
        bounds=[(-1.0, 1.0)] * design.shape[1],
        method="highs",
    )
    return bool(-result.fun > 1e-7)


def _inverse(information: Floats) -> Floats:
    """Invert the information, scaled by its diagonal; NaN where floats cannot."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information), 1e-300))
    outer = np.outer(scale, scale)
    try:
        return np.asarray(np.linalg.inv(information * outer) * outer, dtype=float)
    except np.linalg.LinAlgError:
        return np.full_like(information, np.nan)


def _looks_odd(best: Optimum, terms: Terms) -> bool:
    """Return whether separation is possible, so that the linear programme is worth its time.

    Without separation the maximum is near the start and the information is far from singular.
    """
    if not best.converged or best.iterations > 12 or np.abs(terms.design @ best.phi).max() > 30.0:
        return True
    scale = 1.0 / np.sqrt(np.maximum(-np.diagonal(best.hessian), 1e-300))
    return bool(np.linalg.eigvalsh(-best.hessian * np.outer(scale, scale))[0] < 1e-10)


def _clean(x: ArrayLike, rank: ArrayLike, weight: ArrayLike | None) -> tuple[Floats, Ints, Floats]:
    """Check the rows, and leave out those without weight."""
    ranks = np.asarray(rank, dtype=np.int64)
    n = ranks.shape[0]
    xs = np.asarray(x, dtype=float).reshape(n, -1) if n else np.zeros((0, 0))
    weights = np.ones(n) if weight is None else np.asarray(weight, dtype=float)
    if ranks.ndim != 1 or weights.shape != (n,):
        raise InvalidValueError("rank and weight need one value a row")
    if not (np.isfinite(xs).all() and np.isfinite(weights).all()):
        raise InvalidValueError("a covariate or weight is not finite")
    if (weights < 0).any():
        raise InvalidValueError("a weight is below zero")
    kept = weights > 0
    return (xs, ranks, weights) if kept.all() else (xs[kept], ranks[kept], weights[kept])
