"""The masses of check weights: exact, their pull at a place, and their own class limits."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from gauge.errors import InvalidValueError
from gauge.units import KILOGRAM_PER_POUND

# kg/m3; densities of the weight and of the air that a certificate of conventional mass assumes,
# whatever the weight's metal (OIML D 28; from memory).
CONVENTIONAL_WEIGHT_KG_M3 = 8000.0
CONVENTIONAL_AIR_KG_M3 = 1.2

KILOGRAM_PER: dict[str, Fraction] = {
    "g": Fraction(1, 1000),
    "kg": Fraction(1),
    "lb": KILOGRAM_PER_POUND,
    "oz": KILOGRAM_PER_POUND / 16,
}

# Maximum permissible errors in mg by nominal mass in g: OIML R 111-1:2004, table 1, from stored
# transcriptions; 200 g in M1 and M2 from memory, fitting the 1-2-5 pattern.
OIML_LIMIT_MG: dict[str, dict[int, float]] = {
    "F2": {
        5000: 80, 2000: 30, 1000: 16, 500: 8, 200: 3, 100: 1.6, 50: 1, 20: 0.8, 10: 0.6, 5: 0.5,
        2: 0.4, 1: 0.3,
    },
    "M1": {
        5000: 250, 2000: 100, 1000: 50, 500: 25, 200: 10, 100: 5, 50: 3, 20: 2.5, 10: 2, 5: 1.6,
        2: 1.2, 1: 1,
    },
    "M2": {
        5000: 800, 2000: 300, 1000: 160, 500: 80, 200: 30, 100: 16, 50: 10, 20: 8, 10: 6, 5: 5,
        2: 4, 1: 3,
    },
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Mass:
    """A check weight's mass, exactly, and as it was written."""

    shown: str
    kg: Fraction

    @property
    def g(self) -> float:
        """Mass in grams."""
        return float(self.kg * 1000)


def parse_mass(text: str) -> Mass:
    """Read a mass with its unit: g, kg, lb or oz."""
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?|\.\d+)\s*([A-Za-z]+)\s*", text)
    if found is None or found[2] not in KILOGRAM_PER or not Fraction(found[1]):
        raise InvalidValueError(
            f"'{text}' is not the mass of a check weight.",
            todo="Write a number with g, kg, lb or oz, such as 500g.",
        )
    return Mass(shown=f"{found[1]}{found[2]}", kg=Fraction(found[1]) * KILOGRAM_PER[found[2]])


def expected_newton(
    mass: Mass,
    gravity_m_s2: float,
    *,
    weight_kg_m3: float = CONVENTIONAL_WEIGHT_KG_M3,
    air_kg_m3: float = CONVENTIONAL_AIR_KG_M3,
) -> float:
    """Compute the force with which a weight pulls: F = m g (1 - rho_air / rho_weight).

    The default densities, in kg/m3, belong to conventional mass.

    Examples
    --------
    >>> round(expected_newton(parse_mass("500g"), 9.80665), 7)
    4.9025895
    """
    if not 0 <= air_kg_m3 < weight_kg_m3:
        raise InvalidValueError("the air must be thinner than the weight.")
    return float(mass.kg) * gravity_m_s2 * (1 - air_kg_m3 / weight_kg_m3)


def class_limit_mg(mass: Mass, weight_class: str) -> float:
    """Look up the maximum permissible error of a weight, in mg (OIML R 111-1:2004, table 1)."""
    table = OIML_LIMIT_MG.get(weight_class.upper())
    if table is None:
        raise InvalidValueError(
            f"'{weight_class}' is not a class of weights known here.", todo="Use F2, M1 or M2."
        )
    grams = mass.kg * 1000
    if grams.denominator != 1 or int(grams) not in table:
        raise InvalidValueError(
            f"{mass.shown} is not a nominal mass of class {weight_class.upper()}.",
            todo="Nominal masses are 1, 2, 5, 10, 20, 50 g and so on; leave out --weight-class.",
        )
    return table[int(grams)]
