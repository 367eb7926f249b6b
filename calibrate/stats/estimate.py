"""An estimate: a value with its interval, each side of which may be open, and why it is.

The statistics that make estimates are elsewhere; rendering is in the commands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A value and the two ends of its interval.

    Attributes
    ----------
    value, low, high : float or None
        None where the data do not settle it: an open side, or no value at all.
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
            if number is not None and not math.isfinite(number):
                object.__setattr__(self, name, None)

    def times(self, factor: float) -> Estimate:
        """Multiply by a factor above zero, e.g. 100 for percentages.

        Examples
        --------
        >>> Estimate(value=0.5).times(100).value
        50.0
        """
        value, low, high = (
            None if x is None else x * factor for x in (self.value, self.low, self.high)
        )
        return Estimate(value=value, low=low, high=high, why=self.why)

    def to_json(self) -> dict[str, Any]:
        """As a document; `why` only where there is something to say.

        Examples
        --------
        >>> Estimate(value=None, why="one clamshell").to_json()
        {'value': None, 'low': None, 'high': None, 'why': 'one clamshell'}
        """
        document: dict[str, Any] = {"value": self.value, "low": self.low, "high": self.high}
        if self.why:
            document["why"] = self.why
        return document
