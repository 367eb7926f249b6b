"""Logging from end to end: bytes in, stored berries out, nothing invented and nothing lost."""

from __future__ import annotations

import io
import json
import re
import signal
import sys
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner, Result

from calibrate.cli import group as calibrate
from gauge.commands.log import command as log
from gauge.commands.replay import command as replay
from gauge.errors import (
    AlreadyThereError,
    InvalidValueError,
    LockedSeasonError,
    NoSuchRaterError,
    NoSuchRecordError,
    NothingReceivedError,
    StorageFailedError,
)
from gauge.port.claims import claim_sample
from gauge.protocol.capture import write_capture
from gauge.protocol.formatfile import shipped_format
from gauge.records import Chunk, FingerScore, Flag, Gap, LineLost, Sample, Session, TruncatedPress
from gauge.screens.benchactions import BenchActions
from gauge.screens.plain import PlainScreen
from gauge.season.checks import check_warning
from gauge.season.file import open_season
from gauge.season.rows import VerificationRow
from gauge.session import livesession
from gauge.session.events import (
    BerryLogged,
    Notice,
    bells,
    describe,
)
from gauge.session.livesession import LiveSession
from gauge.session.recorder import BerryRecorder, DetectorSettings
from gauge.sheets.squeezes import SqueezePlan
from tests.lines import TcpLine, gauge_process, line, play, press, rest, wait_for
from tests.seasons import make_season

FMT = shipped_format("number-unit")
STEP_NS = 20_000_000


def chunks(forces: list[float], start_ns: int = 0) -> list[Chunk]:
    return [Chunk(start_ns + i * STEP_NS, line(force)) for i, force in enumerate(forces)]


BERRY = [*rest(1), *press(2.37), *rest(1)]
# A day that has begun nowhere on Earth, where the time is UTC+14 at most.
TO_COME = f"{datetime.now(UTC) + timedelta(days=2, hours=14):%Y-%m-%d}"
THREE = [*rest(1), *press(2.37), *rest(1), *press(2.5), *rest(1), *press(0.87), *rest(1)]


@pytest.fixture
def tcp():
    end = TcpLine()
    yield end
    end.close()


@pytest.fixture
def season(tmp_path):
    with open_season(tmp_path / "a.season", create=True, crop="blackberry") as file:
        yield file


def recorder_for(season, *, code: str = "C-01", **options) -> BerryRecorder:
    try:
        row = season.sample(code)
    except NoSuchRecordError:
        season.add_sample(Sample(code=code))
        row = season.sample(code)
    session_id = season.add_session(Session(started_at="2026-07-01T08:00:00Z"))
    return BerryRecorder(FMT, season=season, session_id=session_id, sample=row, **options)


def feed(recorder: BerryRecorder, items) -> list:
    return [event for item in items for event in recorder.feed(item)]


def run(command, *arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments))


# --- the use case -----------------------------------------------------------------------------


def test_berries_are_numbered_stored_and_reported(season):
    recorder = recorder_for(season)
    events = feed(recorder, chunks(THREE)) + recorder.close()
    assert [e.press.peak_shown for e in events] == ["2.37", "2.50", "0.87"]
    assert [e.number for e in events] == [1, 2, 3]
    assert events[0].document() == {
        "berry": 1, "peak": 2.37, "unit": "N", "peak_N": 2.37,
        "zero_N": pytest.approx(0.005, abs=0.003), "flags": [],
    }  # fmt: skip
    assert [row.peak_newton for row in season.berries("C-01")] == [2.37, 2.5, 0.87]
    again = recorder_for(season)
    assert [e.number for e in feed(again, chunks(BERRY))] == [4]


def test_the_trace_of_a_screen_is_bounded_and_keeps_the_largest_forces():
    recorder = BerryRecorder(FMT)
    feed(recorder, chunks(THREE * 5))
    points = recorder.trace.points
    assert len(points) == 300
    assert all(a[0] < b[0] for a, b in pairwise(points))
    assert max(force for _, force in points) == 2.5


def test_no_berry_is_reported_that_is_not_stored(season, monkeypatch):
    recorder = recorder_for(season)

    def refuse(*_, **__):
        raise StorageFailedError("disk full")

    monkeypatch.setattr(season, "acknowledge_berry", refuse)
    before, events = chunks(BERRY), []
    with pytest.raises(StorageFailedError):  # noqa: PT012
        for item in before:
            events += recorder.feed(item)
    assert not events
    assert season.berries() == []


def test_a_locked_season_delays_a_berry_and_loses_none(season, monkeypatch):
    recorder = recorder_for(season)
    real, troubles = (
        season.acknowledge_berry,
        [LockedSeasonError("held"), LockedSeasonError("held")],
    )

    def held(*arguments, **options):
        if troubles:
            raise troubles.pop()
        return real(*arguments, **options)

    monkeypatch.setattr(season, "acknowledge_berry", held)
    events = feed(recorder, chunks(BERRY))
    assert [e.kind for e in events] == ["not stored"]
    assert recorder.tick(0) == []
    [berry] = recorder.tick(0)
    assert isinstance(berry, BerryLogged)
    assert len(season.berries()) == 1


