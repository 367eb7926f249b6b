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


def _whole(shown: str) -> int:
    """All digits of a number as one whole number (1 for numbers with an exponent)."""
    bare = shown.lstrip("+- ").replace(".", "")
    return int(bare) if bare.isdecimal() else 1


class Display:
    """What the numbers shown so far say of the display step.

    Attributes
    ----------
    tail : int
        Of the number seen last, how many characters come from its decimal point on.
    multiple : int
        Of the last digit: what all numbers so far are multiples of; 0 while none differ.
    coarser : bool
        Whether the last digit became larger since the session began.

    Examples
    --------
    >>> display = Display()
    >>> for shown in ("0.00", "0.35", "0.40", "0.45"):
    ...     display.see(shown, Unit.N)
    >>> display.step_newton
    0.05
    """

    def __init__(self) -> None:
        self._digit_newton = 0.0
        self.tail = 0
        self._shared, self.multiple, self.coarser = 0, 0, False
        self._numbers: set[int] = set()

    def _check(self, shown: str, unit: Unit) -> None:
        """Take the size of the last digit; another one than before says nothing of multiples."""
        digit = digit_newton(shown, unit)
        if digit != self._digit_newton:
            self.coarser = self.coarser or digit > self._digit_newton > 0
            self._digit_newton, self._shared, self.multiple = digit, 0, 0
            self._numbers.clear()

    def see(self, shown: str, unit: Unit) -> None:
        """Narrow the multiple by a number as shown."""
        tail = len(shown) - shown.rfind(".")
        if tail != self.tail:
            self.tail = tail
            self._check(shown, unit)
        number = _whole(shown)
        if len(self._numbers) < _SURE:
            self._numbers.add(number)
        if len(self._numbers) > 1:
            self._shared = math.gcd(self._shared, number, *(() if self._shared else self._numbers))
            self.multiple = next(m for m in _MULTIPLES if self._shared % m == 0)

    @property
    def is_sure(self) -> bool:
        """Whether enough different numbers were seen to know what they are multiples of."""
        return self.multiple == 1 or len(self._numbers) >= _SURE

    @property
    def step_newton(self) -> float:
        """Display step (N); that of the last digit while no numbers differ."""
        return max(self.multiple, 1) * self._digit_newton
