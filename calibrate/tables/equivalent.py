"""A clamshell's finger counts as an equivalent mean force, by the panel's calibration.

The force distribution within a clamshell is taken as log-normal with a stated coefficient of
variation; the mean that makes the counts most probable is the equivalent mean force.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration, Side
from calibrate.stats.estimate import Estimate
from gauge.errors import InvalidValueError, TooFewScoresError

Floats = NDArray[np.float64]

# Equal steps of 0.1 SD over the berries' distribution: for logistic fingers the error of the
# trapezium rule falls as exp(-2 pi^2 width / step), which keeps it below 1e-6 down to fingers
# fourteen times sharper than the berries vary.
_NODES, _FARTHEST = 121, 6.0
# How far, in log newtons, the mean is looked for beyond the outer cuts.
_REACH = 6.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Equivalent:
    """An equivalent mean force and where its uncertainty comes from.

    Attributes
    ----------
    mean : Estimate
        Newtons, all sources of uncertainty together. No value, and one open side, when all
        berries have the firmest, or all the softest, score.
    by_counts : Estimate
        From the counts alone (profile likelihood).
    cv : float
        Coefficient of variation within the clamshell that was assumed.
    n : float
    expected : tuple of float
        Share of berries at each score at the estimate; nan without one.
    fit_p : float or None
        Of Pearson's test that counts of this calibration and spread look like these.
    """

    mean: Estimate
    by_counts: Estimate
    cv: float
    n: float
    expected: tuple[float, ...]
    fit_p: float | None


def equivalent_force(
    counts: ArrayLike,
    calibration: Calibration,
    *,
    cv: float,
    level: float = 0.95,
    hand_sd: float | None = None,
    dispersion: float = 1.0,
    dispersion_df: int | None = None,
) -> Equivalent:
    """Turn finger counts into the equivalent mean force of the clamshell.

    Maximum likelihood of the multinomial counts over the mean; the interval from counts alone is
    that of the profile likelihood (chi-square with 1 degree of freedom). Two more sources widen
    it, each side in quadrature: the calibration (all cuts moved together to the ends of their
    intervals) and the hand (one rater's fingers differ from the panel's by a share of force).

    Parameters
    ----------
    counts : array_like of float, shape (scores,)
        Firmest first.
    calibration : Calibration
    cv : float
        Coefficient of variation of force within a clamshell.
    level : float
    hand_sd : float, optional
        How far hands differ, as a share of force; by default the calibration's own. 0 when the
        rater is the whole panel of the calibration.
    dispersion : float
        Divides the log-likelihood, for pooled clamshells that differ more than chance.
    dispersion_df : int, optional
        Degrees of freedom of the dispersion; F(1, df) then takes the place of chi-square.

    Raises
    ------
    InvalidValueError
        If counts do not fit the scale, or cv is negative.
    TooFewScoresError
        If there is no berry.

    Examples
    --------
    >>> from calibrate.data.scale import BLACKBERRY
    >>> cuts = (2.6, 1.9, 1.3, 0.8)
    >>> one = Calibration(scale=BLACKBERRY, force_scale="linear", cuts_newton=cuts, spread=0.15,
    ...                   low_newton=tuple(c - 0.05 for c in cuts),
    ...                   high_newton=tuple(c + 0.05 for c in cuts))
    >>> found = equivalent_force([2, 9, 7, 2, 0], one, cv=0.25)
    >>> round(found.mean.value, 2), round(found.mean.low, 2), round(found.mean.high, 2)
    (1.97, 1.72, 2.26)
    >>> equivalent_force([20, 0, 0, 0, 0], one, cv=0.25).mean.high is None
    True
    """
    from scipy.special import chdtri, fdtri

    n_k = np.asarray(counts, dtype=float)
    if n_k.shape != (len(calibration.scale.labels),) or (n_k < 0).any():
        raise InvalidValueError(
            f"{n_k.size} counts do not fit the scale {', '.join(calibration.scale.labels)}"
        )
    if not (math.isfinite(cv) and cv >= 0):
        raise InvalidValueError(f"a coefficient of variation of {cv:g} is not zero or more")
    if not n_k.sum():
        raise TooFewScoresError("no berry was counted")
    drop = float(fdtri(1, dispersion_df, level) if dispersion_df else chdtri(1, 1 - level)) / 2
    value, low, high = _count_profile(n_k / dispersion, calibration, cv, drop)
    why = ""
    if value is None:
        end = "firmest" if low is not None else "softest"
        why = f"all berries have the {end} score: only one side can be told"
    by_counts = Estimate(value=value, low=low, high=high, why=why)
    shares = np.full(n_k.size, np.nan)
    if value is not None:
        shares = score_shares(calibration, [value], cv)[0]
    return Equivalent(
        mean=_widened(by_counts, n_k, calibration, cv, level, hand_sd),
        by_counts=by_counts,
        cv=cv,
        n=float(n_k.sum()),
        expected=tuple(shares.tolist()),
        fit_p=_fit_p(n_k, shares),
    )


def _widened(
    by_counts: Estimate,
    n_k: Floats,
    calibration: Calibration,
    cv: float,
    level: float,
    hand_sd: float | None,
) -> Estimate:
    """Add the calibration's own uncertainty and that of one hand, side by side, in quadrature."""
    from scipy.special import ndtri

    z = float(ndtri((1 + level) / 2))
    hand = (calibration.hand_sd or 0.0) if hand_sd is None else hand_sd
    value = by_counts.value
    ends: list[Side] = []
    sides = (
        (-1, by_counts.low, calibration.low_newton),
        (1, by_counts.high, calibration.high_newton),
    )
    for sign, side, cuts in sides:
        if side is None:
            ends.append(None)
            continue
        # Where there is no value, the end itself is what the calibration and the hand move.
        centre = side if value is None else value
        shift = _shift(centre, calibration, cuts)
        total = math.sqrt((side - centre) ** 2 + shift**2 + (z * hand * centre) ** 2)
        ends.append(centre + sign * total)
    low = None if ends[0] is None else max(ends[0], 0.0)
    return Estimate(value=value, low=low, high=ends[1], why=by_counts.why)