def test_what_was_received_is_written_every_second(season):
    recorder = recorder_for(season)
    sent = chunks(rest(4))
    for i, item in enumerate(sent):
        recorder.feed(item)
        recorder.tick(item.t_ns)
        if i % 9:
            continue
        with open_season(season.path, read_only=True) as other:
            kept = list(other.chunks(recorder.session_id))
        assert item.t_ns - (kept[-1].t_ns if kept else 0) <= 1_000_000_000
        assert kept == sent[: len(kept)]
    recorder.close()
    assert list(season.chunks(recorder.session_id)) == sent
    assert season.session(recorder.session_id).ended_at is not None


def test_a_press_cut_by_a_gap_is_no_berry(season):
    recorder = recorder_for(season)
    half = [*rest(1), *press(2.0)[:25]]
    events = feed(recorder, chunks(half))
    lost_ns = len(half) * STEP_NS
    events += recorder.feed(LineLost(t_ns=lost_ns, reason="the port went away"))
    assert [type(e) for e in events] == [TruncatedPress, LineLost]
    assert events[0].largest_newton > 1.9
    back = lost_ns + 3_000_000_000
    gap = Gap(lost_ns, back, "the port went away")
    # The line comes back in mid-line and in mid-press, and only then is there a whole berry.
    later = [Chunk(back, b"7.50 N\r\n"), *chunks([*press(1.9)[25:], *BERRY], back + STEP_NS)]
    events = feed(recorder, [gap, *later]) + recorder.close()
    assert [e.press.peak_shown for e in events if isinstance(e, BerryLogged)] == ["2.37"]
    assert [e for e in events if isinstance(e, Gap)] == [gap]
    assert season.gaps(recorder.session_id) == [gap]


def test_the_end_in_mid_press_is_no_berry(season):
    recorder = recorder_for(season)
    events = feed(recorder, chunks([*rest(1), *press(2.0)[:30]])) + recorder.close()
    assert [type(e) for e in events] == [TruncatedPress]
    assert season.berries() == []


def test_no_more_berries_than_required(season):
    recorder = recorder_for(season, n_required=2)
    events = feed(recorder, chunks(THREE)) + recorder.close()
    assert [type(e) for e in events] == [BerryLogged, BerryLogged, Notice]
    assert events[-1].kind == "refused"
    assert recorder.done
    assert len(season.berries()) == 2


def test_silence_and_garbage_are_kept_apart(season):
    recorder = recorder_for(season)
    feed(recorder, chunks(rest(1)))
    [silent] = recorder.tick(8_000_000_000)
    assert silent.kind == "silent"
    assert silent.text.startswith("nothing received for 7 s.")
    assert recorder.tick(9_000_000_000) == []
    feed(recorder, chunks(rest(1), 9_000_000_000))
    recorder.feed(Chunk(10_000_000_000, b"\xfe\x07garbage\r\n"))
    [silent] = recorder.tick(16_000_000_000)
    assert silent.kind == "unreadable"
    assert recorder.framer.counts.rejected == 1


def test_more_lines_than_can_be_read_are_told_and_no_silence(season, monkeypatch):
    recorder = recorder_for(season)
    reader = SimpleNamespace(now_ns=0, started_at="2026-07-01T08:00:00Z", port="socket://a:1")
    coming = chunks(THREE)
    reader.get = lambda _: [coming.pop(0) for _ in [*coming]]
    reader.stop = lambda: None
    monkeypatch.setattr(livesession, "_SLICE_S", -1.0)  # one chunk and no more in each turn
    with LiveSession(
        reader=reader,
        fmt=FMT,
        season=season,
        sample=recorder.sample,
        session=Session(started_at=""),
    ) as live:
        told = []
        for _ in range(100):
            reader.now_ns += 1_000_000_000
            told += live.poll()
        assert {event.kind for event in told} == {"behind"}
        seconds = [re.search(r"came (\d+) s ago", event.text)[1] for event in told]
        assert seconds == ["3", "7", "15", "30", "62"]
        assert "MORE LINES COME THAN CAN BE READ" in describe(told[0], "socket://a:1")
        assert [e.press.peak_shown for e in live.finish()] == ["2.37", "2.50", "0.87"]


def test_a_pause_is_a_gap_and_logs_nothing(season):
    recorder = recorder_for(season)
    first = chunks(rest(1))
    feed(recorder, first)
    now = first[-1].t_ns + STEP_NS
    recorder.pause(now)
    inside = chunks(BERRY, now)
    [event] = feed(recorder, inside)
    assert "logging is paused" in event.text
    assert season.berries() == []
    end = inside[-1].t_ns + STEP_NS
    recorder.resume(end)
    events = feed(recorder, chunks(BERRY, end + STEP_NS))
    assert [e.number for e in events] == [1]
    assert [gap.reason for gap in season.gaps(recorder.session_id)] == ["paused"]


def test_a_void_frees_the_number(season):
    recorder = recorder_for(season)
    feed(recorder, chunks(BERRY))
    with pytest.raises(InvalidValueError):
        recorder.void_last(" ")
    assert recorder.void_last("slipped").number == 1
    with pytest.raises(NoSuchRecordError):
        recorder.void_last("again")
    [berry] = feed(recorder, chunks(BERRY, 10_000_000_000))
    assert berry.number == 1
    assert [(row.number, row.void) for row in season.berries()] == [(1, "slipped"), (1, None)]


