"""Check weights: the verdict on a gauge.

Pure. Masses and their pull are in mass; when a reading on a weight is stable is decided in plateau;
the line is read elsewhere. The verdict is against the lab's own tolerance: it is not a class of any
standard and no certificate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from gauge.errors import InvalidValueError
from gauge.mass import Mass, class_limit_mg, expected_newton
from gauge.verify.gravity import Gravity


@dataclass(frozen=True, kw_only=True, slots=True)
class StableReading:
    """One stable reading of a verification.

    `kind` is "zero", "up", "down" or "repeat"; `mass` is None at zero. `reading_newton` is the mean of
    the stable readings in newtons, on a weight without a sign: a hung weight may show as tension;
    `shown` is what the display said in the middle of them.
    """

    kind: str
    mass: Mass | None
    expected_newton: float
    shown: str
    unit: str
    reading_newton: float


@dataclass(frozen=True, kw_only=True, slots=True)
class WeightResult:
    """What a gauge made of one mass; percentages of the expected force, None where not seen."""

    mass: Mass
    expected_newton: float
    readings_newton: tuple[float, ...]
    error_pct: float | None
    repeatability_pct: float | None
    reversibility_pct: float | None
    resolution_pct: float
    weight_limit_pct: float
    passed: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckResult:
    """The verdict on a gauge."""

    passed: bool
    gravity: Gravity
    tolerance_pct: float
    weights: tuple[WeightResult, ...]
    zero_before_newton: float | None
    zero_return_newton: float | None
    zero_return_pct: float | None
    resolution_newton: float
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
                    "expected_N": w.expected_newton,
                    "readings_N": list(w.readings_newton),
                    "error_pct": w.error_pct,
                    "repeatability_pct": w.repeatability_pct,
                    "reversibility_pct": w.reversibility_pct,
                    "resolution_pct": w.resolution_pct,
                    "weight_limit_pct": w.weight_limit_pct,
                    "passed": w.passed,
                }
                for w in self.weights
            ],
            "zero_before_N": self.zero_before_newton,
            "zero_return_N": self.zero_return_newton,
            "zero_return_pct": self.zero_return_pct,
            "resolution_N": self.resolution_newton,
            "warnings": list(self.warnings),
        }


def judge_weight(
    mass: Mass,
    force_newton: float,
    rising_newton: Sequence[float],
    falling_newton: Sequence[float] = (),
    *,
    resolution_newton: float,
    tolerance_pct: float = 1.0,
    weight_limit_pct: float = 0.0,
) -> WeightResult:
    """Judge the readings on one mass.

    Parameters
    ----------
    mass : Mass
    force_newton : float
        Expected force F.
    rising_newton, falling_newton : sequence of float
        Readings F_i with rising load, and F' with falling load.
    resolution_newton : float
        StableReading r of the display.
    tolerance_pct : float, optional
        The lab's own; 1.5 times as much is allowed for reversibility.
    weight_limit_pct : float, optional
        What the weight itself may be off; it counts against the gauge.

    Returns
    -------
    WeightResult
        Error q = (mean F_i - F)/F, repeatability b = (max F_i - min F_i)/F, reversibility
        v = (mean F' - mean F_i)/F, resolution share a = r/F, all in percent (definitions after
        ISO 7500-1:2018, from memory).

    Examples
    --------
    >>> from gauge.mass import parse_mass
    >>> found = judge_weight(parse_mass("500g"), 4.9025895, [4.912, 4.905, 4.921],
    ...                      resolution_newton=0.01)
    >>> round(found.error_pct, 3), round(found.repeatability_pct, 3), found.passed
    (0.206, 0.326, True)
    """
    readings = tuple(rising_newton) or tuple(falling_newton)
    error = repeatability = reversibility = None
    if readings:
        mean_newton = math.fsum(readings) / len(readings)
        error = 100 * (mean_newton - force_newton) / force_newton
        if len(rising_newton) > 1:
            repeatability = 100 * (max(rising_newton) - min(rising_newton)) / force_newton
        if rising_newton and falling_newton:
            fall_newton = math.fsum(falling_newton) / len(falling_newton)
            reversibility = 100 * (fall_newton - mean_newton) / force_newton
    passed = (
        error is not None
        and abs(error) + weight_limit_pct <= tolerance_pct
        and (repeatability is None or repeatability <= tolerance_pct)
        and (reversibility is None or abs(reversibility) <= 1.5 * tolerance_pct)
    )
    return WeightResult(
        mass=mass,
        expected_newton=force_newton,
        readings_newton=tuple(rising_newton) + tuple(falling_newton),
        error_pct=error,
        repeatability_pct=repeatability,
        reversibility_pct=reversibility,
        resolution_pct=100 * resolution_newton / force_newton,
        weight_limit_pct=weight_limit_pct,
        passed=passed,
    )


def judge(
    steps: Sequence[StableReading],
    masses: Sequence[Mass],
    gravity: Gravity,
    *,
    resolution_newton: float,
    tolerance_pct: float = 1.0,
    weight_class: str | None = None,
    warnings: Sequence[str] = (),
) -> CheckResult:
    """Judge a gauge by the stable readings of a verification.

    Parameters
    ----------
    steps : sequence of StableReading
        In the order seen.
    masses : sequence of Mass
        All masses asked for; one that was never read fails.
    gravity : Gravity
    resolution_newton, tolerance_pct
        As in `judge_weight`.
    weight_class : str, optional
        OIML R 111 class of the weights: their limit then counts against the gauge.
    warnings : sequence of str, optional
        What was noticed on the way.

    Returns
    -------
    CheckResult
        The zero must come back within the tolerance of the lightest weight or one display step.

    Raises
    ------
    InvalidValueError
        If the tolerance is not between 0 and 100 %, or the class does not have such a weight.

    Examples
    --------
    >>> from gauge.verify.gravity import gravity_at
    >>> from gauge.mass import parse_mass
    >>> mass = parse_mass("500g")
    >>> seen = ("zero", None, 0.0), ("up", mass, 4.91), ("zero", None, 0.0)
    >>> steps = [StableReading(kind=kind, mass=on, expected_newton=0.0, shown=f"{n:.2f}", unit="N", reading_newton=n)
    ...          for kind, on, n in seen]
    >>> found = judge(steps, [mass], gravity_at(None, None), resolution_newton=0.01)
    >>> found.passed, round(found.weights[0].error_pct, 2)
    (True, 0.15)
    """
    if not 0 < tolerance_pct < 100:
        raise InvalidValueError(f"a tolerance of {tolerance_pct} % cannot be judged by.")
    notes, weights = list(warnings), []
    for mass in {m.kg: m for m in masses}.values():
        of_mass = [s for s in steps if s.mass is not None and s.mass.kg == mass.kg]
        force_newton = expected_newton(mass, gravity.m_s2)
        limit_pct = 0.0
        if weight_class is not None:
            limit_pct = class_limit_mg(mass, weight_class) / 1000 / mass.g * 100
        weights.append(
            judge_weight(
                mass,
                force_newton,
                [s.reading_newton for s in of_mass if s.kind != "down"],
                [s.reading_newton for s in of_mass if s.kind == "down"],
                resolution_newton=resolution_newton,
                tolerance_pct=tolerance_pct,
                weight_limit_pct=limit_pct,
            )
        )
        if weights[-1].resolution_pct > tolerance_pct / 2:
            notes.append(
                f"one display step is {weights[-1].resolution_pct:.2g} % of {mass.shown}: too "
                "light to judge by, use a heavier weight"
            )
    zeros = [s.reading_newton for s in steps if s.kind == "zero"]
    first_is_zero = bool(steps) and steps[0].kind == "zero"
    ends_at_zero = len(steps) > 1 and steps[-1].kind == "zero"
    back_newton = zeros[-1] - (zeros[0] if first_is_zero else 0.0) if ends_at_zero else None
    lightest_newton = min(w.expected_newton for w in weights)
    back_pct = None if back_newton is None else 100 * back_newton / lightest_newton
    allowed_newton = max(resolution_newton, lightest_newton * tolerance_pct / 100)
    if back_newton is None:
        notes.append("the gauge was not seen back at zero after the last weight")
    zero_passed = back_newton is None or abs(back_newton) <= allowed_newton * (1 + 1e-9)
    if not zero_passed:
        notes.append(f"the zero did not come back: {back_newton:+.4g} N")
    return CheckResult(
        passed=zero_passed and all(w.passed for w in weights),
        gravity=gravity,
        tolerance_pct=tolerance_pct,
        weights=tuple(weights),
        zero_before_newton=zeros[0] if first_is_zero else None,
        zero_return_newton=zeros[-1] if ends_at_zero else None,
        zero_return_pct=back_pct,
        resolution_newton=resolution_newton,
        warnings=tuple(notes),
    )