def _shift(force_newton: float, calibration: Calibration, ends: Sequence[Side]) -> float:
    """Find how far a force moves when the cuts about it move to the ends of their intervals.

    The half-width of the cut nearest on the scale of the model, an open end taken from the
    nearest cut that has one.
    """
    known = [
        (abs(float(calibration.h(cut)) - float(calibration.h(force_newton))), abs(end - cut) / cut)
        for cut, end in zip(calibration.cuts_newton, ends, strict=True)
        if cut is not None and end is not None and cut > 0
    ]
    return min(known)[1] * force_newton if known else 0.0


def _fit_p(n_k: Floats, shares: Floats) -> float | None:
    """Make Pearson's test over the scores expected at all; None where nothing is left to test."""
    from scipy.special import chdtrc

    if not np.isfinite(shares).all():
        return None
    expected = n_k.sum() * shares
    use = expected > 0.5
    df = int(use.sum()) - 2
    if df < 1:
        return None
    return float(chdtrc(df, float(((n_k - expected)[use] ** 2 / expected[use]).sum())))


def within_cv(n: ArrayLike, mean_newton: ArrayLike, ss_n2: ArrayLike) -> float:
    """Find the coefficient of variation within clamshells of a season that has a gauge.

    The root of the mean squared coefficient of variation, weighted by degrees of freedom.

    Parameters
    ----------
    n, mean_newton, ss_n2 : array_like of float, shape (m,)
        Berries, mean force (N), and sum of squares about it (N2) of each clamshell.

    Raises
    ------
    TooFewScoresError
        If no clamshell has two berries.

    Examples
    --------
    >>> round(within_cv([5, 5], [2.0, 1.0], [0.64, 0.16]), 3)
    0.2
    """
    count, mean, ss = (np.asarray(one, dtype=float) for one in (n, mean_newton, ss_n2))
    use = count > 1
    if not use.any():
        raise TooFewScoresError("no clamshell has two berries with a peak force")
    return math.sqrt(float((ss[use] / mean[use] ** 2).sum() / (count[use] - 1).sum()))


def pooled_equivalent(
    tables: ArrayLike,
    calibration: Calibration,
    *,
    cv: float,
    level: float = 0.95,
    hand_sd: float | None = None,
) -> Equivalent:
    """Find the equivalent mean force of several clamshells, allowing for their differences.

    Counts are added; the log-likelihood is divided by the dispersion of clamshells about their
    sum (Pearson, at least 1), and F takes the place of chi-square.

    Parameters
    ----------
    tables : array_like of float, shape (clamshells, scores)
    calibration, cv, level, hand_sd
        See `equivalent_force`.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="log", cuts_newton=(1.5,), low_newton=(1.4,),
    ...                   high_newton=(1.6,), spread=0.1)
    >>> found = pooled_equivalent([[10, 10], [10, 10]], one, cv=0.2)
    >>> round(found.mean.value, 2), found.n
    (1.53, 40.0)
    """
    rows = np.asarray(tables, dtype=float)
    total = rows.sum(axis=0)
    factor, df = 1.0, 0
    if rows.shape[0] > 1 and total.sum():
        expected = rows.sum(axis=1, keepdims=True) * total / total.sum()
        use = expected > 0
        df = (rows.shape[0] - 1) * (int((total > 0).sum()) - 1)
        if df:
            chi2 = float(((rows - expected)[use] ** 2 / expected[use]).sum())
            factor = max(1.0, chi2 / df)
    return equivalent_force(
        total,
        calibration,
        cv=cv,
        level=level,
        hand_sd=hand_sd,
        dispersion=factor,
        dispersion_df=df or None,
    )


def score_shares(calibration: Calibration, mean_newton: ArrayLike, cv: float) -> Floats:
    """Expect a share of berries at each score, for clamshells of given mean force.

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
    """Make log shares over a grid of log means, and a spline through them.

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


def _count_profile(
    n_k: Floats, calibration: Calibration, cv: float, drop: float
) -> tuple[Side, Side, Side]:
    """Find the mean force (N) that makes the counts most probable, and the ends of its interval.

    At the ends the log-likelihood has fallen by `drop`. None without a maximum (all berries at one
    end of the scale), and for an end that is open.
    """
    from scipy.optimize import brentq, minimize_scalar

    grid, log_p, spline = _curve(calibration, cv)
    used = np.flatnonzero(n_k)
    room = np.flatnonzero(np.diff(calibration.edges()) < 0)
    all_firmest = used.size == 1 and used[0] == room[0]
    all_softest = used.size == 1 and used[0] == room[-1]

    def log_likelihood(x: float) -> float:
        return float(spline(x)[used] @ n_k[used])

    if all_firmest or all_softest:
        best = float(grid[-1] if all_firmest else grid[0])
    else:
        at = int((log_p[:, used] @ n_k[used]).argmax())
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
