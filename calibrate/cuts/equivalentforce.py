"""A clamshell's finger counts as an equivalent mean force, by the panel's calibration.

The force distribution within a clamshell is taken as log-normal with a stated coefficient of
variation; the mean that makes the counts most probable is the equivalent mean force.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration, Side
from calibrate.stats.estimate import Estimate, t_quantile
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
    """An equivalent mean force and where its uncertainty comes from."""

    # N, all sources of uncertainty together. No value, and one open side, when all berries have
    # the firmest, or all the softest, score.
    mean: Estimate
    # N, from the counts alone (profile likelihood).
    by_counts: Estimate
    n: float
    # p of Pearson's test that counts of this calibration and spread look like these.
    fit_p: float | None


def equivalent_force(
    counts: ArrayLike,
    calibration: Calibration,
    *,
    cv: float,
    level: float = 0.95,
    hand_sd: float | None = None,
) -> Equivalent:
    """Turn finger counts into the equivalent mean force of a clamshell, or of several together.

    Maximum likelihood of the multinomial counts over the mean; the interval from counts alone is
    that of the profile likelihood (chi-square with 1 degree of freedom). Two more sources widen
    it, each side in quadrature: the calibration (all cuts moved together to the ends of their
    intervals) and the hand (one rater's fingers differ from the panel's by a share of force).

    Counts of several clamshells are added; the log-likelihood is divided by the dispersion of
    clamshells about their sum (Pearson, at least 1), and F takes the place of chi-square.

    Parameters
    ----------
    counts : array_like of float, shape (scores,) or (clamshells, scores)
        Firmest first.
    cv : float
        Coefficient of variation of force within a clamshell.
    hand_sd : float, optional
        How far hands differ, as a share of force; by default what the calibration says of it, with
        what its raters leave unknown. 0 when the rater is the whole panel of the calibration.

    Raises
    ------
    InvalidValueError
        If counts do not fit the scale, or cv is negative.
    TooFewScoresError
        If there is no berry.

    Examples
    --------
    >>> from calibrate.cuts.calibration import as_cuts
    >>> from calibrate.data.scale import BLACKBERRY
    >>> cuts = (2.6, 1.9, 1.3, 0.8)
    >>> one = Calibration(scale=BLACKBERRY, force_scale="linear", spread=0.15,
    ...                   cuts=as_cuts(cuts, [c - 0.05 for c in cuts], [c + 0.05 for c in cuts]))
    >>> found = equivalent_force([2, 9, 7, 2, 0], one, cv=0.25)
    >>> round(found.mean.value, 2), round(found.mean.low, 2), round(found.mean.high, 2)
    (1.97, 1.72, 2.26)
    >>> equivalent_force([20, 0, 0, 0, 0], one, cv=0.25).mean.high is None
    True
    """
    from scipy.special import chdtri, fdtri

    rows = np.atleast_2d(np.asarray(counts, dtype=float))
    if rows.shape[1] != len(calibration.scale.labels) or (rows < 0).any():
        raise InvalidValueError(
            f"{rows.shape[1]} counts do not fit the scale {', '.join(calibration.scale.labels)}"
        )
    if not (math.isfinite(cv) and cv >= 0):
        raise InvalidValueError(f"a coefficient of variation of {cv:g} is not zero or more")
    n_k = rows.sum(axis=0)
    if not n_k.sum():
        raise TooFewScoresError("no berry was counted")
    dispersion, df = _dispersion(rows)
    drop = float(fdtri(1, df, level) if df else chdtri(1, 1 - level)) / 2
    by_counts = _by_counts(n_k, calibration, cv, drop * dispersion)
    fit_p = None
    if by_counts.value is not None:
        fit_p = _fit_p(n_k, score_shares(calibration, [by_counts.value], cv)[0])
    return Equivalent(
        mean=_widened(by_counts, calibration, level, hand_sd),
        by_counts=by_counts,
        n=float(n_k.sum()),
        fit_p=fit_p,
    )


def _dispersion(rows: Floats) -> tuple[float, int]:
    """Measure how far clamshells differ from their sum; 1 without degrees of freedom."""
    total = rows.sum(axis=0)
    df = (rows.shape[0] - 1) * (int((total > 0).sum()) - 1)
    if not df:
        return 1.0, 0
    expected = rows.sum(axis=1, keepdims=True) * total / total.sum()
    return max(1.0, _pearson(rows, expected, expected > 0) / df), df


def _pearson(counts: Floats, expected: Floats, use: NDArray[np.bool_]) -> float:
    """Pearson's chi-square over the cells in use."""
    return float(((counts - expected)[use] ** 2 / expected[use]).sum())


