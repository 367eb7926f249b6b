"""The display step of a gauge: the size of the last digit, times what all numbers are multiples of.

Many displays count in twos, fives or more of their last digit. That shows only in the numbers
themselves: while none differ nothing is known, and while few differ a multiple may be chance.
"""

from __future__ import annotations

import math
import re

from gauge.units import NEWTON_PER_FLOAT, Unit

_MULTIPLES = (50, 20, 10, 5, 2, 1)
_SURE = 9  # different numbers that are hardly all multiples by chance
_NUMBER = re.compile(r"\d*[.,]?(\d*)\s*(?:[eE]([+-]?\d+))?$")


def digit_newton(shown: str, unit: Unit) -> float:
    """Size in newtons of the last digit of a number as shown.

    Examples
    --------
    >>> digit_newton("-1.24", Unit.N), digit_newton("1.240E+01", Unit.N), digit_newton("12", Unit.N)
    (0.01, 0.01, 1.0)
    """
    found = _NUMBER.search(shown)
    decimals, exponent = found.groups() if found else ("", None)
    return float(f"1e{int(exponent or 0) - len(decimals or '')}") * NEWTON_PER_FLOAT[unit]


def digits(shown: str) -> int:
    """All digits of a number as one whole number (1 for numbers with an exponent).

    Examples
    --------
    >>> digits("-0.35"), digits("1.2E-3")
    (35, 1)
    """
    bare = shown.lstrip("+- ").replace(".", "")
    return int(bare) if bare.isdecimal() else 1


class DisplayStep:
    """What the numbers shown so far say of the display step.

    Attributes
    ----------
    multiple : int
        Of the last digit: what all numbers so far are multiples of; 0 while none differ.
    step_newton : float
        The display step in newtons, 0 before a number was shown.

    Examples
    --------
    >>> step = DisplayStep()
    >>> step.show("0.00", Unit.N)
    >>> [step.see(shown) for shown in ("0.00", "0.35", "0.40", "0.45")], step.step_newton
    ([False, True, False, False], 0.05)
    """

    def __init__(self) -> None:
        self._digit_newton = 0.0
        self.forget()

    def forget(self) -> None:
        """Forget the multiple: another unit has another display step."""
        self._shared, self.multiple = 0, 0
        self._only: int | None = None  # number shown so far
        self._numbers: set[int] = set()

    def show(self, shown: str, unit: Unit) -> None:
        """Take the size of the last digit from a number as shown."""
        self._digit_newton = digit_newton(shown, unit)

    def see(self, shown: str) -> bool:
        """Narrow the multiple by a number as shown; whether that changed it."""
        number = digits(shown)
        if len(self._numbers) < _SURE:
            self._numbers.add(number)
        if self.multiple == 0 and self._only in (None, number):
            self._only = number
            return False
        shared = math.gcd(self._shared or self._only or 0, number)
        if shared == self._shared:
            return False
        self._shared, before = shared, self.multiple
        self.multiple = next(m for m in _MULTIPLES if shared % m == 0)
        return self.multiple != before

    @property
    def step_newton(self) -> float:
        """Display step (N); that of the last digit while no numbers differ."""
        return max(self.multiple, 1) * self._digit_newton

    @property
    def is_sure(self) -> bool:
        """Whether enough different numbers were seen to know what they are multiples of."""
        return self.multiple == 1 or len(self._numbers) >= _SURE
