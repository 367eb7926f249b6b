"""The display step of a gauge: the size of the last digit, times what all numbers are multiples of.

Many displays count in twos, fives or tens of their last digit. That shows only in the numbers
themselves: while none differ nothing is known.
"""

from __future__ import annotations

import math

from gauge.units import NEWTON_PER_FLOAT, Unit

_COUNTS = 10  # all displays count their last digit in what divides this


class Display:
    """What the numbers shown so far say of the display step.

    Attributes
    ----------
    tail : int
        Of the number seen last, how many characters follow its decimal point.
    multiple : int
        Of the last digit: what all numbers so far are multiples of.
    coarser : bool
        Whether the last digit became larger since the session began.

    Examples
    --------
    >>> display = Display()
    >>> for shown in ("0.00", "0.35", "0.40", "0.45"):
    ...     _ = display.see(shown, Unit.N)
    >>> display.step_newton
    0.05
    """

    def __init__(self) -> None:
        self._digit_newton, self.coarser = 0.0, False
        self.tail, self.multiple = -1, _COUNTS
        self._numbers: set[int] = set()

    def see(self, shown: str, unit: Unit) -> bool:
        """Narrow the multiple by a number as shown; whether its last digit became smaller."""
        finer = False
        digits, _, exponent = shown.upper().partition("E")
        whole, _, decimals = digits.partition(".")
        tail = len(shown.partition(".")[2])
        if tail != self.tail:
            self.tail = tail
            digit = float(f"1e{int(exponent or 0) - len(decimals)}") * NEWTON_PER_FLOAT[unit]
            if digit != self._digit_newton:  # the numbers before say nothing of multiples of it
                self.coarser = self.coarser or digit > self._digit_newton > 0
                finer = digit < self._digit_newton
                self._digit_newton, self.multiple = digit, _COUNTS
                self._numbers.clear()
        number = int(whole + decimals)
        self.multiple = math.gcd(self.multiple, number)
        if len(self._numbers) < 2:
            self._numbers.add(number)
        return finer

    @property
    def step_newton(self) -> float:
        """Display step (N); that of the last digit while no numbers differ."""
        return (self.multiple if len(self._numbers) > 1 else 1) * self._digit_newton
