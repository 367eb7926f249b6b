"""Small records for the tests of the season file."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from gauge.cli import group
from gauge.records import Flag, Press, Sample, Session
from gauge.season.file import SeasonFile, open_season
from gauge.units import Unit, newtons


def run(*words: object) -> str:
    """Run `gauge` and return its stdout; our own errors come through as they are raised."""
    result = CliRunner().invoke(group, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def press(start_s: float = 0.0, shown: str = "1.240", unit: Unit = Unit.N, **changes) -> Press:
    values = {
        "t_start_s": start_s,
        "t_peak_s": start_s + 0.5,
        "t_end_s": start_s + 0.8,
        "peak_shown": shown,
        "peak_unit": unit,
        "peak_newton": newtons(shown, unit),
        "baseline_newton": 0.002,
        "noise_newton": 0.001,
        "n_readings": 40,
        "n_ramp": 20,
        "rate_hz": 50.0,
        "loading_rate_newton_s": 2.5,
        "sampling_loss_newton": 0.02,
        "flags": (Flag.FEW_READINGS,),
    }
    return Press(**(values | changes))


def begun(path: Path, *codes: str, **options) -> SeasonFile:
    """A new season with one session (1) and samples of these codes (1, 2 ...)."""
    season = open_season(path, create=True, **options)
    season.add_session(Session(started_at="2026-07-01T08:00:00Z", operator="ines"))
    season.add_samples([Sample(code=code, selection="R-114") for code in codes or ("C1",)])
    return season
