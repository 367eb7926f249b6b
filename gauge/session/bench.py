"""The bench screen of `gauge log` on a terminal: keys come in, the picture goes out.

The only module of the bench screen that knows a terminal.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import re
import select
import sys
import time
from collections.abc import Sequence
from datetime import datetime
from types import TracebackType
from typing import Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from gauge.errors import LockedSeasonError
from gauge.records import CutPress, Gap, LineLost
from gauge.session.benchactions import BACKSPACE, ENTER, ESCAPE, BenchActions
from gauge.session.benchview import BenchState, draw
from gauge.session.events import BerryLogged, Event, PressRefused, StoreDelayed, describe
from gauge.session.livesession import LiveSession
from gauge.session.plain import stopping
from gauge.session.precision import summarise
from gauge.session.recorder import OWN_GAPS
from gauge.session.samplechoice import shown_name
from gauge.session.silence import SILENT_S

_STYLES = {
    "": "",
    "bold": "bold",
    "large": "bold",
    "dim": "dim",
    "good": "bold green",
    "bad": "bold reverse red",
    "warning": "bold yellow",
    "prompt": "bold reverse",
    "keys": "bold",
    "bars": "cyan",
}
_REDRAW_S = 0.1  # s; time between two pictures while nothing happens
_KEYS = {"\r": ENTER, "\n": ENTER, "\x1b": ESCAPE, "\x7f": BACKSPACE, "\b": BACKSPACE}
# What a terminal sends for arrows and function keys: none of them does anything here.
_SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.)")


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


def named(text: str) -> list[str]:
    """Split what a terminal sent into characters, and names for Enter, Escape and Backspace."""
    text = _SEQUENCE.sub("", text)
    return [_KEYS.get(c, c) for c in text if c in _KEYS or c.isprintable()]


class Keys:
    """A context manager in which keys come one by one and are not echoed.

    Ctrl-C keeps its meaning. Where stdin is no terminal, there are no keys.
    """

    def __enter__(self) -> Self:
        self._active = sys.stdin.isatty()
        if self._active and sys.platform != "win32":
            import termios
            import tty

            self._fd = sys.stdin.fileno()
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd)
            self._decoder = codecs.getincrementaldecoder("utf-8")("ignore")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._active and sys.platform != "win32":
            import termios

            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)

    def pressed(self) -> list[str]:
        """Return the keys pressed since the last call."""
        if not self._active:
            return []
        if sys.platform == "win32":
            import msvcrt

            text = ""
            while msvcrt.kbhit():
                character = msvcrt.getwch()
                if character in "\x00\xe0":  # the first half of an arrow or function key
                    msvcrt.getwch()
                else:
                    text += character
            return named(text)
        if not select.select([self._fd], [], [], 0)[0]:
            return []
        data = os.read(self._fd, 1024)
        if not data:
            self._active = False  # the terminal is gone
        return named(self._decoder.decode(data))


class BenchScreen:
    """Run a session on a live screen.

    Parameters
    ----------
    session : LiveSession
        Entered already.
    raters : sequence of str
        Who may score berries.
    blind : bool
    warning : str or None
        Of the gauge's last check; stays on the screen.
    half_width_newton : float or None
        Required of the mean's 95 % interval.
    stay : bool
        Wait for the next sample when all berries are in, instead of ending.
    console : Console, optional
    """

    def __init__(
        self,
        session: LiveSession,
        *,
        raters: Sequence[str] = (),
        blind: bool = False,
        warning: str | None = None,
        half_width_newton: float | None = None,
        stay: bool = False,
        console: Console | None = None,
    ) -> None:
        self._session, self._blind, self._stay = session, blind, stay
        self._warning, self._half_width_newton = warning or "", half_width_newton
        self._console = console or Console(highlight=False)
        self._ascii = ascii_only(self._console.encoding, dict(os.environ))
        self._actions = BenchActions(session, raters=raters, blind=blind)
        self._lost_at = ""
        self._peaks_newton: list[float] = []
        self._number = 1

    def run(self) -> None:
        """Log until the user quits, or the berries are reached."""
        recorder = self._session.recorder
        with (
            stopping() as stop,
            Keys() as keys,
            Live(console=self._console, screen=True, auto_refresh=False) as live,
        ):
            self._console.show_cursor(False)
            drawn_s = 0.0
            while not (stop.is_set() or self._actions.quitting):
                events = self._session.poll(_REDRAW_S / 2)
                pressed = keys.pressed()
                for key in pressed:
                    events += self._actions.press(key)
                self._take(events)
                if recorder.done and not self._stay:
                    break
                now_s = time.monotonic()
                if events or pressed or now_s - drawn_s >= _REDRAW_S:
                    drawn_s = now_s
                    live.update(self._drawn(), refresh=True)
                if self._session.timed_out:
                    break
            self._take(self._session.finish())
        for message in self._actions.messages[-3:]:
            self._console.print(Text(message))

    def _take(self, events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, BerryLogged):
                self._actions.changed = True
                self._console.bell()
            else:
                if isinstance(event, LineLost):
                    self._lost_at = datetime.now().strftime("%H:%M:%S")
                if isinstance(event, CutPress | PressRefused | StoreDelayed):
                    self._console.bell()
                    self._console.bell()
                if not (isinstance(event, Gap) and event.reason in OWN_GAPS):
                    self._actions.say(describe(event, self._session.reader.device))
        if self._actions.changed:
            with contextlib.suppress(LockedSeasonError):  # then it is tried at the next turn
                self._recount()
                self._actions.changed = False

    def _recount(self) -> None:
        sample = self._session.recorder.sample
        assert sample is not None
        self._number = self._session.recorder.next_number
        self._peaks_newton = [
            row.peak_newton
            for row in self._session.season.berries(sample.sample.code)
            if row.void is None and row.peak_newton is not None
        ]

    # --- drawing ------------------------------------------------------------------------------

    def _drawn(self) -> Group:
        columns, rows = self._console.size
        # The last column and row stay free: some consoles scroll when they are written.
        lines = draw(self._state(), columns - 1, rows - 1, ascii_only=self._ascii)
        return Group(
            *(
                Text.assemble(
                    *((text, _STYLES[style]) for text, style in line), no_wrap=True, overflow="crop"
                )
                for line in lines
            )
        )

    def _state(self) -> BenchState:
        recorder = self._session.recorder
        sample = recorder.sample
        assert sample is not None
        hidden = ""
        if recorder.pending.pressed:
            hidden = f"pressed; hidden until scored by {', '.join(recorder.missing)}"
        state, line_ok = self._line_state()
        return BenchState(
            sample=shown_name(sample, blind=self._blind),
            port=self._session.reader.device,
            line_state=state,
            line_ok=line_ok,
            number=self._number,
            planned=sample.sample.berries_planned,
            last=recorder.logged[-1] if recorder.logged else None,
            summary=summarise(self._peaks_newton),
            half_width_newton=self._half_width_newton,
            view=None if recorder.missing else recorder.view,
            hidden=hidden,
            messages=tuple(self._actions.messages),
            prompt=self._actions.prompt,
            warning=self._warning,
            done=recorder.done,
        )

    def _line_state(self) -> tuple[str, bool]:
        recorder = self._session.recorder
        if recorder.paused_ns is not None:
            return "PAUSED: p goes on", False
        if recorder.lost is not None:
            return f"LINE LOST since {self._lost_at}", False
        silent_s = recorder.silence.silent_s(self._session.reader.now_ns)
        if silent_s > SILENT_S and recorder.fmt.mode != "button":
            return f"NO READINGS for {silent_s:.0f} s", False
        return "LISTENING", True
