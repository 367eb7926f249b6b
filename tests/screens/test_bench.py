"""The bench screen: what it shows at any size, what its keys do, and figures against a handbook."""

from __future__ import annotations

import asyncio
import re
import sys
from datetime import date
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from textual.events import Key
from textual.widgets import Sparkline, Static

from gauge.cli import group
from gauge.records import FingerScore, Gap, LineLost, Sample
from gauge.screens.bench import BenchScreen
from gauge.screens.benchactions import KEYS, BenchActions, key_help
from gauge.screens.benchview import BenchState, berries_needed, draw, summarise, time_left
from gauge.screens.bigtext import big
from gauge.screens.questions import Message, Typed
from gauge.season.file import open_season
from gauge.season.rows import SampleRow
from gauge.session.events import BerryLogged
from gauge.session.samplechoice import progress
from tests.lines import PtyLine, Terminal, play, press, rest
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
        self.reader = SimpleNamespace(now_ns=0, device="/dev/gauge", port="/dev/gauge")
        self.timed_out, self.waiting = False, []

    def receive(self, forces):
        events = []
        for item in chunks(forces, self.reader.now_ns):
            events += self.recorder.feed(item)
            self.reader.now_ns = item.t_ns + 20_000_000
        self.waiting += events
        return events

    def lose(self):
        self.waiting += self.recorder.feed(LineLost(self.reader.now_ns, "the port went away"))

    def come_back(self):
        lost_ns, now_ns = self.reader.now_ns, self.reader.now_ns + 2_000_000_000
        self.reader.now_ns = now_ns
        self.waiting += self.recorder.feed(Gap(lost_ns, now_ns, "the port went away"))

    def poll(self, wait_s=0.0):
        events, self.waiting = self.waiting, []
        return events + self.recorder.tick(self.reader.now_ns)

    def finish(self):
        return self.recorder.close()

    def toggle_pause(self):
        paused = self.recorder.paused_ns is not None
        change = self.recorder.resume if paused else self.recorder.pause
        return change(self.reader.now_ns)

    def change_sample(self, sample, n_required=None):
        return self.recorder.change_sample(sample, self.reader.now_ns, n_required)


class Bench:
    """The bench screen as a person sees it and types on it; a scanner types at once."""

    def __init__(self, session, pilot) -> None:
        self.session, self._pilot, self.app = session, pilot, pilot.app

    async def settle(self) -> None:
        await self._pilot.pause(0.2)

    async def keys(self, *keys: str) -> str:
        for key in keys:
            self.app.post_message(Key(key, key if len(key) == 1 else None))
            await self._pilot.pause(0.08)
        await self.settle()
        return self.text

    async def scan(self, text: str, end: str = "enter") -> str:
        for key in (*text, *([end] if end else [])):
            self.app.post_message(Key(key, key if len(key) == 1 else None))
        await self.settle()
        return self.text

    async def press(self, forces=BERRY) -> str:
        self.session.receive(forces)
        await self.settle()
        return self.text

    @property
    def text(self) -> str:
        parts = (self.app.query_one(name, Static).content for name in ("#head", "#foot"))
        return "\n".join(part.plain for part in parts)

    @property
    def line(self) -> str:
        return " ".join(self.text.split())

    @property
    def word(self) -> str:
        return self.app.state().word


def bench(season, script, *, size=(100, 30), session=None, options=None, **screen) -> None:
    """Run a script of what a person does, on a screen of that size."""
    session = session or FakeSession(season, **(options or {}))

    async def run() -> None:
        who = {name: screen.pop(name) for name in ("raters", "blind") if name in screen}
        app = BenchScreen(BenchActions(session, **who), stay=True, **screen)
        app.rung = 0
        app.bell = lambda: setattr(app, "rung", app.rung + 1)
        async with app.run_test(size=size) as pilot:
            await pilot.pause(0.25)
            await script(Bench(session, pilot))

    asyncio.run(run())


def voids(season) -> list[str | None]:
    return [row.void for row in season.berries()]


def keyed(actions: BenchActions, *keys: str) -> list:
    return [event for key in keys for event in actions.take(Typed(key))]


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


# --- never the wrong thing to a berry ----------------------------------------------------------


