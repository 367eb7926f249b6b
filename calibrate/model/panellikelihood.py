"""The likelihood of a panel: one scale, a hand and a spread per rater, an effect of every berry.

``z = (h(F e^b) - c_k e^g) / (s e^v)`` with h the identity, and ``(log F + b - log c_k - g) / (s
e^v)`` with h the logarithm, where ``g = u + t d_k + w_k``: hands (u), their offsets at single
boundaries (w) and berries (b) multiply force on both force scales. Where the order of squeezes is
taken in, a finger felt ``F e^(l m)``: each of the m squeezes from this one to the press took the
share ``1 - e^-l`` of the force. The tilt t is what a hand has
that adds newtons, or stretches the scale: the directions ``d_k`` are those of 1 / c_k about their
mean, which is what a few newtons more are in the logarithm. Cut points of each rater's own around
common ones: Johnson, V. E. & Albert, J. H. (1999) Ordinal Data Modeling, chapter 5 (from memory).
Berries are integrated out by adaptive quadrature; what is left is smooth in the parameters.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from calibrate.stats.likelihood import log_interval

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class PanelData:
    """Rows of a panel and how they depend on the parameters.

    The parameters are ``theta = (places, log s, [l,] u_1 .. u_J, v_1 .. v_J, t_1 .. t_J, w_11 ..
    w_JK)``: the places are the logs of the panel's cut points c_1 .. c_K, then one more for every
    score that a rater skips between two that he or she uses.

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
    direction : ndarray of float, shape (K,)
        Of the tilts; w and t have no effect at the places of skipped scores.
    widening : ndarray of float, shape (n,)
        How many times as wide as at a middle force the spread is at this one.
    squeezes : ndarray of float, shape (n,), or None
        From this finger to the press, its own included; None where the order is not taken in.
    n_cuts, n_places, n_raters, n_berries : int
    log_scale : bool
    row_map : ndarray of float, shape (n, 3 or 4, p)
        Derivative of (upper place, lower place, log spread, l) of each row by theta.
    berry_map : sparse matrix, shape (n_berries * p, 3 or 4 n)
        The same, summed over the rows of each berry.
    berry_sum : sparse matrix, shape (n_berries, n)
    """

    h: Floats
    rank: Ints
    rater: Ints
    berry: Ints
    weight: Floats
    place: Ints
    direction: Floats
    widening: Floats
    squeezes: Floats | None
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
        return self.n_fixed + (3 + self.n_cuts) * self.n_raters

    @property
    def n_fixed(self) -> int:
        """Number of parameters that are no rater's: they come first."""
        return self.n_places + 1 + (self.squeezes is not None)

    @property
    def hand(self) -> Ints:
        """Parameters that are raters' hands, shape (J,)."""
        return self.n_fixed + np.arange(self.n_raters)

    @property
    def spread(self) -> Ints:
        """Parameters that are raters' spreads, shape (J,)."""
        return self.hand + self.n_raters

    @property
    def tilt(self) -> Ints:
        """Parameters that are raters' tilts, shape (J,)."""
        return self.spread + self.n_raters

    @property
    def offset(self) -> Ints:
        """Parameters that are a hand's offsets at single boundaries, shape (J, K)."""
        first = self.n_fixed + 3 * self.n_raters
        return first + np.arange(self.n_raters * self.n_cuts).reshape(self.n_raters, self.n_cuts)


