"""An estimate with its interval, differences and ratios, and intervals that hold together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Draws of the normal distribution; the quantile is then known to about 0.01.
_DRAWS, _SEED = 1 << 16, 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A value and the two ends of its interval, in whatever unit the name it is kept under says.

    None is what the data do not settle: an open side, or no value at all. A number that is not
    finite becomes None, one of numpy a plain float. `why` says why something is missing or must be
    read with care.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    why: str = ""

    def __post_init__(self) -> None:
        for name in ("value", "low", "high"):
            number = getattr(self, name)
            if number is not None:
                object.__setattr__(self, name, float(number) if math.isfinite(number) else None)

    @classmethod
    def around(cls, value: float, half: float) -> Estimate:
        """Place the ends at the same distance on either side."""
        return cls(value=value, low=value - half, high=value + half)

    @property
    def known(self) -> float:
        """The value of an estimate that must have one."""
        if self.value is None:
            raise ValueError(self.why or "an estimate without a value")
        return self.value

    def map(self, rising: Callable[[float], float]) -> Estimate:
        """Carry value and ends over by a rising function."""
        value, low, high = (
            None if x is None else rising(x) for x in (self.value, self.low, self.high)
        )
        return Estimate(value=value, low=low, high=high, why=self.why)

    def times(self, factor: float) -> Estimate:
        """Multiply by a factor above zero, e.g. 100 for percentages."""
        return self.map(lambda x: x * factor)

    def held(self, least: float, most: float = math.inf) -> Estimate:
        """Move ends that lie beyond what there can be: no force is below 0 N."""
        low = None if self.low is None else max(self.low, least)
        return replace(self, low=low, high=None if self.high is None else min(self.high, most))

    def widened(self, by: Estimate) -> Estimate:
        """Add what an independent cause leaves open to each side, in quadrature."""
        if self.value is None:
            return self

        def end(sign: int, own: float | None, other: float | None) -> float | None:
            if own is None or other is None:
                return None
            return self.known + sign * math.hypot(own - self.known, other - by.known)

        return replace(self, low=end(-1, self.low, by.low), high=end(1, self.high, by.high))

    def inside(self, low: float, high: float) -> bool:
        """Return whether both ends are known and lie within the range."""
        return self.low is not None and self.high is not None and low < self.low < self.high < high

    def excludes_zero(self) -> bool:
        """Return whether a known end lies beyond zero."""
        return (self.low is not None and self.low > 0) or (self.high is not None and self.high < 0)

    def to_json(self) -> dict[str, Any]:
        """Write as a document; `why` only where there is something to say."""
        document: dict[str, Any] = {"value": self.value, "low": self.low, "high": self.high}
        if self.why:
            document["why"] = self.why
        return document


def difference(first: Estimate, second: Estimate) -> Estimate:
    """Estimate `second` minus `first`, independent of each other, from their own intervals.

    The method of variance estimates recovery keeps the skew of each interval: Zou & Donner (2008)
    Stat. Med. 27:1693; for proportions Newcombe (1998) Stat. Med. 17:873, method 10. An open end
    that enters a side leaves that side open; without both values there is no value.

    Examples
    --------
    >>> wilson = [Estimate(value=0.6, low=0.4771, high=0.7109),
    ...           Estimate(value=0.8, low=0.6918, high=0.8770)]
    >>> shift = difference(*wilson)
    >>> round(shift.low, 3), round(shift.high, 3)
    (0.045, 0.345)
    """
    if first.value is None or second.value is None:
        return Estimate(value=None, why=first.why or second.why)
    middle = first.value
    below = first.map(lambda x: middle - x)
    turned = Estimate(value=0.0, low=below.high, high=below.low)
    return replace(second.map(lambda x: x - middle), why="").widened(turned)


def ratio(first: Estimate, second: Estimate) -> Estimate:
    """Estimate `second` over `first`, both above zero, on the log scale."""

    def log(x: float) -> float:
        return math.log(x) if x > 0 else -math.inf

    return difference(first.map(log), second.map(log)).map(math.exp)


def t_quantile(df: float, level: float) -> float:
    """Return how many standard errors a t interval reaches to either side; NaN without df."""
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + level) / 2)) if df > 0 else math.nan


def pointwise_levels(covariance: ArrayLike, level: float, widths: ArrayLike) -> Floats:
    """Find the levels at which single intervals of contrasts hold together at `level`.

    The quantile of max |t| under the contrasts' own correlation: Hothorn, T., Bretz, F. & Westfall,
    P. (2008) Biometrical Journal 50:346-363. By simulation with a fixed seed, since contrasts that
    are sums of one another have a singular covariance.

    Parameters
    ----------
    covariance : array_like, shape (m, m)
        Of the contrasts; one without variance (nothing is known of it) takes no part.
    widths : array_like, shape (m,)
        How wide the interval of each is to be, in its standard errors and against the others'.
    """
    from scipy.special import ndtr

    matrix, width = np.asarray(covariance, dtype=float), np.asarray(widths, dtype=float)
    known = np.diagonal(matrix) > 0
    if not known.any():
        return np.full(width.size, level)
    sd = np.sqrt(np.diagonal(matrix)[known])
    root, vectors = np.linalg.eigh(matrix[np.ix_(known, known)] / np.outer(sd, sd))
    draws = np.random.default_rng(_SEED).normal(size=(_DRAWS, sd.size))
    t = np.abs(draws @ (vectors * np.sqrt(np.maximum(root, 0.0))).T)
    critical = float(np.quantile((t / width[known]).max(axis=1), level))
    return np.asarray(2.0 * ndtr(critical * width) - 1.0)
