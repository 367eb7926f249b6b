"""Gravity, buoyancy, class limits and results of gauges against published figures."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gauge.errors import InvalidValueError
from gauge.season.rows import CheckweightRow
from gauge.units import newtons, parse_unit
from gauge.verify.checkweight import CheckSettings, judge, judge_weight
from gauge.verify.gravity import gravity_at, normal_gravity_m_s2
from gauge.verify.mass import class_limit_mg, expected_newton, parse_mass

REFERENCE = Path(__file__).parents[1] / "reference"


# --- gravity -----------------------------------------------------------------------------------

# WGS 84 normal gravity by Somigliana's formula; 0 and 90 degrees are the defining and derived
# constants of NGA.STND.0036, the rest computed from them independently.
WGS84 = {
    0: 9.7803253359, 10: 9.7818824006, 20: 9.7863681034, 30: 9.7932472692, 35: 9.7973360129,
    35.5: 9.7977619780, 40: 9.8016968628, 45: 9.8061977694, 50: 9.8107021356, 52: 9.8124740779,
    60: 9.8191769531, 70: 9.8260947644, 80: 9.8306144516, 90: 9.8321849379,
}  # fmt: skip
# Second-order height formula of the same standard, computed independently.
WITH_HEIGHT = {
    (35.5, 250): 9.796990461, (36.5, 130): 9.798220384, (40, 1600): 9.796761238,
    (45, 0): 9.806197769, (45, 500): 9.804655176, (52, 50): 9.812319828, (-33, 100): 9.795352078,
}  # fmt: skip


@pytest.mark.parametrize(("latitude", "g"), WGS84.items())
def test_normal_gravity(latitude: float, g: float) -> None:
    assert normal_gravity_m_s2(latitude) == pytest.approx(g, abs=6e-11)
    assert normal_gravity_m_s2(-latitude) == normal_gravity_m_s2(latitude)


@pytest.mark.parametrize(("site", "g"), WITH_HEIGHT.items())
def test_gravity_with_height(site: tuple[float, float], g: float) -> None:
    assert normal_gravity_m_s2(*site) == pytest.approx(g, abs=6e-10)


def test_gravity_near_the_worked_exercise() -> None:
    # A geodesy exercise for GRS 80 by the short 1980 formula: 9.786370 at 20 degrees; WGS 84
    # differs from GRS 80 in the seventh digit.
    assert normal_gravity_m_s2(20) == pytest.approx(9.786370, abs=3e-6)


def test_standard_gravity_is_said() -> None:
    assert gravity_at(None, None).m_s2 == 9.80665
    assert "standard" in gravity_at(None, None).source
    assert "45 deg" in gravity_at(45, None).source
    with pytest.raises(InvalidValueError, match="latitude"):
        gravity_at(None, 200)
    for latitude, height in [(91, 0), (math.nan, 0), (45, 10_000)]:
        with pytest.raises(InvalidValueError):
            normal_gravity_m_s2(latitude, height)


# --- forces ------------------------------------------------------------------------------------

# m kg -> F in N at 9.80665 m/s2 and at 35.5 deg, 250 m and at 45 deg; 8000 and 1.2 kg/m3
# (arithmetic on the formula above, done independently).
FORCES = {
    "0.01kg": (0.0980517900, 0.0979552091, 0.0980472684),
    "20g": (0.1961035801, 0.1959104182, 0.1960945368),
    "0.05kg": (0.4902589501, 0.4897760456, 0.4902363420),
    "100g": (0.9805179003, 0.9795520912, 0.9804726840),
    "200g": (1.9610358005, 1.9591041825, 1.9609453679),
    "500 g": (4.9025895012, 4.8977604562, 4.9023634199),
    "1kg": (9.8051790025, 9.7955209125, 9.8047268397),
    "2kg": (19.6103580050, 19.5910418250, 19.6094536794),
}


@pytest.mark.parametrize(("text", "forces"), FORCES.items())
def test_expected_force(text: str, forces: tuple[float, float, float]) -> None:
    mass = parse_mass(text)
    sites = (9.80665, normal_gravity_m_s2(35.5, 250), normal_gravity_m_s2(45))
    for g, force in zip(sites, forces, strict=True):
        assert expected_newton(mass, g) == pytest.approx(force, abs=6e-11)


def test_density_of_the_weight() -> None:
    # 1 - 1.2/7950 and 1 - 1.2/8400 by hand.
    kilogram = parse_mass("1kg")
    assert expected_newton(kilogram, 1, weight_kg_m3=7950) == pytest.approx(
        0.999849056604, abs=1e-12
    )
    assert expected_newton(kilogram, 1, weight_kg_m3=8400) == pytest.approx(
        0.999857142857, abs=1e-12
    )
    with pytest.raises(InvalidValueError):
        expected_newton(kilogram, 9.8, weight_kg_m3=1.0)


def test_masses_are_exact() -> None:
    assert parse_mass("1lb").kg == Fraction("0.45359237")
    assert parse_mass("16oz").kg == parse_mass("1 lb").kg
    assert parse_mass(".5kg").kg == parse_mass("500g").kg == Fraction(1, 2)
    # A pound in vacuum at standard gravity pulls one pound-force.
    pull = expected_newton(parse_mass("1lb"), 9.80665, air_kg_m3=0)
    assert pull == pytest.approx(newtons(1, parse_unit("lbf")), rel=1e-15)


@pytest.mark.parametrize("text", ["500", "g", "0g", "-5g", "5 N", "5 lbf", "1,5kg", "1e3g", ""])
def test_other_masses_are_refused(text: str) -> None:
    with pytest.raises(InvalidValueError, match="is not the mass of a check weight"):
        parse_mass(text)


def test_class_limits_are_those_of_oiml_r_111() -> None:
    # OIML R 111-1:2004, table 1; 200 g M1 and M2 from memory.
    with (REFERENCE / "oiml_r111_mpe_mg.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 12
    for row in rows:
        for name in ("F2", "M1", "M2"):
            assert class_limit_mg(parse_mass(row["nominal"]), name) == float(row[f"{name}_mg"])
    with pytest.raises(InvalidValueError, match="nominal mass"):
        class_limit_mg(parse_mass("300g"), "M1")
    with pytest.raises(InvalidValueError, match="class"):
        class_limit_mg(parse_mass("500g"), "X1")


# --- verdict -----------------------------------------------------------------------------------


def test_worked_example() -> None:
    # Own arithmetic on the definitions q, b and a of ISO 7500-1 (from memory).
    mass = parse_mass("500g")
    found = judge_weight(mass, 4.9025895012, [4.912, 4.905, 4.921], resolution_newton=0.01)
    assert found.error_pct == pytest.approx(0.205547811, abs=1e-8)
    assert found.repeatability_pct == pytest.approx(0.326358142, abs=1e-8)
    assert found.resolution_pct == pytest.approx(0.203973839, abs=1e-8)
    assert found.reversibility_pct is None
    assert found.passed
    falling = judge_weight(mass, 5.0, [5.0, 5.02], [5.11], resolution_newton=0.01)
    assert falling.reversibility_pct == pytest.approx(2.0)
    assert not falling.passed


@pytest.mark.parametrize(
    ("reading", "tolerance", "limit", "passed"),
    [(5.04, 1, 0, True), (5.06, 1, 0, False), (4.94, 1, 0, False), (5.06, 2, 0, True),
     (5.049, 1, 0, True), (5.049, 1, 0.05, False)],
)  # fmt: skip
def test_tolerance(reading: float, tolerance: float, limit: float, passed: bool) -> None:
    found = judge_weight(
        parse_mass("500g"), 5.0, [reading], resolution_newton=0.01, tolerance_pct=tolerance,
        weight_limit_pct=limit,
    )  # fmt: skip
    assert found.passed is passed


def _step(kind: str, text: str | None, reading_newton: float) -> CheckweightRow:
    mass = None if text is None else parse_mass(text)
    return CheckweightRow(
        kind=kind, mass_shown=text, mass_g=None if mass is None else mass.g,
        expected_newton=0 if mass is None else expected_newton(mass, 9.80665),
        reading_shown=str(reading_newton), reading_unit="N", reading_newton=reading_newton,
    )  # fmt: skip


WEIGHTS = CheckSettings(
    masses=(parse_mass("200g"), parse_mass("500g")), gravity=gravity_at(None, None)
)


def test_judge_a_good_gauge() -> None:
    steps = [_step("zero", None, 0.0), _step("up", "200g", 1.96), _step("up", "500g", 4.90),
             _step("down", "200g", 1.97), _step("zero", None, 0.01)]  # fmt: skip
    verdict = judge(steps, replace(WEIGHTS, weight_class="M1"), resolution_newton=0.01)
    assert verdict.passed
    assert verdict.zero_return_newton == 0.01
    assert [len(w.readings_newton) for w in verdict.weights] == [2, 1]
    assert verdict.weights[1].weight_limit_pct == pytest.approx(0.005)
    # 0.01 N is 0.51 % of 200 g: more than half of the tolerance.
    assert any("200g" in note for note in verdict.warnings)


def test_a_weight_never_read_and_a_lost_zero_fail() -> None:
    seen = [_step("zero", None, 0.0), _step("up", "200g", 1.96)]
    verdict = judge(seen, WEIGHTS, resolution_newton=0.01)
    assert not verdict.passed
    assert verdict.weights[1].error_pct is None
    assert verdict.zero_return_newton is None
    lost = [*seen, _step("up", "500g", 4.9), _step("zero", None, 0.05)]
    verdict = judge(lost, WEIGHTS, resolution_newton=0.01)
    assert all(w.passed for w in verdict.weights)
    assert not verdict.passed
    assert any("zero" in note for note in verdict.warnings)


@given(
    st.lists(st.floats(4.5, 5.5), min_size=1, max_size=5),
    st.lists(st.floats(4.5, 5.5), max_size=3),
)
def test_verdicts_scale_with_force(rising: list[float], falling: list[float]) -> None:
    mass = parse_mass("500g")
    small = judge_weight(mass, 5.0, rising, falling, resolution_newton=0.01)
    large = judge_weight(
        mass, 40.0, [8 * r for r in rising], [8 * r for r in falling], resolution_newton=0.08
    )
    for name in ("error_pct", "repeatability_pct", "reversibility_pct", "resolution_pct"):
        one, other = getattr(small, name), getattr(large, name)
        assert (one is None) == (other is None)
        assert one is None or one == pytest.approx(other, rel=1e-9, abs=1e-9)
