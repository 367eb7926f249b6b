"""Shares of finger scores expected of a clamshell as its mean force rises, and their likelihood.

The force distribution within a clamshell is taken as log-normal with a stated coefficient of
variation. What counts then tell, with every source of uncertainty, is in equivalent.
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration, Side

Floats = NDArray[np.float64]
# Equal steps of 0.1 SD over the berries' distribution: for logistic fingers the error of the
# trapezium rule falls as exp(-2 pi^2 width / step), which keeps it below 1e-6 down to fingers
# fourteen times sharper than the berries vary.
_NODES, _FARTHEST = 121, 6.0
# How far, in log newtons, the mean is looked for beyond the outer cuts.
_REACH = 6.0


def score_shares(calibration: Calibration, mean_newton: ArrayLike, cv: float) -> Floats:
    """Expected share of berries at each score, for clamshells of given mean force.

    Force is log-normal with that mean and coefficient of variation; the probability of each score
    is averaged over it by the trapezium rule.

    Parameters
    ----------
    calibration : Calibration
    mean_newton : array_like of float, shape (m,)
        Newtons, above zero.
    cv : float
        Standard deviation over mean, of berries within a clamshell; 0 for berries all alike.

    Returns
    -------
    ndarray, shape (m, number of scores)

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="log", cuts_newton=(1.5,), low_newton=(1.4,),
    ...                   high_newton=(1.6,), spread=0.1)
    >>> score_shares(one, [1.5], 0.0).round(3)
    array([[0.5, 0.5]])
    """
    mean = np.atleast_1d(np.asarray(mean_newton, dtype=float))
    sigma = math.sqrt(math.log1p(cv * cv))
    z = np.linspace(-_FARTHEST, _FARTHEST, _NODES)
    weight = np.exp(-z * z / 2)
    weight /= weight.sum()
    force = mean[:, None] * np.exp(sigma * z - sigma**2 / 2)[None, :]
    each = calibration.probabilities(force.ravel()).reshape(mean.size, _NODES, -1)
    shares: Floats = np.einsum("mnk,n->mk", each, weight)
    return shares


@functools.lru_cache(maxsize=32)
def _curve(calibration: Calibration, cv: float) -> tuple[Floats, Floats, Any]:
    """Log shares over a grid of log means, and a spline through them.

    Made once a calibration: every clamshell of a season then costs a few interpolations.
    """
    from scipy.interpolate import CubicSpline

    cuts = [calibration.force(float(e)) for e in calibration.edges() if math.isfinite(e)]
    low, high = math.log(max(min(cuts), 1e-6)) - _REACH, math.log(max(cuts)) + _REACH
    sharp = calibration.spread
    if calibration.force_scale == "linear":
        sharp /= max(cuts)
    # A step that shows how fast shares can change: berries that vary, or fingers that blur.
    step = min(0.04, math.hypot(math.sqrt(math.log1p(cv * cv)), sharp) / 4)
    grid = np.linspace(low, high, math.ceil((high - low) / step) + 1)
    p = np.vstack([score_shares(calibration, np.exp(part), cv) for part in np.array_split(grid, 8)])
    log_p = np.log(np.maximum(p, 1e-300))
    return grid, log_p, CubicSpline(grid, log_p)


def count_profile(
    n_k: Floats, calibration: Calibration, cv: float, drop: float
) -> tuple[Side, Side, Side]:
    """Mean force that makes the counts most probable, and where the likelihood has fallen.

    Parameters
    ----------
    n_k : ndarray of float, shape (scores,)
        Berries at each score, firmest first; not all zero.
    calibration : Calibration
    cv : float
        Coefficient of variation of force within a clamshell.
    drop : float
        By how much the log-likelihood has fallen at the ends.

    Returns
    -------
    mean, low, high : float or None
        Newtons. None without a maximum (all berries at one end of the scale), and for an end that
        is open.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="log", cuts_newton=(1.5,), low_newton=(1.4,),
    ...                   high_newton=(1.6,), spread=0.1)
    >>> [round(x, 2) for x in count_profile(np.array([10.0, 10.0]), one, 0.2, 1.92)]
    [1.53, 1.32, 1.77]
    """
    from scipy.optimize import brentq, minimize_scalar

    grid, log_p, spline = _curve(calibration, cv)
    told = np.flatnonzero(n_k)
    room = np.flatnonzero(np.diff(calibration.edges()) < 0)
    all_firmest = told.size == 1 and told[0] == room[0]
    all_softest = told.size == 1 and told[0] == room[-1]

    def log_likelihood(x: float) -> float:
        return float(spline(x)[told] @ n_k[told])

    if all_firmest or all_softest:
        best = float(grid[-1] if all_firmest else grid[0])
    else:
        at = int((log_p[:, told] @ n_k[told]).argmax())
        around = grid[max(at - 1, 0)], grid[min(at + 1, grid.size - 1)]
        best = float(
            minimize_scalar(
                lambda x: -log_likelihood(x), bounds=around, method="bounded",
                options={"xatol": 1e-9},
            ).x
        )  # fmt: skip
    floor = log_likelihood(best) - drop

    def excess(x: float) -> float:
        return log_likelihood(x) - floor

    low = high = None
    if not all_softest and excess(grid[0]) < 0:
        low = math.exp(brentq(excess, grid[0], best))
    if not all_firmest and excess(grid[-1]) < 0:
        high = math.exp(brentq(excess, best, grid[-1]))
    return None if all_firmest or all_softest else math.exp(best), low, high
