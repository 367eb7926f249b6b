"""Intervals of one hand's cut points by profile likelihood.

Each side of an interval stands for itself: a side that the data leave open is None, and says why.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibrate.model.cutmodel import CutFit, newtons
from calibrate.stats.estimate import Estimate, t_quantile
from calibrate.stats.newton import maximise
from calibrate.stats.ordinal import fit_ordinal
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
Side = float | None
Limits = tuple[Side, Side, str]

# Half-widths of the normal interval; how far out a limit is looked for before a side is called
# open: where the limit is not certain to exist, and where it is.
_FARTHEST = 1000.0
_CERTAIN = 1e9


def cut_intervals(fit: CutFit, *, level: float = 0.95) -> tuple[Estimate, ...]:
    """Estimate every cut point in newtons with its interval, firmest boundary first.

    Raises
    ------
    InvalidValueError
        If the level lies outside 0 to 1.

    Examples
    --------
    >>> from calibrate.data.pairs import Pairs
    >>> from calibrate.data.scale import RASPBERRY
    >>> from calibrate.model.cutmodel import fit_cuts
    >>> zero = np.zeros(4, dtype=np.int64)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([2.0, 4, 2, 4]), rater=zero,
    ...               rank=np.array([0, 0, 1, 1]), count=np.array([10.0, 30, 30, 10]), berry=zero)
    >>> [(round(i.low, 2), round(i.high, 2)) for i in cut_intervals(fit_cuts(pairs))]
    [(2.51, 3.49)]
    """
    z = critical(level)
    settled = _slope_settled(fit, z)
    free = fit.free.tolist()
    limits = {at: _limits(fit, at, z, settled) for at in set(free) if at >= 0}
    return tuple(_estimate(fit, boundary, limits.get(at)) for boundary, at in enumerate(free))


def critical(level: float) -> float:
    """Two-sided normal quantile of a level between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise InvalidValueError(f"a level of {level:g} is not between 0 and 1.")
    return t_quantile(math.inf, level)


def widened(level: float, n: float, parameters: int) -> float:
    """Level at which a profile interval of few scores holds the truth as often as `level` says.

    The deviance is compared with its limit as if divided by n - p in place of n, as a normal
    model's residual variance is. No theorem for ordinal scores: measured by
    tests/bench/handshapes.py: plain profile intervals of 25 scores hold the truth 91 to 92 % of the
    time. `n` scores are explained by so many free `parameters`.

    Examples
    --------
    >>> round(widened(0.95, 25, 5), 4), round(widened(0.95, 300, 5), 4)
    (0.9716, 0.9519)
    """
    from scipy.special import ndtr

    z = critical(level) * math.sqrt(n / max(n - parameters, 1.0))
    return min(float(2.0 * ndtr(z) - 1.0), 1.0 - 1e-12)


def _slope_settled(fit: CutFit, z: float) -> bool:
    """Return whether force explains the scores at all, at the level of `z`.

    If a likelihood ratio test leaves a slope of zero open, cut points may lie anywhere, and one
    side or both of their intervals is open (as in Fieller, E. C. (1954) J. R. Stat. Soc. B
    16:175-185, when g exceeds 1).
    """
    empty = np.zeros((fit.cells.rank.size, 0))
    flat = fit_ordinal(empty, fit.cells.rank, fit.cells.count)
    return 2.0 * (fit.log_likelihood - flat.log_likelihood) > z * z


def outward(
    excess: Callable[[float], float],
    centre: float,
    step: float,
    growth: float,
    farthest: float,
    *,
    xtol: float,
) -> Side:
    """Go out from `centre`, in steps that grow, until `excess` is above zero; find where it is 0.

    None beyond `farthest`, or where the excess is infinite: the side is open.
    """
    from scipy.optimize import brentq

    inner, reach = centre, step
    while abs(reach) <= farthest:
        outer = centre + reach
        if (beyond := excess(outer)) == math.inf:
            return None
        if beyond >= 0.0:
            return float(brentq(excess, *sorted((inner, outer)), xtol=xtol))
        inner, reach = outer, growth * reach
    return None


class _LostError(Exception):
    """A constrained fit stopped away from its maximum."""


def _limits(fit: CutFit, at: int, z: float, certain: bool) -> Limits:
    """Values of the free cut point `at` on either side at which the deviance reaches z squared.

    The likelihood is maximised over all other parameters. With theta_k tied to c beta the model is
    still linear in them and concave, so each constrained fit is a few Newton steps (Venzon, D. J. &
    Moolgavkar, S. H. (1988) Appl. Statist. 37:87-94 for the method).
    """
    keep = np.delete(np.arange(fit.ordinal.phi.size), at)
    estimate = float(fit.ordinal.phi[at] / fit.ordinal.phi[-1])
    se = math.sqrt(fit.covariance[at, at])
    near = fit.ordinal.phi

    def excess(cut: float) -> float:
        """Measure how far the root of the deviance is above z, starting from the last fit."""
        nonlocal near
        if cut == estimate:
            return -z
        tie = np.eye(near.size)[:, keep]
        tie[at, -1] = cut

        def objective(free: Floats) -> tuple[float, Floats, Floats]:
            value, gradient, hessian = fit.ordinal.terms(tie @ free)
            return value, gradient @ tie, tie.T @ hessian @ tie

        best = maximise(objective, _in_order(fit, at, tie @ near[keep])[keep])
        if not best.converged:
            raise _LostError
        near = tie @ best.phi
        return math.sqrt(max(0.0, 2.0 * (fit.log_likelihood - best.value))) - z

    farthest = z * se * (_CERTAIN if certain else _FARTHEST)
    why = "the slope on force is too uncertain to bound it; score more berries"
    sides: list[Side] = []
    for sign in (-1.0, 1.0):
        near = fit.ordinal.phi
        try:
            sides.append(outward(excess, estimate, sign * z * se, 1.5, farthest, xtol=1e-10 * se))
        except _LostError:
            sides.append(None)
            why = "the likelihood could not be followed there; check the counts"
    return sides[0], sides[1], why


def _in_order(fit: CutFit, at: int, phi: Floats) -> Floats:
    """Push thresholds apart that the tied one has crossed."""
    phi = phi.copy()
    cuts = phi.size - 1
    room = 0.1 * np.diff(fit.ordinal.phi[:cuts])
    for i in range(at + 1, cuts):
        phi[i] = max(phi[i], phi[i - 1] + room[i - 1])
    for i in range(at - 1, -1, -1):
        phi[i] = min(phi[i], phi[i + 1] - room[i])
    return phi


def _estimate(fit: CutFit, boundary: int, limits: Limits | None) -> Estimate:
    name = "/".join(fit.scale.boundaries[boundary])
    if limits is None:
        why = f"cut point {name}: no berry was scored beyond it, so it is not identified"
        return Estimate(value=None, why=why)
    low, high, reason = limits
    found = Estimate(value=float(fit.cut[boundary]), low=low, high=high)
    found = found.map(lambda h: newtons(h, fit.force_scale))
    sides = " and ".join(
        side for side, end in (("below", found.low), ("above", found.high)) if end is None
    )
    why = f"cut point {name}: the interval is open {sides}: {reason}" if sides else ""
    return replace(found, why=why)
