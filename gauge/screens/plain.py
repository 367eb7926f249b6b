"""The plain screen of `gauge log`: lines only, for any terminal, a pipe or another program.

Acknowledged berries go to stdout, all else to stderr. A thread of its own reads what is typed, so
that no prompt delays a berry.
"""

from __future__ import annotations

import queue
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from gauge.errors import FirmhandError, InvalidValueError, NoSuchRecordError, StorageFailedError
from gauge.printed import emit_json, say
from gauge.records import Gap
from gauge.screens.benchactions import REASONS, BenchActions
from gauge.screens.questions import picked
from gauge.season.rows import match, nearest
from gauge.session.events import BerryLogged, Event, Notice, bells, describe

_GAPS_REPORTED = 4  # a gap of the same kind: three in full, then once that it goes on
_HELP = (
    "Type 'void REASON', 'note TEXT', 'score RATER SCORE' (of the last berry), 'fruit °C HOURS' "
    "(out of the store), 'undo', 'pause' (and again to go on), 'next' or 'next CODE', 'help' or "
    "'quit'."
)


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


def _read_lines(typed: queue.SimpleQueue[str]) -> None:
    """Hand on what is typed, line by line."""
    for line in sys.stdin:
        typed.put(line.strip())


class PlainScreen:
    """Run a session, entered already, on a plain terminal; berries as JSON lines if `as_json`."""

    def __init__(
        self,
        actions: BenchActions,
        *,
        as_json: bool,
        quiet: bool = False,
    ) -> None:
        self._actions, self._session, self._as_json = actions, actions.session, as_json
        self._bell = "" if quiet or as_json or not sys.stdout.isatty() else "\a"
        self._same_gaps, self._last_reason = 0, ""
        self._typed: queue.SimpleQueue[str] = queue.SimpleQueue()
        if sys.stdin.isatty() or self._session.recorder.pending.raters:
            threading.Thread(target=_read_lines, args=(self._typed,), daemon=True).start()

    def run_session(self) -> None:
        """Log until all berries are in, the user stops or quits, or silence lasts."""
        with stopping() as stop:
            self._run(stop)
            self.show(self._session.finish())

    def _run(self, stop: threading.Event) -> None:
        session, recorder = self._session, self._session.recorder
        say(f"Listening on {session.reader.port}: {self._progress()}. Ctrl-C ends; 'help' helps.")
        self._ask()
        while not (stop.is_set() or recorder.done):
            self.show(self._session.poll())
            while not self._typed.empty():
                line = self._typed.get()
                if line == "quit":
                    stop.set()
                elif line:
                    self.act(line)
            if session.timed_out:
                say(f"{session.reader.port}: no reading for {session.silent_stop_s:g} s; stopping.")
                break

    def show(self, events: list[Event]) -> None:
        """Print events."""
        for event in events:
            if isinstance(event, Gap):
                self._show_gap(event)
            elif not isinstance(event, BerryLogged):
                say(describe(event, self._session.reader.device))
            elif self._as_json:
                emit_json(event.document())
            else:
                sys.stdout.write(f"{describe(event, self._session.reader.device)}\n")
                sys.stdout.flush()
            if self._bell:
                sys.stdout.write(self._bell * bells(event))
                sys.stdout.flush()
            if isinstance(event, BerryLogged):
                self._same_gaps = 0
                if (recorder := self._session.recorder).done:
                    row, n = self._actions.progress().row, len(recorder.logged)
                    full = ", and it is full" if row.berries == row.sample.berries_planned else ""
                    name = self._actions.name(row)
                    say(f"sample {name}: {n} of {recorder.n_required} berries logged{full}.")
            missing = isinstance(event, Notice) and event.kind == "scores missing"
            if missing or isinstance(event, BerryLogged):
                self._ask()

    def _show_gap(self, gap: Gap) -> None:
        """Print a gap, but not the same one without end: all of them are stored anyway."""
        device = self._session.reader.device
        kind = gap.reason.partition(":")[0]  # what bytes came differs each time
        self._same_gaps = self._same_gaps + 1 if kind == self._last_reason else 1
        self._last_reason = kind
        if self._same_gaps < _GAPS_REPORTED:
            say(describe(gap, device))
        elif self._same_gaps == _GAPS_REPORTED:
            say(
                f"{device}: the same again and again; all is stored, and no more of it is shown. "
                "Does this gauge send what the format says? gauge learn makes a new one."
            )

    def _progress(self) -> str:
        return f"sample {self._actions.name(self._actions.sample)}, {self._actions.progress()}"

    def _ask(self) -> None:
        """Ask for the next finger score that is missing."""
        recorder = self._session.recorder
        if recorder.done:
            return
        if recorder.turns and recorder.pending.untouched:
            say(f"B{recorder.turns[1:]}.")  # a name keeps its capitals
        if recorder.missing:
            again = " once more (hand it over like a new one)" if recorder.pending.again else ""
            say(f"Score of berry {recorder.next_number} by {recorder.missing[0]}{again}?")

    def act(self, line: str) -> None:
        """Do what a typed line asks for; a user's mistake becomes a message."""
        recorder = self._session.recorder
        word, _, rest = line.partition(" ")
        try:
            if word == "void" and recorder.pending.pressed:
                recorder.discard_press(scores=True)
                say("The press that waited for its scores is dropped, with the scores given.")
            elif word == "void":
                why = picked(rest.strip(), REASONS)
                berry = recorder.void_last(why)
                say(f"Berry {berry.number} is void ({why}); its number is free again.")
            elif word == "undo":
                say(recorder.undo())
                if recorder.lacking:
                    say("'score RATER SCORE' gives the last berry a score anew.")
                self._ask()
            elif word == "help":
                say(_HELP)
            elif word in ("pause", "next"):
                self.show(self._do(word, rest))
            elif word == "note":
                recorder.note(rest)
                say("Note stored.")
            elif word == "fruit":
                self._show_messages(self._actions.note_fruit(self._actions.sample, rest))
            elif word == "score":
                rater, _, label = rest.partition(" ")
                rater = self._actions.rater_named(rater)
                recorder.score_last(rater, label.strip())
                say(f"{rater} scored the last berry {label.strip()} (the force was seen).")
            elif recorder.missing:
                events = recorder.score(recorder.missing[0], line)
                self.show(events)
                if not events:
                    self._ask()
            else:
                raise InvalidValueError(f"'{line}' is not understood.", todo=_HELP)
        except FirmhandError as error:
            if isinstance(error, StorageFailedError):
                raise
            say(str(error))

    def _show_messages(self, events: list[Event]) -> list[Event]:
        """Print what an action says."""
        for message in self._actions.messages:
            say(message.text)
        self._actions.messages = []
        return events

    def _do(self, word: str, code: str) -> list[Event]:
        """Pause, go on, or change the sample: to one that is known, as nobody is asked here."""
        rows = self._session.season.samples()
        if code and match(rows, code) is None:
            near = nearest(rows, code)
            raise NoSuchRecordError(
                f"no sample is called '{code}'.",
                todo=f"The nearest is {near}." if near else "'gauge plan' lists the samples.",
            )
        if word == "next" and not code and self._actions.offered is None:
            raise NoSuchRecordError("no planned sample is left.", todo="Type 'next CODE'.")
        actions = self._actions
        pause = word == "pause"
        events = self._show_messages(
            actions.pause() if pause else actions.open(code) if code else actions.go_on()
        )
        if not pause:
            say(f"{self._progress()}.")
        return events