@pytest.mark.slow
def test_v_drops_the_press_that_waits_for_scores_and_no_stored_berry(season):
    async def script(bench):
        await bench.keys("3", "4")
        await bench.press()
        assert voids(season) == [None]
        await bench.press()
        assert bench.word == "SCORE"
        assert "Drop the press of berry 2" in " ".join((await bench.keys("v")).split())
        assert "press another one" in await bench.keys("a")
        assert bench.word != "SCORE"
        assert voids(season) == [None]
        await bench.press()
        await bench.keys("1", "2")
        assert [s.score for s in season.berries()[1].scores] == ["1", "2"]

    raters = ("ines", "marek")
    bench(season, script, raters=raters, blind=True, options={"raters": raters})


@pytest.mark.slow
def test_a_full_sample_says_what_is_next_and_takes_no_more(season):
    season.add_samples(
        [
            Sample(code="P-1", plan_order=1, berries_planned=1),
            Sample(code="P-2", plan_order=2, berries_planned=3),
        ]
    )

    async def script(bench):
        await bench.press()
        bench.app._flash = ("", "", 0.0)
        await bench.settle()
        assert bench.word == "FULL"
        assert "sample 1 of 2, 1 of 1 logged, full: Enter for the next: P-2" in bench.line
        await bench.press()
        assert len(season.berries()) == 1
        assert "No berry: the sample was full." in bench.line
        await bench.keys("m", "n")
        await bench.press()
        assert len(season.berries()) == 1
        assert "No berry" not in await bench.keys("m", "y")
        await bench.press()
        assert len(season.berries()) == 2
        await bench.keys("n", "enter")
        assert "P-2: sample 2 of 2, berry 1 of 3" in bench.line

    bench(season, script, options={"code": "P-1", "n_required": 1})


def test_enter_goes_on_with_the_next_sample_of_the_plan_once_one_is_full(season):
    season.add_samples([Sample(code=f"P-{i}", plan_order=i, berries_planned=1) for i in (1, 2)])

    async def script(bench):
        await bench.keys("enter")
        assert bench.session.recorder.sample.sample.code == "P-1"
        await bench.press()
        await bench.keys("enter")
        assert bench.session.recorder.sample.sample.code == "P-2"
        await bench.press()
        assert [row.sample for row in season.berries()] == ["P-1", "P-2"]

    bench(season, script, options={"code": "P-1", "n_required": 1})


@pytest.mark.slow
@pytest.mark.parametrize("code", ["B-V12", "NV1-07", "V1", "QQ", "PP7", "U1"])
def test_a_scanned_code_never_does_what_its_letters_do(season, code):
    season.add_sample(Sample(code="B-01", plan_order=1))

    async def script(bench):
        await bench.press()
        await bench.scan(code)
        assert f"No sample is called '{code}'" in bench.line
        assert voids(season) == [None]
        assert len(season.samples()) == 2
        await bench.keys("escape")
        await bench.scan(code, end="")  # a scanner that sends no Enter
        assert "nothing is done" in bench.line
        assert voids(season) == [None]
        assert not bench.app.actions.asking
        assert len(season.samples()) == 2

    bench(season, script)


@pytest.mark.slow
def test_a_scanned_code_opens_its_sample_even_while_a_void_is_asked_about(season):
    season.add_sample(Sample(code="B-V12", plan_order=1))

    async def script(bench):
        await bench.press()
        await bench.keys("v")
        await bench.scan("b-v12")
        assert voids(season) == [None]
        assert bench.session.recorder.sample.sample.code == "B-V12"
        await bench.press()
        await bench.keys("v")
        await bench.scan("slipped")  # words in a burst, with Enter: an answer
        assert sorted(map(str, voids(season))) == ["None", "slipped"]

    bench(season, script)


@pytest.mark.slow
def test_a_mistyped_code_is_asked_about_and_begins_nothing(season):
    season.add_samples([Sample(code=c, plan_order=i) for i, c in enumerate(("A-01", "B-01"), 1)])

    async def script(bench):
        await bench.keys("n")
        await bench.scan(" b-01 ")
        assert bench.session.recorder.sample.sample.code == "B-01"
        await bench.scan("A_01")
        assert "[s] it is A-01" in bench.line.replace("\xa0", " ")
        await bench.keys("x")
        assert len(season.samples()) == 3
        await bench.keys("s")
        assert bench.session.recorder.sample.sample.code == "A-01"
        await bench.scan("Z-9")
        await bench.keys("b")
        assert bench.session.recorder.sample.sample.code == "Z-9"

    bench(season, script)


