"""How a score and a force are written for a person or in JSON.

Forces are newtons everywhere; here alone they become the lab's unit, for people and never in JSON.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from gauge.units import NEWTON_PER_FLOAT, Unit

_SHOWN: ContextVar[Unit] = ContextVar("shown", default=Unit.N)


@contextmanager
def shown_in(unit: Unit) -> Iterator[None]:
    """Show forces in a unit as long as the block lasts."""
    token = _SHOWN.set(unit)
    try:
        yield
    finally:
        _SHOWN.reset(token)


def unit() -> Unit:
    """Return the unit in which forces are shown."""
    return _SHOWN.get()


def in_unit(newton: float, shown: Unit | None = None) -> float:
    """Return a force of so many newtons in the unit in which it is shown."""
    return newton / NEWTON_PER_FLOAT[shown or unit()]


def places(shown: Unit | None = None) -> int:
    """Return how many decimals of a unit show 0.01 N."""
    return max(0, math.ceil(2 + math.log10(NEWTON_PER_FLOAT[shown or unit()])))


def format_newton(
    value: float | None, *, missing: str = "open", sign: str = "", shown: Unit | None = None
) -> str:
    """Write a force in N for a table: as many decimals as show 0.01 N, more for small forces.

    `missing` stands for None; the sign "+" writes that of a positive difference too, and any sign
    keeps the decimals the same. The unit is that of `shown_in`, unless another is named.

    Examples
    --------
    >>> format_newton(5.4075), format_newton(0.03218), format_newton(None)
    ('5.41', '0.0322', 'open')
    >>> with shown_in(Unit.LBF):
    ...     format_newton(5.4075), f"{format_newton(-0.2)} {unit()}"
    ('1.216', '-0.045 lbf')
    """
    if value is None:
        return missing
    small = not sign and 0 < abs(value) < 0.1
    return format(in_unit(value, shown), f"{sign}.3g" if small else f"{sign}.{places(shown)}f")


def with_unit(value: float, *, short: bool = False, shown: Unit | None = None) -> str:
    """Write a force and its unit; `short` drops zeros at the end.

    Examples
    --------
    >>> with_unit(2.371), with_unit(0.3, short=True)
    ('2.37 N', '0.3 N')
    """
    number = format_newton(value, shown=shown)
    if short:
        number = f"{round(in_unit(value, shown), places(shown)):g}"
    return f"{number} {shown or unit()}"


def format_value(value: float | None, how: str = ".2f", *, missing: str = "unknown") -> str:
    """Write a number that may be missing.

    Examples
    --------
    >>> format_value(0.7712), format_value(None), format_value(0.3, "+.0%", missing="-")
    ('0.77', 'unknown', '+30%')
    """
    return missing if value is None else format(value, how)


def as_label(label: str) -> int | str:
    """Write a score for JSON: a number where it is written as one.

    Examples
    --------
    >>> as_label("3"), as_label("firm")
    (3, 'firm')
    """
    return int(label) if label.removeprefix("-").isdecimal() else label
