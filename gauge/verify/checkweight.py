"""Check weights: the result of a gauge, from its stable readings.

It is judged by the lab's own tolerance: the result is not a class of any standard and no
certificate.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, fields

from gauge.errors import InvalidValueError
from gauge.season.rows import CheckweightRow
from gauge.verify.gravity import Gravity
from gauge.verify.mass import Mass, class_limit_mg, expected_newton
from gauge.verify.uncertainty import Uncertainty, budget


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckSettings:
    """Which weights are hung, where, and how the gauge is judged.

    A mass may stand there more than once, in the order hung; the tolerance is the lab's own, and
    the limit of the weights' class (OIML R 111) counts against the gauge. Weights hang from the
    gauge ("hanging"), or press on its head as berries do while it stands upright ("compression").
    """

    masses: tuple[Mass, ...]
    gravity: Gravity
    tolerance_pct: float = 1.0
    weight_class: str | None = None
    capacity_newton: float | None = None
    timeout_s: float = 60.0  # s; how long to wait for each stable reading
    loading: str = "hanging"

    def __post_init__(self) -> None:
        if not self.masses:
            raise InvalidValueError("no check weight was named.", todo="Give --mass, as 500g.")
        if not 0 < self.tolerance_pct < 100:
            raise InvalidValueError(f"a tolerance of {self.tolerance_pct} % cannot be judged by.")
        for mass in self.masses:
            self.limit_pct(mass)
            force_newton = expected_newton(mass, self.gravity.m_s2)
            if self.capacity_newton is not None and force_newton > self.capacity_newton:
                raise InvalidValueError(
                    f"{mass.shown} pulls with {force_newton:.4g} N, more than the gauge's "
                    f"capacity of {self.capacity_newton:.4g} N.",
                    todo="Do not hang it: an overload can ruin the cell. Use a lighter weight.",
                )

    def limit_pct(self, mass: Mass) -> float:
        """Return the limit of a weight's class in percent of its mass; 0 without a class."""
        limit_mg = class_limit_mg(mass, self.weight_class) if self.weight_class else 0.0
        return limit_mg / 1000 / mass.g * 100


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
    """What a gauge made of all masses and of its zero."""

    passed: bool
    gravity_m_s2: float
    gravity_from: str
    tolerance_pct: float
    weights: tuple[WeightResult, ...]
    zero_before_newton: float | None
    zero_return_newton: float | None
    zero_return_pct: float | None
    resolution_newton: float
    loading: str
    weight_class: str | None
    uncertainty: Uncertainty
    warnings: tuple[str, ...] = ()

    def document(self) -> dict[str, object]:
        """Build the JSON document that the command prints and the season file keeps."""
        weights = [_document(weight) | {"mass": weight.mass.shown} for weight in self.weights]
        forces = [weight.expected_newton for weight in self.weights]
        return _document(self) | {
            "weights": weights,
            "uncertainty": self.uncertainty.document(forces),
        }


def _document(record: WeightResult | CheckResult) -> dict[str, object]:
    """Name the fields of a record as JSON does."""
    return {re.sub("_newton$", "_N", f.name): getattr(record, f.name) for f in fields(record)}


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
    """Judge the readings on one mass, with rising and with falling load.

    Error q = (mean F_i - F)/F, repeatability b = (max F_i - min F_i)/F, reversibility v =
    (mean F' - mean F_i)/F, resolution share a = r/F, all in percent (definitions after
    ISO 7500-1:2018, from memory); 1.5 times the lab's tolerance is allowed for reversibility.
    """
    readings = tuple(rising_newton) or tuple(falling_newton)
    error = repeatability = reversibility = None
    if readings:
        mean_newton = math.fsum(readings) / len(readings)
        error = 100 * (mean_newton - force_newton) / force_newton
        if len(rising_newton) > 1:
            repeatability = 100 * (max(rising_newton) - min(rising_newton)) / force_newton
        if rising_newton and falling_newton:
            falling_mean_newton = math.fsum(falling_newton) / len(falling_newton)
            reversibility = 100 * (falling_mean_newton - mean_newton) / force_newton
    passed = (
        error is not None
        and abs(error) + weight_limit_pct <= tolerance_pct
        and (repeatability is None or repeatability <= tolerance_pct)
        and (reversibility is None or abs(reversibility) <= 1.5 * tolerance_pct)
    )
    return WeightResult(
        mass=mass,
        expected_newton=force_newton,
        readings_newton=(*rising_newton, *falling_newton),
        error_pct=error,
        repeatability_pct=repeatability,
        reversibility_pct=reversibility,
        resolution_pct=100 * resolution_newton / force_newton,
        weight_limit_pct=weight_limit_pct,
        passed=passed,
    )


