"""The live bench screen of `gauge log`: what the tech sees at arm's length, with wet gloves.

Ties the sitting, the keys and the layout to a terminal. The only bench module that knows rich.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Sequence
from datetime import datetime

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from gauge.errors import LockedSeasonError
from gauge.session.benchchoice import shown_name
from gauge.session.benchdesk import BenchDesk
from gauge.session.benchkeys import Keys
from gauge.session.benchview import BenchState, draw
from gauge.session.events import (
    BerryLogged,
    Event,
    LineGap,
    LineLost,
    PressCut,
    PressRefused,
    StoreDelayed,
)
from gauge.session.logger import OUR_GAPS
from gauge.session.plain import stopping
from gauge.session.precision import summarise
from gauge.session.silence import SILENT_S
from gauge.session.sitting import Sitting
from gauge.session.wording import told

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
_REDRAW_S = 0.1


def ascii_only(encoding: str, environment: dict[str, str]) -> bool:
    """Whether block characters would be lost: on a console or locale that is not UTF-8.

    Python itself turns the C locale into UTF-8, so the locale that the user set is asked.

    Examples
    --------
    >>> ascii_only("utf-8", {"LANG": "en_GB.UTF-8"}), ascii_only("utf-8", {"LANG": "C"})
    (False, True)
    >>> ascii_only("cp1252", {})
    True
    """
    if not encoding.lower().replace("-", "").startswith("utf"):
        return True
    if sys.platform == "win32":
        return False
    coerced = environment.get("LC_CTYPE") if environment.get("LC_CTYPE") != "C.UTF-8" else None
    name = environment.get("LC_ALL") or coerced or environment.get("LANG") or "C"
    return "utf" not in name.lower()


class BenchScreen:
    """Run a sitting on a live screen.

    Parameters
    ----------
    sitting : Sitting
        Entered already.
    raters : sequence of str
    blind : bool
    warning : str or None
        Of the gauge's last check; stays on the screen.
    half_width_newton : float or None
    silent_stop_s : float or None
    stay : bool
        Wait for the next sample when the berries are reached, instead of ending.
    console : Console, optional
    """

    def __init__(
        self,
        sitting: Sitting,
        *,
        raters: Sequence[str] = (),
        blind: bool = False,
        warning: str | None = None,
        half_width_newton: float | None = None,
        silent_stop_s: float | None = None,
        stay: bool = False,
        console: Console | None = None,
    ) -> None:
        self._sitting, self._blind, self._stay = sitting, blind, stay
        self._warning, self._half_width_newton = warning or "", half_width_newton
        self._silent_stop_s = silent_stop_s
        self._console = console or Console(highlight=False)
        self._ascii = ascii_only(self._console.encoding, dict(os.environ))
        self._desk = BenchDesk(sitting, raters=raters, blind=blind)
        self._lost_at = ""
        self._peaks_newton: list[float] = []
        self._number = 1

    def run(self) -> None:
        """Log until the user quits, or the berries are reached."""
        logger = self._sitting.logger
        with (
            stopping() as stop,
            Keys() as keys,
            Live(console=self._console, screen=True, auto_refresh=False) as live,
        ):
            self._console.show_cursor(False)
            drawn_s = 0.0
            while not (stop.is_set() or self._desk.quitting):
                events = self._sitting.poll(_REDRAW_S / 2)
                pressed = keys.pressed()
                for key in pressed:
                    events += self._desk.press(key)
                self._take(events)
                if logger.done and not self._stay:
                    break
                now_s = time.monotonic()
                if events or pressed or now_s - drawn_s >= _REDRAW_S:
                    drawn_s = now_s
                    live.update(self._drawn(), refresh=True)
                if self._silent_stop_s is not None and (
                    logger.silence.idle_s(self._sitting.reader.now_ns) > self._silent_stop_s
                ):
                    break
            self._take(self._sitting.finish())
        for message in self._desk.messages[-3:]:
            self._console.print(Text(message))

    def _take(self, events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, BerryLogged):
                self._desk.changed = True
                self._console.bell()
            else:
                if isinstance(event, LineLost):
                    self._lost_at = datetime.now().strftime("%H:%M:%S")
                if isinstance(event, PressCut | PressRefused | StoreDelayed):
                    self._console.bell()
                    self._console.bell()
                if not (isinstance(event, LineGap) and event.gap.reason in OUR_GAPS):
                    self._desk.say(told(event, self._sitting.reader.device))
        if self._desk.changed:
            with contextlib.suppress(LockedSeasonError):  # then it is tried at the next turn
                self._recount()
                self._desk.changed = False

    def _recount(self) -> None:
        sample = self._sitting.logger.sample
        assert sample is not None
        self._number = self._sitting.logger.next_number
        self._peaks_newton = [
            row.peak_newton
            for row in self._sitting.season.berries(sample.sample.code)
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
        logger = self._sitting.logger
        sample = logger.sample
        assert sample is not None
        hidden = ""
        if logger.holding:
            hidden = f"pressed; hidden until scored by {', '.join(logger.missing)}"
        state, line_ok = self._line_state()
        return BenchState(
            sample=shown_name(sample, blind=self._blind),
            port=self._sitting.reader.device,
            line_state=state,
            line_ok=line_ok,
            number=self._number,
            planned=sample.sample.berries_planned,
            last=logger.logged[-1] if logger.logged else None,
            summary=summarise(self._peaks_newton),
            half_width_newton=self._half_width_newton,
            view=None if logger.missing else logger.detector.view,
            hidden=hidden,
            messages=tuple(self._desk.messages),
            prompt=self._desk.prompt,
            warning=self._warning,
            done=logger.done,
        )

    def _line_state(self) -> tuple[str, bool]:
        logger = self._sitting.logger
        if logger.paused_ns is not None:
            return "PAUSED: p goes on", False
        if logger.down is not None:
            return f"LINE LOST since {self._lost_at}", False
        silent_s = logger.silence.silent_s(self._sitting.reader.now_ns)
        if silent_s > SILENT_S and logger.fmt.mode != "button":
            return f"NO READINGS for {silent_s:.0f} s", False
        return "LISTENING", True