def test_another_sample_goes_on_in_the_same_session(season):
    recorder = recorder_for(season)
    feed(recorder, chunks(BERRY))
    season.add_sample(Sample(code="C-02"))
    recorder.change_sample(season.sample("C-02"), 4_000_000_000, None)
    feed(recorder, chunks(BERRY, 4_100_000_000))
    assert [(row.sample, row.number) for row in season.berries()] == [("C-01", 1), ("C-02", 1)]


def test_a_berry_without_its_scores_never_reaches_another_sample(season):
    recorder = recorder_for(season, raters=("ines",))
    feed(recorder, chunks(BERRY))
    season.add_sample(Sample(code="C-02"))
    events = recorder.change_sample(season.sample("C-02"), 4_000_000_000, None)
    assert [e.kind for e in events] == ["refused"]
    recorder.score("ines", "2")
    assert season.berries() == []
    [berry] = feed(recorder, chunks(BERRY, 4_100_000_000))
    assert [(row.sample, row.number) for row in season.berries()] == [("C-02", berry.number)]


def test_a_locked_season_never_lends_scores_to_another_berry(season, monkeypatch):
    recorder = recorder_for(season, raters=("ines",))
    recorder.score("ines", "2")

    def held(*_, **__):
        raise LockedSeasonError("held")

    with monkeypatch.context() as patch:
        patch.setattr(season, "acknowledge_berry", held)
        patch.setattr(season, "keep_chunks", held)
        patch.setattr(season, "keep_gap", held)
        feed(recorder, chunks(BERRY))
        recorder.feed(Gap(4_000_000_000, 4_100_000_000, "unplugged"))
        events = feed(recorder, chunks(BERRY, 4_200_000_000))
        assert [e.kind for e in events] == ["scores missing"]
    assert isinstance(recorder.tick(9_000_000_000)[0], BerryLogged)
    recorder.score("ines", "4")
    assert [row.scores[0].score for row in season.berries()] == ["2", "4"]
    recorder.close()
    assert [gap.reason for gap in season.gaps(recorder.session_id)] == ["unplugged"]
    received = [*chunks(BERRY), *chunks(BERRY, 4_200_000_000)]
    assert list(season.chunks(recorder.session_id)) == received


def test_a_berry_that_is_not_stored_yet_holds_the_sample(season, monkeypatch):
    recorder = recorder_for(season)
    season.add_sample(Sample(code="C-02"))

    def held(*_, **__):
        raise LockedSeasonError("held")

    with monkeypatch.context() as patch:
        patch.setattr(season, "acknowledge_berry", held)
        feed(recorder, chunks(BERRY))
        with pytest.raises(LockedSeasonError, match="not stored yet"):
            recorder.change_sample(season.sample("C-02"), 4_000_000_000, None)
    recorder.tick(0)
    assert [row.sample for row in season.berries()] == ["C-01"]


# --- blind finger scores ----------------------------------------------------------------------


def test_force_stays_hidden_until_all_scores_are_in(season):
    recorder = recorder_for(season, raters=("ines", "marek"))
    [event] = feed(recorder, chunks(BERRY))
    assert event.kind == "scores missing"
    assert "ines, marek" in event.text
    assert season.berries() == []
    assert recorder.score("marek", "2") == []
    with pytest.raises(InvalidValueError, match="not a score"):
        recorder.score("ines", "6")
    with pytest.raises(InvalidValueError, match="no berries here"):
        recorder.score("odile", "2")
    [berry] = recorder.score("ines", "3")
    assert berry.press.peak_shown == "2.37"
    [row] = season.berries()
    given = [(s.rater, s.score, s.squeeze_order) for s in row.scores]
    assert given == [("marek", "2", 1), ("ines", "3", 2)]


def test_scores_may_come_before_the_press(season):
    recorder = recorder_for(season, raters=("ines", "marek"))
    recorder.score("ines", "1")
    assert recorder.pending.take_back() == "ines"
    recorder.score("ines", "2")
    recorder.score("marek", "2")
    [berry] = feed(recorder, chunks(BERRY))
    assert berry.scores == (
        FingerScore(rater="ines", score="2", squeeze_order=1),
        FingerScore(rater="marek", score="2", squeeze_order=2),
    )
    assert recorder.missing == ("marek", "ines")  # each squeeze softens a berry: they take turns


def test_a_season_plans_berries_pressed_only_and_squeezed_again(season):
    plan = SqueezePlan(press_only=2, again=2, seed=3)  # of two berries the first is pressed only
    season.set_setting("squeezes", plan.setting())
    recorder = recorder_for(season, raters=("ines", "marek"))
    assert recorder.missing == ()
    assert recorder.turns == "berry 1 is pressed WITHOUT a squeeze"
    with pytest.raises(InvalidValueError, match="WITHOUT a squeeze"):
        recorder.score("ines", "2")
    [only] = feed(recorder, chunks(BERRY))
    with pytest.raises(InvalidValueError, match="without a squeeze"):
        recorder.score_last("ines", "2")
    first, second = plan.turns(("ines", "marek"), 1, 2).raters[:2]
    for label in ("3", "2", "1"):
        recorder.score(recorder.missing[0], label)
    [again] = feed(recorder, chunks(BERRY, start_ns=10**10))
    assert (only.press_only, again.press_only) == (True, False)
    recorder.correct_score(first, "4", 2)
    rows = season.berries()
    assert (rows[0].press_only, rows[0].scores) == (True, ())
    given = [(s.rater, s.score, s.occasion, s.squeeze_order) for s in rows[1].scores]
    assert given == [(first, "3", 1, 1), (second, "2", 1, 2), (first, "4", 2, 3)]


