"""The likelihood of a panel: one scale, a hand and a spread per rater, a feel for every berry.

``z = (h(F e^b) - c_k e^u) / (s e^v)`` with h the identity, ``(log F + b - log c_k - u) / (s e^v)``
with h the logarithm: hands (u) and berries (b) multiply force on both force scales, since a hand
that needs 10 % more force does so for firm and for soft berries alike. Berries are summed out by
adaptive quadrature; what is left is smooth in the few remaining parameters. How it is maximised is
in panelfit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from calibrate.stats.likelihood import log_interval
from calibrate.stats.quadrature import adaptive_nodes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class PanelData:
    """Rows of a panel and how they hang on the parameters.

    The parameters are ``theta = (places, log s, u_1 .. u_J, v_1 .. v_J)``: the places are the logs
    of the panel's cut points c_1 .. c_K, then one more for every score that a rater skips between
    two that he or she uses.

    Attributes
    ----------
    h : ndarray of float, shape (n,)
        Force in newtons, or its logarithm.
    rank, rater, berry : ndarray of int, shape (n,)
        Rank among the used ones, 0 to `n_cuts`.
    weight : ndarray of float, shape (n,)
    place : ndarray of int, shape (J, K)
        Which place each cut point of each rater is: -1 at plus infinity (the firmest scores are
        never used), -2 at minus infinity.
    n_cuts, n_places, n_raters, n_berries : int
    log_scale : bool
    row_map : ndarray of float, shape (n, 3, p)
        Derivative of (upper place, lower place, log spread) of each row by theta, 0 or 1.
    berry_map : sparse matrix, shape (n_berries * p, 3 n)
        The same, summed over the rows of each berry.
    berry_sum : sparse matrix, shape (n_berries, n)
    """

    h: Floats
    rank: Ints
    rater: Ints
    berry: Ints
    weight: Floats
    place: Ints
    n_cuts: int
    n_places: int
    n_raters: int
    n_berries: int
    log_scale: bool
    row_map: Floats
    berry_map: sparse.csr_matrix
    berry_sum: sparse.csr_matrix

    @property
    def size(self) -> int:
        """Number of parameters p."""
        return self.n_places + 1 + 2 * self.n_raters


def lay_out(
    force_newton: Floats,
    rank: Ints,
    rater: Ints,
    berry: Ints,
    weight: Floats,
    *,
    log_scale: bool,
    place: Ints | None = None,
) -> PanelData:
    """Prepare rows; ranks must be 0 to K without a gap, raters and berries 0 to J - 1, I - 1.

    Parameters
    ----------
    force_newton : ndarray of float, shape (n,)
        Above zero on the log scale.
    rank, rater, berry : ndarray of int, shape (n,)
    weight : ndarray of float, shape (n,)
    log_scale : bool
    place : ndarray of int, shape (J, K), optional
        By default every rater uses all scores.

    Examples
    --------
    >>> rank, rater, berry = np.array([1, 0, 1, 0]), np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])
    >>> force_newton = np.array([1.0, 2.0, 3.0, 4.0])
    >>> data = lay_out(force_newton, rank, rater, berry, np.ones(4), log_scale=False)
    >>> data.n_cuts, data.n_raters, data.size  # a cut point, a spread, two of each rater
    (1, 2, 6)
    """
    n, cuts = rank.size, int(rank.max())
    raters, berries = int(rater.max()) + 1, int(berry.max()) + 1
    if place is None:
        place = np.tile(np.arange(cuts), (raters, 1))
    places = max(cuts, int(place.max()) + 1)
    size, at = places + 1 + 2 * raters, np.arange(n)
    wide = np.column_stack([np.full(raters, -1), place, np.full(raters, -2)])
    row_map = np.zeros((n, 3, size))
    for part, which in enumerate((wide[rater, rank + 1], wide[rater, rank])):
        finite = which >= 0
        row_map[at[finite], part, which[finite]] = 1.0
        row_map[at[finite], part, places + 1 + rater[finite]] = 1.0
    row_map[:, 2, places] = 1.0
    row_map[at, 2, places + 1 + raters + rater] = 1.0
    row, part_of, column = np.nonzero(row_map)
    berry_map = sparse.csr_matrix(
        (np.ones(row.size), (berry[row] * size + column, part_of * n + row)),
        shape=(berries * size, 3 * n),
    )
    return PanelData(
        h=np.log(force_newton) if log_scale else force_newton,
        rank=rank,
        rater=rater,
        berry=berry,
        weight=weight,
        place=place,
        n_cuts=cuts,
        n_places=places,
        n_raters=raters,
        n_berries=berries,
        log_scale=log_scale,
        row_map=row_map,
        berry_map=berry_map,
        berry_sum=sparse.csr_matrix((np.ones(n), (berry, at)), shape=(berries, n)),
    )


@dataclass(frozen=True, kw_only=True)
class Nodes:
    """Where the effect of each berry is looked at.

    Attributes
    ----------
    effect, log_weight : ndarray of float, shape (n_berries, points)
    sigma : float
        Standard deviation of berries; with 0 there is one node at zero.
    """

    effect: Floats
    log_weight: Floats
    sigma: float

    @classmethod
    def start(cls, n_berries: int, sigma: float, points: int) -> Nodes:
        """Nodes of the population."""
        if sigma == 0.0:
            zero = np.zeros((n_berries, 1))
            return cls(effect=zero, log_weight=zero, sigma=0.0)
        return cls.around(np.zeros(n_berries), np.full(n_berries, sigma), sigma, points)

    @classmethod
    def around(cls, centre: Floats, width: Floats, sigma: float, points: int) -> Nodes:
        """Nodes around the mean of each berry's effect."""
        effect, log_weight = adaptive_nodes(centre, width, sigma, points)
        return cls(effect=effect, log_weight=log_weight, sigma=sigma)

    def moved(self, share: Floats, sigma: float | None = None) -> Nodes:
        """Nodes around the mean and deviation of the effects given the data.

        Parameters
        ----------
        share : ndarray of float, shape (n_berries, points)
            Probability of each node given the data.
        sigma : float, optional
            Another standard deviation of berries.

        Notes
        -----
        Moments in place of mode and curvature: Naylor, J. C. & Smith, A. F. M. (1982) Appl.
        Statist. 31:214-225.
        """
        if self.sigma == 0.0:
            return self
        centre = (share * self.effect).sum(axis=1)
        width = np.sqrt((share * (self.effect - centre[:, None]) ** 2).sum(axis=1))
        width = np.maximum(width, 0.1 * self.sigma)
        return Nodes.around(centre, width, sigma or self.sigma, self.effect.shape[1])


