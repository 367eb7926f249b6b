"""Interval of a difference or a ratio of two independent estimates from their own intervals.

The method of variance estimates recovery keeps the skew of each interval, and needs no standard
error; Newcombe's interval for a difference of proportions is a special case.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

Side = float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Interval:
    """An estimate with its limits; a limit that is None is open."""

    value: float
    low: Side
    high: Side

    def inside(self, low: float, high: float) -> bool:
        """Whether both limits are known and lie within the range.

        Examples
        --------
        >>> Interval(value=0.1, low=-0.1, high=0.2).inside(-0.3, 0.3)
        True
        """
        return self.low is not None and self.high is not None and low < self.low < self.high < high

    def excludes_zero(self) -> bool:
        """Whether a known limit lies beyond zero on the side of the estimate.

        Examples
        --------
        >>> Interval(value=0.4, low=0.1, high=None).excludes_zero()
        True
        """
        return (self.low is not None and self.low > 0) or (self.high is not None and self.high < 0)


def difference(first: Interval, second: Interval) -> Interval:
    """Estimate `second` minus `first` with its interval.

    Zou & Donner (2008) Stat. Med. 27:1693; Newcombe (1998) Stat. Med. 17:873, method 10. An open
    limit that enters a side leaves that side open.

    Examples
    --------
    >>> wilson = [Interval(value=0.6, low=0.4771, high=0.7109),
    ...           Interval(value=0.8, low=0.6918, high=0.8770)]
    >>> shift = difference(*wilson)
    >>> round(shift.low, 3), round(shift.high, 3)
    (0.045, 0.345)
    """
    value = second.value - first.value
    low = high = None
    if second.low is not None and first.high is not None:
        low = value - math.hypot(second.value - second.low, first.high - first.value)
    if second.high is not None and first.low is not None:
        high = value + math.hypot(second.high - second.value, first.value - first.low)
    return Interval(value=value, low=low, high=high)


def _log(value: Side) -> Side:
    return math.log(value) if value is not None and value > 0 else None


def ratio(first: Interval, second: Interval) -> Interval:
    """Estimate `second` over `first`, both above zero, on the log scale.

    Examples
    --------
    >>> one = Interval(value=2.0, low=1.8, high=2.2)
    >>> round(ratio(one, one).high, 3)
    1.153
    """
    logs = [
        Interval(value=math.log(one.value), low=_log(one.low), high=_log(one.high))
        for one in (first, second)
    ]
    found = difference(*logs)
    return Interval(
        value=math.exp(found.value),
        low=None if found.low is None else math.exp(found.low),
        high=None if found.high is None else math.exp(found.high),
    )