def test_turns_that_a_locked_season_hides_are_looked_up_again(season, monkeypatch):
    season.set_setting("squeezes", SqueezePlan(press_only=2, seed=3).setting())
    with monkeypatch.context() as patch:

        def held(name):
            raise LockedSeasonError("held")

        patch.setattr(season, "setting", held)
        recorder = recorder_for(season, raters=("ines", "marek"))
        assert recorder.missing == ("ines", "marek")
        recorder.tick(0)
    recorder.tick(1)
    assert recorder.pending.turns.press_only
    # In a replay nobody can be told to leave the squeezes out.
    assert not recorder_for(season).pending.turns.press_only


def test_a_second_press_before_the_scores_is_refused(season):
    recorder = recorder_for(season, raters=("ines",))
    events = feed(recorder, chunks(THREE))
    assert [e.kind for e in events] == ["scores missing", "refused", "refused"]
    events = recorder.close()
    assert [e.kind for e in events] == ["refused"]
    assert season.berries() == []


def test_berry_and_scores_are_one_transaction(season, monkeypatch):
    recorder = recorder_for(season, raters=("ines",))
    recorder.score("ines", "2")
    monkeypatch.setattr(type(season), "labels", ("1", "9"))  # the score is refused in the store
    with pytest.raises(InvalidValueError):
        feed(recorder, chunks(BERRY))
    assert season.columns("berries", ["berry_id"]) == {"berry_id": []}


# --- the limits of the gauge -----------------------------------------------------------------


@pytest.mark.parametrize(("capacity", "flagged", "told"), [(2.6, 0, 0), (2.4, 1, 0), (2.3, 1, 1)])
def test_a_peak_near_the_rating_is_flagged_and_one_above_it_told(season, capacity, flagged, told):
    recorder = recorder_for(season, settings=DetectorSettings(capacity_newton=capacity))
    berry, *said = feed(recorder, chunks(BERRY))
    assert berry.press.peak_newton == 2.37
    assert (Flag.OVERLOAD in berry.press.flags) == flagged
    assert [event.kind for event in said] == ["too hard"] * told
    assert all("2.37 N, but the gauge is rated for 2.3 N" in event.text for event in said)
    assert all(bells(event) == 3 and "TOO HARD" in describe(event, "") for event in said)
    assert len(season.berries()) == 1  # kept


def test_a_peak_far_below_the_usual_one_is_kept_and_told(season):
    """A head that is wiped makes such forces: one berry too many shifts the numbers of all."""
    recorder = recorder_for(season)
    forces = [force for peak in (6.2, 7.1, 0.4, 0.15) for force in (*rest(1), *press(peak))]
    *berries, said = feed(recorder, chunks([*forces, *rest(1)]))
    assert [round(berry.press.peak_newton, 2) for berry in berries] == [6.2, 7.1, 0.4, 0.15]
    assert said.text == "0.15 N is far below the usual 3.30 N. If nothing was pressed, void it."
    assert len(season.berries()) == 4


@pytest.mark.slow
def test_the_rating_is_remembered_with_its_gauge(tcp, tmp_path):
    path = tmp_path / "b.season"
    words = ["--port", tcp.url, "--format", "number-unit", "--season", str(path), "--berries", "1"]
    words += ["--sample", "C-07", "--crop", "blackberry", "--new"]
    flags = []
    for more in (["--gauge", "a", "--capacity-n", "2.4"], ["--gauge", "a"], ["--gauge", "b"], []):
        threading.Thread(target=lambda: play(tcp.accept().sendall, BERRY), daemon=True).start()
        result = run(log, *words, *more, "--json")
        flags.append("overload" in json.loads(result.stdout)["flags"])
    assert flags == [True, True, False, False]
    with open_season(path) as season:
        capacities = [row.session.capacity_newton for row in season.sessions()]
    assert capacities == [2.4, 2.4, None, None]


def test_a_word_that_the_format_does_not_know_is_to_be_learned(season):
    recorder = recorder_for(season)
    forces = [*rest(1), *press(5.0), *rest(1)]
    items = [
        Chunk(item.t_ns, b"OVERRANGE\r\n") if force > 4.2 else item
        for item, force in zip(chunks(forces), forces, strict=True)
    ]
    berry, said = feed(recorder, items)
    assert Flag.PEAK_MAY_BE_HIGHER in berry.press.flags
    assert said.kind == "unread in press"
    assert said.text.startswith(f"{sum(force > 4.2 for force in forces)} lines of that press")
    assert "gauge learn" in describe(said, "")


# --- gauge log --------------------------------------------------------------------------------


