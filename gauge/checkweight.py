"""Check weights: mass to expected force, and the verdict on a gauge.

Pure. When a reading on a weight is stable is decided in plateau; the line is read elsewhere. The
verdict is against the lab's own tolerance: it is not a class of any standard and no certificate.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from gauge.errors import InvalidValueError
from gauge.gravity import Gravity
from gauge.units import KILOGRAM_PER_POUND

# Conventional mass: a weight is certified as if it were of 8000 kg/m3 in air of 1.2 kg/m3,
# whatever its metal (OIML D 28; from memory).
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
    """Read a mass with its unit: g, kg, lb or oz.

    Raises
    ------
    InvalidValueError
        If there is no number above zero, or another unit or none.

    Examples
    --------
    >>> parse_mass("1 lb").g
    453.59237
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?|\.\d+)\s*([A-Za-z]+)\s*", text)
    if found is None or found[2] not in KILOGRAM_PER or not Fraction(found[1]):
        raise InvalidValueError(
            f"'{text}' is not the mass of a check weight.",
            todo="Write a number with g, kg, lb or oz, such as 500g.",
        )
    return Mass(shown=f"{found[1]}{found[2]}", kg=Fraction(found[1]) * KILOGRAM_PER[found[2]])


def expected_n(
    mass: Mass,
    gravity_m_s2: float,
    *,
    weight_kg_m3: float = CONVENTIONAL_WEIGHT_KG_M3,
    air_kg_m3: float = CONVENTIONAL_AIR_KG_M3,
) -> float:
    """Compute the force with which a weight pulls: F = m g (1 - rho_air / rho_weight).

    Parameters
    ----------
    mass : Mass
    gravity_m_s2 : float
    weight_kg_m3, air_kg_m3 : float, optional
        Densities; the defaults belong to conventional mass.

    Returns
    -------
    float
        Newtons.

    Examples
    --------
    >>> round(expected_n(parse_mass("500g"), 9.80665), 7)
    4.9025895
    """
    if not 0 <= air_kg_m3 < weight_kg_m3:
        raise InvalidValueError("the air must be thinner than the weight.")
    return float(mass.kg) * gravity_m_s2 * (1 - air_kg_m3 / weight_kg_m3)


