"""The bench screen of `gauge log` on a terminal: keys and codes come in, the picture goes out.

The only module that knows the screen's library. Questions stand at the foot and in no window of
their own: the gauge goes on while they are open, and its state must be seen.
"""

from __future__ import annotations

import math
import os
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from typing import ClassVar

from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.events import Key, Paste
from textual.widgets import Sparkline, Static

from gauge.errors import FirmhandError, LockedSeasonError
from gauge.plaintext import printable
from gauge.records import DetectorNotice, Gap, LineLost, TruncatedPress
from gauge.screens.benchactions import BenchActions
from gauge.screens.benchview import BenchState, Line, Summary, draw, summarise, time_left
from gauge.screens.plain import stopping
from gauge.screens.questions import KeyBursts, Typed
from gauge.season.rows import SampleRow
from gauge.session.events import FULL_BELLS, BerryLogged, Event, Notice, bells, describe, topic
from gauge.session.recorder import OWN_GAPS
from gauge.session.samplechoice import Progress
from gauge.session.silence import SILENT_S

_STYLES = {
    "PRESS": "bold white on dark_green",
    "STORED": "bold black on bright_cyan",
    "WAIT": "bold black on yellow",
    "NO BERRY": "bold white on dark_magenta",
    "LINE LOST": "bold white on red",
    "PAUSED": "bold white on blue",
    "FULL": "bold black on white",
    "SCORE": "bold white on dark_blue",
    "message": "bold yellow",
    "prompt": "bold reverse",
    "warning": "bold yellow",
    "dim": "dim",
    "": "",
}  # all else is bold
_POLL_S = 0.05  # s; the port is looked at so often
_REDRAW_S = 0.1  # s; time between two pictures while nothing happens
_FLASH_S = 3.0  # s; STORED and NO BERRY stand so long, unless a press begins
_STROKE_S = 0.18  # s; between two strokes of the bell
_CLOCK = time.perf_counter if sys.platform == "win32" else time.monotonic  # that of Key.time


def ascii_only(encoding: str, environment: dict[str, str]) -> bool:
    """Return whether block characters would be lost: on a console or locale that is not UTF-8.

    Python itself turns the C locale into UTF-8, so the locale that the user set is asked.
    """
    if not encoding.lower().replace("-", "").startswith("utf"):
        return True
    if sys.platform == "win32":
        return False
    coerced = environment.get("LC_CTYPE") if environment.get("LC_CTYPE") != "C.UTF-8" else None
    name = environment.get("LC_ALL") or coerced or environment.get("LANG") or "C"
    return "utf" not in name.lower()


