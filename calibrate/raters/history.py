"""A hand over the season: a chart of a rater's scores against what the hand was at its start.

Each score after the reference gives a residual, the probability of a firmer score at that force
less that of a softer one: of mean 0 as long as the hand is what it was, whatever berries come.
Their exponentially weighted moving average shows a drift that no single day could. What the
reference leaves unknown of a boundary moves all residuals there together, so the limit is wide
where the last berries lie at boundaries that are hardly known, as soft ones are after firm fruit.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import CutFit, ForceScale, fit_cuts, whole_covariance
from calibrate.model.dependence import scoring_order
from calibrate.stats.likelihood import interval_probability, logistic
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
# Weight of the newest score; scores between two false alarms of a hand that stays as it is.
WEIGHT, RUN_LENGTH = 0.05, 1000
# Scores that are the reference where there is no calibration; scores of a point without dates.
_FIRST, _A_POINT = 60, 20
_STATES = 121


@dataclass(frozen=True, kw_only=True, slots=True)
class HistoryPoint:
    """The chart of a day: scores so far, the hand's shift, and the limit of chance.

    Both are those at the end of the day; where the limit was passed on it (`outside`), those of
    the score that was furthest beyond. `day` is None where the last score has no date.
    """

    day: str | None
    n: int
    shift_newton: float
    limit_newton: float
    outside: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class HandHistory:
    """One rater's chart."""

    rater: str
    reference: str
    n_reference: int  # scores of the reference
    n: int  # scores after it
    # Scores from one false alarm to the next, on average at least, of a hand that does not move.
    run_length: int
    points: tuple[HistoryPoint, ...]
    first_outside: int | None  # the score, from 1, with which the limit was passed first


def hand_history(
    pairs: Pairs,
    rater: str,
    *,
    against: Pairs | None = None,
    reference: str = "the rater's own history",
    force_scale: ForceScale = "linear",
) -> HandHistory:
    """Chart one rater's scores against the hand of `against`, or that of the first 60 of them.

    The limits are those of Lucas, J. M. & Saccucci, M. S. (1990) Technometrics 32:1-12, for the run
    length above, of the average's variance by chance and by what the reference leaves unknown of
    the hand. The latter is that of the average's expected value by the delta method: averages that
    are taken with estimated parameters are off by the same error throughout (Jones, L. A., Champ,
    C. W. & Rigdon, S. E. (2001) Technometrics 43:156-167). Where most berries can hardly be
    mistaken, as of two scores, residuals are rare and large, which the average's kurtosis allows
    for (Cornish, E. A. & Fisher, R. A. (1938) Rev. Inst. Int. Stat. 5:307-320). `pairs` hold the
    scores after the reference, in the order of scoring where they are dated; `reference` is its
    name.

    Raises
    ------
    NoSuchRaterError
    TooFewScoresError
        If no score is left to chart.
    SeparationError, WrongDirectionError, NotConvergedError
        If the reference cannot be fitted; see `calibrate.model.cutmodel.fit_cuts`.
    """
    own = pairs.of_raters([rater])
    own = own.rows(scoring_order(own))
    if against is None:
        rows = np.arange(own.rank.size)
        against, own = own.rows(rows < _FIRST), own.rows(rows >= _FIRST)
    against = against.of_raters([rater])
    if not own.rank.size:
        raise TooFewScoresError(
            f"{rater} has no score after {reference}, which takes {against.n}.",
            todo="Score more berries.",
        )
    hand = fit_cuts(against, force_scale=force_scale)
    residual, second, fourth, gradient = _residuals(hand, own)
    average, slopes = _averages(residual), _averages(gradient)
    off = ((slopes @ np.array(whole_covariance(hand))) * slopes).sum(axis=1)
    variance = np.maximum(_averages(second, 2) + off, 1e-24)
    kurtosis = np.maximum(_averages(fourth, 4), 0.0) / variance**2
    width = limit_width(WEIGHT, RUN_LENGTH)
    limits = np.sqrt(variance) * (width + kurtosis * (width**3 - 3.0 * width) / 24.0)
    outside = np.abs(average) > limits
    # A shift of all cut points by one unit moves the average by as much as its slopes add up to.
    newton = 1.0 / np.maximum(slopes[:, :-1].sum(axis=1), 1e-12)
    if force_scale == "log":
        newton *= float(np.median(hand.cut_newton[np.isfinite(hand.cut_newton)]))
    times = own.extra.get("scored_at", [None] * own.rank.size)
    days = [str(at)[:10] if at else None for at in times]
    return HandHistory(
        rater=rater,
        reference=reference,
        n_reference=against.n,
        n=own.n,
        run_length=RUN_LENGTH,
        points=_points(days, average * newton, limits * newton),
        first_outside=int(np.argmax(outside)) + 1 if outside.any() else None,
    )


