"""Check weights hung on a virtual gauge: plateaus, `gauge verify`, what is stored, refusals."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from gauge.cli import group
from gauge.errors import (
    FirmhandError,
    InvalidValueError,
    NothingReceivedError,
    StoppedError,
    VerificationFailedError,
)
from gauge.protocol.capture import write_capture
from gauge.protocol.formatfile import dump_format, shipped_format
from gauge.protocol.framing import Framer
from gauge.records import Reading, Status
from gauge.season.file import open_season
from gauge.simulate.berrymodel import HungWeight, Rest, Track, gauss, weight_track
from gauge.simulate.linewriter import LineWriter
from gauge.simulate.playback import recorded
from gauge.simulate.ptyserver import PtyServer
from gauge.simulate.server import TcpServer
from gauge.simulate.virtualgauge import Display, VirtualGauge
from gauge.units import NEWTON_PER_FLOAT, Unit
from gauge.verify.checkweight import CheckSettings
from gauge.verify.gravity import Gravity
from gauge.verify.mass import expected_newton, parse_mass
from gauge.verify.plateau import WeightWatch
from tests.lines import Terminal, gauge_process, interrupted, running

G = 9.80665
WRITER = LineWriter(shipped_format("number-unit"))


def _gauge(*masses: str, **options: object) -> VirtualGauge:
    forces = [expected_newton(parse_mass(mass), G) for mass in masses]
    timing = {k: options.pop(k) for k in ("rest_s", "dwell_s") if k in options}
    track = weight_track(forces, **{"rest_s": 1.5, "dwell_s": 2.5, **timing})  # type: ignore[arg-type]
    settings = {"rate_hz": 20.0, **options}
    return VirtualGauge(writer=WRITER, track=track, **settings)  # type: ignore[arg-type]


# --- plateaus -----------------------------------------------------------------------------------


def _readings(forces: list[float], *, rate_hz: float = 20, unit: Unit = Unit.N) -> list[Reading]:
    return [Reading(i / rate_hz, round(f, 2), f"{f:.2f}", unit) for i, f in enumerate(forces)]


def _watch(*masses: str) -> WeightWatch:
    hung = tuple(map(parse_mass, masses))
    return WeightWatch(CheckSettings(masses=hung, gravity=Gravity(m_s2=G, source="here")))


def _kinds(watch: WeightWatch) -> list[tuple[str, str | None]]:
    return [(s.kind, s.mass_shown) for s in watch.readings]


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    rate_hz=st.sampled_from([8.0, 20.0, 100.0]),
    noise_newton=st.sampled_from([0.0, 0.004, 0.01, 0.02]),
    gain_pct=st.floats(-6, 6),
    swing=st.floats(0, 0.2),
)
def test_every_weight_is_read_once(
    seed: int, rate_hz: float, noise_newton: float, gain_pct: float, swing: float
) -> None:
    rng = Random(seed)
    names = ["100g", "200g", "500g", "200g"]
    acts: list[object] = [Rest(duration_s=1.5 + rng.random())]
    for name in names:
        weight_newton = expected_newton(parse_mass(name), G)
        acts.append(HungWeight(weight_newton=weight_newton, duration_s=4.5, swing=swing))
        acts.append(Rest(duration_s=1.5 + rng.random()))
    gauge = VirtualGauge(
        writer=WRITER, track=Track(acts), rate_hz=rate_hz, seed=seed,  # type: ignore[arg-type]
        display=Display(noise_newton=noise_newton, gain=1 + gain_pct / 100),
    )  # fmt: skip
    watch, framer = _watch(*names), Framer(WRITER.fmt)
    for chunk in recorded(gauge):
        watch.feed(framer.feed(chunk.t_ns, chunk.data))
    weights = [s for s in watch.readings if s.mass_shown]
    assert [s.mass_shown for s in weights] == names
    assert watch.done
    for step in weights:
        true_newton = step.expected_newton * (1 + gain_pct / 100)
        assert step.reading_newton == pytest.approx(
            true_newton, abs=0.006 + 2 * noise_newton + 0.005 * true_newton
        )


def test_rising_and_falling_without_a_zero_between() -> None:
    forces = [0.0] * 30 + [1.96] * 30 + [4.90] * 30 + [1.97] * 30 + [0.0] * 30
    watch = _watch("200g", "500g", "200g")
    watch.feed(_readings(forces))
    assert _kinds(watch) == [("zero", None), ("up", "200g"), ("up", "500g"), ("down", "200g"),
                             ("zero", None)]  # fmt: skip


def test_repeats_need_the_weight_off_between() -> None:
    watch = _watch("500g", "500g")
    watch.feed(_readings([0.0] * 30 + [4.9] * 300))
    assert _kinds(watch) == [("zero", None), ("up", "500g")]
    watch.feed(_readings([0.0] * 30 + [4.9] * 30 + [0.0] * 30))
    assert [kind for kind, _ in _kinds(watch)] == ["zero", "up", "zero", "repeat", "zero"]


def test_a_swinging_or_creeping_load_is_not_stable() -> None:
    rng = Random(1)
    creeping = [4.5 + 0.02 * i for i in range(20)]
    bumping = [4.9 + 0.2 * gauss(rng) for _ in range(200)]
    watch = _watch("500g")
    watch.feed(_readings([0.0] * 30 + creeping + bumping))
    assert _kinds(watch) == [("zero", None)]


def test_other_order_wrong_weight_tension_and_overload_are_noted() -> None:
    watch = _watch("200g", "500g")
    watch.feed(_readings([0.0] * 30 + [3.3] * 30 + [4.9] * 30 + [0.0] * 30 + [1.96] * 30))
    assert _kinds(watch)[1:] == [("up", "500g"), ("zero", None), ("up", "200g")]
    assert any("3.30 N" in w for w in watch.warnings)
    assert any("order" in w for w in watch.warnings)
    hung = _watch("500g")
    hung.feed(_readings([0.0] * 30 + [-4.9] * 30))
    assert hung.readings[-1].reading_newton == 4.9
    assert any("tension" in w for w in hung.warnings)
    hung.feed([Reading(9.0, float("nan"), "", Unit.N, Status.OVERLOAD)])
    assert any("overload" in w for w in hung.warnings)


def test_resolution_is_learned_from_what_is_shown() -> None:
    watch = _watch("500g")
    watch.feed(_readings([0.0] * 30 + [0.02 * i for i in range(100)]))
    assert watch.resolution_newton == pytest.approx(0.02)
    pounds = _watch("500g")
    pounds.feed(_readings([0.0] * 30, unit=Unit.LBF))
    assert pounds.resolution_newton == pytest.approx(0.01 * NEWTON_PER_FLOAT[Unit.LBF])


def test_a_gap_restarts_the_window() -> None:
    watch = _watch("500g")
    watch.feed(_readings([0.0] * 8))
    watch.gap()
    assert watch.feed(_readings([0.0] * 8)) == []
    assert watch.action == "leave the gauge empty"
    with pytest.raises(InvalidValueError, match="--mass"):
        _watch()


# --- the command --------------------------------------------------------------------------------


@pytest.fixture
def form(tmp_path: Path) -> Path:
    target = tmp_path / "gauge.toml"
    target.write_text(dump_format(shipped_format("number-unit")), encoding="utf-8")
    return target


def _verify(*words: str) -> tuple[Result, FirmhandError | None]:
    result = CliRunner().invoke(group, ["verify", *words])
    error = result.exception
    if error is not None and not isinstance(error, (SystemExit, FirmhandError)):
        raise error
    return result, error if isinstance(error, FirmhandError) else None


def _capture(target: Path, gauge: VirtualGauge) -> Path:
    target.write_text("\n".join(write_capture(recorded(gauge))) + "\n", encoding="ascii")
    return target


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "masses"), [("pty", ["200g", "500g"]), ("tcp", ["500g"])])
def test_live_over_a_line(tmp_path: Path, form: Path, kind: str, masses: list[str]) -> None:
    if kind == "pty" and sys.platform == "win32":
        pytest.skip("needs a pseudo-terminal")
    end = PtyServer() if kind == "pty" else TcpServer()
    gauge = _gauge(*masses, rate_hz=20.0, rest_s=1.2, dwell_s=1.8)
    season = tmp_path / "a.season"
    with running(end, gauge):
        result, error = _verify(
            "--port", end.address, "--format", str(form), "--season", str(season),
            *(word for mass in masses for word in ("--mass", mass)),
            "--latitude", "35.5", "--elevation", "250", "--json", "--timeout", "10",
        )  # fmt: skip
    assert error is None, result.output
    document = json.loads(result.stdout)
    assert document["passed"] is True
    assert document["gravity_m_s2"] == pytest.approx(9.796990461, abs=1e-9)
    assert [w["mass"] for w in document["weights"]] == masses
    # The virtual weights pull as at standard gravity: 0.099 % above the site's.
    assert document["weights"][-1]["error_pct"] == pytest.approx(0.099, abs=0.25)
    assert document["zero_return_N"] == pytest.approx(0, abs=0.011)
    with open_season(season, read_only=True) as stored:
        (row,) = stored.verifications()
        assert row.passed
        assert row.result == document
        assert [c.kind for c in row.checkweights] == ["zero", *["up", "zero"] * len(masses)]
        (kept,) = stored.sessions()
        assert kept.session.purpose == "verify"
        assert len(list(stored.chunks(kept.session_id))) > 20


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT to another process")
def test_stopped_by_the_user(tmp_path: Path, form: Path) -> None:
    end, season = TcpServer(), tmp_path / "a.season"
    with running(end, _gauge("200g", rate_hz=20.0, rest_s=30.0)):
        words = ["--port", end.address, "--format", str(form), "--season", str(season)]
        with gauge_process("verify", *words, "--mass", "200g") as bench:
            assert bench.stderr is not None
            while "Now" not in bench.stderr.readline():
                pass
            time.sleep(0.5)
            printed = interrupted(bench)
    assert bench.returncode == StoppedError.exit_code
    assert "no result" in printed
    assert "Traceback" not in printed
    with open_season(season, read_only=True) as stored:
        assert list(stored.verifications()) == []
        assert len(list(stored.sessions())) == 1


def _words(tmp_path: Path, form: Path, capture: Path) -> list[str]:
    return ["--capture", str(capture), "--format", str(form),
            "--season", str(tmp_path / "a.season")]  # fmt: skip


def test_a_gauge_that_reads_high_fails_and_is_stored(tmp_path: Path, form: Path) -> None:
    capture = _capture(tmp_path / "c.txt", _gauge("500g", display=Display(gain=1.02)))
    words = _words(tmp_path, form, capture)
    result, error = _verify(*words, "--mass", "500g", "--json")
    assert isinstance(error, VerificationFailedError)
    assert "Do not log" in str(error)
    document = json.loads(result.stdout)
    assert document["passed"] is False
    assert document["weights"][0]["error_pct"] == pytest.approx(2.0, abs=0.3)
    with open_season(tmp_path / "a.season", read_only=True) as season:
        assert [v.passed for v in season.verifications()] == [False]
    assert _verify(*words, "--mass", "500g", "--tolerance", "3")[1] is None


def test_a_weight_that_is_never_hung_is_no_failure_of_the_gauge(tmp_path: Path, form: Path) -> None:
    capture = _capture(tmp_path / "c.txt", _gauge("200g"))
    words = [*_words(tmp_path, form, capture), "--mass", "200g", "--mass", "500g"]
    _, error = _verify(*words)
    assert isinstance(error, StoppedError)
    assert "500g" in str(error)
    with open_season(tmp_path / "a.season", read_only=True) as season:
        assert season.verifications() == []
        assert len(list(season.chunks(1))) > 20
    # What was read is enough to fail it, finished or not.
    high = _capture(tmp_path / "c.txt", _gauge("200g", display=Display(gain=1.05)))
    assert high == capture
    _, error = _verify(*words)
    assert isinstance(error, VerificationFailedError)
    with open_season(tmp_path / "a.season", read_only=True) as season:
        (row,) = season.verifications()
        assert row.result["weights"][1]["error_pct"] is None


def test_stacked_and_foreign_weights_and_a_hook_are_named_while_they_hang() -> None:
    watch = _watch("200g", "500g")
    watch.feed(_readings([0.0] * 30))
    assert watch.action == "hang 200g"
    watch.feed(_readings([6.857] * 30))
    assert "this looks like 200g and 500g" in watch.warnings[-1]
    watch.feed(_readings([0.0] * 30 + [3.1] * 30))
    assert "wrong weight" in watch.warnings[-1]
    watch.feed(_readings([0.0] * 30 + [1.96] * 30))
    assert watch.action == "take the 200g off, then hang 500g"
    hook = _watch("200g")
    hook.feed(_readings([0.35] * 30))
    assert "take off a hook" in hook.warnings[-1]
    heavy = _watch("200g")
    heavy.feed(_readings([0.9] * 30))
    assert "such as a hook" in heavy.warnings[-1]


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_the_live_force_and_what_hangs_there_are_seen_on_a_terminal(
    tmp_path: Path, form: Path
) -> None:
    end, season = TcpServer(), tmp_path / "a.season"
    # Time enough for a program that starts on a busy machine.
    with running(end, _gauge("700g", "200g", rest_s=5.0, dwell_s=5.0)):
        words = ["--port", end.address, "--format", str(form), "--season", str(season)]
        with Terminal("verify", *words, "--mass", "200g", "--mass", "500g") as terminal:
            terminal.wait("now 0.0")
            terminal.wait("this looks like 200g and 500g", 60.0)
            terminal.wait("Now take the 200g off, then hang 500g.")


def test_a_gauge_with_a_button(tmp_path: Path) -> None:
    button = tmp_path / "button.toml"
    fmt = replace(shipped_format("number-unit"), mode="button")
    button.write_text(dump_format(fmt), encoding="utf-8")
    capture = tmp_path / "c.txt"
    shown = ["0.00", "1.96", "4.91", "1.97", "0.01"]
    lines = [f"{i}000000000\t{text} N\\r\\n" for i, text in enumerate(shown, start=1)]
    capture.write_text("\n".join(lines) + "\n", encoding="ascii")
    result, error = _verify(
        *_words(tmp_path, button, capture), "--mass", "200g", "--mass", "500g", "--mass", "200g",
        "--json",
    )  # fmt: skip
    assert error is None
    light, heavy = json.loads(result.stdout)["weights"]
    assert light["readings_N"] == [1.96, 1.97]
    assert light["reversibility_pct"] == pytest.approx(0.51, abs=0.01)
    assert heavy["readings_N"] == [4.91]


def test_repeatability_over_runs(tmp_path: Path, form: Path) -> None:
    capture = _capture(tmp_path / "c.txt", _gauge("500g", "500g", "500g"))
    words = _words(tmp_path, form, capture)
    result, error = _verify(*words, "--mass", "500g", "--runs", "3", "--json")
    assert error is None
    (weight,) = json.loads(result.stdout)["weights"]
    assert len(weight["readings_N"]) == 3
    assert 0 <= weight["repeatability_pct"] < 0.7


def test_too_heavy_is_refused_before_anything(tmp_path: Path, form: Path) -> None:
    capture = _capture(tmp_path / "c.txt", _gauge("500g"))
    words = [*_words(tmp_path, form, capture), "--capacity-n", "22"]
    _, error = _verify(*words, "--mass", "500g", "--mass", "5lb")
    assert isinstance(error, InvalidValueError)
    assert "5lb" in str(error)
    assert "Do not hang it" in str(error)
    # 5 lb pulls 22.2 N; the capacity is remembered for the next time.
    assert _verify(*words, "--mass", "500g")[1] is None
    _, error = _verify(*_words(tmp_path, form, capture), "--mass", "5lb")
    assert error is not None
    assert "capacity" in str(error)


def test_cautions_come_first_and_on_stderr(tmp_path: Path, form: Path) -> None:
    capture = _capture(tmp_path / "c.txt", _gauge("500g"))
    result, _ = _verify(*_words(tmp_path, form, capture), "--mass", "500g", "--json")
    assert "falling weight" in result.stderr
    assert result.stdout.count("\n") == 1
    human, _ = _verify(*_words(tmp_path, form, capture), "--mass", "500g")
    assert "PASSED" in human.stdout
    assert "standard gravity" in human.stdout
    assert max(map(len, human.stdout.splitlines())) <= 80


def test_silence_and_foreign_lines(tmp_path: Path, form: Path) -> None:
    capture = tmp_path / "c.txt"
    capture.write_text("0\thello\\r\\n\n1000\tworld\\r\\n\n", encoding="ascii")
    _, error = _verify(*_words(tmp_path, form, capture), "--mass", "500g")
    assert isinstance(error, NothingReceivedError)
    assert "number-unit" in str(error)


def test_site_of_the_season_is_used(tmp_path: Path, form: Path) -> None:
    path = tmp_path / "a.season"
    capture = _capture(tmp_path / "c.txt", _gauge("500g"))
    words = [*_words(tmp_path, form, capture), "--mass", "500g", "--json"]
    for site in (["--latitude", "45", "--elevation", "500"], []):
        result, _ = _verify(*words, *site)
        assert json.loads(result.stdout)["gravity_m_s2"] == pytest.approx(9.804655176, abs=1e-9)
    _, error = _verify(*words, "--latitude", "99")
    assert isinstance(error, InvalidValueError)
    with open_season(path) as season:
        assert (season.latitude_deg, season.elevation_m) == (45, 500)


@pytest.mark.parametrize(
    "words", [[], ["--mass", "500g"], ["--mass", "500g", "--port", "x", "--capture", "y"],
              ["--mass", "500g", "--port", "x"],
              ["--mass", "500g", "--port", "x", "--format", "y", "--at", "2026-07-06"],
              ["--mass", "500g", "--capture", "x", "--format", "y", "--at", "monday"]],
)  # fmt: skip
def test_what_is_missing_is_said(tmp_path: Path, words: list[str]) -> None:
    result, _ = _verify("--season", str(tmp_path / "a.season"), *words)
    assert result.exit_code == 2
    assert "--" in result.output


def test_bad_masses_and_classes(tmp_path: Path, form: Path) -> None:
    capture = _capture(tmp_path / "c.txt", _gauge("500g"))
    words = _words(tmp_path, form, capture)
    for more in (["--mass", "500"], ["--mass", "300g", "--weight-class", "M1"]):
        assert isinstance(_verify(*words, *more)[1], InvalidValueError)
    result, error = _verify(*words, "--mass", "500g", "--weight-class", "M1", "--json")
    assert error is None
    limit = json.loads(result.stdout)["weights"][0]["weight_limit_pct"]
    assert limit == pytest.approx(0.005)