class BenchScreen(App[None]):
    """Run a session, entered already, on a live screen.

    `warning` is that of the gauge's last check, `half_width_newton` is required of the mean's 95 %
    interval; with `stay` a full sample waits for the next one, instead of ending.
    """

    CSS = "Sparkline { height: 1fr; margin: 1 0; } Static { width: 1fr; }"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [("ctrl+c,ctrl+q", "stop", "Quit")]

    def __init__(
        self,
        actions: BenchActions,
        *,
        warning: str | None = None,
        half_width_newton: float | None = None,
        stay: bool = False,
        quiet: bool = False,
    ) -> None:
        super().__init__()
        self.actions, self._session = actions, actions.session
        self._stay, self._quiet = stay, quiet
        self._warning, self._half_width_newton = warning or "", half_width_newton
        self._ascii = ascii_only(sys.stdout.encoding or "ascii", dict(os.environ))
        self._keys = KeyBursts()
        self._stop = threading.Event()
        self._failed: BaseException | None = None
        self._lost_at, self._drawn_s = "", 0.0
        self._flash = ("", "", 0.0)  # word, figure, and until when they stand
        self._stored_s: list[float] = []
        self._summary: Summary = summarise([])
        self._progress: Progress | None = None
        self._offered: SampleRow | None = None

    def run_session(self) -> None:
        """Log until the user quits, or the berries are reached."""
        with stopping() as self._stop:
            self.run(mouse=False)
        if self._failed is not None:
            raise self._failed
        self._take(self._session.finish())

    @property
    def last_words(self) -> list[str]:
        """The messages that stood when the screen closed."""
        return [message.text for message in self.actions.messages[-3:]]

    # --- what Textual calls -------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """Make the three parts of the screen."""
        yield Static(id="head")
        yield Sparkline([], summary_function=max)
        yield Static(id="foot")

    def on_mount(self) -> None:
        """Begin to look at the port."""
        self.set_interval(_POLL_S, self._tick)

    def on_key(self, event: Key) -> None:
        """Take a key."""
        key = event.character if event.is_printable and event.character else event.key
        if key in ("enter", "escape", "backspace") or len(key) == 1:
            self._keyed(self._keys.feed(key, event.time))

    def on_paste(self, event: Paste) -> None:
        """Take what a scanner, or a clipboard, hands over in one piece."""
        text = event.text.rstrip("\r\n")
        if text:
            keys = [*text, *(["enter"] if text != event.text else [])]
            self._keyed([typed for key in keys for typed in self._keys.feed(key, event.time)])

    def action_stop(self) -> None:
        """End the session, as Ctrl-C does."""
        self.exit()

    # --- the loop -----------------------------------------------------------------------------

    def _keyed(self, typed: Sequence[Typed]) -> None:
        try:
            for one in typed:
                self._take(self.actions.take(one))
                self._drawn_s = 0.0
        except FirmhandError as error:
            self._failed = error
        if self.actions.quitting or self._failed:
            self.exit()

    def _tick(self) -> None:
        self._keyed(self._keys.flush(_CLOCK()))
        try:
            events = self._session.poll(0)
            self._take(events)
        except FirmhandError as error:
            self._failed = error
            self.exit()
            return
        now_s = time.monotonic()
        if events or now_s - self._drawn_s >= _REDRAW_S:
            self._drawn_s = now_s
            self.actions.expire(now_s)
            self._show()
        over = self._session.recorder.done and not self._stay
        if over or self._stop.is_set() or self._session.timed_out:
            self.exit()

    def _take(self, events: Sequence[Event]) -> None:
        recorder, now_s = self._session.recorder, time.monotonic()
        for event in events:
            strokes = bells(event)
            if isinstance(event, BerryLogged):
                self.actions.changed = True
                self.actions.end("press", "store", "answer")
                self._stored_s.append(now_s)
                press = event.press
                self._flash = ("STORED", f"{press.peak_shown} {press.peak_unit}", now_s + _FLASH_S)
                strokes = FULL_BELLS if recorder.done else strokes
            else:
                refused = isinstance(event, Notice) and event.kind == "refused"
                unseen = isinstance(event, DetectorNotice) and event.no_berry
                if refused or unseen or isinstance(event, TruncatedPress):
                    self._flash = ("NO BERRY", "", now_s + _FLASH_S)
                if isinstance(event, LineLost):
                    self._lost_at = datetime.now().strftime("%H:%M:%S")
                if isinstance(event, Gap):
                    self.actions.end("line")
                if not (isinstance(event, Gap) and event.reason in OWN_GAPS):
                    self.actions.say(describe(event, self._session.reader.device), topic(event))
            for stroke in range(0 if self._quiet or not self.is_running else strokes):
                self.set_timer(0.001 + stroke * _STROKE_S, self.bell)
        if self.actions.changed:
            with suppress(LockedSeasonError):  # then it is tried at the next turn
                self._recount()
                self.actions.changed = False

    def _recount(self) -> None:
        sample = self.actions.sample
        if self._progress is not None and self._progress.row.sample_id != sample.sample_id:
            self._flash = ("", "", 0.0)  # it was about the sample before
        self._progress = self.actions.progress()
        self._offered = self.actions.offered
        rows = self._session.season.berries(sample.sample.code)
        valid = [row.peak_newton for row in rows if row.void is None]
        self._summary = summarise([peak for peak in valid if peak is not None])

    # --- drawing ------------------------------------------------------------------------------

    def _show(self) -> None:
        if not self.query("#head"):  # the clock may tick before the screen stands, and after it
            return
        # The last column stays free: some consoles scroll when it is written.
        head, foot = draw(
            self.state(), self.size.width - 1, self.size.height, "#" if self._ascii else "█"
        )
        self.query_one("#head", Static).update(_text(head, self.size.width))
        self.query_one("#foot", Static).update(_text(foot, self.size.width))
        chart, recorder = self.query_one(Sparkline), self._session.recorder
        hidden = bool(recorder.missing)
        room = self.size.height - len(head) - len(foot)
        chart.display = room > 3 and not (self._ascii or hidden)
        if chart.display:
            # At rest the noise must not look like a press.
            noise = recorder.view.noise_newton
            floor = 1.0 if math.isnan(noise) else 20 * noise
            trace = [max(0.0, force) for _, force in recorder.trace.points][-200:]
            chart.data = [*trace, floor, 0.0] if trace and max(trace) < floor else trace

    def state(self) -> BenchState:
        """Return what the screen shows now."""
        recorder = self._session.recorder
        word, about = self._word()
        live = recorder.view.current_newton
        quiet = word in ("LINE LOST", "PAUSED", "NO BERRY") or recorder.missing or math.isnan(live)
        figure = "" if quiet else f"{round(live, 2) + 0.0:.2f} N"
        if word == "STORED":
            figure = self._flash[1]
        pace = [b - a for a, b in zip(self._stored_s, self._stored_s[1:], strict=False)][-20:]
        parts = [
            str(self._progress),
            time_left(pace, self._progress.n_left if self._progress else 0),
        ]
        return BenchState(
            word=word,
            about=about,
            figure=figure,
            sample=f"{self.actions.name(self.actions.sample)}:",
            progress=", ".join(filter(None, parts)),
            last=recorder.logged[-1] if recorder.logged and not recorder.pending.pressed else None,
            summary=self._summary,
            half_width_newton=self._half_width_newton,
            messages=tuple(self.actions.messages),
            prompt=self.actions.prompt,
            warning=self._warning,
        )

    def _word(self) -> tuple[str, str]:
        recorder, view = self._session.recorder, self._session.recorder.view
        word, _, until_s = self._flash
        if recorder.lost is not None:
            return "LINE LOST", f"since {self._lost_at} on {self._session.reader.device}"
        if recorder.paused_ns is not None:
            return "PAUSED", "presses are not logged; p goes on"
        if recorder.delayed:
            return "WAIT", "the last berry is not stored yet"
        flash = time.monotonic() < until_s
        if flash and word == "NO BERRY":
            return word, "see the message below"
        if recorder.pending.pressed:
            return "SCORE", f"pressed; hidden until scored by {', '.join(recorder.missing)}"
        if flash and view.state != "press":
            return word, "; then ".join(filter(None, ["on the disk", recorder.turns]))
        if recorder.done:
            then = "n for the next sample"
            if self._offered is not None:
                then = f"Enter for the next: {self.actions.name(self._offered)}"
            return "FULL", f"{self._progress}, full: {then}"
        silent_s = recorder.silence.silent_s(self._session.reader.now_ns)
        if silent_s > SILENT_S and recorder.fmt.mode != "button":
            return "WAIT", f"no readings for {silent_s:.0f} s: is the gauge on?"
        if view.state == "press":
            return "WAIT", "a press is under way"
        if view.state == "settling":
            return "WAIT", "for the gauge to rest: take everything off its head"
        then = recorder.turns or f"the gauge is at rest: press berry {recorder.next_number}"
        return "PRESS", then


def _text(lines: Sequence[Line], columns: int) -> Text:
    """Put styled lines together; a big word is a band of its colour over the whole width."""
    out = Text(no_wrap=True, overflow="crop", end="")
    for i, (line, style) in enumerate(lines):
        band = line.ljust(columns - 1) if style.isupper() or style == "prompt" else line
        out.append(("\n" if i else "") + printable(band), _STYLES.get(style, "bold"))
    return out
