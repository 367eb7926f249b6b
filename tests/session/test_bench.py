"""The bench screen: what it shows at any size, what its keys do, and figures against a handbook."""

from __future__ import annotations

import io
import sys
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gauge.cli import group
from gauge.records import Compression, FingerScore, Flag, Sample
from gauge.season.file import open_season
from gauge.session.bench import named
from gauge.session.benchactions import BenchActions
from gauge.session.benchview import HEIGHT, BenchState, bars, big, draw
from gauge.session.events import BerryLogged
from gauge.session.precision import berries_needed, summarise
from gauge.session.recorder import DetectorView
from gauge.units import Unit
from tests.lines import PtyLine, play, press, rest
from tests.session.test_log import chunks, recorder_for

BERRY = [*rest(1), *press(2.37), *rest(1)]


@pytest.fixture
def season(tmp_path):
    with open_season(tmp_path / "a.season", create=True, crop="blackberry") as file:
        yield file


class FakeSession:
    """A session without a port: its clock and its chunks are handed in."""

    def __init__(self, season, **options) -> None:
        self.season = season
        self.recorder = recorder_for(season, **options)
        self.reader = SimpleNamespace(now_ns=0, device="/dev/gauge")

    def receive(self, forces):
        events = []
        for item in chunks(forces, self.reader.now_ns):
            events += self.recorder.feed(item)
            self.reader.now_ns = item.t_ns + 20_000_000
        return events

    def toggle_pause(self):
        paused = self.recorder.paused_ns is not None
        change = self.recorder.resume if paused else self.recorder.pause
        return change(self.reader.now_ns)

    def change_sample(self, sample, n_required=None):
        return self.recorder.change_sample(sample, self.reader.now_ns, n_required)


def keyed(actions: BenchActions, *keys: str) -> list:
    return [event for key in keys for event in actions.press(key)]


# --- figures ----------------------------------------------------------------------------------


def test_mean_and_interval_as_in_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.2, ZARR13.DAT: N 195, mean 9.261460,
    # standard deviation 0.022789, 95 % limits 9.258242 and 9.264679 (figures from memory; the
    # data are not copied, so a sample of that mean and deviation stands in).
    n, mean, sd = 195, 9.261460, 0.022789
    data = [mean + sd * (-1) ** i for i in range(n - 1)] + [mean]
    found = summarise(data)
    assert found.mean_newton == pytest.approx(mean, abs=1e-9)
    assert found.sd_newton == pytest.approx(sd, abs=1e-9)
    assert found.mean_newton - found.half_width_newton == pytest.approx(9.258242, abs=2e-6)
    assert found.mean_newton + found.half_width_newton == pytest.approx(9.264679, abs=2e-6)


@given(st.lists(st.floats(0.05, 30), min_size=2, max_size=60))
def test_summary_as_in_scipy(peaks):
    found = summarise(peaks)
    if found.sd_newton < 1e-9:
        return
    low, high = stats.t.interval(
        0.95, len(peaks) - 1, loc=found.mean_newton, scale=stats.sem(peaks)
    )  # fmt: skip
    assert found.mean_newton - found.half_width_newton == pytest.approx(low, rel=1e-9, abs=1e-9)
    assert found.mean_newton + found.half_width_newton == pytest.approx(high, rel=1e-9, abs=1e-9)


@given(st.floats(0.01, 5), st.floats(0.02, 5))
def test_berries_needed_is_the_smallest_number(sd, half_width):
    def reached(n: int) -> float:
        return float(stats.t.ppf(0.975, n - 1)) * sd / n**0.5

    n = berries_needed(sd, half_width)
    if n < 100_000:
        assert reached(n) <= half_width * (1 + 1e-12)
        assert n == 2 or reached(n - 1) > half_width * (1 - 1e-12)