def class_limit_mg(mass: Mass, weight_class: str) -> float:
    """Look up the maximum permissible error of a weight, in mg (OIML R 111-1:2004, table 1).

    Raises
    ------
    InvalidValueError
        If the class or the nominal mass is not in the table.

    Examples
    --------
    >>> class_limit_mg(parse_mass("500 g"), "M1")
    25
    """
    try:
        table = OIML_LIMIT_MG[weight_class.upper()]
    except KeyError:
        raise InvalidValueError(
            f"'{weight_class}' is not a class of weights known here.", todo="Use F2, M1 or M2."
        ) from None
    grams = mass.kg * 1000
    if grams.denominator != 1 or int(grams) not in table:
        raise InvalidValueError(
            f"{mass.shown} is not a nominal mass of class {weight_class.upper()}.",
            todo="Nominal masses are 1, 2, 5, 10, 20, 50 g and so on; leave out --weight-class.",
        )
    return table[int(grams)]


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One stable reading of a verification.

    `kind` is "zero", "up", "down" or "repeat"; `mass` is None at zero. `reading_n` is the mean of
    the stable readings in newtons, on a weight without a sign: a hung weight may show as tension;
    `shown` is what the display said in the middle of them.
    """

    kind: str
    mass: Mass | None
    expected_n: float
    shown: str
    unit: str
    reading_n: float


@dataclass(frozen=True, kw_only=True, slots=True)
class WeightVerdict:
    """What a gauge made of one mass; percentages of the expected force, None where not seen."""

    mass: Mass
    expected_n: float
    readings_n: tuple[float, ...]
    error_pct: float | None
    repeatability_pct: float | None
    reversibility_pct: float | None
    resolution_pct: float
    weight_limit_pct: float
    passed: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """The verdict on a gauge."""

    passed: bool
    gravity: Gravity
    tolerance_pct: float
    weights: tuple[WeightVerdict, ...]
    zero_before_n: float | None
    zero_return_n: float | None
    zero_return_pct: float | None
    resolution_n: float
    warnings: tuple[str, ...] = field(default=())

    def document(self) -> dict[str, object]:
        """Build the JSON document that the command prints and the season file keeps."""
        return {
            "passed": self.passed,
            "gravity_m_s2": self.gravity.m_s2,
            "gravity_from": self.gravity.source,
            "tolerance_pct": self.tolerance_pct,
            "weights": [
                {
                    "mass": w.mass.shown,
                    "expected_N": w.expected_n,
                    "readings_N": list(w.readings_n),
                    "error_pct": w.error_pct,
                    "repeatability_pct": w.repeatability_pct,
                    "reversibility_pct": w.reversibility_pct,
                    "resolution_pct": w.resolution_pct,
                    "weight_limit_pct": w.weight_limit_pct,
                    "passed": w.passed,
                }
                for w in self.weights
            ],
            "zero_before_N": self.zero_before_n,
            "zero_return_N": self.zero_return_n,
            "zero_return_pct": self.zero_return_pct,
            "resolution_N": self.resolution_n,
            "warnings": list(self.warnings),
        }


def judge_weight(
    mass: Mass,
    force_n: float,
    rising_n: Sequence[float],
    falling_n: Sequence[float] = (),
    *,
    resolution_n: float,
    tolerance_pct: float = 1.0,
    weight_limit_pct: float = 0.0,
) -> WeightVerdict:
    """Judge the readings on one mass.

    Parameters
    ----------
    mass : Mass
    force_n : float
        Expected force F.
    rising_n, falling_n : sequence of float
        Readings F_i with rising load, and F' with falling load.
    resolution_n : float
        Step r of the display.
    tolerance_pct : float, optional
        The lab's own; 1.5 times as much is allowed for reversibility.
    weight_limit_pct : float, optional
        What the weight itself may be off; it counts against the gauge.

    Returns
    -------
    WeightVerdict
        Error q = (mean F_i - F)/F, repeatability b = (max F_i - min F_i)/F, reversibility
        v = (mean F' - mean F_i)/F, resolution share a = r/F, all in percent (definitions after
        ISO 7500-1:2018, from memory).

    Examples
    --------
    >>> found = judge_weight(parse_mass("500g"), 4.9025895, [4.912, 4.905, 4.921],
    ...                      resolution_n=0.01)
    >>> round(found.error_pct, 3), round(found.repeatability_pct, 3), found.passed
    (0.206, 0.326, True)
    """
    readings = tuple(rising_n) or tuple(falling_n)
    error = repeatability = reversibility = None
    if readings:
        mean_n = math.fsum(readings) / len(readings)
        error = 100 * (mean_n - force_n) / force_n
        if len(rising_n) > 1:
            repeatability = 100 * (max(rising_n) - min(rising_n)) / force_n
        if rising_n and falling_n:
            fall_n = math.fsum(falling_n) / len(falling_n)
            reversibility = 100 * (fall_n - mean_n) / force_n
    passed = (
        error is not None
        and abs(error) + weight_limit_pct <= tolerance_pct
        and (repeatability is None or repeatability <= tolerance_pct)
        and (reversibility is None or abs(reversibility) <= 1.5 * tolerance_pct)
    )
    return WeightVerdict(
        mass=mass,
        expected_n=force_n,
        readings_n=tuple(rising_n) + tuple(falling_n),
        error_pct=error,
        repeatability_pct=repeatability,
        reversibility_pct=reversibility,
        resolution_pct=100 * resolution_n / force_n,
        weight_limit_pct=weight_limit_pct,
        passed=passed,
    )


def judge(
    steps: Sequence[Step],
    masses: Sequence[Mass],
    gravity: Gravity,
    *,
    resolution_n: float,
    tolerance_pct: float = 1.0,
    weight_class: str | None = None,
    warnings: Sequence[str] = (),
) -> Verdict:
    """Judge a gauge by the stable readings of a verification.

    Parameters
    ----------
    steps : sequence of Step
        In the order seen.
    masses : sequence of Mass
        All masses asked for; one that was never read fails.
    gravity : Gravity
    resolution_n, tolerance_pct
        As in `judge_weight`.
    weight_class : str, optional
        OIML R 111 class of the weights: their limit then counts against the gauge.
    warnings : sequence of str, optional
        What was noticed on the way.

    Returns
    -------
    Verdict
        The zero must come back within the tolerance of the lightest weight or one display step.
    """
    if not 0 < tolerance_pct < 100:
        raise InvalidValueError(f"a tolerance of {tolerance_pct} % cannot be judged by.")
    notes, weights = list(warnings), []
    for mass in {m.kg: m for m in masses}.values():
        of_mass = [s for s in steps if s.mass is not None and s.mass.kg == mass.kg]
        force_n = expected_n(mass, gravity.m_s2)
        limit_pct = 0.0
        if weight_class is not None:
            limit_pct = class_limit_mg(mass, weight_class) / 1000 / mass.g * 100
        weights.append(
            judge_weight(
                mass,
                force_n,
                [s.reading_n for s in of_mass if s.kind != "down"],
                [s.reading_n for s in of_mass if s.kind == "down"],
                resolution_n=resolution_n,
                tolerance_pct=tolerance_pct,
                weight_limit_pct=limit_pct,
            )
        )
        if weights[-1].resolution_pct > tolerance_pct / 2:
            notes.append(
                f"one display step is {weights[-1].resolution_pct:.2g} % of {mass.shown}: too "
                "light to judge by, use a heavier weight"
            )
    zeros = [s.reading_n for s in steps if s.kind == "zero"]
    first_is_zero = bool(steps) and steps[0].kind == "zero"
    ends_at_zero = len(steps) > 1 and steps[-1].kind == "zero"
    back_n = zeros[-1] - (zeros[0] if first_is_zero else 0.0) if ends_at_zero else None
    lightest_n = min(w.expected_n for w in weights)
    back_pct = None if back_n is None else 100 * back_n / lightest_n
    allowed_n = max(resolution_n, lightest_n * tolerance_pct / 100)
    if back_n is None:
        notes.append("the gauge was not seen back at zero after the last weight")
    zero_passed = back_n is None or abs(back_n) <= allowed_n * (1 + 1e-9)
    if not zero_passed:
        notes.append(f"the zero did not come back: {back_n:+.4g} N")
    return Verdict(
        passed=zero_passed and all(w.passed for w in weights),
        gravity=gravity,
        tolerance_pct=tolerance_pct,
        weights=tuple(weights),
        zero_before_n=zeros[0] if first_is_zero else None,
        zero_return_n=zeros[-1] if ends_at_zero else None,
        zero_return_pct=back_pct,
        resolution_n=resolution_n,
        warnings=tuple(notes),
    )
