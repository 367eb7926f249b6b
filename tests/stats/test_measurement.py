"""Two gauges and several labs against published worked examples."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from calibrate.cli import group
from calibrate.stats.measurement import limits_of_agreement, precision, repeatability
from gauge.errors import BadTableError, TooFewScoresError

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name):
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def pefr(*columns):
    return np.array([[float(r[c]) for c in columns] for r in rows("bland_altman_pefr.csv")])


def run(*args):
    return CliRunner().invoke(group, [str(a) for a in args])


def test_bland_altman_1986():
    """Lancet i:307-310: first readings of two peak flow meters, 17 subjects.

    The paper takes 2 SD, we 1.96; its printed limits of 2 SD are checked through the SD.
    """
    found = limits_of_agreement(pefr("wright1"), pefr("mini1"))
    assert found.n == 17
    assert round(found.bias.value, 1) == -2.1
    assert round(found.sd, 1) == 38.8
    assert (round(found.bias.low, 1), round(found.bias.high, 1)) == (-22.0, 17.8)
    assert found.lower.value == pytest.approx(-78.097301611)
    assert found.upper.value == pytest.approx(73.862007493)
    # Printed: lower limit at 2 SD -79.7, its interval -114.3 to -45.1: half-width 34.6 (rounded).
    assert found.lower.high - found.lower.value == pytest.approx(34.5218347, abs=1e-6)
    assert round(found.bias.value - 2 * found.sd, 0) == -80


def test_bland_altman_1986_repeatability():
    # Printed: coefficients of 2 SD 43.2 and 56.4 (of differences): SD 21.6 and 28.2.
    large, mini = repeatability(pefr("wright1", "wright2")), repeatability(pefr("mini1", "mini2"))
    assert large.sd == pytest.approx(15.3066691)
    assert mini.sd == pytest.approx(19.9108306)
    assert round(np.sqrt(2) * large.sd, 1) == 21.6
    assert large.coefficient == pytest.approx(42.4279220)
    assert mini.coefficient == pytest.approx(55.1900067)


def test_repeats_give_the_limits_of_single_readings():
    """With repeats the limits must be those that single readings have."""
    rng = np.random.default_rng(6)
    true = rng.normal(2, 0.5, 4000)
    a = true[:, None] + rng.normal(0, 0.10, (4000, 2))
    b = true[:, None] + 0.05 + rng.normal(0, 0.15, (4000, 3))
    found = limits_of_agreement(a, b)
    single = limits_of_agreement(a[:, 0], b[:, 0])
    assert found.sd == pytest.approx(np.hypot(0.10, 0.15), rel=0.05)
    assert found.sd == pytest.approx(single.sd, rel=0.05)
    assert found.bias.value == pytest.approx(-0.05, abs=0.01)


@pytest.mark.parametrize(
    ("level", "m", "s_r", "s_big"),
    # ISO 5725-2:1994, Annex B.1, table of results.
    [("1", 0.690, 0.015, 0.026), ("2", 1.252, 0.029, 0.061), ("3", 1.667, 0.017, 0.035),
     ("4", 3.250, 0.026, 0.058)],
)  # fmt: skip
def test_iso_5725_sulfur(level, m, s_r, s_big):
    data = [r for r in rows("iso5725_sulfur.csv") if r["level"] == level]
    found = precision([r["lab"] for r in data], [float(r["percent"]) for r in data])
    assert (round(found.mean, 3), round(found.s_r, 3), round(found.s_R, 3)) == (m, s_r, s_big)
    assert found.r == pytest.approx(2.8 * found.s_r)


@pytest.mark.parametrize(
    ("material", "m", "s_r", "s_big"),
    # ASTM E691, glucose in serum; s_R of B was not recalled.
    [("A", 41.5183, 1.063, 1.063), ("B", 79.6796, 1.495, None), ("C", 134.7262, 1.543, 2.148),
     ("D", 194.7171, 2.625, 3.366), ("E", 294.4921, 3.935, 4.192)],
)  # fmt: skip
def test_astm_e691_glucose(material, m, s_r, s_big):
    data = [r for r in rows("astm_e691_glucose.csv") if r["material"] == material]
    found = precision([r["lab"] for r in data], [float(r["mg_dl"]) for r in data])
    assert found.mean == pytest.approx(m, abs=1e-4)
    assert round(found.s_r, 3) == s_r
    if s_big is not None:
        assert round(found.s_R, 3) == s_big


def test_between_lab_variance_is_never_negative():
    found = precision([0, 0, 1, 1], [1.0, 2.0, 1.0, 2.0])
    assert (found.s_L, found.s_R) == (0, found.s_r)


def test_too_little_says_so():
    with pytest.raises(TooFewScoresError, match="one lab"):
        precision([0, 0], [1, 2])
    with pytest.raises(TooFewScoresError, match="measured twice"):
        precision([0, 1], [1, 2])
    with pytest.raises(TooFewScoresError, match="three"):
        limits_of_agreement([1, 2], [1, 2])
    with pytest.raises(TooFewScoresError):
        repeatability([[1.0], [2.0]])


def test_command_on_two_gauges(tmp_path):
    path = tmp_path / "two.csv"
    lines = ["berry,gauge,force,unit"]
    for berry, (a, b) in enumerate([(2.0, 1.9), (1.5, 1.5), (1.0, 1.1), (2.5, 2.3)]):
        lines += [f"{berry},old,{a / 4.4482216152605},lbf", f"{berry},new,{b},N"]
    path.write_text("\n".join(lines))
    document = json.loads(run("gauges", path, "--json", "--plot", tmp_path / "two.png").stdout)
    assert (document["first"], document["n"]) == ("new", 4)
    assert document["bias_N"]["value"] == pytest.approx(-0.05)
    assert (tmp_path / "two.png").stat().st_size > 5000
    assert "limit of agreement" in run("gauges", path).stdout


def test_command_on_labs_and_on_nonsense(tmp_path):
    path = tmp_path / "labs.csv"
    text = (REFERENCE / "iso5725_sulfur.csv").read_text().split("\n", 1)[1]
    path.write_text(text.replace("percent", "force_N"))
    document = json.loads(run("gauges", path, "--json").stdout)
    assert [round(one["s_r"], 3) for one in document["levels"]] == [0.015, 0.029, 0.017, 0.026]
    assert "2.8" in run("gauges", path).stdout
    path.write_text("berry,gauge,force_N\n1,a,1\n1,b,1\n1,c,1\n")
    assert isinstance(run("gauges", path).exception, BadTableError)
    path.write_text("berry,force_N\n1,1\n")
    assert isinstance(run("gauges", path).exception, BadTableError)