@pytest.mark.slow
def test_u_takes_back_the_last_void_score_or_note(season):
    async def script(bench):
        await bench.press()
        await bench.keys("v", "1")
        assert voids(season) == ["slipped"]
        assert "Berry 1 counts again" in await bench.keys("u")
        assert voids(season) == [None]
        await bench.keys("f", "4")
        await bench.keys("o")
        await bench.scan("leaky")
        assert [note.text for note in season.notes()] == ["leaky"]
        await bench.keys("u")
        assert season.notes() == []
        await bench.keys("u")
        assert season.berries()[0].scores == ()
        assert "nothing of this session can be taken back" in await bench.keys("u")
        await bench.keys("f", "2")
        assert [s.score for s in season.berries()[0].scores] == ["2"]

    bench(season, script, raters=("ines",))
    kinds = [row.kind for row in season.trail()]
    assert kinds.count("void") == 1
    assert kinds.count("undo") == 3


def test_u_takes_back_a_score_of_the_berry_that_waits_in_its_turn(season):
    async def script(bench):
        await bench.keys("5")
        await bench.keys("o")
        await bench.scan("leaky")
        await bench.keys("u")
        assert season.notes() == []
        assert "The score of ines is taken back." in await bench.keys("u")
        await bench.press()
        assert "ines: finger score?" in await bench.keys("2", "u")
        await bench.keys("3", "4")
        assert [s.score for s in season.berries()[0].scores] == ["3", "4"]

    raters = ("ines", "marek")
    bench(season, script, raters=raters, blind=True, options={"raters": raters})


def test_u_takes_back_scores_that_are_stored_with_their_berry_and_f_gives_them_again(season):
    raters = ("ines", "marek")
    session = FakeSession(season, raters=raters)
    actions = BenchActions(session, raters=raters, blind=True)
    keyed(actions, "3", "2")
    session.receive(BERRY)
    keyed(actions, "v", "1", "u", "4", "u")  # a score of the next berry goes first
    assert actions.messages[-1].text == "The score of marek is taken back."
    keyed(actions, "u")
    assert "marek for berry 1 is taken back. [f] gives it anew." in actions.messages[-1].text
    assert [(s.rater, s.score) for s in season.berries()[0].scores] == [("ines", "3")]
    keyed(actions, "f", "4")
    keyed(actions, "backspace", "5")
    found = [(s.rater, s.score, s.squeeze_order) for s in season.berries()[0].scores]
    assert found == [("ines", "3", 1), ("marek", "5", 2)]
    keyed(actions, "f")
    assert actions.prompt.startswith("Finger score of marek:")  # of berry 2, in its turn
    keyed(actions, "escape", "u", "u")
    assert season.berries()[0].scores == ()
    keyed(actions, "u")
    assert "nothing of this session can be taken back" in actions.messages[-1].text
    trail = [row for row in season.trail() if row.table == "scores"]
    assert [row.kind for row in trail] == ["undo", "correct", "scores", "correct", "undo", "undo"]
    assert (trail[1].old["score"], trail[1].new["score"]) == ("2", "4")


def test_backspace_corrects_a_score_before_the_last_rater_and_after(season):
    async def script(bench):
        await bench.press()
        await bench.keys("2", "backspace", "3", "4")
        assert [s.score for s in season.berries()[0].scores] == ["3", "4"]
        assert "marek scored 4. Right is:" in await bench.keys("backspace")
        assert "marek scored 5, not 4" in await bench.keys("5")
        assert [s.score for s in season.berries()[0].scores] == ["3", "5"]

    raters = ("ines", "marek")
    bench(season, script, raters=raters, blind=True, options={"raters": raters})
    [changed] = [row for row in season.trail() if row.kind == "correct"]
    assert (changed.old["score"], changed.new["score"]) == ("4", "5")


# --- screen and bell ----------------------------------------------------------------------------


