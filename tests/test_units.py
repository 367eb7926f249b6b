"""Units of force against NIST SP 811 and scipy.constants, and `gauge convert`."""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction

import pytest
import scipy.constants
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from gauge.cli import group
from gauge.errors import InvalidValueError, UnknownUnitError
from gauge.units import AMBIGUOUS, SPELLINGS, Unit, convert, newtons, parse_unit

# NIST SP 811 (2008), Appendix B.8, as printed to seven digits; those in bold there are exact.
SP811_PRINTED = {
    Unit.LBF: "4.448222",
    Unit.KGF: "9.80665",
    Unit.GF: "0.00980665",
    Unit.OZF: "0.2780139",
}
# Exact from 1 lb = 0.45359237 kg and 9.80665 m/s2 (decimal arithmetic).
EXACT = {
    Unit.N: "1",
    Unit.MN: "0.001",
    Unit.LBF: "4.4482216152605",
    Unit.KGF: "9.80665",
    Unit.GF: "0.00980665",
    Unit.OZF: "0.27801385095378125",
}
CONTRACT_SPELLINGS = ["N", "mN", "lbf", "kgf", "gf", "ozf", "lb", "lbF", "LBF"]
CONTRACT_SPELLINGS += ["kg", "kgF", "g", "gF", "oz", "ozF"]


@pytest.mark.parametrize("unit", Unit)
def test_factors_are_exact(unit: Unit) -> None:
    assert unit.newton == Fraction(EXACT[unit])


@pytest.mark.parametrize(("unit", "printed"), SP811_PRINTED.items())
def test_factors_round_to_those_printed_in_sp_811(unit: Unit, printed: str) -> None:
    places = Decimal(printed).as_tuple().exponent
    assert isinstance(places, int)
    assert round(Decimal(EXACT[unit]), -places) == Decimal(printed)


def test_factors_are_those_of_scipy() -> None:
    assert newtons(1, Unit.LBF) == pytest.approx(scipy.constants.pound_force, rel=1e-15)
    assert newtons(1, Unit.KGF) == scipy.constants.kilogram_force
    ounce = scipy.constants.oz * scipy.constants.g
    assert newtons(1, Unit.OZF) == pytest.approx(ounce, rel=1e-15)


def test_factors_are_those_of_pint() -> None:
    pint = pytest.importorskip("pint")
    registry = pint.UnitRegistry()
    for unit, name in [(Unit.LBF, "force_pound"), (Unit.OZF, "force_ounce"),
                       (Unit.KGF, "kilogram_force"), (Unit.GF, "gram_force")]:  # fmt: skip
        assert newtons(1, unit) == pytest.approx(registry(name).to("N").magnitude, rel=1e-14)


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        # From the exact factors by decimal arithmetic.
        ("5", "lbf", "N", 22.2411080763025),
        ("22", "N", "lbf", 4.9457967481936306240),
        ("22", "N", "kgf", 2.243375668551442),
        ("2.25", "kgf", "N", 22.0649625),
        ("80", "ozf", "N", 22.2411080763025),
        ("100", "gf", "N", 0.980665),
        ("1", "N", "gf", 101.97162129779282426),
        ("1", "kgf", "lbf", 2.2046226218487757),
        ("16", "ozf", "lbf", 1.0),
        ("1000", "gf", "kgf", 1.0),
        ("1", "mN", "N", 0.001),
    ],
)
def test_known_conversions(value: str, source: str, target: str, expected: float) -> None:
    assert convert(value, parse_unit(source), parse_unit(target)) == expected


@pytest.mark.parametrize("spelling", CONTRACT_SPELLINGS)
def test_spellings_of_gauges(spelling: str) -> None:
    stem = spelling.lower().removesuffix("f")
    expected = {"n": "N", "mn": "mN"}.get(stem, f"{stem}f")
    assert str(parse_unit(f" {spelling} ")) == expected


@pytest.mark.parametrize("text", ["", "MN", "n", "dyn", "kN", "pounds", "lb f", "N N", "kip", "µN"])
def test_other_units_are_refused_by_name(text: str) -> None:
    with pytest.raises(UnknownUnitError, match=f"'{text}'"):
        parse_unit(text)


def test_spellings_that_name_a_mass_too_are_known() -> None:
    assert {s.lower() for s in AMBIGUOUS} == {"g", "kg", "lb", "oz"}
    assert set(SPELLINGS) >= AMBIGUOUS


@pytest.mark.parametrize(
    "text", ["nan", "inf", "-inf", "", "1,2", "1.2.3", "abc", "0x10", "sNaN", "1_0"]
)
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(InvalidValueError, match="not a finite number"):
        convert(text, Unit.N, Unit.LBF)


shown_numbers = st.decimals(
    min_value=-9999, max_value=9999, allow_nan=False, allow_infinity=False, places=3
)


@given(shown_numbers, st.sampled_from(Unit), st.sampled_from(Unit))
def test_the_number_on_the_display_comes_back_out(
    value: Decimal, source: Unit, target: Unit
) -> None:
    there = convert(value, source, target)
    back = Decimal(repr(convert(there, target, source)))
    assert round(back, 3) == value


@given(st.floats(-1e6, 1e6), st.sampled_from(Unit), st.sampled_from(Unit))
def test_conversion_is_odd_and_monotone(value: float, source: Unit, target: Unit) -> None:
    assert convert(-value, source, target) == -convert(value, source, target)
    assert convert(value, source, source) == value
    assert convert(value + 1, source, target) > convert(value, source, target)


def _convert(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(group, ["convert", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout


def test_convert_command() -> None:
    code, out = _convert("5", "lbF", "N", "--json")
    assert code == 0
    assert json.loads(out) == {"value": 22.2411080763025, "unit": "N"}
    assert out.count("\n") == 1
    code, out = _convert("-1.5", "N", "lbf", "--json")
    assert json.loads(out)["value"] == pytest.approx(-1.5 / 4.4482216152605, rel=1e-15)
    assert _convert("2.37", "N", "lbf")[1] == "2.37 N = 0.5327972 lbf\n"
    assert round(json.loads(_convert("2.37", "N", "lbf", "--json")[1])["value"], 3) == 0.533


def test_convert_command_refuses() -> None:
    with pytest.raises(UnknownUnitError, match="'stone'"):
        _convert("5", "stone", "N")
    with pytest.raises(InvalidValueError, match="'five'"):
        _convert("five", "N", "lbf")
