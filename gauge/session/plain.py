"""The plain screen of `gauge log`: lines only, for any terminal, a pipe or another program.

Acknowledged berries go to stdout, all else to stderr. What is typed is read on a thread of its
own, so that no prompt ever keeps a berry waiting.
"""

from __future__ import annotations

import queue
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from gauge.clikit import emit_json, say
from gauge.errors import FirmhandError, InvalidValueError, StorageFailedError
from gauge.session.events import BerryLogged, Event, LineGap, ScoresWanted
from gauge.session.sitting import Sitting
from gauge.session.wording import told

_HELP = "Type 'void REASON', 'note TEXT', 'score RATER SCORE' (of the last berry) or 'quit'."


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """Turn Ctrl-C, and a polite kill, into an event for the length of a `with` block."""
    stop = threading.Event()
    names = [signal.SIGINT, signal.SIGTERM]
    before = {name: signal.signal(name, lambda *_: stop.set()) for name in names}
    try:
        yield stop
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


class _Typed:
    """Lines that are typed, without ever waiting for one."""

    def __init__(self, *, wanted: bool) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        if wanted:
            threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.strip())

    def lines(self) -> Iterator[str]:
        while True:
            try:
                yield self._lines.get_nowait()
            except queue.Empty:
                return


# The same gap is said so often; then once that it goes on.
_GAPS_TOLD = 4


class PlainScreen:
    """Run a sitting on a plain terminal.

    Parameters
    ----------
    sitting : Sitting
        Entered already.
    as_json : bool
    silent_stop_s : float, optional
        End when no reading came for so long.
    """

    def __init__(
        self, sitting: Sitting, *, as_json: bool, silent_stop_s: float | None = None
    ) -> None:
        self._sitting, self._as_json, self._silent_stop_s = sitting, as_json, silent_stop_s
        self._same_gaps, self._last_reason = 0, ""
        self._typed = _Typed(wanted=sys.stdin.isatty() or bool(sitting.logger.raters))

    def run(self, stop: threading.Event) -> None:
        """Log until the berries are reached, `stop` is set, the user quits or silence lasts."""
        logger, reader = self._sitting.logger, self._sitting.reader
        self._ask()
        while not (stop.is_set() or logger.done):
            self._show(self._sitting.poll())
            for line in self._typed.lines():
                if line == "quit":
                    stop.set()
                elif line:
                    self._obey(line)
            if self._silent_stop_s is not None and (
                logger.silence.idle_s(reader.now_ns) > self._silent_stop_s
            ):
                say(f"{reader.port}: no reading for {self._silent_stop_s:g} s; stopping.")
                break
        self._show(self._sitting.finish())

    def _show(self, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, LineGap):
                self._tell_gap(event)
            elif not isinstance(event, BerryLogged):
                say(told(event, self._sitting.reader.device))
            elif self._as_json:
                emit_json(event.document())
            else:
                bell = "\a" if sys.stdout.isatty() else ""
                sys.stdout.write(f"{bell}{told(event, self._sitting.reader.device)}\n")
                sys.stdout.flush()
            if isinstance(event, BerryLogged):
                self._same_gaps = 0
            if isinstance(event, BerryLogged | ScoresWanted):
                self._ask()

    def _tell_gap(self, event: LineGap) -> None:
        """Say a gap, but not the same one without end: all of them are on record anyway."""
        device = self._sitting.reader.device
        kind = event.gap.reason.partition(":")[0]  # what bytes came differs each time
        self._same_gaps = self._same_gaps + 1 if kind == self._last_reason else 1
        self._last_reason = kind
        if self._same_gaps < _GAPS_TOLD:
            say(told(event, device))
        elif self._same_gaps == _GAPS_TOLD:
            say(
                f"{device}: the same again and again; all is on record, and no more of it is said. "
                "Does this gauge send what the format says? gauge learn makes a new one."
            )

    def _ask(self) -> None:
        """Ask for the next finger score that is missing."""
        logger = self._sitting.logger
        if logger.missing and not logger.done:
            say(f"Score of berry {logger.next_number} by {logger.missing[0]}?")

    def _obey(self, line: str) -> None:
        logger = self._sitting.logger
        word, _, rest = line.partition(" ")
        try:
            if word == "void":
                berry = logger.void_last(rest)
                say(f"Berry {berry.number} is void ({rest}); its number is free again.")
            elif word == "note":
                logger.note(rest)
                say("Noted.")
            elif word == "score":
                rater, _, label = rest.partition(" ")
                logger.score_last(rater, label.strip())
                say(f"{rater} scored the last berry {label.strip()} (the force was seen).")
            elif logger.missing:
                self._show(logger.score(logger.missing[0], line))
                self._ask()
            else:
                raise InvalidValueError(f"'{line}' is not understood.", todo=_HELP)
        except FirmhandError as error:
            if isinstance(error, StorageFailedError):
                raise
            say(str(error))