@pytest.mark.slow
def test_each_state_has_its_word_and_its_bell(season):
    async def script(bench):
        bench.session.receive(rest(1))
        await bench.settle()
        assert bench.word == "PRESS"
        bench.session.receive(press(2.0)[:25])
        await bench.settle()
        assert (bench.word, bench.app.rung) == ("WAIT", 0)
        bench.session.receive([*press(2.0)[25:], *rest(1)])
        await bench.settle()
        assert (bench.word, bench.app.state().figure) == ("STORED", "2.00 N")
        assert bench.app.rung == 1
        await bench.keys("p")
        assert bench.word == "PAUSED"
        await bench.press()
        assert "No berry: logging is paused" in bench.line
        assert len(season.berries()) == 1
        await bench.keys("p")
        assert "Paused" not in bench.text
        assert "paused" not in bench.text
        rung = bench.app.rung
        bench.session.receive([*rest(1), *press(2.0)[:25]])
        bench.session.lose()
        await bench._pilot.pause(1.2)
        assert bench.word == "LINE LOST"
        assert bench.app.rung - rung == 5  # a press cut short, and the line
        bench.session.come_back()
        await bench.settle()
        assert bench.word != "LINE LOST"
        assert "Waiting for it to come back" not in bench.line
        assert "press it again" in bench.line
        await bench.press()
        assert "again" not in bench.line

    bench(season, script)


def test_quiet_rings_no_bell(season):
    async def script(bench):
        await bench.press()
        assert bench.app.rung == 0
        assert len(season.berries()) == 1

    bench(season, script, quiet=True)


@pytest.mark.slow
@pytest.mark.parametrize("size", [(120, 40), (80, 24), (60, 15)])
def test_the_word_the_figure_and_the_last_message_are_seen_at_any_size(season, size):
    columns, rows = size

    def large(text: str, shown: str) -> bool:
        scales = (big(text, columns - 1, 5 * k) for k in (1, 2, 3, 4))
        return any(all(row in shown for row in drawn) for drawn in scales)

    async def script(bench):
        await bench.press()
        assert large("STORED", bench.text)
        assert large("2.37 N", bench.text)
        await bench.keys("v", "1")
        assert "Berry 1 is VOID (slipped)." in bench.line
        assert len(bench.text.splitlines()) <= rows
        await bench.keys("p")
        assert large("PAUSED", bench.text)
        assert "Paused: presses are not logged" in bench.line
        await bench.keys("p")
        bench.session.lose()
        await bench.settle()
        assert large("LINE", bench.text)
        assert "the port went away" in bench.line

    bench(season, script, size=size, warning="This gauge was never checked. " * 3)


@pytest.mark.slow
@pytest.mark.parametrize("size", [(120, 40), (80, 24), (60, 15)])
def test_a_press_that_is_no_berry_is_seen_at_two_metres(season, size):
    async def script(bench):
        await bench.press()
        await bench.press()
        assert "No berry: the sample was full." in bench.line
        banner = [line for line in bench.text.splitlines() if line.startswith("█")]
        assert len(banner) >= 5
        assert size != (120, 40) or len(banner) == 20  # two words, twice as large

    bench(season, script, size=size, options={"n_required": 1})


@given(
    st.integers(20, 130), st.integers(8, 50), st.sampled_from("#█"),
    st.sampled_from(["2.37 N", "0.279 lbf", "12345.678 mN", ""]),
    st.sampled_from(["", "Void? > _" * 9]),
    st.sampled_from(["PRESS", "LINE LOST", "NO BERRY", "WAIT", "FULL", "SCORE", "PAUSED"]),
)  # fmt: skip
def test_no_size_breaks_the_screen(columns, rows, ink, figure, prompt, word):
    state = BenchState(
        word=word, about="what it means " * 4, figure=figure, sample="C-07:",
        progress="sample 3 of 15, berry 7 of 20", last=None, summary=summarise([1.0, 2.0]),
        messages=(Message("older", "", 0.0, "older"), Message("newest " * 9, "", 0.0, "newest")),
        prompt=prompt, warning="never checked " * 5,
    )  # fmt: skip
    head, foot = draw(state, columns, rows, ink)
    assert max(len(line) for line, _ in head + foot) <= columns
    assert len(head) + len(foot) <= rows
    shown = " ".join(" ".join(line for line, _ in head + foot).split())
    assert ("Void?" if prompt else "newest") in shown
    if columns >= 60 and rows >= 15 and not prompt:
        assert ink in shown


