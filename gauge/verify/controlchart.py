"""Control charts of a series of single results: individuals with moving range, and EWMA.

Numbers only; the picture is in chart.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from gauge.errors import InvalidValueError

# Expected range of two normal deviates over their standard deviation, to the three decimals of
# the printed tables (exactly 2/sqrt(pi) = 1.128379), so that limits equal the textbooks'.
D2_OF_TWO = 1.128
_D4_OF_TWO = 3.267


@dataclass(frozen=True, kw_only=True, slots=True)
class Individuals:
    """Individuals chart: centre and limits of the values and of their moving ranges.

    `outside` are the positions (from 0) of values beyond the limits.
    """

    values: tuple[float, ...]
    centre: float
    low: float
    high: float
    mean_moving_range: float
    moving_range_high: float
    outside: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ewma:
    """EWMA chart: smoothed values with limits for each; `outside` as in `Individuals`."""

    smoothed: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    outside: tuple[int, ...]


def individuals(values: Sequence[float]) -> Individuals:
    """Compute an individuals chart with 3-sigma limits from the mean moving range.

    Raises
    ------
    InvalidValueError
        If there are fewer than two values.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Examples
    --------
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.high, 4)
    55.8041
    """
    if len(values) < 2:
        raise InvalidValueError(
            "a control chart needs two results or more.", todo="Verify the gauge again first."
        )
    ranges = [abs(b - a) for a, b in itertools.pairwise(values)]
    centre = math.fsum(values) / len(values)
    mean_range = math.fsum(ranges) / len(ranges)
    width = 3 * mean_range / D2_OF_TWO
    return Individuals(
        values=tuple(values),
        centre=centre,
        low=centre - width,
        high=centre + width,
        mean_moving_range=mean_range,
        moving_range_high=_D4_OF_TWO * mean_range,
        outside=tuple(i for i, v in enumerate(values) if abs(v - centre) > width),
    )


def ewma(
    values: Sequence[float],
    *,
    target: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
    steady: bool = False,
) -> Ewma:
    """Compute an exponentially weighted moving average chart.

    Parameters
    ----------
    values : sequence of float
    target : float
        Where the series should be; also the start of the average.
    sigma : float
        Standard deviation of one value.
    weight : float, optional
        Weight of the newest value, above 0 and up to 1.
    width : float, optional
        Half-width of the limits in standard deviations of the average.
    steady : bool, optional
        Use the limits of the long run from the first value on, instead of the exact ones.

    Raises
    ------
    InvalidValueError
        If the weight is out of range or sigma negative.

    References
    ----------
    NIST/SEMATECH e-Handbook, 6.3.2.4; Montgomery, Introduction to Statistical Quality Control,
    chapter 9 (exact limits).

    Examples
    --------
    >>> [round(z, 3) for z in ewma([9.45, 7.99], target=10, sigma=1, weight=0.1).smoothed]
    [9.945, 9.749]
    """
    if not 0 < weight <= 1 or sigma < 0:
        raise InvalidValueError("the weight lies above 0 and up to 1, sigma is not negative.")
    smoothed, low, high, z = [], [], [], target
    for i, value in enumerate(values, start=1):
        z = weight * value + (1 - weight) * z
        grown = 1.0 if steady else -math.expm1(2 * i * math.log1p(-weight)) if weight < 1 else 1.0
        half = width * sigma * math.sqrt(weight / (2 - weight) * grown)
        smoothed.append(z)
        low.append(target - half)
        high.append(target + half)
    return Ewma(
        smoothed=tuple(smoothed),
        low=tuple(low),
        high=tuple(high),
        outside=tuple(i for i, z in enumerate(smoothed) if not low[i] <= z <= high[i]),
    )