@dataclass(frozen=True, kw_only=True)
class Evaluation:
    """Log-likelihood of a panel with the berries summed out, and its derivatives by theta.

    Attributes
    ----------
    value : float
    gradient : ndarray of float, shape (p,)
    hessian : ndarray of float, shape (p, p)
    share : ndarray of float, shape (n_berries, points)
    """

    value: float
    gradient: Floats
    hessian: Floats
    share: Floats


def cuts_of(data: PanelData, theta: Floats) -> tuple[Floats, Floats]:
    """Cut points of every rater in units of h, shape (J, K), and spreads, shape (J,).

    Examples
    --------
    >>> rank, rater = np.array([1, 0, 1, 0]), np.array([0, 0, 1, 1])
    >>> force_newton = np.array([1.0, 2.0, 3.0, 4.0])
    >>> data = lay_out(force_newton, rank, rater, np.arange(4), np.ones(4), log_scale=False)
    >>> cut, spread = cuts_of(data, np.array([np.log(2.5), 0.0, 0.1, -0.1, 0.0, 0.0]))
    >>> cut.round(2).tolist(), spread.tolist()
    ([[2.76], [2.26]], [1.0, 1.0])
    """
    m, j = data.n_places, data.n_raters
    u, v = theta[m + 1 : m + 1 + j], theta[m + 1 + j :]
    log_cut = np.append(theta[:m], [-np.inf, np.inf])[data.place] + u[:, None]
    return log_cut if data.log_scale else np.exp(log_cut), np.exp(theta[m] + v)


def in_order(data: PanelData, theta: Floats) -> bool:
    """Tell whether every rater's cut points, and the panel's, descend.

    Examples
    --------
    >>> rank, one = np.array([2, 1, 0]), np.zeros(3, dtype=int)
    >>> data = lay_out(np.array([1.0, 2.0, 3.0]), rank, one, one, np.ones(3), log_scale=False)
    >>> in_order(data, np.log([2.5, 1.5, 1.0, 1.0, 1.0]))
    True
    >>> in_order(data, np.log([1.5, 2.5, 1.0, 1.0, 1.0]))
    False
    """
    logs = np.append(theta[: data.n_places], [-np.inf, np.inf])
    gaps = logs[data.place[:, :-1]] > logs[data.place[:, 1:]]
    same = data.place[:, :-1] == data.place[:, 1:]
    return bool((gaps | same).all() and (np.diff(logs[: data.n_cuts]) < 0).all())