def test_digits_are_upright_and_of_one_height():
    rows = big("-0123456789.?")
    assert len(rows) == HEIGHT
    assert len({len(row) for row in rows}) == 1
    assert len({tuple(big(digit)) for digit in "0123456789"}) == 10


def test_bars_show_the_largest_force_of_each_slice():
    trace = [(0.1 * i, 2.0 if i == 37 else 0.0) for i in range(100)]
    rows = bars(trace, columns=10, rows=2)
    assert [row.count("█") for row in rows] == [1, 1]
    assert rows[0].index("█") == rows[1].index("█") == 3
    assert all(character.isascii() for row in bars(trace, columns=9, rows=3, ascii_only=True)
               for character in row)  # fmt: skip


# --- layout -----------------------------------------------------------------------------------


def compression(shown: str = "2.37", unit: Unit = Unit.N, flags=()) -> Compression:
    value = float(shown) * (1 if unit is Unit.N else 4.4482216152605)
    return Compression(
        t_start_s=1, t_peak_s=2, t_end_s=3, peak_shown=shown, peak_unit=unit, peak_newton=value,
        baseline_newton=0, noise_newton=0.01, n_readings=50, n_ramp=25, rate_hz=50,
        loading_rate_newton_s=1, sampling_loss_newton=0.01, flags=tuple(flags),
    )  # fmt: skip


def state(**changes) -> BenchState:
    values = {
        "sample": "C-07", "port": "/dev/ttyUSB0", "line_state": "LISTENING", "line_ok": True,
        "number": 7, "planned": 25,
        "last": BerryLogged(
            number=6, berry_id=6, press=compression("0.279", Unit.LBF, [Flag.DOUBLE_RISE])
        ),
        "summary": summarise([1.0, 1.2, 1.4, 1.1, 0.9, 1.3]), "half_width_newton": 0.1,
        "view": DetectorView(
            state="press", baseline_newton=0.0, noise_newton=0.01, current_newton=0.8,
            largest_newton=0.9, trace=tuple((0.05 * i, 0.01 * i) for i in range(90)),
        ),
        "messages": ("The gauge came back.", "No berry: a press was seen only in part."),
    }  # fmt: skip
    return BenchState(**{**values, **changes})


def words(lines) -> list[str]:
    return ["".join(text for text, _ in line).rstrip() for line in lines]


@pytest.mark.parametrize(("columns", "rows"), [(120, 40), (100, 30), (80, 24), (60, 20)])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_everything_that_matters_fits(columns, rows, ascii_only):
    shown = words(draw(state(), columns, rows, ascii_only=ascii_only))
    assert len(shown) == rows
    assert max(map(len, shown)) <= columns
    text = " ".join(" ".join(shown).split())
    for needed in (
        "berry 7 of 25", "sample C-07", "LISTENING", "lbf", "= 1.241 N", "skin broke",
        "mean 1.15 N of 6", "SD 0.19 N", "CV 16 %", "10 more for", "last 10 s: PRESS",
        "No berry: a press was seen only in part.", "[v] void last", "[q] quit",
    ):  # fmt: skip
        assert needed in text
    for row in big("0.279", "#" if ascii_only else "█"):
        assert any(row.rstrip() in line for line in shown)
    if ascii_only:
        assert text.isascii()


@given(
    st.integers(20, 130), st.integers(8, 50), st.booleans(),
    st.sampled_from(["2.37", "0.279", "12345.678", "-0.5"]), st.sampled_from(["", "Void? > _" * 9]),
)  # fmt: skip
def test_no_size_breaks_the_screen(columns, rows, ascii_only, shown, prompt):
    last = BerryLogged(number=1, berry_id=1, press=compression(shown.lstrip("-")))
    lines = draw(
        state(last=last, prompt=prompt, warning="never checked " * 5), columns, rows,
        ascii_only=ascii_only,
    )  # fmt: skip
    assert max(len(line) for line in words(lines)) <= columns
    assert len(lines) >= rows