@pytest.mark.slow
def test_log_over_tcp_prints_the_contract_lines(tcp, tmp_path):
    path = tmp_path / "b.season"
    threading.Thread(target=lambda: play(tcp.accept().sendall, THREE), daemon=True).start()
    result = run(
        log, "--port", tcp.url, "--format", "number-unit", "--season", str(path),
        "--sample", "C-07", "--crop", "raspberry", "--selection", "R-114", "--berries", "3",
        "--json", "--verify-days", "7",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert [json.loads(text) for text in result.stdout.splitlines()] == [
        {
            "berry": i,
            "peak": peak,
            "unit": "N",
            "peak_N": peak,
            "zero_N": pytest.approx(0.005, abs=0.003),
            "flags": [],
        }
        for i, peak in enumerate((2.37, 2.5, 0.87), 1)
    ]
    assert "never checked" in result.stderr
    with open_season(path) as season:
        assert season.labels == ("firm", "soft")
        assert season.sample("C-07").sample.selection == "R-114"
        [session] = season.sessions()
        assert session.ended_at is not None
        assert session.session.port == tcp.url


@pytest.mark.slow
@pytest.mark.parametrize("code", ["b-01", "B-01 ", "B - 01"])
def test_log_matches_codes_whatever_their_case_and_spaces(tcp, tmp_path, code):
    path = tmp_path / "d.season"
    with open_season(path, create=True) as season:
        season.add_sample(Sample(code="B-01", plan_order=1))
    threading.Thread(target=lambda: play(tcp.accept().sendall, BERRY), daemon=True).start()
    result = run(
        log, "--port", tcp.url, "--format", "number-unit", "--season", str(path),
        "--sample", code, "--berries", "1", "--plain",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    with open_season(path) as season:
        assert [(row.sample.code, row.berries) for row in season.samples()] == [("B-01", 1)]


@pytest.mark.slow
@pytest.mark.parametrize("new", [False, True])
def test_log_begins_no_sample_that_the_plan_does_not_know_unless_told_to(tcp, tmp_path, new):
    path = tmp_path / "d.season"
    with open_season(path, create=True) as season:
        season.add_sample(Sample(code="B26-01", plan_order=1))
    threading.Thread(target=lambda: play(tcp.accept().sendall, BERRY), daemon=True).start()
    words = ["--port", tcp.url, "--format", "number-unit", "--season", str(path)]
    result = run(log, *words, "--sample", "B26_01", "--berries", "1", *(["--new"] if new else []))
    assert (result.exit_code == 0) is new
    with open_season(path) as season:
        assert len(season.samples()) == 1 + new
    if not new:
        assert isinstance(result.exception, NoSuchRecordError)
        assert "The nearest is B26-01" in str(result.exception)


@pytest.mark.slow
def test_a_full_sample_takes_no_more_unless_told_to(tcp, tmp_path):
    path = tmp_path / "d.season"
    words = ["--port", tcp.url, "--format", "number-unit", "--season", str(path), "--sample", "A"]

    def gauge() -> None:
        for _ in range(4):
            play(tcp.accept().sendall, THREE)

    threading.Thread(target=gauge, daemon=True).start()
    done = run(log, *words, "--planned", "2", "--plain")
    assert "sample A: 2 of 2 berries logged, and it is full.\n" in done.stderr
    full = run(log, *words, "--berries", "1")
    assert isinstance(full.exception, AlreadyThereError)
    assert "sample A is full: 2 of 2" in str(full.exception)
    done = run(log, *words, "--berries", "1", "--more")
    assert done.exit_code == 0
    with open_season(path) as season:
        assert [row.number for row in season.berries()] == [1, 2, 3]
        for row in season.berries()[:2]:
            season.void(row.berry_id, "slipped off")
    done = run(log, *words, "--berries", "1")
    # The number on the screen is the one on the tray, whatever was voided.
    assert ": sample A, berry 4, 1 of 2 logged. " in done.stderr
    assert "berry 4: 2.37 N" in done.stdout


@pytest.mark.parametrize("what", ["port", "format", "capture"])
def test_a_command_that_fails_begins_no_season(tmp_path, what):
    path, capture = tmp_path / "n.season", tmp_path / "x.capture"
    capture.write_text("1\tnonsense\\r\\n\n", "utf-8")
    words = ["--format", "none.toml" if what == "format" else "number-unit", "--season", str(path)]
    if what == "capture":
        result = run(replay, str(capture), *words, "--sample", "A")
    else:
        result = run(log, "--port", str(tmp_path / "gone"), *words, "--sample", "A")
    assert result.exit_code != 0
    assert list(tmp_path.iterdir()) == [capture]


@pytest.mark.parametrize(
    ("option", "value", "message"),
    [
        ("--harvest-date", "14/07/2026", "no day such as"),
        ("--raters", ",", "names nobody"),
        ("--harvest-date", TO_COME, "is still to come"),
    ],
)
def test_log_refuses_what_it_would_store_wrongly(tmp_path, option, value, message):
    path = tmp_path / "e.season"
    result = run(log, "--port", "x", "--format", "number-unit", "--season", str(path),
                 "--sample", "A", option, value)  # fmt: skip
    assert result.exit_code == 2
    assert message in result.stderr
    assert not path.exists()


@pytest.mark.slow
def test_log_goes_on_after_a_hang_up_in_mid_press(tcp, tmp_path):
    def gauge() -> None:
        play(tcp.accept().sendall, [*rest(1), *press(3.0)[:30]]).join()
        tcp.hang_up()
        play(tcp.accept().sendall, BERRY)

    threading.Thread(target=gauge, daemon=True).start()
    result = run(
        log, "--port", tcp.url, "--format", "number-unit", "--season", str(tmp_path / "c.season"),
        "--sample", "C-07", "--berries", "1", "--plain",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert result.stdout == "berry 1: 2.37 N\n"
    assert "Press again" in result.stderr
    assert "gap of" in result.stderr
    assert "sample C-07: 1 of 1 berries logged.\n" in result.stderr


@pytest.mark.slow
@pytest.mark.timeout(60)
@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_ctrl_c_ends_cleanly_and_keeps_what_was_received(tcp, tmp_path, name):
    path = tmp_path / "d.season"
    words = ["--format", "number-unit", "--season", str(path), "--sample", "A", "--json"]
    with gauge_process("log", "--port", tcp.url, *words) as process:
        play(tcp.accept().sendall, BERRY).join()
        wait_for(process.stdout.readline)
        process.send_signal(getattr(signal, name))
        assert process.wait(10) == 0, process.stderr.read()
    with open_season(path) as season:
        [session] = season.sessions()
        assert session.ended_at is not None
        received = b"".join(chunk.data for chunk in season.chunks(session.session_id))
        assert received in b"".join(map(line, [*rest(1, rate_hz=200), *BERRY]))
        assert len(received) > 900


def test_log_in_silence_ends_when_asked_to(tcp, tmp_path):
    threading.Thread(target=tcp.accept, daemon=True).start()
    result = run(
        log, "--port", tcp.url, "--format", "number-unit", "--season", str(tmp_path / "e.season"),
        "--sample", "A", "--berries", "2", "--stop-after-silence", "0.5",
    )  # fmt: skip
    assert isinstance(result.exception, NothingReceivedError)
    assert "0 of 2" in str(result.exception)


@pytest.mark.slow
def test_blind_scores_are_typed_in_plain_mode(tcp, tmp_path):
    threading.Thread(target=lambda: play(tcp.accept().sendall, BERRY), daemon=True).start()
    path = tmp_path / "f.season"
    result = CliRunner().invoke(
        log,
        ["--port", tcp.url, "--format", "number-unit", "--season", str(path), "--sample", "A",
         "--berries", "1", "--plain", "--raters", "ines,marek", "--blind"],
        input="3\nseven\n4\n",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "'seven' is not a score" in result.stderr
    assert result.stdout == "berry 1: 2.37 N, ines 3, marek 4\n"


def test_a_rater_whom_the_season_does_not_know_is_refused_at_the_start(tcp, tmp_path):
    threading.Thread(target=tcp.accept, daemon=True).start()
    path = make_season(tmp_path / "a.season", berries=1)
    line = ["--port", tcp.url, "--format", "number-unit", "--season", str(path), "--sample", "C01",
            "--plain", "--raters", "Ines,mareck"]  # fmt: skip
    result = run(log, *line)
    assert isinstance(result.exception, NoSuchRaterError)
    assert "'mareck'" in str(result.exception)


@pytest.mark.slow
def test_raters_named_once_stay_known_though_they_score_nothing(tmp_path):
    path = tmp_path / "a.season"

    def logged(*more):
        line = TcpLine()
        threading.Thread(target=lambda: play(line.accept().sendall, BERRY), daemon=True).start()
        result = run(
            log, "--port", line.url, "--format", "number-unit", "--season", str(path), "--sample",
            "A", "--berries", "1", "--plain", "--stop-after-silence", "5", *more,
        )  # fmt: skip
        line.close()
        return result

    assert logged("--raters", "ines,marek").exit_code == 0
    with open_season(path) as season:
        season.add_scores([(1, FingerScore(rater="ines", score="3"))])
    assert logged("--raters", "ines,Marek").exit_code == 0
    assert isinstance(logged("--raters", "ines,mareck").exception, NoSuchRaterError)
    assert logged("--raters", "ines,tove", "--new-rater", "tove").exit_code == 0
    assert logged("--raters", "marek,tove").exit_code == 0
    with open_season(path) as season:
        assert season.rater_names() == ["ines", "marek", "tove"]
        assert season.differences() == []
    status = CliRunner().invoke(calibrate, ["status", str(path)])
    assert "qualified" not in status.stdout  # nobody said so


def test_plain_mode_takes_words(season, capsys, monkeypatch):
    recorder = recorder_for(season)
    feed(recorder, chunks(BERRY))
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    session = SimpleNamespace(
        recorder=recorder, season=season, reader=SimpleNamespace(device="p", port="p")
    )
    screen = PlainScreen(BenchActions(session), as_json=False)
    for typed in ("score ines 4", "note leaky at the stem", "void slipped", "void again", "what?"):
        screen.act(typed)
    printed = capsys.readouterr().err
    [row] = season.berries()
    assert (row.void, [(s.rater, s.score) for s in row.scores]) == ("slipped", [("ines", "4")])
    assert season.notes()[0].text == "leaky at the stem"
    assert "no berry has been logged yet" in printed
    assert "'what?' is not understood" in printed


def test_plain_mode_refuses_a_number_outside_the_list_and_an_unknown_rater(
    season, capsys, monkeypatch
):
    recorder = recorder_for(season)
    feed(recorder, chunks(BERRY))
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    screen = PlainScreen(
        BenchActions(SimpleNamespace(recorder=recorder, season=season)), as_json=False
    )
    for typed in ("score ines 4", "score 9 3", "score ann 3", "void 9"):
        screen.act(typed)
    printed = capsys.readouterr().err
    [row] = season.berries()
    assert (row.void, [(s.rater, s.score) for s in row.scores]) == (None, [("ines", "4")])
    assert "a rater's name, not '9'" in printed
    assert "'ann' has scored nothing" in printed
    assert "9 is not in the list:  [1] slipped" in printed
    screen.act("void 1")
    assert [row.void for row in season.berries()] == ["slipped"]


def test_plain_mode_pauses_goes_on_undoes_and_says_how_far_it_is(season, capsys, monkeypatch):
    season.add_samples([Sample(code=f"P-{i}", plan_order=i, berries_planned=2) for i in (1, 2)])
    recorder = recorder_for(season, code="P-1", n_required=2)
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    reader = SimpleNamespace(device="p", port="p", now_ns=0)
    session = SimpleNamespace(
        recorder=recorder, season=season, reader=reader,
        toggle_pause=lambda: (recorder.pause if recorder.paused_ns is None else recorder.resume)(1),
        change_sample=lambda row, n: recorder.change_sample(row, 1, n),
    )  # fmt: skip
    screen = PlainScreen(BenchActions(session), as_json=False)
    feed(recorder, chunks(BERRY))
    for typed in ("help", "void slipped", "undo", "undo", "pause", "pause", "next p_2", "next"):
        screen.act(typed)
    printed = capsys.readouterr().err
    assert [row.void for row in season.berries()] == [None]
    for told in (
        "'pause' (and again to go on)", "Berry 1 counts again", "nothing of this session can be",
        "Paused: presses are not logged", "Logging again", "The nearest is P-2",
        "sample P-2, sample 1 of 2, berry 1 of 2",
    ):  # fmt: skip
        assert told in printed
    assert recorder.sample.sample.code == "P-2"


def test_plain_mode_takes_a_score_back_and_asks_again(season, capsys, monkeypatch):
    recorder = recorder_for(season, raters=("ines", "marek"))
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    session = SimpleNamespace(recorder=recorder, season=season)
    screen = PlainScreen(BenchActions(session), as_json=False)
    for typed in ("5", "undo"):
        screen.act(typed)
    said = capsys.readouterr().err.partition("The score of ines is taken back.\n")[2]
    assert said.endswith("Score of berry 1 by ines?\n")


def test_a_second_logger_of_the_sample_is_refused(tcp, tmp_path):
    path = tmp_path / "g.season"
    with open_season(path, create=True) as season:
        season.add_sample(Sample(code="A"))
    with claim_sample(path, "A"):
        result = run(
            log, "--port", tcp.url, "--format", "number-unit", "--season", str(path),
            "--sample", "A",
        )  # fmt: skip
    assert isinstance(result.exception, LockedSeasonError)


@pytest.mark.slow
def test_the_plan_is_worked_through_in_its_order(tcp, tmp_path):
    path = tmp_path / "h.season"
    with open_season(path, create=True) as season:
        season.add_samples(
            [
                Sample(code="P-1", plan_order=2, berries_planned=1),
                Sample(code="P-2", plan_order=1, berries_planned=2),
            ]
        )

    def gauge() -> None:
        for forces in (THREE, BERRY):
            play(tcp.accept().sendall, forces)

    threading.Thread(target=gauge, daemon=True).start()
    for _ in range(2):
        arguments = ["--port", tcp.url, "--format", "number-unit", "--season", str(path), "--next"]
        result = run(log, *arguments)
        assert result.exit_code == 0, result.output
    with open_season(path) as season:
        assert [(r.sample, r.number) for r in season.berries()] == [
            ("P-1", 1), ("P-2", 1), ("P-2", 2)
        ]  # fmt: skip
    result = run(log, *arguments)
    assert isinstance(result.exception, Exception)


# --- gauge replay -----------------------------------------------------------------------------


def capture_file(tmp_path: Path, items) -> Path:
    path = tmp_path / "x.capture"
    path.write_text("\n".join(write_capture(items)) + "\n")
    return path


def test_replay_gives_the_lines_of_log(season, tmp_path):
    recorder = recorder_for(season)
    logged = [event.document() for event in feed(recorder, chunks(THREE))]
    recorder.close()
    path = capture_file(tmp_path, season.received(recorder.session_id))
    result = run(replay, str(path), "--format", "number-unit", "--json")
    assert result.exit_code == 0
    assert [json.loads(text) for text in result.stdout.splitlines()] == logged


def test_replay_honours_gaps_and_a_cut_end(tmp_path):
    whole = chunks(BERRY)
    cut = 70
    gap = Gap(whole[cut].t_ns, whole[cut].t_ns, "unplugged")
    path = capture_file(tmp_path, [*whole[:cut], gap, *whole[cut:]])
    result = run(replay, str(path), "--format", "number-unit", "--json")
    assert (result.exit_code, result.stdout) == (0, "")
    path = capture_file(tmp_path, whole[:90])
    assert run(replay, str(path), "--format", "number-unit", "--json").stdout == ""


def test_the_same_capture_is_not_stored_twice(tmp_path):
    path = capture_file(tmp_path, chunks(THREE))
    where = ["--format", "number-unit", "--season", str(tmp_path / "r.season"), "--sample", "A"]
    first = run(replay, str(path), *where, "--json")
    assert len(first.stdout.splitlines()) == 3
    again = run(replay, str(path), *where)
    assert isinstance(again.exception, AlreadyThereError)
    other = run(replay, str(path), *where[:-1], "B", "--json")
    assert len(other.stdout.splitlines()) == 3
    with open_season(tmp_path / "r.season") as season:
        assert len(season.berries()) == 6
        assert list(season.chunks(1)) == chunks(THREE)


def test_replay_begins_no_phantom_sample_and_fills_no_full_one(tmp_path):
    path, season = capture_file(tmp_path, chunks(THREE)), tmp_path / "r.season"
    with open_season(season, create=True) as file:
        file.add_samples([Sample(code="B-01", berries_planned=3, plan_order=1)])
    where = [str(path), "--format", "number-unit", "--season", str(season), "--sample"]
    unknown = run(replay, *where, "B-11")
    assert isinstance(unknown.exception, NoSuchRecordError)
    assert "The nearest is B-01. --new begins a sample" in str(unknown.exception)
    assert run(replay, *where, "b-01 ").exit_code == 0
    other = capture_file(tmp_path, [Chunk(t_ns + 1, data) for t_ns, data in chunks(THREE)])
    full = run(replay, *where, "B-01")
    assert isinstance(full.exception, AlreadyThereError)
    assert "sample B-01 is full: 3 of 3" in str(full.exception)
    assert run(replay, str(other), *where[1:], "B-01", "--more").exit_code == 0
    assert run(replay, *where, "B-11", "--new").exit_code == 0
    with open_season(season) as file:
        assert [row.berries for row in file.samples()] == [6, 3]


def test_a_slip_that_begins_a_season_or_a_sample_is_told_with_what_is_near(tmp_path):
    capture = capture_file(tmp_path, chunks(THREE))

    def told(season: str, code: str, *more: str) -> str:
        words = [str(capture), "--format", "number-unit", "--season", str(tmp_path / season)]
        result = run(replay, *words, "--sample", code, *more)
        assert result.exit_code == 0
        return result.stderr

    assert "2026.season did not exist, and is begun.\n" in told("2026.season", "C-07")
    said = told("2062.season", "C-07")
    assert "2062.season did not exist, and is begun. Beside it there is 2026.season.\n" in said
    said = told("2026.season", "C-70")
    assert "2026.season knows no sample 'C-70': it is begun. The nearest is C-07.\n" in said
    assert "begun" not in told("2026.season", "C-71", "--new")
    words = ["--format", "number-unit", "--season", str(capture / "a.season"), "--sample", "A"]
    assert "begun" not in run(replay, str(capture), *words).stderr


def test_a_capture_in_another_format_says_so(tmp_path):
    path = capture_file(tmp_path, [Chunk(i, b"what is this\r\n") for i in range(9)])
    result = run(replay, str(path), "--format", "number-unit")
    assert isinstance(result.exception, NothingReceivedError)


# --- the last check of the gauge --------------------------------------------------------------


def verification(at: str, *, passed: bool, serial: str | None = None) -> VerificationRow:
    return VerificationRow(
        verification_id=1, at=at, gauge=None, gauge_serial=serial, gravity_from="",
        tolerance_pct=1.0, passed=passed, result={},
    )  # fmt: skip


def test_an_old_failed_or_missing_check_is_reported():
    now = datetime(2026, 7, 20, tzinfo=UTC)
    good = verification("2026-07-18T08:00:00Z", passed=True, serial="F-1")
    ours = {"gauge_serial": "f-1 ", "now": now}
    assert check_warning([good], days=7, **ours) is None
    assert "2 days old" in check_warning([good], days=1, **ours)
    bad = verification("2026-07-19T08:00:00Z", passed=False, serial="F-1")
    assert "FAILED" in check_warning([good, bad], days=7, **ours)
    assert "never checked" in check_warning([good], days=7, now=now, gauge_serial="F-2")


def test_a_check_vouches_for_its_own_gauge_alone():
    now = datetime(2026, 7, 20, tzinfo=UTC)
    check = replace(verification("2026-07-18T08:00:00Z", passed=True), gauge="A")
    assert check_warning([check], days=7, now=now, gauge="a") is None
    assert "never checked" in check_warning([check], days=7, now=now, gauge="B")
    assert "no name" in check_warning([check], days=7, now=now)
    # Where both have a serial number, it decides; a name may be given to a new gauge.
    numbered = replace(check, gauge_serial="F-1")
    assert check_warning([numbered], days=7, now=now, gauge="A") is None
    assert "never" in check_warning([numbered], days=7, now=now, gauge="A", gauge_serial="F-2")


@pytest.mark.parametrize("bytes_came", ["", ": 0.0{} N"])
def test_the_same_gap_is_not_reported_without_end(capsys, bytes_came):
    session = SimpleNamespace(
        reader=SimpleNamespace(device="COM9"), recorder=BerryRecorder(FMT), season=None
    )
    screen = PlainScreen(BenchActions(session), as_json=False)
    reason = "bytes that no request asked for" + bytes_came
    screen.show([Gap(i, i + 1, reason.format(i % 3)) for i in range(50)])
    printed = capsys.readouterr().err.splitlines()
    assert len(printed) == 4
    assert "again and again" in printed[-1]
    assert "gauge learn" in printed[-1]
    screen.show([Gap(2, 3, "the port went away")])
    assert "the port went away" in capsys.readouterr().err