def evaluate(data: PanelData, theta: Floats, nodes: Nodes) -> Evaluation:
    """Log-likelihood and exact derivatives for nodes held where they are.

    The Hessian of a sum over nodes is the mean of the complete Hessian plus the variance of the
    complete score (Louis, T. A. (1982) J. R. Stat. Soc. B 44:226-233).

    Parameters
    ----------
    data : PanelData
    theta : ndarray of float, shape (p,)
        With cut points in order.
    nodes : Nodes

    Examples
    --------
    >>> rank, one = np.array([0, 1]), np.zeros(2, dtype=int)
    >>> data = lay_out(np.array([2.0, 2.0]), rank, one, one, np.ones(2), log_scale=False)
    >>> here = evaluate(data, np.log([2.0, 1.0, 1.0, 1.0]), Nodes.start(1, 0.0, 1))
    >>> round(here.value, 3)  # both at the cut point: twice the logarithm of a half
    -1.386
    """
    cut, spread = cuts_of(data, theta)
    k, j, w = data.rank, data.rater, data.weight[:, None]
    effect = nodes.effect[data.berry]
    h = data.h[:, None]
    x = h + effect if data.log_scale else h * np.exp(effect)
    scale = spread[j][:, None]
    ends = np.full(cut.shape[0], np.inf)
    wide = np.column_stack([ends, cut, -ends])
    is_finite = np.column_stack([ends < 0, data.place >= 0, ends < 0])
    wide[:, 1:-1][data.place == -2] = -np.inf
    at_up, at_low = wide[j, k + 1][:, None], wide[j, k][:, None]
    has_up, has_low = is_finite[j, k + 1][:, None], is_finite[j, k][:, None]
    up, low = (x - at_up) / scale, (x - at_low) / scale
    value, d_up, d_low, d_up2, d_up_low, d_low2 = log_interval(up, low)
    # A cut point at infinity never moves.
    up, low = np.where(has_up, up, 0.0), np.where(has_low, low, 0.0)
    slope_up = np.where(has_up, 1.0 if data.log_scale else at_up, 0.0) / scale
    slope_low = np.where(has_low, 1.0 if data.log_scale else at_low, 0.0) / scale

    total = data.berry_sum @ (w * value) + nodes.log_weight
    top = total.max(axis=1, keepdims=True)
    share = np.exp(total - top)
    mass = share.sum(axis=1, keepdims=True)
    share /= mass
    log_likelihood = float((np.log(mass) + top).sum())

    # Score of each row by its upper place, lower place and log spread, then of each berry.
    by_up, by_low = -w * d_up * slope_up, -w * d_low * slope_low
    by_spread = -w * (d_up * up + d_low * low)
    points = share.shape[1]
    score = (data.berry_map @ np.concatenate([by_up, by_low, by_spread])).reshape(
        data.n_berries, data.size, points
    )
    mean = (score * share[:, None, :]).sum(axis=2)
    gradient = mean.sum(axis=0)

    weight = w * share[data.berry]
    bend_up = 0.0 if data.log_scale else 1.0
    up_spread = (d_up2 * up + d_up_low * low + d_up) * slope_up
    low_spread = (d_low2 * low + d_up_low * up + d_low) * slope_low
    both = (
        d_up2 * up * up + 2.0 * d_up_low * up * low + d_low2 * low * low + d_up * up + d_low * low
    )
    block = np.empty((k.size, 3, 3))
    block[:, 0, 0] = (weight * (d_up2 * slope_up**2 - bend_up * d_up * slope_up)).sum(axis=1)
    block[:, 1, 1] = (weight * (d_low2 * slope_low**2 - bend_up * d_low * slope_low)).sum(axis=1)
    block[:, 0, 1] = block[:, 1, 0] = (weight * d_up_low * slope_up * slope_low).sum(axis=1)
    block[:, 0, 2] = block[:, 2, 0] = (weight * up_spread).sum(axis=1)
    block[:, 1, 2] = block[:, 2, 1] = (weight * low_spread).sum(axis=1)
    block[:, 2, 2] = (weight * both).sum(axis=1)
    flat = data.row_map.reshape(-1, data.size)
    hessian = flat.T @ (block @ data.row_map).reshape(-1, data.size)
    if points > 1:
        off = (score - mean[:, :, None]) * np.sqrt(share)[:, None, :]
        off = off.transpose(0, 2, 1).reshape(-1, data.size)
        hessian += off.T @ off
    return Evaluation(value=log_likelihood, gradient=gradient, hessian=hessian, share=share)
