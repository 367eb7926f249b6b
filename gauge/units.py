"""Units of force: exact factors, the spellings that gauges print, and exact conversion."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from enum import StrEnum
from fractions import Fraction
from typing import Self

from gauge.errors import InvalidValueError, UnknownUnitError

# Exact by definition: the international pound is 0.45359237 kg and standard gravity 9.80665 m/s2
# (NIST SP 811, Appendix B.8 and B.9; the avoirdupois ounce is 1/16 lb).
KILOGRAM_PER_POUND = Fraction("0.45359237")
STANDARD_GRAVITY_M_S2 = Fraction("9.80665")


class Unit(StrEnum):
    """A unit of force: to add one, add a line here.

    A line is the spelling that firmhand writes, the exact newtons in one unit, and the other
    spellings seen on displays. Letter case is part of a spelling only where it decides: `mN` is the
    millinewton, and nobody's gauge shows the meganewton `MN`, so that one is refused.
    """

    N = "N", Fraction(1), ""
    MN = "mN", Fraction(1, 1000), ""
    LBF = "lbf", KILOGRAM_PER_POUND * STANDARD_GRAVITY_M_S2, "lbF LBF Lbf lb LB Lb"
    KGF = "kgf", STANDARD_GRAVITY_M_S2, "kgF KGF Kgf kg KG Kg"
    GF = "gf", STANDARD_GRAVITY_M_S2 / 1000, "gF GF g G"
    OZF = "ozf", KILOGRAM_PER_POUND * STANDARD_GRAVITY_M_S2 / 16, "ozF OZF Ozf oz OZ Oz"

    newton: Fraction
    spellings: tuple[str, ...]

    def __new__(cls, written: str, newton: Fraction, others: str) -> Self:
        """Make a member that is its own spelling."""
        unit = str.__new__(cls, written)
        unit._value_ = written
        unit.newton = newton
        unit.spellings = (written, *others.split())
        return unit


# N; a press above it is a typing error: some five times what a gauge of this trade can hold
# (about 22 N, common practice, no source).
MOST_NEWTON = 100.0
UNIT_NAMES = ", ".join(Unit)
NEWTON_PER_FLOAT: dict[Unit, float] = {unit: float(unit.newton) for unit in Unit}
SPELLINGS: dict[str, Unit] = {spelling: unit for unit in Unit for spelling in unit.spellings}

# Spellings that name a mass as often as a force. On a force gauge they are taken for the force,
# and `gauge learn` warns of it before it writes a format.
AMBIGUOUS = frozenset(s for s in SPELLINGS if s.lower() in {"g", "kg", "lb", "oz"})


def parse_unit(text: str) -> Unit:
    """Read a unit in any spelling that gauges print; an UnknownUnitError refuses any other text.

    Examples
    --------
    >>> parse_unit("lbF")
    <Unit.LBF: 'lbf'>
    """
    try:
        return SPELLINGS[text.strip()]
    except KeyError:
        raise UnknownUnitError(
            f"'{text}' is not a unit of force known here.", todo=f"Use one of {UNIT_NAMES}."
        ) from None


def convert(value: float | str | Decimal, source: Unit, target: Unit) -> float:
    """Convert a force exactly, rounding once to the nearest float.

    A string is taken digit by digit, so ``"0.1"`` is one tenth. Factors: NIST SP 811, Appendix B.
    What is not a finite number is an InvalidValueError.

    Examples
    --------
    >>> round(convert("5", Unit.LBF, Unit.N), 4)
    22.2411
    """
    try:
        if isinstance(value, str) and "_" in value:  # which Python allows between digits
            raise ValueError
        number = Fraction(Decimal(value))
    except (InvalidOperation, ValueError, OverflowError):
        raise InvalidValueError(
            f"'{value}' is not a finite number.", todo="Give a decimal number such as 2.37."
        ) from None
    try:
        return float(number * source.newton / target.newton)
    except OverflowError:
        raise InvalidValueError(f"'{value}' {source} is too large a force to convert.") from None


def newtons(value: float | str | Decimal, unit: Unit) -> float:
    """Convert a force to newtons."""
    return convert(value, unit, Unit.N)
