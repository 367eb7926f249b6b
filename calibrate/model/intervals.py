"""Intervals of cut points: profile likelihood, and percentiles of a bootstrap.

Each side of an interval stands for itself: a side that the data leave open is None, and says why.
The refits of the bootstrap are in bootstrap.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.model.cutmodel import CutFit
from calibrate.stats.estimate import Estimate
from calibrate.stats.likelihood import Terms
from calibrate.stats.newton import climb
from calibrate.stats.ordinal import OrdinalFit, fit_ordinal
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
Kind = Literal["profile", "bootstrap"]
Side = float | None

# How far out a limit is looked for, in half-widths of the Wald interval, before a side whose limit
# is not certain to exist is called open.
_FARTHEST = 1000.0
_CERTAIN = 1e9


def cut_intervals(
    fit: CutFit,
    *,
    kind: Kind = "profile",
    level: float = 0.95,
    resamples: int = 2000,
    seed: int = 1,
) -> tuple[Estimate, ...]:
    """Estimate every cut point in newtons with its interval, firmest boundary first.

    Parameters
    ----------
    fit : CutFit
    kind : {'profile', 'bootstrap'}
    level : float
        Between 0 and 1.
    resamples, seed : int
        Of the bootstrap.

    Raises
    ------
    InvalidValueError
        If the level lies outside 0 to 1 or there are too few resamples for it.

    Examples
    --------
    >>> from calibrate.model.cutmodel import collapse
    >>> from calibrate.model.cutmodel import fit_cells
    >>> from calibrate.data.scale import RASPBERRY
    >>> rank, count = np.array([0, 0, 1, 1]), np.array([10.0, 30, 30, 10])
    >>> fit = fit_cells(collapse(np.array([2.0, 4, 2, 4]), rank, 2, count), RASPBERRY)
    >>> [(round(i.low, 2), round(i.high, 2)) for i in cut_intervals(fit)]
    [(2.51, 3.49)]
    """
    z = critical(level)
    if kind == "bootstrap":
        from calibrate.model.bootstrap import bootstrap_limits

        limits = bootstrap_limits(fit, level=level, resamples=resamples, seed=seed)
    else:
        settled = slope_settled(fit, z)
        done: dict[int, tuple[Side, Side, str]] = {}
        for at in fit.free[fit.free >= 0]:
            if int(at) not in done:
                done[int(at)] = _profile_cut(fit, int(at), z, settled)
        limits = [done.get(int(at), (None, None, "")) for at in fit.free]
    return tuple(_estimate(fit, boundary, limit) for boundary, limit in enumerate(limits))


def critical(level: float) -> float:
    """Two-sided normal quantile of a level.

    Raises
    ------
    InvalidValueError
        If the level is not between 0 and 1.

    Examples
    --------
    >>> round(critical(0.95), 6)
    1.959964
    """
    from scipy.special import ndtri

    if not 0.0 < level < 1.0:
        raise InvalidValueError(f"a level of {level:g} is not between 0 and 1.")
    return float(ndtri(0.5 + level / 2.0))


def slope_settled(fit: CutFit, z: float) -> bool:
    """Tell whether force explains the scores at all, at the level of `z`.

    If a likelihood ratio test leaves a slope of zero open, cut points may lie anywhere, and one
    side or both of their intervals is open (as in Fieller, E. C. (1954) J. R. Stat. Soc. B
    16:175-185, when g exceeds 1).

    Examples
    --------
    >>> from calibrate.model.cutmodel import collapse
    >>> from calibrate.model.cutmodel import fit_cells
    >>> from calibrate.data.scale import RASPBERRY
    >>> rank, count = np.array([0, 0, 1, 1]), np.array([10.0, 30, 30, 10])
    >>> fit = fit_cells(collapse(np.array([2.0, 4, 2, 4]), rank, 2, count), RASPBERRY)
    >>> slope_settled(fit, critical(0.95))
    True
    """
    empty = np.zeros((fit.cells.rank.size, 0))
    flat = fit_ordinal(empty, fit.cells.rank, fit.cells.weight, n_ranks=fit.cells.n_ranks)
    return 2.0 * (fit.log_likelihood - flat.log_likelihood) > z * z


def _profile_cut(fit: CutFit, at: int, z: float, settled: bool) -> tuple[Side, Side, str]:
    """Profile limits of a free cut point, in the units of h.

    With theta_k tied to c beta the model is still linear in the other parameters and concave, so
    each constrained fit is a few Newton steps (Venzon, D. J. & Moolgavkar, S. H. (1988) Appl.
    Statist. 37:87-94 for the method).
    """
    terms, width = fit.ordinal.terms, fit.ordinal.phi.size
    keep = np.delete(np.arange(width), at)

    def tie(c: float) -> tuple[Floats, Floats]:
        matrix = np.eye(width)[:, keep]
        matrix[at, -1] = c
        return matrix, np.zeros(width)

    estimate = float(fit.ordinal.phi[at] / fit.ordinal.phi[-1])
    se = math.sqrt(fit.covariance[at, at])
    profile = _Profile(terms, fit.ordinal, keep, tie, at)
    low, high = (profile.limit(estimate, sign * se, z, settled) for sign in (-1, 1))
    return low, high, profile.why


def coef_limits(fit: OrdinalFit, index: int, *, level: float = 0.95) -> tuple[Side, Side]:
    """Profile limits of one coefficient of a cumulative logit fit.

    Parameters
    ----------
    fit : OrdinalFit
    index : int
        Which element of `fit.coef`.

    Examples
    --------
    >>> fit = fit_ordinal([[0.0], [1.0], [0.0], [1.0]], [0, 0, 1, 1], [30, 10, 10, 30])
    >>> [round(side, 2) for side in coef_limits(fit, 0)]
    [1.22, 3.26]
    """
    z = critical(level)
    width = fit.phi.size
    at = width - fit.coef.size + index
    keep = np.delete(np.arange(width), at)

    def tie(value: float) -> tuple[Floats, Floats]:
        fixed = np.zeros(width)
        fixed[at] = value
        return np.eye(width)[:, keep], fixed

    profile = _Profile(fit.terms, fit, keep, tie, at)
    se = float(fit.se[at])
    low, high = (profile.limit(float(fit.phi[at]), sign * se, z, False) for sign in (-1, 1))
    return low, high


class _LostError(Exception):
    """A constrained fit stopped away from its maximum."""


class _Profile:
    """The likelihood maximised over all parameters but one that is tied to a value."""

    def __init__(
        self,
        terms: Terms,
        fit: OrdinalFit,
        keep: NDArray[np.int64],
        tie: Callable[[float], tuple[Floats, Floats]],
        at: int,
    ) -> None:
        self.terms, self.top, self.phi = terms, fit.log_likelihood, fit.phi
        self.keep, self.tie, self.at = keep, tie, at
        self.cuts = int((np.unique(fit.free) >= 0).sum())
        self.why = "the slope on force is too uncertain to bound it; score more berries"

    def root(self, value: float, near: Floats) -> tuple[float, Floats]:
        """Root of the deviance at a value, and the parameters there; warm start from `near`."""
        matrix, fixed = self.tie(value)
        start = self._feasible(matrix @ near[self.keep] + fixed)[self.keep]

        def objective(free: Floats) -> tuple[float, Floats, Floats]:
            v, gradient, hessian = self.terms(matrix @ free + fixed)
            return v, gradient @ matrix, matrix.T @ hessian @ matrix

        best = climb(objective, start)
        if not best.converged:
            raise _LostError
        return math.sqrt(max(0.0, 2.0 * (self.top - best.value))), matrix @ best.phi + fixed

    def _feasible(self, phi: Floats) -> Floats:
        """Push thresholds apart that the tied one has crossed."""
        phi = phi.copy()
        if self.at >= self.cuts:
            return phi
        room = 0.1 * np.diff(self.phi[: self.cuts])
        for i in range(self.at + 1, self.cuts):
            phi[i] = max(phi[i], phi[i - 1] + room[i - 1])
        for i in range(self.at - 1, -1, -1):
            phi[i] = min(phi[i], phi[i + 1] - room[i])
        return phi

    def limit(self, estimate: float, se: float, z: float, certain: bool) -> Side:
        """Where the root of the deviance reaches `z`, going out from the estimate by `se`."""
        try:
            return self._search(estimate, se, z, certain)
        except _LostError:
            self.why = "the likelihood could not be followed there; check the counts"
            return None

    def _search(self, estimate: float, se: float, z: float, certain: bool) -> Side:
        from scipy.optimize import brentq

        inner, near = estimate, self.phi
        farthest = abs(z * se) * (_CERTAIN if certain else _FARTHEST)
        reach = z * se
        while True:
            outer = estimate + reach
            root, there = self.root(outer, near)
            if root >= z:
                break
            inner, near = outer, there
            if abs(reach) > farthest:
                return None
            reach *= 1.5
        warm = {"phi": near}

        def excess(value: float) -> float:
            if value == estimate:
                return -z
            root, warm["phi"] = self.root(value, warm["phi"])
            return root - z

        return float(brentq(excess, inner, outer, xtol=1e-10 * abs(se), rtol=1e-13))


def _estimate(fit: CutFit, boundary: int, limit: tuple[Side, Side, str]) -> Estimate:
    name = "/".join(fit.scale.boundaries[boundary])
    if fit.free[boundary] < 0:
        why = f"cut point {name}: no berry was scored beyond it, so it is not identified"
        return Estimate(value=None, why=why)
    low, high = (_newtons(fit, side) for side in limit[:2])
    sides = " and ".join(s for s, x in (("below", low), ("above", high)) if x is None)
    why = f"cut point {name}: the interval is open {sides}: {limit[2]}" if sides else ""
    return Estimate(value=float(fit.cut_newton[boundary]), low=low, high=high, why=why)


def _newtons(fit: CutFit, side: Side) -> Side:
    """Back from h; a limit beyond what a float can hold is an open side."""
    if side is None or not math.isfinite(side):
        return None
    if fit.force_scale == "linear":
        return side
    return math.exp(side) if side < 700.0 else None