def _points(
    days: list[str | None], shift_newton: Floats, limit_newton: Floats
) -> tuple[HistoryPoint, ...]:
    """Put the chart of each score together by day, or by twenty scores where days are unknown."""
    dated = all(days) and len(set(days)) > 1
    groups = np.array(days) if dated else np.arange(len(days)) // _A_POINT
    first = np.flatnonzero(np.append(True, groups[1:] != groups[:-1]))
    beyond = np.abs(shift_newton) - limit_newton
    points = []
    for begin, end in pairwise([*first.tolist(), len(days)]):
        worst = begin + int(np.argmax(beyond[begin:end]))
        outside = bool(beyond[worst] > 0)
        at = worst if outside else end - 1
        points.append(
            HistoryPoint(
                day=days[end - 1],
                n=end,
                shift_newton=float(shift_newton[at]),
                limit_newton=float(limit_newton[at]),
                outside=outside,
            )
        )
    return tuple(points)


def _residuals(hand: CutFit, pairs: Pairs) -> tuple[Floats, Floats, Floats, Floats]:
    """Residuals, their cumulants 2 and 4, and slopes of their means by cut points and spread.

    The residual, the probability of a firmer score less that of a softer one, is the derivative of
    the log-likelihood by a shift of all cut points, times the spread (Li, C. & Shepherd, B. E.
    (2012) Biometrika 99:473-480).
    """
    upper, lower = hand.ends(pairs.force_newton)
    chance, every = interval_probability(upper, lower), logistic(lower) - logistic(-upper)
    second = (chance * every**2).sum(axis=1)
    fourth = (chance * every**4).sum(axis=1) - 3.0 * second**2
    # A score beyond all that the reference gave counts as the last of them.
    known = np.flatnonzero(np.isfinite(hand.cut))
    residual = every[np.arange(pairs.rank.size), np.clip(pairs.rank, known[0], known[-1] + 1)]
    z = upper[:, :-1]
    by_cut = logistic(z) * logistic(-z) * np.diff(every, axis=1) / hand.spread
    by_spread = (by_cut * np.where(np.isfinite(z), z, 0.0)).sum(axis=1)
    return residual, second, fourth, np.column_stack([by_cut, by_spread])


def _averages(values: Floats, order: int = 1) -> Floats:
    """Average the values up to each one, the last weighing most; or their cumulants of an order."""
    keep = (1.0 - WEIGHT) ** order
    return np.array([*accumulate(WEIGHT**order * values, lambda old, new: keep * old + new)])


@functools.lru_cache
def limit_width(weight: float, run_length: float) -> float:
    """Find the limit, in standard deviations of the average, that gives a run length.

    Examples
    --------
    >>> round(limit_width(0.1, 500), 1)  # 2.814 in the tables of Lucas and Saccucci
    2.8
    """
    from scipy.optimize import brentq

    return float(
        brentq(lambda width: math.log(average_run(weight, width) / run_length), 1.5, 4.5, xtol=1e-4)
    )


def average_run(weight: float, width: float, shift: float = 0.0) -> float:
    """Average number of normal values until a chart passes its limit.

    By a Markov chain: Brook, D. & Evans, D. A. (1972) Biometrika 59:539-549. `shift` is that of the
    values' mean, in standard deviations.
    """
    from scipy.special import ndtr

    limit = width * math.sqrt(weight / (2.0 - weight))
    half = limit / _STATES
    middle = (2.0 * np.arange(_STATES) + 1.0) * half - limit
    reach = middle - (1.0 - weight) * middle[:, None]
    to = ndtr((reach + half) / weight - shift) - ndtr((reach - half) / weight - shift)
    runs = np.linalg.solve(np.eye(_STATES) - to, np.ones(_STATES))
    return float(runs[_STATES // 2])
