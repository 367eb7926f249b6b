"""The noise of a gauge at rest, from the readings of short blocks.

Three views of the noise are taken, since each is blind to something: neighbouring readings (blind
to drift, and to noise that neighbours share), readings three apart (drift still hardly matters,
most wandering noise does), and deviations from the median of the block (which see hum). The largest
counts. Hum that alternates from reading to reading would be taken too large by the first two, so
the root mean square about the median of the whole rest is a limit to them. Nothing here knows of
levels or presses.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from statistics import fmean, median
from typing import NamedTuple

_MANY = 40  # readings from which robust figures are trusted
KEPT = 12  # readings kept of each block
_LAG = 3  # readings between two that hardly share a wandering noise
_CONSISTENT = 1.4826  # median |z| to standard deviation (Rousseeuw and Croux 1993, from memory)
_TRIMMED = 1.5213  # mean of the lower 90 % of |z| to it: 0.9 / (2 phi(0) - 2 phi(1.6449))
_NARROW = 0.4  # steps: more noise than this shows a third number soon
_COARSE = 0.8  # steps: with less noise than this, the numbers shown are few
_KEPT_SHARE = 0.9  # of the readings that the root mean square is then taken of
_TAILS = 1.1  # makes up for half of what that takes off a normal distribution
_WANDER = 1.3  # times the other views that wandering noise may reach on a coarse display
_LIMIT = 1.3  # times the root mean square that the other views may reach


class Spread(NamedTuple):
    """What is kept of one block: differences, differences three apart, readings, and its rest."""

    steps: list[float]
    far: list[float]
    values: list[float]
    rest: int


class Noise(NamedTuple):
    """Standard deviation as found, with the allowance for a small sample, and how it was bounded.

    `is_narrow`: only two neighbouring numbers were seen. `quick_newton`: that of neighbouring readings.
    """

    plain_newton: float
    noise_newton: float
    is_narrow: bool = False
    quick_newton: float = 0.0


def spread_of(values: list[float], before: list[float], rest: int) -> Spread:
    """Keep what the noise needs of a block of readings (N).

    Parameters
    ----------
    values : list of float
        The readings.
    before : list of float
        Up to three readings of the block before, of the same rest.
    rest : int
        Number of the rest that the block belongs to.

    Examples
    --------
    >>> spread_of([0.0, 0.25, 0.0, 0.25], [], 1)
    Spread(steps=[0.25, 0.25, 0.25], far=[0.25], values=[0.0, 0.25, 0.0, 0.25], rest=1)
    """
    stride = max(1, len(values) // KEPT)
    run = before[-_LAG:] + values
    return Spread(
        [abs(values[i] - values[i - 1]) for i in range(1, len(values), stride)],
        [abs(run[i] - run[i - _LAG]) for i in range(_LAG, len(run), stride)],
        values[::stride],
        rest,
    )


def noise_of(spreads: Sequence[Spread], step_newton: float) -> Noise:
    """Noise from the blocks that are kept.

    Parameters
    ----------
    spreads : sequence of Spread
    step_newton : float
        Display step (N).

    Returns
    -------
    Noise
        `plain_newton` is never below that of rounding alone, step / sqrt 12, and `noise_newton` never below
        half a step: a still display only says that the noise is smaller than that. Fewer than 40
        readings can understate it: it is then not below the root mean square of the youngest 20,
        and `noise_newton` is larger by 1 + 6 / n. While only two neighbouring numbers were seen, the
        step bounds it.

    Examples
    --------
    >>> noise_of([], 0.01)
    Noise(plain_newton=0.002886751345948129, noise_newton=0.005, is_narrow=False, quick_newton=0.0)
    """
    rounding, half = step_newton / 12**0.5, 0.5 * step_newton
    steps = [s for spread in spreads for s in spread.steps]
    far = [s for spread in spreads for s in spread.far]
    middles = [median(spread.values) for spread in spreads]
    signed = [v - m for spread, m in zip(spreads, middles, strict=True) for v in spread.values]
    deviations = [abs(off) for off in signed]
    n = len(deviations)
    if not steps:
        return Noise(rounding, half)
    rests = _rests(spreads)
    quick = _spread(steps, step_newton) / 2**0.5
    found = max(quick, _spread(far, step_newton) / 2**0.5)
    found = max(min(found, _LIMIT * _overall(rests)), _spread(deviations, step_newton))
    least = _least(signed[-_MANY // 2 :]) if n < _MANY else 0.0
    overall = _overall(rests, _KEPT_SHARE)
    if overall < _COARSE * step_newton:  # of the numbers shown, most are the same two or three
        if 0 < max(*steps, *far) < 1.5 * step_newton and _range(rests) < 1.5 * step_newton:
            found = min(found, _NARROW * step_newton)
            plain, noise = found * (1 + 2 / n), found * (1 + 6 / n)
            return Noise(max(plain, rounding), max(noise, half), True, quick)
        found = min(overall, _WANDER * max(found, rounding))  # or the level itself changed
    found = max(found, least)
    noise = found * (1 + 6 / n if n < _MANY else 1.0)
    return Noise(max(found, rounding), max(noise, half), False, quick)


def _least(signed: list[float]) -> float:
    """Root mean square of a few deviations, but for the highest: it may begin a press."""
    ordered = sorted(signed)
    kept = ordered[:-1] if len(ordered) > 1 and ordered[-1] > 0 else ordered
    return math.sqrt(sum(d * d for d in kept) / len(kept))


def _rests(spreads: Sequence[Spread]) -> list[list[float]]:
    """Readings of each rest."""
    numbers = {spread.rest for spread in spreads}
    return [[v for s in spreads if s.rest == number for v in s.values] for number in numbers]


def _range(rests: list[list[float]]) -> float:
    """Largest difference between two readings of one rest."""
    return max(max(values) - min(values) for values in rests)


def _overall(rests: list[list[float]], share: float = 1.0) -> float:
    """Root mean square about the level of each rest, of a share of the readings.

    The rest are those that stray furthest, and one degree of freedom is spent on each level.
    """
    squares: list[float] = []
    for values in rests:
        middle = median(values)
        if share < 1:
            off = sorted(abs(v - middle) for v in values)
            most = off[math.ceil(share * len(off)) - 1] + 1e-9
            middle = fmean(v for v in values if abs(v - middle) <= most)
        squares += [(v - middle) ** 2 for v in values]
    squares.sort()
    kept = squares[: math.ceil(share * len(squares))]
    return math.sqrt(sum(kept) / max(len(kept) - len(rests), 1)) * (_TAILS if share < 1 else 1.0)


def _spread(differences: list[float], step_newton: float) -> float:
    """Standard deviation from absolute differences: by their median, or trimmed mean where less."""
    if not differences:
        return 0.0
    ordered = sorted(differences)
    lower = ordered[: math.ceil(0.9 * len(ordered))]
    mean, middle = _TRIMMED * sum(lower) / len(lower), _CONSISTENT * _median(ordered, step_newton)
    return min(middle, mean)


def _median(ordered: list[float], step_newton: float) -> float:
    """Median of sorted figures that are whole display steps, as of grouped data.

    An ordinary median jumps by whole steps. Here the figures equal to it are spread over one step,
    those at 0 over half of one.
    """
    n = len(ordered)
    middle = ordered[n // 2]
    low, high = max(middle - 0.5 * step_newton, 0.0), middle + 0.5 * step_newton
    below, upto = bisect_left(ordered, low), bisect_right(ordered, high)
    return low + (high - low) * (0.5 * n - below) / (upto - below)