def lay_out(
    force_newton: Floats,
    rank: Ints,
    rater: Ints,
    berry: Ints,
    weight: Floats,
    *,
    log_scale: bool,
    place: Ints | None = None,
    direction: Floats | None = None,
    widening: Floats | None = None,
    squeezes: Floats | None = None,
) -> PanelData:
    """Prepare rows whose ranks, raters and berries count from 0 without a gap."""
    n, cuts = rank.size, int(rank.max())
    raters, berries = int(rater.max()) + 1, int(berry.max()) + 1
    if place is None:
        place = np.tile(np.arange(cuts), (raters, 1))
    if direction is None:
        direction = np.zeros(cuts)
    places = max(cuts, int(place.max()) + 1)
    fixed = places + 1 + (squeezes is not None)
    size, at = fixed + (3 + cuts) * raters, np.arange(n)
    wide = np.column_stack([np.full(raters, -1), place, np.full(raters, -2)])
    row_map = np.zeros((n, 3 + (squeezes is not None), size))
    for part, cut in enumerate((rank, rank - 1)):
        which = wide[rater, cut + 1]
        finite, own = which >= 0, (which >= 0) & (which < cuts)
        row_map[at[finite], part, which[finite]] = 1.0
        row_map[at[finite], part, fixed + rater[finite]] = 1.0
        row_map[at[own], part, fixed + 2 * raters + rater[own]] = direction[cut[own]]
        offset = fixed + 3 * raters + rater[own] * cuts + cut[own]
        row_map[at[own], part, offset] = 1.0
    row_map[:, 2, places] = 1.0
    row_map[at, 2, fixed + raters + rater] = 1.0
    row_map[:, 3:, places + 1] = 1.0
    row, part_of, column = np.nonzero(row_map)
    berry_map = sparse.csr_matrix(
        (row_map[row, part_of, column], (berry[row] * size + column, part_of * n + row)),
        shape=(berries * size, row_map.shape[1] * n),
    )
    return PanelData(
        h=np.log(force_newton) if log_scale else force_newton,
        rank=rank,
        rater=rater,
        berry=berry,
        weight=weight,
        place=place,
        direction=direction,
        widening=np.ones(n) if widening is None else widening,
        squeezes=squeezes,
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
    """At which effects of each berry the integrand is evaluated, and with what weight.

    Attributes
    ----------
    effect, log_weight : ndarray of float, shape (n_berries, points)
    sigma : float
        Standard deviation of berry effects; with 0 there is one node at zero.
    """

    effect: Floats
    log_weight: Floats
    sigma: float

    @classmethod
    def start(cls, n_berries: int, sigma: float, points: int) -> Nodes:
        """Place the nodes where the population of berries is."""
        if sigma == 0.0:
            zero = np.zeros((n_berries, 1))
            return cls(effect=zero, log_weight=zero, sigma=0.0)
        return cls._around(np.zeros(n_berries), np.full(n_berries, sigma), sigma, points)

    @classmethod
    def _around(cls, centre: Floats, width: Floats, sigma: float, points: int) -> Nodes:
        effect, log_weight = adaptive_nodes(centre, width, sigma, points)
        return cls(effect=effect, log_weight=log_weight, sigma=sigma)

    def moved(self, share: Floats, sigma: float | None = None) -> Nodes:
        """Move to the mean and deviation of each effect given the shares of the nodes.

        Moments in place of mode and curvature: Naylor, J. C. & Smith, A. F. M. (1982) Appl.
        Statist. 31:214-225.
        """
        if self.sigma == 0.0:
            return self
        centre = (share * self.effect).sum(axis=1)
        width = np.sqrt((share * (self.effect - centre[:, None]) ** 2).sum(axis=1))
        width = np.maximum(width, 0.1 * self.sigma)
        return Nodes._around(centre, width, sigma or self.sigma, self.effect.shape[1])


def adaptive_nodes(
    centre: Floats, width: Floats, sigma: float, points: int
) -> tuple[Floats, Floats]:
    """Place Gauss-Hermite nodes of a normal effect where each group's likelihood is.

    The integral of ``L(b) Normal(b; 0, sigma)`` is ``sum exp(log_weight) L(effect)`` (Liu, Q. &
    Pierce, D. A. (1994) A note on Gauss-Hermite quadrature, Biometrika 81:624-629); one point is
    Laplace's approximation when `centre` is the mode and `width` its curvature.
    """
    x, log_w = _hermite(points)
    effect = centre[:, None] + np.sqrt(2.0) * width[:, None] * x
    log_weight = (
        log_w
        + np.log(width)[:, None]
        - 0.5 * np.log(np.pi)
        - 0.5 * (effect / sigma) ** 2
        - np.log(sigma)
    )
    return effect, log_weight


@lru_cache
def _hermite(points: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.hermite.hermgauss(points)
    return x, np.log(w) + x * x


@dataclass(frozen=True, kw_only=True)
class Evaluation:
    """Log-likelihood of a panel with the berries integrated out, and its derivatives by theta.

    Attributes
    ----------
    value : float
    gradient : ndarray of float, shape (p,)
    hessian : ndarray of float, shape (p, p)
    share : ndarray of float, shape (n_berries, points)
        Probability of each node given the data.
    """

    value: float
    gradient: Floats
    hessian: Floats
    share: Floats


def cuts_of(data: PanelData, theta: Floats) -> tuple[Floats, Floats]:
    """Cut points of every rater in units of h, shape (J, K), and spreads, shape (J,)."""
    log_cut = log_cuts(data, theta)
    spread = np.exp(theta[data.n_places] + theta[data.spread])
    return log_cut if data.log_scale else np.exp(log_cut), spread


def log_cuts(data: PanelData, theta: Floats) -> Floats:
    """Logs of the cut points of every rater, shape (J, K); infinite beyond the scores in use."""
    places = np.append(theta[: data.n_places], [-np.inf, np.inf])[data.place]
    offset = theta[data.tilt][:, None] * data.direction + theta[data.offset]
    offset = np.where(data.place < data.n_cuts, offset, 0.0)
    return np.asarray(places + theta[data.hand][:, None] + offset)


def in_order(data: PanelData, theta: Floats) -> bool:
    """Return whether every rater's cut points, and the panel's, descend."""
    logs = log_cuts(data, theta)
    same = data.place[:, :-1] == data.place[:, 1:]
    descends = bool(((logs[:, :-1] > logs[:, 1:]) | same).all())
    return descends and bool((np.diff(theta[: data.n_cuts]) < 0).all())


def evaluate(data: PanelData, theta: Floats, nodes: Nodes) -> Evaluation:
    """Compute the log-likelihood and its exact derivatives, for nodes held where they are.

    The Hessian of a sum over nodes is the mean of the complete Hessian plus the variance of the
    complete score (Louis, T. A. (1982) J. R. Stat. Soc. B 44:226-233). `theta` must have its cut
    points in order.
    """
    w = data.weight[:, None]
    value, first, second = _of_rows(data, theta, nodes.effect[data.berry])
    total = data.berry_sum @ (w * value) + nodes.log_weight
    top = total.max(axis=1, keepdims=True)
    share = np.exp(total - top)
    mass = share.sum(axis=1, keepdims=True)
    share /= mass
    log_likelihood = float((np.log(mass) + top).sum())

    points = share.shape[1]
    score = data.berry_map @ np.concatenate([w * one for one in first])
    score = score.reshape(data.n_berries, data.size, points)
    mean = (score * share[:, None, :]).sum(axis=2)
    gradient = mean.sum(axis=0)

    weight = w * share[data.berry]
    block = np.empty((data.rank.size, len(first), len(first)))
    for (a, b), bend in second.items():
        block[:, a, b] = block[:, b, a] = (weight * bend).sum(axis=1)
    flat = data.row_map.reshape(-1, data.size)
    hessian = flat.T @ (block @ data.row_map).reshape(-1, data.size)
    if points > 1:
        off = (score - mean[:, :, None]) * np.sqrt(share)[:, None, :]
        off = off.transpose(0, 2, 1).reshape(-1, data.size)
        hessian += off.T @ off
    return Evaluation(value=log_likelihood, gradient=gradient, hessian=hessian, share=share)


def _of_rows(
    data: PanelData, theta: Floats, effect: Floats
) -> tuple[Floats, list[Floats], dict[tuple[int, int], Floats]]:
    """Log-likelihood of each row at each node, and its derivatives of first and second order.

    By upper place, lower place, log spread and, where it is taken in, what a squeeze takes.
    """
    cut, spread = cuts_of(data, theta)
    k, j = data.rank, data.rater
    if data.squeezes is not None:
        effect = effect + (theta[data.n_places + 1] * data.squeezes)[:, None]
    h = data.h[:, None]
    x = h + effect if data.log_scale else h * np.exp(effect)
    scale = (spread[j] * data.widening)[:, None]
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
    first = [-d_up * slope_up, -d_low * slope_low, -(d_up * up + d_low * low)]
    bend_up = 0.0 if data.log_scale else 1.0
    both = (
        d_up2 * up * up + 2.0 * d_up_low * up * low + d_low2 * low * low + d_up * up + d_low * low
    )
    second = {
        (0, 0): d_up2 * slope_up**2 - bend_up * d_up * slope_up,
        (1, 1): d_low2 * slope_low**2 - bend_up * d_low * slope_low,
        (0, 1): d_up_low * slope_up * slope_low,
        (0, 2): (d_up2 * up + d_up_low * low + d_up) * slope_up,
        (1, 2): (d_low2 * low + d_up_low * up + d_low) * slope_low,
        (2, 2): both,
    }
    if data.squeezes is not None:
        by_h = data.squeezes[:, None] * (1.0 if data.log_scale else x) / scale
        bend_h = 0.0 if data.log_scale else data.squeezes[:, None] * (d_up + d_low)
        off_spread = (d_up2 + d_up_low) * up + (d_low2 + d_up_low) * low + d_up + d_low
        first.append((d_up + d_low) * by_h)
        second[0, 3] = -(d_up2 + d_up_low) * slope_up * by_h
        second[1, 3] = -(d_low2 + d_up_low) * slope_low * by_h
        second[2, 3] = -off_spread * by_h
        second[3, 3] = ((d_up2 + 2.0 * d_up_low + d_low2) * by_h + bend_h) * by_h
    return value, first, second
