"""The uncertainty of a peak against published budgets, certificates, and weights that press."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from calibrate.cli import group as calibrate
from gauge.cli import group as gauge
from gauge.records import Reading
from gauge.season.checks import overdue
from gauge.season.file import open_season
from gauge.units import Unit
from gauge.verify.checkweight import CheckSettings
from gauge.verify.gravity import gravity_at
from gauge.verify.mass import parse_mass
from gauge.verify.plateau import WeightWatch
from gauge.verify.uncertainty import Component, Uncertainty, budget

RUNS = Path(__file__).parents[2] / "sample_runs"


def test_components_combine_as_in_the_published_calibration_of_a_weight() -> None:
    # EA-4/02 M, example S2 (a 10 kg weight), from memory: standard uncertainties in mg of the
    # reference, its drift, the comparison, eccentricity and buoyancy; U = 59 mg at k = 2.
    parts = (22.5, 8.95, 14.4, 5.77, 5.77)
    found = Uncertainty(components=tuple(Component(name="", newton=mg) for mg in parts))
    assert found.expanded_newton(1.0) == pytest.approx(59, abs=0.5)


def test_the_resolution_of_a_display_is_that_of_the_guide() -> None:
    # JCGM 100:2008, F.2.2.1: u = 0.29 times the step of an indicating device.
    only = budget(
        rising_newton=[], error_share=None, resolution_newton=0.01, zero_change_newton=None,
        weights_share=None, gravity_share=0.0,
    )  # fmt: skip
    assert only.components[0].newton / 0.01 == pytest.approx(0.29, abs=0.002)
    assert len(only.missing) == 3


def test_a_budget_made_by_hand() -> None:
    # At 5 N: resolution and zero 0.005/sqrt(3) each, repeatability sqrt((2e-4 + 5e-5)/2), error
    # 0.3 %, class M1 at 500 g 0.005 %, gravity 0.05 %, each over sqrt(3), times 5 N. Squares:
    # 1.66667e-5 + 1.25e-4 + 7.5e-5 + 2.08e-8 + 2.0833e-6 = 2.18771e-4; root 0.014791; times 2.
    found = budget(
        rising_newton=[(4.90, 4.92), (1.96, 1.97), (0.98,)], error_share=0.003,
        resolution_newton=0.01, zero_change_newton=0.0, weights_share=5e-5, gravity_share=5e-4,
    )  # fmt: skip
    assert found.expanded_newton(5.0) == pytest.approx(0.029582, abs=1e-6)
    assert found.missing == ()


def verified(season: Path, *words: str) -> tuple[dict, str]:
    week = RUNS / "2026-blackberry" / "weights" / "2026-05-04.txt"
    call = [
        "verify", "--capture", str(week), "--at", "2026-05-04", "--format",
        str(RUNS / "gauge.toml"), "--season", str(season), "--mass", "200g", "--mass", "500g",
        "--mass", "200g", "--gauge", "FG-2", *words, "--json",
    ]  # fmt: skip
    result = CliRunner().invoke(gauge, call)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout), result.stderr


def test_verify_tells_and_keeps_uncertainty_and_certificates(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    weights = ["--certificate", "weights", "W-7", "2025-05-01", "2026-05-01"]
    cell = ["--certificate", "gauge", "K-118", "2026-01-31", "2036-01-31"]
    found, told = verified(path, "--weight-class", "M1", "--latitude", "35.5", *weights, *cell)
    wide = found["uncertainty"]
    assert (wide["k"], wide["method"]) == (2.0, "JCGM 100:2008")
    assert [round(peak["force_N"], 2) for peak in wide["peaks"]] == [1.96, 4.9]
    assert all(0.004 < peak["U_N"] < 0.05 for peak in wide["peaks"])
    assert {part["name"] for part in wide["components"]} >= {"weights", "resolution", "zero"}
    assert found["loading"] == "hanging"
    assert "certificate K-118 of the gauge, issued 2026-01-31" in told
    for wrong, what in (
        (("scale", "W-7", "2025-05-01", "2026-05-01"), "is of gauge or weights"),
        (("weights", "W-7", "2026-05-01", "2025-05-01"), "due date 2025-05-01 is before its issue"),
    ):
        refused = CliRunner().invoke(gauge, ["verify", "--season", "s", "--certificate", *wrong])
        assert refused.exit_code == 2
        assert what in refused.stderr
    assert "Overdue: certificate W-7 of the weights" in told
    with open_season(path, read_only=True) as season:
        assert season.verifications()[0].result["uncertainty"] == wide
        assert [row.number for row in season.certificates("FG-2", None)] == ["W-7", "K-118"]
        assert [row.number for row in season.certificates("other", None)] == ["W-7"]
        assert len(overdue(season.certificates("FG-2"))) == 1
        assert not season.differences()
    status = CliRunner().invoke(calibrate, ["status", str(path), "--json"])
    assert any("W-7" in line for line in json.loads(status.stdout)["warnings"])
    later = ["--certificate", "weights", "W-8", "2026-05-01", "2036-05-01"]
    assert "Overdue" not in verified(path, *later)[1]


@pytest.mark.parametrize("days", [("2026-01-31", "2025-01-31"), ("soon", "2026-01-31")])
def test_a_certificate_that_cannot_be_is_refused(tmp_path: Path, days: tuple[str, str]) -> None:
    call = [
        "verify",
        "--season",
        str(tmp_path / "a.season"),
        "--certificate",
        "weights",
        "W",
        *days,
    ]
    assert CliRunner().invoke(gauge, call).exit_code == 2
    assert not list(tmp_path.iterdir())


def test_a_weight_that_presses_counts_only_where_it_shows_above_zero() -> None:
    """Gravity of a weight on the upright gauge presses, as a berry does; hung, it pulls."""
    masses = (parse_mass("500g"),)

    def watched(loading: str, force: float) -> WeightWatch:
        settings = CheckSettings(masses=masses, gravity=gravity_at(None, None), loading=loading)
        watch = WeightWatch(settings)
        shown = [0.0] * 30 + [force] * 30 + [0.0] * 30
        watch.feed(Reading(i / 20, f, f"{f:.2f}", Unit.N) for i, f in enumerate(shown))
        return watch

    pressed = watched("compression", 4.9)
    assert pressed.done
    assert not pressed.warnings
    wrong = watched("compression", -4.9)
    assert not wrong.weighed
    assert "must be above zero" in wrong.warnings[0]
    assert "set on 500g" in wrong.action
    hung = watched("hanging", -4.9)
    assert hung.done
    assert hung.readings[1].reading_newton == 4.9
