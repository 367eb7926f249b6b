"""Results of check weights over a season: the last check, and control charts as published."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from gauge.cli import group
from gauge.errors import InvalidValueError
from gauge.records import Sample, Session
from gauge.season.checks import (
    CheckPoint,
    check_warning,
    control_chart,
    ewma,
    individuals,
    last_check,
    peak_flags,
    points_by_mass,
)
from gauge.season.file import open_season
from gauge.season.rows import CheckweightRow, VerificationRow
from tests.seasons import press

REFERENCE = Path(__file__).parents[1] / "reference"


def _column(name: str, column: str) -> list[float]:
    with (REFERENCE / name).open() as file:
        return [float(row[column]) for row in csv.DictReader(file)]


def _row(day: int, errors: dict[str, float | None], serial: str | None = None) -> VerificationRow:
    seen = [error for error in errors.values() if error is not None]
    return VerificationRow(
        verification_id=day, at=f"2026-06-{day:02d}T08:00:00+00:00", gauge=None,
        gauge_serial=serial, gravity_from="here", tolerance_pct=1.0,
        passed=all(abs(error) <= 1 for error in seen),
        result={"weights": [{"mass": m, "error_pct": e} for m, e in errors.items()]},
    )  # fmt: skip


def _points(*errors: float) -> list[CheckPoint]:
    return [CheckPoint(at=f"06-{i:02d}", error_pct=e, tolerance_pct=1.0) for i, e in
            enumerate(errors, start=1)]  # fmt: skip


# --- what checks say of peaks -------------------------------------------------------------------


def test_a_peak_is_doubted_by_the_checks_around_it(tmp_path) -> None:
    """Above 1.2 times the heaviest weight, and after a good check that a bad one followed."""
    step = CheckweightRow(
        kind="up", mass_shown="500g", mass_g=500.0, expected_newton=4.9, reading_shown="4.90",
        reading_unit="N", reading_newton=4.9,
    )  # fmt: skip
    good = {"passed": True, "tolerance_pct": 1, "gravity_m_s2": 9.8, "gravity_from": "here"}

    def flags(*checks: tuple[str, str, bool]) -> list[tuple[str, ...]]:
        path = tmp_path / f"{len([*tmp_path.iterdir()])}.season"
        with open_season(path, create=True, crop="blackberry") as season:
            session = season.add_session(
                Session(started_at="2026-07-01T08:00:00Z", gauge="bench", detector="2")
            )
            sample = season.add_sample(Sample(code="C1"))
            for number, peak in enumerate((5.8, 5.9), start=1):
                season.acknowledge_berry(session, sample, number, press(peak, 9.0 * number))
            for at, gauge, passed in checks:
                result = good | {"passed": passed}
                season.add_verification(result, [step], at=f"{at}T08:00:00Z", gauge=gauge)
            found = [*peak_flags(season).values()]
        rows = CliRunner().invoke(group, ["readings", str(path), "--json"])
        assert [tuple(row["flags"]) for row in json.loads(rows.stdout)] == found
        return found

    early, late = "2026-01-01", "2999-01-01"
    assert flags() == [(), ()]
    assert flags((early, "bench", True)) == [(), ("beyond the weights",)]
    assert flags((early, "other", True), (late, "other", False)) == [(), ()]
    assert flags((late, "bench", True)) == [(), ()]
    assert flags((early, "bench", True), (late, "bench", False), ("3000-01-01", "bench", True)) == [
        ("unchecked",),
        ("beyond the weights", "unchecked"),
    ]
    assert flags((early, "bench", False), ("2026-01-02", "bench", True)) == [
        (),
        ("beyond the weights",),
    ]


# --- the last check -----------------------------------------------------------------------------


def test_the_last_check_is_that_of_the_gauge() -> None:
    rows = [_row(1, {"500g": 0.1}, "F-1"), _row(2, {"500g": 0.2}, "F-2"), _row(3, {"500g": 1.4})]
    assert last_check([]) is None
    assert last_check(rows) is rows[2]
    assert last_check(rows, passed=True) is rows[1]
    # A verification of a gauge without a name vouches for no gauge that has one.
    assert last_check(rows, gauge_serial="F-1") is rows[0]
    assert last_check(rows, gauge="bench", gauge_serial="F-3") is None
    assert last_check(rows, gauge_serial="F-1", passed=True) is rows[0]
    assert last_check(rows[:2], gauge_serial="F-3") is None
    assert check_warning([], days=7) == (
        "This gauge was never checked against weights in this season: gauge verify."
    )


# --- the chart of one mass ------------------------------------------------------------------------


def test_points_leave_out_weights_that_were_never_read() -> None:
    series = points_by_mass([_row(1, {"500g": 0.1, "200g": None}), _row(2, {"500g": -0.2})])
    assert {mass: [p.error_pct for p in points] for mass, points in series.items()} == {
        "500g": [0.1, -0.2]
    }
    assert series["500g"][1].at == "2026-06-02"


def test_a_failure_widens_no_limit_and_a_later_drift_is_seen() -> None:
    steady = [0.1, -0.1, 0.2, 0.0, -0.2, 0.1, 0.0, 0.1, -0.1, 0.0]
    chart = control_chart(_points(*steady[:5], 1.6, *steady[5:], 0.8, 0.85))
    assert chart.failed == (5,)
    assert chart.outside == (11, 12)
    assert chart.base is not None
    assert chart.base == individuals(steady)
    assert chart.smooth is not None
    assert len(chart.smooth.smoothed) == len(chart.run) == 12
    alone = control_chart(_points(0.3, 1.5))
    assert (alone.base, alone.smooth, alone.run, alone.failed) == (None, None, (0,), (1,))


# --- control charts ----------------------------------------------------------------------------


def test_individuals_chart_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rate: printed 50.81, 1.8778, 55.8041, 45.8159.
    values = _column("nist_flowrate.csv", "x")
    chart = individuals(values)
    assert round(chart.centre, 2) == 50.81
    # Three mean moving ranges over 1.128.
    assert round((chart.high - chart.centre) * 1.128 / 3, 4) == 1.8778
    assert round(chart.high, 4) == 55.8041
    assert round(chart.low, 4) == 45.8159
    assert all(chart.low < value < chart.high for value in values)


def test_ewma_chart_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3, target 50, s 2.0539; as printed.
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
               49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    chart = ewma(_column("nist_ewma.csv", "x"), target=50, sigma=2.0539, weight=0.3)
    assert [round(z, 2) for z in chart.smoothed] == printed
    # The limits printed are those of the long run: 52.5884, and 47.4115, cut and not rounded.
    assert chart.high[-1] == pytest.approx(52.58843174, abs=2e-6)
    assert chart.low[-1] == pytest.approx(47.41156826, abs=2e-6)
    assert chart.outside == ()


def test_ewma_chart_of_montgomery() -> None:
    # Montgomery, Introduction to Statistical Quality Control, ch. 9: lambda 0.10, L 2.7.
    chart = ewma(_column("montgomery_ewma.csv", "x"), target=10, sigma=1, weight=0.1, width=2.7)
    assert chart.smoothed[0] == pytest.approx(9.945)
    assert [round(z, 4) for z in chart.smoothed[27:]] == [10.5731, 10.6468, 10.6341]
    assert [round(x - 10, 2) for x in chart.high[:2]] == [0.27, 0.36]
    assert round(chart.high[-1], 2) == 10.62
    # The book's prose names observation 28; its numbers leave the limits at 29 and 30.
    assert [i + 1 for i in chart.outside] == [29, 30]


def test_charts_refuse() -> None:
    with pytest.raises(InvalidValueError, match="two results"):
        individuals([1.0])
    with pytest.raises(InvalidValueError):
        ewma([1.0], target=0, sigma=1, weight=0)
