"""How well the mean of a clamshell is known, and how many berries a required precision needs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gauge.errors import InvalidValueError

_MOST = 100_000  # berries; the search ends there


@dataclass(frozen=True, kw_only=True, slots=True)
class Summary:
    """Mean and spread of peaks in N; what needs two berries is None before."""

    n: int
    mean_newton: float | None
    sd_newton: float | None
    half_width_newton: float | None

    @property
    def cv(self) -> float | None:
        """Coefficient of variation, a share of the mean."""
        if self.sd_newton is None or not self.mean_newton:
            return None
        return self.sd_newton / self.mean_newton


def summarise(peaks_newton: Sequence[float], level: float = 0.95) -> Summary:
    """Return mean, standard deviation (n - 1) and half-width of the mean's interval.

    The interval is Student's: mean +- t(n - 1) s / sqrt(n) (NIST/SEMATECH e-Handbook of
    Statistical Methods, 1.3.5.2).
    """
    n = len(peaks_newton)
    mean = math.fsum(peaks_newton) / n if n else None
    if n < 2 or mean is None:
        return Summary(n=n, mean_newton=mean, sd_newton=None, half_width_newton=None)
    sd = math.sqrt(math.fsum((x - mean) ** 2 for x in peaks_newton) / (n - 1))
    return Summary(n=n, mean_newton=mean, sd_newton=sd, half_width_newton=_half_width(sd, n, level))


def berries_needed(sd_newton: float, half_width_newton: float, level: float = 0.95) -> int:
    """Return the smallest number of berries whose mean is known within a half-width."""
    if not half_width_newton > 0:
        raise InvalidValueError("the half-width must be above zero")
    # Student's t is never below the normal quantile, so the search begins just under its answer.
    n = max(2, min(_MOST, math.floor((1.9 * sd_newton / half_width_newton) ** 2)))
    while n > 2 and _half_width(sd_newton, n - 1, level) <= half_width_newton:
        n -= 1
    while n < _MOST and _half_width(sd_newton, n, level) > half_width_newton:
        n += 1
    return n


def _half_width(sd_newton: float, n: int, level: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(n - 1, 0.5 + level / 2)) * sd_newton / math.sqrt(n)