@pytest.mark.parametrize(("word", "figure"), [("NO BERRY", ""), ("STORED", "2.37 N")])
def test_words_that_do_not_fit_beside_a_question_are_marked_as_cut(word, figure):
    alarm = "The line was lost, and what was pressed meanwhile is no berry. " * 3
    state = BenchState(
        word=word, about="", figure=figure, sample="C-07:", progress="", last=None,
        summary=summarise([]), messages=(Message(alarm, "", 0.0, alarm),),
        prompt="Void berry 4: why? " + "  [1] slipped" * 8,
    )  # fmt: skip
    head, foot = draw(state, 59, 15)
    assert len([line for line, _ in head if "█" in line]) == 10
    assert len([line for line, style in foot if style == "prompt"]) == 3
    shown = [line for line, style in draw(state, 59, 15)[1] if style == "message"]
    assert shown[-1].endswith(" ...")
    assert max(map(len, shown)) <= 59
    assert f"> {alarm}".startswith(" ".join(shown).removesuffix(" ..."))
    whole = [line for line, style in draw(state, 99, 40)[1] if style == "message"]
    assert " ".join(whole) == f"> {alarm}".strip()


def test_a_help_line_answers_unknown_keys(season):
    async def script(bench):
        shown = (await bench.keys("x")).replace("\xa0", " ")
        assert "[u] undo" in shown
        assert "[v] void last" in shown

    bench(season, script, size=(60, 15))


def test_the_question_mark_says_what_every_key_does(season):
    async def script(bench):
        shown = (await bench.keys("?")).replace("\xa0", " ")
        for key in KEYS:
            assert key == "?" or f"[{key}] " in shown
        assert "undo the last void, score or note" in shown
        assert "[Backspace] correct the last score" in shown
        assert all(line.strip() for line in key_help().split("\n"))
        assert max(map(len, key_help().split("\n"))) < 78

    bench(season, script, size=(80, 24))


@pytest.mark.parametrize("size", [(60, 15), (60, 24), (80, 20)])
def test_on_a_small_screen_the_question_mark_names_every_key_in_whole_words(season, size):
    async def script(bench):
        shown = (await bench.keys("?")).replace("\xa0", " ")
        for key, (what, _) in KEYS.items():
            assert f"[{key}] {what}" in shown

    bench(season, script, size=size)


def test_the_order_of_squeezes_stands_there_without_hidden_forces_too(season):
    async def script(bench):
        bench.session.receive([0.0] * 60)
        await bench.settle()
        assert "berry 1: squeezed by ines, marek, then pressed" in bench.line
        await bench.press()
        assert "on the disk; then berry 2: squeezed by marek, ines, then pressed" in bench.line

    bench(season, script, raters=("ines", "marek"), options={"squeezers": ("ines", "marek")})


def test_progress_counts_samples_berries_and_the_time_left(season):
    season.add_samples(
        [Sample(code=f"P-{i}", plan_order=i, berries_planned=20) for i in range(1, 16)]
    )

    async def script(bench):
        for _ in range(6):
            await bench.press()
        assert "P-3: sample 1 of 15, berry 7 of 20, about" in bench.line
        assert "min left" in bench.line

    bench(season, script, options={"code": "P-3"})
    assert time_left([9.0, 10.0, 11.0], 150) == "about 25 min left"


def test_today_is_what_harvest_date_and_storage_day_come_to():
    rows = [
        SampleRow(
            sample_id=i, berries=0,
            sample=Sample(code=f"P-{i}", plan_order=i, berries_planned=5,
                          harvest_date="2026-07-01", storage_day=day),
        )
        for i, day in enumerate((7, 0, 4, 4), 1)
    ]  # fmt: skip
    today = date(2026, 7, 5)
    assert [row.sample_id for row in rows if row.due == today] == [3, 4]
    found = progress(rows, 4, today)
    assert (found.place, found.n_samples, found.n_left) == (1, 2, 10)
    assert str(found) == "sample 1 of 2 of today, berry 1 of 5"
    assert str(progress(rows, 2, today)) == "sample 1 of 4 of the plan, berry 1 of 5"