def _widened(
    by_counts: Estimate, calibration: Calibration, level: float, hand_sd: float | None
) -> Estimate:
    """Add the calibration's own uncertainty and that of one hand, side by side, in quadrature."""
    hand = calibration.hand_half_width(level)
    if hand_sd is not None:
        hand = t_quantile(math.inf, level) * hand_sd

    def end(side: Side, cuts: Sequence[Side], sign: int) -> Side:
        if side is None:
            return None
        # Where there is no value, the end itself is what the calibration and the hand move.
        centre = side if by_counts.value is None else by_counts.value
        parts = (side - centre, _shift(centre, calibration, cuts), hand * centre)
        return max(0.0, centre + sign * math.hypot(*parts))

    return replace(
        by_counts,
        low=end(by_counts.low, [cut.low for cut in calibration.cuts], -1),
        high=end(by_counts.high, [cut.high for cut in calibration.cuts], 1),
    )


def _shift(force_newton: float, calibration: Calibration, ends: Sequence[Side]) -> float:
    """Find how far a force moves when the cuts about it move to the ends of their intervals.

    The half-width of the cut nearest on the scale of the model, an open end taken from the
    nearest cut that has one.
    """
    known = [
        (abs(float(calibration.h(cut)) - float(calibration.h(force_newton))), abs(end - cut) / cut)
        for cut, end in zip((one.value for one in calibration.cuts), ends, strict=True)
        if cut is not None and end is not None and cut > 0
    ]
    return min(known)[1] * force_newton if known else 0.0


def _fit_p(n_k: Floats, shares: Floats) -> float | None:
    """Make Pearson's test over the scores expected at all; None where nothing is left to test."""
    from scipy.special import chdtrc

    expected = n_k.sum() * shares
    use = expected > 0.5
    df = int(use.sum()) - 2
    return float(chdtrc(df, _pearson(n_k, expected, use))) if df > 0 else None


def within_cv(n: ArrayLike, mean_newton: ArrayLike, ss_n2: ArrayLike) -> float:
    """Find the coefficient of variation within clamshells of a season that has a gauge.

    The root of the mean squared coefficient of variation, weighted by degrees of freedom. Of each
    of the m clamshells: berries, mean force (N), and sum of squares about it (N2); a
    TooFewScoresError if none has two berries.

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


def score_shares(calibration: Calibration, mean_newton: ArrayLike, cv: float) -> Floats:
    """Expect shares of berries at each score, shape (m, scores), for m mean forces (N).

    Force is log-normal with that mean and coefficient of variation; the probability of each score
    is averaged over it by the trapezium rule.
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
def _curve(calibration: Calibration, cv: float) -> tuple[Floats, Floats]:
    """Find log shares over a grid of log means; made once for all clamshells of a season."""
    cuts = [calibration.force(float(e)) for e in calibration.edges() if math.isfinite(e)]
    low, high = math.log(max(min(cuts), 1e-6)) - _REACH, math.log(max(cuts)) + _REACH
    sharp = calibration.spread
    if calibration.force_scale == "linear":
        sharp = min(float(calibration.spread_at(cut)) / cut for cut in cuts if cut > 0)
    # A step that shows how fast shares can change: berries that vary, or fingers that blur.
    step = min(0.04, math.hypot(math.sqrt(math.log1p(cv * cv)), sharp) / 4)
    grid = np.linspace(low, high, math.ceil((high - low) / step) + 1)
    p = np.vstack([score_shares(calibration, np.exp(part), cv) for part in np.array_split(grid, 8)])
    return grid, np.log(np.maximum(p, 1e-300))


def _by_counts(n_k: Floats, calibration: Calibration, cv: float, drop: float) -> Estimate:
    """Find the mean force (N) that makes the counts most probable.

    At the ends of its interval the log-likelihood has fallen by `drop`. No value without a maximum
    (all berries at one end of the scale).
    """
    from scipy.interpolate import CubicSpline

    grid, log_p = _curve(calibration, cv)
    log_likelihood = CubicSpline(grid, log_p @ n_k)
    used = np.flatnonzero(n_k)
    room = np.flatnonzero(np.diff(calibration.edges()) < 0)
    why = ""
    if used.size == 1 and used[0] in (room[0], room[-1]):
        end, best = ("firmest", grid[-1]) if used[0] == room[0] else ("softest", grid[0])
        why = f"all berries have the {end} score: only one side is known"
    else:
        tops = np.append(log_likelihood.derivative().roots(extrapolate=False), grid)
        tops = tops[np.isfinite(tops)]
        best = tops[log_likelihood(tops).argmax()]
    ends = log_likelihood.solve(float(log_likelihood(best)) - drop, extrapolate=False)
    return Estimate(
        value=None if why else math.exp(best),
        low=math.exp(max(ends[ends < best], default=-math.inf)) or None,
        high=math.exp(min(ends[ends > best], default=math.inf)),
        why=why,
    )
