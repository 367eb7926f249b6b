"""A hand over the season: a chart of a rater's scores against what the hand was at its start.

Each score after the reference gives a residual, the derivative of its log-likelihood by a shift of
all cut points over its standard deviation at that force: of mean 0 and variance 1 as long as the
hand is what it was, whatever berries come. Their exponentially weighted moving average shows a
drift that no single day could.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import CutFit, ForceScale, fit_cuts
from calibrate.model.dependence import scoring_order
from calibrate.stats.likelihood import log_interval
from gauge.errors import TooFewScoresError
from gauge.season.checks import ewma

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
    # Scores from one false alarm to the next, on average, of a hand that does not move.
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
    length above, widened by what the reference leaves unknown of the hand. `pairs` hold the scores
    after the reference, in the order of scoring where they are dated; `reference` is its name.

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
    slope, deviation = _scores(hand, own)
    per_newton = float(deviation.mean())
    residuals = (slope / deviation).tolist()
    width = limit_width(WEIGHT, RUN_LENGTH)
    chart = ewma(residuals, target=0.0, sigma=1.0, weight=WEIGHT, width=width)
    # A reference that is off by so much moves the average by it, as far as that has settled.
    off = math.sqrt(_shift_variance(hand)) * per_newton
    settled = 1.0 - (1.0 - WEIGHT) ** np.arange(1, own.rank.size + 1)
    limits = np.hypot(np.array(chart.high), width * off * settled)
    average = np.array(chart.smoothed)
    outside = np.abs(average) > limits
    newton = 1.0 / per_newton
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


def _scores(hand: CutFit, pairs: Pairs) -> tuple[Floats, Floats]:
    """Derivative of each score's log-likelihood by a shift of all cuts, and its deviation."""
    upper, lower = hand.ends(pairs.force_newton)
    with np.errstate(invalid="ignore", divide="ignore"):
        value, d_up, d_low, *_ = log_interval(upper, lower)
        # A score that the reference never gave has no probability, and says nothing.
        slope = np.where(upper > lower, -(d_up + d_low) / hand.spread, 0.0)
    chance = np.where(upper > lower, np.exp(value), 0.0)
    deviation = np.sqrt((chance * slope**2).sum(axis=1))
    return slope[np.arange(pairs.rank.size), pairs.rank], np.maximum(deviation, 1e-12)


def _shift_variance(hand: CutFit) -> float:
    """Variance of the most precise mean of a hand's cut points, on the model's scale."""
    cuts = hand.covariance[:-1, :-1]
    return float(1.0 / np.linalg.inv(cuts).sum())


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
