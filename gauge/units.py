"""Units of force: exact factors, the spellings that gauges print, and exact conversion.

No mass here: check weights are in checkweight. Nothing is rounded here except once, to a float.
"""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from enum import StrEnum
from fractions import Fraction

from gauge.errors import InvalidValueError, UnknownUnitError

# Exact by definition: the international pound is 0.45359237 kg and standard gravity 9.80665 m/s2
# (NIST SP 811, Appendix B.8 and B.9; the avoirdupois ounce is 1/16 lb).
KILOGRAM_PER_POUND = Fraction("0.45359237")
STANDARD_GRAVITY_M_S2 = Fraction("9.80665")


class Unit(StrEnum):
    """A unit of force; the value is the spelling that firmhand writes."""

    N = "N"
    MN = "mN"
    LBF = "lbf"
    KGF = "kgf"
    GF = "gf"
    OZF = "ozf"


NEWTON_PER: dict[Unit, Fraction] = {
    Unit.N: Fraction(1),
    Unit.MN: Fraction(1, 1000),
    Unit.LBF: KILOGRAM_PER_POUND * STANDARD_GRAVITY_M_S2,
    Unit.KGF: STANDARD_GRAVITY_M_S2,
    Unit.GF: STANDARD_GRAVITY_M_S2 / 1000,
    Unit.OZF: KILOGRAM_PER_POUND * STANDARD_GRAVITY_M_S2 / 16,
}
NEWTON_PER_FLOAT: dict[Unit, float] = {unit: float(f) for unit, f in NEWTON_PER.items()}

# Spellings seen on displays. Letter case is part of the spelling only where it decides: `mN` is
# the millinewton, and nobody's gauge shows the meganewton `MN`, so that one is refused.
SPELLINGS: dict[str, Unit] = {
    "N": Unit.N,
    "mN": Unit.MN,
    "lbf": Unit.LBF,
    "lbF": Unit.LBF,
    "LBF": Unit.LBF,
    "Lbf": Unit.LBF,
    "lb": Unit.LBF,
    "LB": Unit.LBF,
    "Lb": Unit.LBF,
    "kgf": Unit.KGF,
    "kgF": Unit.KGF,
    "KGF": Unit.KGF,
    "Kgf": Unit.KGF,
    "kg": Unit.KGF,
    "KG": Unit.KGF,
    "Kg": Unit.KGF,
    "gf": Unit.GF,
    "gF": Unit.GF,
    "GF": Unit.GF,
    "g": Unit.GF,
    "G": Unit.GF,
    "ozf": Unit.OZF,
    "ozF": Unit.OZF,
    "OZF": Unit.OZF,
    "Ozf": Unit.OZF,
    "oz": Unit.OZF,
    "OZ": Unit.OZF,
    "Oz": Unit.OZF,
}

# Spellings that name a mass as often as a force. On a force gauge they are taken for the force,
# and `gauge learn` says so before it writes a format.
AMBIGUOUS = frozenset(s for s in SPELLINGS if s.lower() in {"g", "kg", "lb", "oz"})


def parse_unit(text: str) -> Unit:
    """Read a unit in any spelling that gauges print.

    Parameters
    ----------
    text : str
        For example ``"lbF"`` or ``"N"``; surrounding blanks are ignored.

    Raises
    ------
    UnknownUnitError
        If the text is none of the spellings in `SPELLINGS`.

    Examples
    --------
    >>> parse_unit("lbF")
    <Unit.LBF: 'lbf'>
    """
    try:
        return SPELLINGS[text.strip()]
    except KeyError:
        known = ", ".join(str(unit) for unit in Unit)
        raise UnknownUnitError(
            f"'{text}' is not a unit of force known here.", todo=f"Use one of {known}."
        ) from None


def convert(value: float | str | Decimal, source: Unit, target: Unit) -> float:
    """Convert a force exactly, rounding once to the nearest float.

    Parameters
    ----------
    value : float, str or Decimal
        The number in `source` units. A string is taken digit by digit, so ``"0.1"`` is one tenth.
    source, target : Unit
        Units of the argument and of the result.

    Returns
    -------
    float
        The force in `target` units, correctly rounded. Factors: NIST SP 811, Appendix B.

    Raises
    ------
    InvalidValueError
        If the value is not a finite number.

    Examples
    --------
    >>> round(convert("5", Unit.LBF, Unit.N), 4)
    22.2411
    >>> round(convert("1.24", Unit.N, Unit.LBF), 3)
    0.279
    """
    try:
        number = Fraction(Decimal(value))
    except (InvalidOperation, ValueError, OverflowError):
        raise InvalidValueError(
            f"'{value}' is not a finite number.", todo="Give a decimal number such as 1.24."
        ) from None
    try:
        return float(number * NEWTON_PER[source] / NEWTON_PER[target])
    except OverflowError:
        raise InvalidValueError(f"'{value}' {source} is too large a force to convert.") from None


def newtons(value: float | str | Decimal, unit: Unit) -> float:
    """Convert a force to newtons.

    Examples
    --------
    >>> newtons("1", Unit.KGF)
    9.80665
    """
    return convert(value, unit, Unit.N)