def test_no_force_is_minus_nothing(season):
    async def script(bench):
        bench.session.receive([-0.004] * 60)
        await bench.settle()
        assert bench.app.state().figure == "0.00 N"

    bench(season, script)


def test_a_hidden_force_shows_nowhere(season):
    async def script(bench):
        await bench.press()
        assert "hidden until scored by ines" in bench.line
        assert bench.app.state().figure == ""
        assert "2.37" not in bench.line
        assert not bench.app.query_one(Sparkline).display

    bench(season, script, raters=("ines",), blind=True, options={"raters": ("ines",)})


# --- keys -------------------------------------------------------------------------------------


def test_void_takes_two_keys_and_a_reason(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    keyed(actions, "v")
    assert "none is stored yet" in actions.messages[-1].text
    session.receive(BERRY)
    keyed(actions, "v", "1")
    assert [row.void for row in season.berries()] == ["slipped"]
    assert "VOID" in actions.messages[-1].text
    session.receive(BERRY)
    keyed(actions, "v", *"rotten", "enter")
    assert [row.void for row in season.berries()] == ["slipped", "rotten"]
    session.receive(BERRY)
    keyed(actions, "v", "escape")
    keyed(actions, "v", "enter")
    assert "reason" in actions.messages[-1].text
    assert [row.void for row in season.berries()] == ["slipped", "rotten", None]


def test_notes_go_to_the_last_berry(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    session.receive(BERRY)
    keyed(actions, "o", *"leakyx", "backspace", "enter")
    [note] = season.notes()
    assert (note.text, note.berry_id) == ("leaky", season.berries()[0].berry_id)


def test_size_and_mass_are_typed_for_the_last_berry(season):
    session = FakeSession(season)
    actions = BenchActions(session)
    session.receive(BERRY)
    keyed(actions, "s", *"22,5 7.4g", "enter")
    [berry] = season.berries()
    assert (berry.size_mm, berry.mass_g) == (22.5, 7.4)
    keyed(actions, "s", *"big", "enter")
    assert "'big' is no size or mass" in actions.messages[-1].text
    assert season.berries() == [berry]


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
    assert "in its place" in actions.messages[-1].text
    keyed(actions, "n", *"A-9", "enter")
    assert len(actions.messages) == 1  # none about a berry of the sample before
    path = season.path
    assert "note: leaky" in CliRunner().invoke(group, ["readings", str(path)]).output


def test_the_last_berry_of_a_sample_that_is_opened_again_can_be_voided(season):
    season.add_samples([Sample(code=f"K{i}", plan_order=i, berries_planned=2) for i in (1, 2)])
    session = FakeSession(season, code="K1", n_required=2)
    actions = BenchActions(session)
    session.receive(BERRY)
    keyed(actions, "n", *"K2", "enter", "v")
    assert "open it with n" in actions.messages[-1].text
    session.receive(BERRY)
    keyed(actions, "n", *"K1", "enter", "o", *"leaky", "enter", "s", *"22.5", "enter")
    session.receive(BERRY)
    assert session.recorder.done  # with the berry before
    keyed(actions, "v", "1")
    assert not session.recorder.done
    keyed(actions, "v", "2", "n", *"K2", "enter", "u", "n", *"K1", "enter", "v")
    assert actions.prompt.startswith("Void berry 1: why?")
    assert [(b.sample, b.number, b.void) for b in season.berries()] == [
        ("K1", 1, None), ("K1", 2, "slipped"), ("K2", 1, None),
    ]  # fmt: skip
    first = season.berries()[0]
    assert first.size_mm == 22.5
    assert [note.berry_id for note in season.notes()] == [first.berry_id]
    assert not session.recorder.done


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
    session.receive(BERRY)
    assert season.berries() == []
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
    assert "No sample is called 'nonsense'" in actions.prompt
    keyed(actions, "escape")
    assert session.recorder.sample.sample.code == "P-1"


def test_without_a_plan_a_new_code_begins_a_sample(season):
    session = FakeSession(season)
    keyed(BenchActions(session), "n", *"C-02", "enter", "b")
    session.receive(BERRY)
    assert [(row.sample, row.number) for row in season.berries()] == [("C-02", 1)]


def test_blind_scores_by_one_key_each(season):
    session = FakeSession(season, raters=("ines", "marek"))
    actions = BenchActions(session, raters=("ines", "marek"), blind=True)
    assert actions.prompt.startswith("ines: finger score? 1 2 3 4 5")
    keyed(actions, "2")
    assert actions.prompt.startswith("marek")
    assert "2" not in actions.messages[-1].text
    keyed(actions, "backspace", "3", "4")
    [berry] = session.receive(BERRY)
    assert [(s.rater, s.score) for s in berry.scores] == [("ines", "3"), ("marek", "4")]


def test_words_of_a_scale_are_scored_by_their_first_letter(tmp_path):
    with open_season(tmp_path / "r.season", create=True, crop="raspberry") as season:
        session = FakeSession(season, raters=("odile",))
        actions = BenchActions(session, raters=("odile",), blind=True)
        assert keyed(actions, "f", "s") == []
        [berry] = session.receive(BERRY)
        assert berry.scores == (FingerScore(rater="odile", score="soft", squeeze_order=1),)


def test_a_score_after_the_force_was_seen_is_added(season):
    session = FakeSession(season)
    actions = BenchActions(session, raters=("ines",))
    session.receive(BERRY)
    keyed(actions, "f", "4")
    assert [(s.rater, s.score) for s in season.berries()[0].scores] == [("ines", "4")]
    keyed(actions, "f", "4")
    assert "already" in actions.messages[-1].text


def test_a_number_outside_the_list_answers_nothing(season):
    session = FakeSession(season)
    actions = BenchActions(session, raters=("ines", "marek"))
    session.receive(BERRY)
    keyed(actions, "v", "9", "enter")
    assert "9 is not in the list:  [1] slipped" in actions.messages[-1].text
    assert actions.prompt.startswith("Void berry 1: why?")  # still open, for another answer
    keyed(actions, "1", "u", "f", "3", "enter")
    assert "3 is not in the list:  [1] ines  [2] marek" in actions.messages[-1].text
    keyed(actions, "2", "4")
    assert [(s.rater, s.score) for s in season.berries()[0].scores] == [("marek", "4")]
    actions = BenchActions(session)  # without a list
    keyed(actions, "f", "9", "enter")
    assert "a rater's name, not '9'" in actions.messages[-1].text
    assert [row.void for row in season.berries()] == [None]
    assert season.rater_names() == ["marek"]


def test_an_unknown_rater_is_asked_about_before_the_score(season):
    season.know_raters(["ines", "marek"])
    session = FakeSession(season)
    actions = BenchActions(session, raters=("ines", "marek"))
    session.receive(BERRY)
    keyed(actions, "f", *"ann", "enter")
    assert "No rater is called 'ann' (known: ines, marek). A new one?" in actions.prompt
    keyed(actions, "n")
    assert not actions.asking
    keyed(actions, "f", *"Ines", "enter", "3", "f", *"ann", "enter", "y", "4")
    found = [(s.rater, s.score) for s in season.berries()[0].scores]
    assert sorted(found) == [("ann", "4"), ("ines", "3")]


# --- the live screen --------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.timeout(60)
@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
@pytest.mark.parametrize("no_colour", [False, True])
def test_the_live_screen_logs_rings_and_quits(tmp_path, no_colour):
    line, path = PtyLine(tmp_path / "gauge"), tmp_path / "b.season"
    environment = {"COLORTERM": "truecolor"} | ({"NO_COLOR": "1"} if no_colour else {})
    words = ["--port", str(line.link), "--format", "number-unit", "--season", str(path)]
    with Terminal("log", *words, "--sample", "C-07", "--planned", "1", **environment) as terminal:
        terminal.wait("Type b to begin 'C-07'")
        terminal.type("b\r")
        playing = play(line.send, 9 * BERRY)
        terminal.wait("full:")
        playing.join()
        terminal.type("q")
        terminal.wait("Quit?")
        terminal.type("y")
        assert terminal.ended() == 0
    line.close()
    assert "\a" in terminal.text
    assert "berry 1 of 1" in terminal.text
    assert "1 berry stored" in terminal.text
    grounds = set(re.findall(r"48;2;(\d+);(\d+);(\d+)", terminal.text))
    assert all(red == green == blue for red, green, blue in grounds) is no_colour
    with open_season(path) as season:
        assert [row.peak_newton for row in season.berries()] == [2.37]