def test_state_is_shown_in_words_alone():
    lost = state(line_state="LINE LOST since 10:12:01", line_ok=False)
    assert "LINE LOST since 10:12:01" in words(draw(lost, 80, 24))[0]


def test_a_finished_sample_asks_for_the_next():
    shown = words(draw(state(number=26, done=True), 80, 24))
    assert shown[0].startswith("sample C-07 is DONE: n for the next sample")


def test_a_hidden_force_shows_nowhere():
    hidden = state(
        hidden="pressed; hidden until scored by ines", view=None, messages=(), last=None,
        summary=summarise([]),
    )  # fmt: skip
    text = "\n".join(words(draw(hidden, 80, 24)))
    assert "hidden until scored by ines" in text
    assert "0.9" not in text


# --- keys -------------------------------------------------------------------------------------


def test_void_takes_two_keys_and_a_reason(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    keyed(actions, "v")
    assert "none is stored yet" in actions.messages[-1]
    session.receive(BERRY)
    keyed(actions, "v", "1")
    assert [row.void for row in season.berries()] == ["slipped"]
    assert "VOID" in actions.messages[-1]
    session.receive(BERRY)
    keyed(actions, "v", *"rotten", "enter")
    assert [row.void for row in season.berries()] == ["slipped", "rotten"]
    session.receive(BERRY)
    keyed(actions, "v", "escape")
    keyed(actions, "v", "enter")
    assert "reason" in actions.messages[-1]
    assert [row.void for row in season.berries()] == ["slipped", "rotten", None]


def test_notes_go_to_the_last_berry(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    session.receive(BERRY)
    keyed(actions, "o", *"leakyx", "backspace", "enter")
    [note] = season.notes()
    assert (note.text, note.berry_id) == ("leaky", season.berries()[0].berry_id)


def test_an_answer_is_about_the_berry_that_was_asked_about(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    session.receive(BERRY)
    keyed(actions, "v")
    session.receive(BERRY)  # the gauge goes on while the question is open
    keyed(actions, "1", "o")
    session.receive(BERRY)
    keyed(actions, *"leaky", "enter")
    assert [(row.number, row.void) for row in season.berries()] == [
        (1, "slipped"), (2, None), (3, None),
    ]  # fmt: skip
    assert [note.berry_id for note in season.notes()] == [season.berries()[1].berry_id]
    keyed(actions, "v")
    session.receive(BERRY)
    keyed(actions, "2")
    assert [row.void for row in season.berries()] == ["slipped", None, "wrong berry", None]
    assert "in its place" in actions.messages[-1]
    keyed(actions, "n", *"A-9", "enter")
    assert len(actions.messages) == 1  # none about a berry of the sample before
    path = season.path
    assert "note: leaky" in CliRunner().invoke(group, ["readings", str(path)]).output


def test_an_open_question_never_holds_a_berry_up(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    keyed(actions, "o", *"half a no")
    [event] = session.receive(BERRY)
    assert isinstance(event, BerryLogged)
    assert "half a no_" in actions.prompt


def test_pause_and_quit(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    keyed(actions, "p")
    assert session.receive(BERRY) == []
    keyed(actions, "p")
    assert len(session.receive(BERRY)) == 1
    keyed(actions, "q", "n")
    assert not actions.quitting
    keyed(actions, "q", "q")
    assert actions.quitting


def test_next_sample_follows_the_plan(season):
    season.add_samples(
        [
            Sample(code="P-1", blind_code="KX", plan_order=2, berries_planned=5),
            Sample(code="P-2", blind_code="LM", plan_order=1, berries_planned=3),
        ]
    )
    session = FakeSession(season, code="P-2")
    actions = BenchActions(session, blind=True)
    keyed(actions, "n")
    assert "Enter: KX" in actions.prompt
    assert "P-1" not in actions.prompt
    keyed(actions, "enter")
    assert session.recorder.sample.sample.code == "P-1"
    assert session.recorder.n_required == 5
    keyed(actions, "n", *"nonsense", "enter")
    assert "no sample 'nonsense'" in actions.messages[-1]
    assert session.recorder.sample.sample.code == "P-1"


def test_without_a_plan_a_new_code_begins_a_sample(season):
    session = FakeSession(season)
    keyed(BenchActions(session), "n", *"C-02", "enter")
    session.receive(BERRY)
    assert [(row.sample, row.number) for row in season.berries()] == [("C-02", 1)]


def test_blind_scores_by_one_key_each(season):
    session = FakeSession(season, raters=("ines", "marek"))
    actions = BenchActions(session, raters=("ines", "marek"), blind=True)
    assert actions.prompt.startswith("ines: finger score? 1 2 3 4 5")
    keyed(actions, "2")
    assert actions.prompt.startswith("marek")
    assert "2" not in actions.messages[-1]
    keyed(actions, "backspace", "3", "4")
    [berry] = session.receive(BERRY)
    assert [(s.rater, s.score) for s in berry.scores] == [("ines", "3"), ("marek", "4")]


def test_words_of_a_scale_are_scored_by_their_first_letter(tmp_path):
    with open_season(tmp_path / "r.season", create=True, crop="raspberry") as season:
        session = FakeSession(season, raters=("odile",))
        actions = BenchActions(session, raters=("odile",), blind=True)
        assert keyed(actions, "f", "s") == []
        [berry] = session.receive(BERRY)
        assert berry.scores == (FingerScore(rater="odile", score="soft"),)


def test_a_score_after_the_force_was_seen_is_added(season):
    session = FakeSession(season)
    actions = BenchActions(session, raters=("ines",))
    session.receive(BERRY)
    keyed(actions, "f", "4")
    assert [(s.rater, s.score) for s in season.berries()[0].scores] == [("ines", "4")]
    keyed(actions, "f", "4")
    assert "already" in actions.messages[-1]


def test_keys_of_terminals():
    assert named("v\x1b[A\x1b[15~\x1bOPx\x7f\r") == ["v", "x", "backspace", "enter"]
    assert named("\x1b") == ["escape"]
    assert named("é\x00\t") == ["é"]


# --- the live screen --------------------------------------------------------------------------


@pytest.mark.timeout(60)
@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
@pytest.mark.parametrize("no_colour", [False, True])
def test_the_live_screen_logs_rings_and_quits(tmp_path, season, monkeypatch, no_colour):
    from rich.console import Console

    from gauge.port.portreader import reader_for
    from gauge.protocol.formatfile import shipped_format
    from gauge.records import Session
    from gauge.session import bench
    from gauge.session.livesession import LiveSession

    monkeypatch.setenv("LANG", "C")
    if no_colour:
        monkeypatch.setenv("NO_COLOR", "1")
    else:
        monkeypatch.delenv("NO_COLOR", raising=False)
    pty, out = PtyLine(tmp_path / "gauge"), io.StringIO()
    season.add_sample(Sample(code="C-07", berries_planned=1))
    fmt = shipped_format("number-unit")
    with reader_for(str(pty.link), fmt) as reader:
        session = LiveSession(
            reader=reader, fmt=fmt, season=season, sample=season.sample("C-07"),
            session=Session(started_at=""), n_required=1, silent_stop_s=5,
        )  # fmt: skip
        with session:
            play(pty.send, 9 * BERRY)
            console = Console(
                file=out, force_terminal=True, width=60, height=20, color_system="standard",
                legacy_windows=False, highlight=False,
            )  # fmt: skip
            bench.BenchScreen(session, console=console).run()
    pty.close()
    text = out.getvalue()
    assert "\a" in text
    assert "LISTENING" in text
    assert "berry 1 of 1" in text
    assert [row.peak_newton for row in season.berries()] == [2.37]
    assert ("\x1b[32m" in text or ";32m" in text) is not no_colour
    assert "█" not in text
