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

    Attributes
    ----------
    value, low, high : float or None
        None where the data do not settle it: an open side, or no value at all. A number that is
        not finite becomes None, one of numpy a plain float.
    why : str
        Why something is missing or must be read with care; empty when there is nothing to say.

    Examples
    --------
    >>> Estimate(value=0.25, low=0.1, high=0.5).times(100).to_json()
    {'value': 25.0, 'low': 10.0, 'high': 50.0}
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

    def at_least(self, least: float) -> Estimate:
        """Move a low end that lies below what there can be: no force is below 0 N."""
        held = self.low is not None and self.low < least
        return replace(self, low=least) if held and self.value is not None else self

    def inside(self, low: float, high: float) -> bool:
        """Return whether both ends are known and lie within the range."""
        return self.low is not None and self.high is not None and low < self.low < self.high < high

    def excludes_zero(self) -> bool:
        """Return whether a known end lies beyond zero."""
        return (self.low is not None and self.low > 0) or (self.high is not None and self.high < 0)

    def to_json(self) -> dict[str, Any]:
        """Write as a document; `why` only where there is something to say.

        Examples
        --------
        >>> Estimate(value=None, why="one clamshell").to_json()
        {'value': None, 'low': None, 'high': None, 'why': 'one clamshell'}
        """
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
    value = second.value - first.value
    low = high = None
    if second.low is not None and first.high is not None:
        low = value - math.hypot(second.value - second.low, first.high - first.value)
    if second.high is not None and first.low is not None:
        high = value + math.hypot(second.high - second.value, first.value - first.low)
    return Estimate(value=value, low=low, high=high)


def ratio(first: Estimate, second: Estimate) -> Estimate:
    """Estimate `second` over `first`, both above zero, on the log scale.

    Examples
    --------
    >>> one = Estimate(value=2.0, low=1.8, high=2.2)
    >>> round(ratio(one, one).high, 3)
    1.153
    """

    def log(x: float) -> float:
        return math.log(x) if x > 0 else -math.inf

    return difference(first.map(log), second.map(log)).map(math.exp)


def pointwise_levels(covariance: ArrayLike, level: float, widths: ArrayLike) -> Floats:
    """Find the levels at which single intervals of contrasts hold together at `level`.

    The quantile of max |t| under the contrasts' own correlation: Hothorn, T., Bretz, F. & Westfall,
    P. (2008) Biometrical Journal 50:346-363. By simulation with a fixed seed, since contrasts that
    are sums of one another have a singular covariance.

    Parameters
    ----------
    covariance : array_like, shape (m, m)
        Of the contrasts; one without variance (nothing is known of it) takes no part.
    level : float
    widths : array_like, shape (m,)
        How wide the interval of each is to be, in its standard errors and against the others'.

    Returns
    -------
    ndarray, shape (m,)

    Examples
    --------
    >>> pointwise_levels(np.eye(2), 0.95, [1, 1]).round(3).tolist(), round(0.95**0.5, 3)
    ([0.975, 0.975], 0.975)
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
