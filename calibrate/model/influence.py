"""What single berries do to a fit: their pull on the cut points, and scores beyond reason.

Works on an `OrdinalFit`; tests of the model as a whole are in diagnostics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.ordinal import OrdinalFit, log_interval

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def contributions(fit: OrdinalFit, x: Floats, rank: Ints) -> Floats:
    """Gradient of each row's log-likelihood at the fit, for one berry of each row.

    Parameters
    ----------
    fit : OrdinalFit
        Fitted to these columns.
    x : ndarray of float, shape (n, p)
    rank : ndarray of int, shape (n,)
        Ranks as they were fitted.

    Returns
    -------
    ndarray, shape (n, number of parameters)
        In the order of `fit.phi`; weighted by counts it adds up to zero.

    Examples
    --------
    >>> from calibrate.stats.ordinal import fit_ordinal
    >>> x, rank, count = np.array([[1.0], [2.0]] * 2), np.array([0, 0, 1, 1]), [3, 1, 1, 3]
    >>> fit = fit_ordinal(x, rank, count)
    >>> contributions(fit, x, rank)[:2].round(2).tolist()
    [[0.25, -0.25], [0.75, -1.5]]
    """
    n, cuts = len(rank), fit.phi.size - x.shape[1]
    edges = np.concatenate([[-np.inf], fit.phi[:cuts], [np.inf]])
    # Places of the used ranks among the thresholds that were fitted.
    place = np.searchsorted(np.unique(rank), rank)
    shift = x @ fit.coef
    _, d_upper, d_lower, *_ = log_interval(edges[place + 1] - shift, edges[place] - shift)
    gradient = np.zeros((n, fit.phi.size))
    upper, lower = np.flatnonzero(place < cuts), np.flatnonzero(place > 0)
    gradient[upper, place[upper]] += d_upper[upper]
    gradient[lower, place[lower] - 1] += d_lower[lower]
    # The derivative at an outer end, an infinity, is zero.
    pull = np.where(place < cuts, d_upper, 0.0) + np.where(place > 0, d_lower, 0.0)
    gradient[:, cuts:] = -pull[:, None] * x
    return gradient


def cook_distance(gradient: Floats, covariance: Floats) -> Floats:
    """Cook's distance of each row, to first order: g' V g / p.

    Pregibon (1981) Ann. Stat. 9:705, one-step, without the leverage term; about 1 would move the
    estimate to the edge of its own confidence region.

    Parameters
    ----------
    gradient : ndarray, shape (n, p)
        From `contributions`, times the row's count, or added up by berry.
    covariance : ndarray, shape (p, p)

    Examples
    --------
    >>> gradient = np.array([[1.0, 0.0], [0.0, 2.0]])
    >>> cook_distance(gradient, np.diag([0.5, 0.25])).tolist()
    [0.25, 0.5]
    """
    return np.asarray(np.einsum("ij,jk,ik->i", gradient, covariance, gradient) / gradient.shape[1])


def clustered_covariance(covariance: Floats, gradient: Floats, cluster: Ints) -> Floats:
    """Covariance that allows for rows of one berry going together (sandwich).

    Liang & Zeger (1986) Biometrika 73:13, with the factor m / (m - 1) for m clusters.

    Parameters
    ----------
    covariance : ndarray, shape (p, p)
        Inverse observed information.
    gradient : ndarray, shape (n, p)
        Weighted contributions.
    cluster : ndarray of int, shape (n,)

    Examples
    --------
    >>> gradient = np.array([[1.0], [1.0], [-1.0], [-1.0]])
    >>> two_berries = np.array([0, 0, 1, 1])
    >>> clustered_covariance(np.array([[0.25]]), gradient, two_berries).tolist()
    [[1.0]]
    """
    _, member = np.unique(cluster, return_inverse=True)
    m = int(member.max()) + 1
    total = np.zeros((m, gradient.shape[1]))
    np.add.at(total, member, gradient)
    meat = total.T @ total * (m / (m - 1) if m > 1 else 1.0)
    return np.asarray(covariance @ meat @ covariance)


@dataclass(frozen=True, kw_only=True, slots=True)
class OddScore:
    """A row whose score its force makes very unlikely.

    Attributes
    ----------
    row : int
    tail : float
        Probability of that score or one further away on the same side.
    firmer_than_force : bool
        Whether the fingers called the berry firmer than its force says.
    """

    row: int
    tail: float
    firmer_than_force: bool


def odd_scores(probability: Floats, rank: Ints, *, limit: float = 0.001) -> tuple[OddScore, ...]:
    """Find scores beyond reason: wrong berry, wrong line of the sheet, a slip of the key.

    Parameters
    ----------
    probability : ndarray, shape (n, n_ranks)
        Of each score at each row's force.
    rank : ndarray of int, shape (n,)
    limit : float
        Least tail probability that still counts as reason.

    Returns
    -------
    tuple of OddScore
        The least likely first.

    Examples
    --------
    >>> p = np.array([[0.9995, 0.0005], [0.5, 0.5]])
    >>> odd_scores(p, np.array([1, 1]))[0].firmer_than_force
    False
    """
    rows = np.arange(len(rank))
    upto = np.cumsum(probability, axis=1)[rows, rank]
    beyond = np.cumsum(probability[:, ::-1], axis=1)[:, ::-1][rows, rank]
    found = [
        OddScore(
            row=int(i), tail=float(min(upto[i], beyond[i])), firmer_than_force=bool(upto[i] < 0.5)
        )
        for i in np.flatnonzero(np.minimum(upto, beyond) < limit)
    ]
    return tuple(sorted(found, key=lambda odd: odd.tail))