def _on(mass: Mass, readings: Sequence[CheckweightRow], *, falling: bool = False) -> list[float]:
    """Return the readings on a mass in newtons, with rising or with falling load."""
    return [
        r.reading_newton for r in readings if r.mass_g == mass.g and (r.kind == "down") == falling
    ]


def _on_weights(
    readings: Sequence[CheckweightRow], settings: CheckSettings, resolution_newton: float
) -> list[WeightResult]:
    """Judge the readings on each mass."""
    return [
        judge_weight(
            mass,
            expected_newton(mass, settings.gravity.m_s2),
            _on(mass, readings),
            _on(mass, readings, falling=True),
            resolution_newton=resolution_newton,
            tolerance_pct=settings.tolerance_pct,
            weight_limit_pct=settings.limit_pct(mass),
        )
        for mass in {mass.kg: mass for mass in settings.masses}.values()
    ]


def judge(
    readings: Sequence[CheckweightRow],
    settings: CheckSettings,
    *,
    resolution_newton: float,
    warnings: Sequence[str] = (),
) -> CheckResult:
    """Judge a gauge by the stable readings of a verification, in the order seen.

    A mass that was never read fails. The zero must come back within the tolerance of the lightest
    weight or one display step.
    """
    tolerance_pct = settings.tolerance_pct
    weights = _on_weights(readings, settings, resolution_newton)
    notes = list(warnings)
    for weight in weights:
        if weight.resolution_pct > tolerance_pct / 2:
            notes.append(
                f"one display step is {weight.resolution_pct:.2g} % of {weight.mass.shown}: too "
                "light to judge by, use a heavier weight"
            )
    zeros = [r.reading_newton for r in readings if r.kind == "zero"]
    first = zeros[0] if readings and readings[0].kind == "zero" else None
    last = zeros[-1] if len(readings) > 1 and readings[-1].kind == "zero" else None
    off_newton = 0.0 if last is None else last - (first or 0.0)
    lightest_newton = min(w.expected_newton for w in weights)
    allowed_newton = max(resolution_newton, lightest_newton * tolerance_pct / 100)
    zero_passed = abs(off_newton) <= allowed_newton * (1 + 1e-9)
    if last is None:
        notes.append("the gauge was not seen back at zero after the last weight")
    elif not zero_passed:
        notes.append(f"the zero did not come back: {off_newton:+.4g} N")
    limit_pct = max(w.weight_limit_pct for w in weights)
    errors = [abs(w.error_pct) / 100 for w in weights if w.error_pct is not None]
    return CheckResult(
        passed=zero_passed and all(w.passed for w in weights),
        gravity_m_s2=settings.gravity.m_s2,
        gravity_from=settings.gravity.source,
        tolerance_pct=tolerance_pct,
        weights=tuple(weights),
        zero_before_newton=first,
        zero_return_newton=last,
        zero_return_pct=None if last is None else 100 * off_newton / lightest_newton,
        resolution_newton=resolution_newton,
        loading=settings.loading,
        weight_class=settings.weight_class,
        uncertainty=budget(
            rising_newton=[_on(w.mass, readings) for w in weights],
            error_share=max(errors, default=None),
            resolution_newton=resolution_newton,
            zero_change_newton=None if last is None else off_newton,
            weights_share=limit_pct / 100 if settings.weight_class else None,
            gravity_share=settings.gravity.within_pct / 100,
        ),
        warnings=tuple(notes),
    )
