"""What the keys of the bench screen do: one key each, and short questions where words are needed.

Keys come in as names, messages and a prompt go out; no terminal is used.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gauge.errors import FirmhandError, InvalidValueError, NoSuchRecordError, StorageFailedError
from gauge.records import Sample
from gauge.season.rows import SampleRow
from gauge.session.events import Event
from gauge.session.livesession import LiveSession
from gauge.session.samplechoice import berries_left, has_plan, shown_name

ENTER, ESCAPE, BACKSPACE = "enter", "escape", "backspace"
REASONS = {
    "1": "slipped",
    "2": "wrong berry",
    "3": "damaged before",
    "4": "pressed twice",
    "5": "not a press on a berry",
}


@dataclass(slots=True)
class _Question:
    """An open question: its words, what takes the answer, and answers of one key."""

    words: str
    take: Callable[[str], list[Event]]
    picks: dict[str, str]
    typed: str = ""


class BenchActions:
    """Turn keys into actions on a session; `raters` may score the last berry by finger."""

    def __init__(
        self, session: LiveSession, *, raters: Sequence[str] = (), blind: bool = False
    ) -> None:
        self._session, self._raters, self._blind = session, tuple(raters), blind
        self._question: _Question | None = None
        self.quitting = False
        self.messages: list[str] = []
        self.changed = True  # whether other berries of the sample count now

    @property
    def prompt(self) -> str:
        """The open question and what is typed so far; empty if there is none."""
        if (asked := self._question) is None:
            missing = self._session.recorder.missing
            if not missing:
                return ""
            return (
                f"{missing[0]}: finger score? {' '.join(self._labels)}  "
                "(Backspace: take back  [v] void  [o] note  [p] pause  [q] quit)"
            )
        picks = "  ".join(f"[{key}] {what}" for key, what in asked.picks.items())
        return f"{asked.words} {picks}{'  ' if picks else ''}> {asked.typed}_  (Esc: back)"

    @property
    def _labels(self) -> tuple[str, ...]:
        return self._session.season.labels

    @property
    def _label_keys(self) -> dict[str, str]:
        """Return one key for each label of the scale, where their first letters differ."""
        keys = {label[0].lower(): label for label in self._labels}
        return keys if len(keys) == len(self._labels) else {}

    def say(self, message: str) -> None:
        """Show a message."""
        self.messages = [*self.messages[-9:], message]

    def press(self, key: str) -> list[Event]:
        """Do what a key stands for; a user's mistake becomes a message, a full disk does not."""
        try:
            return self._answer(key) if self._question else self._command(key)
        except StorageFailedError:
            raise
        except FirmhandError as error:
            self.say(str(error))
            return []

    # --- questions ----------------------------------------------------------------------------

    def _ask(
        self, words: str, take: Callable[[str], list[Event]], picks: dict[str, str] | None = None
    ) -> None:
        self._question = _Question(words, take, picks or {})

    def _answer(self, key: str) -> list[Event]:
        asked = self._question
        assert asked is not None
        if key == ESCAPE:
            self._question = None
            return []
        if not asked.typed and key.lower() in asked.picks:
            self._question = None
            return asked.take(asked.picks[key.lower()])
        if key == ENTER:
            self._question = None
            return asked.take(asked.typed.strip())
        if key == BACKSPACE:
            asked.typed = asked.typed[:-1]
        elif len(key) == 1:
            asked.typed += key
        return []

    # --- keys ---------------------------------------------------------------------------------

    def _command(self, key: str) -> list[Event]:
        recorder = self._session.recorder
        key = key.lower()
        if key == BACKSPACE and (rater := recorder.pending.take_back()):
            self.say(f"The score of {rater} is taken back.")
            return []
        # Digits of a scale need no other key before them: no command is a digit.
        if recorder.missing and key.isdigit() and key in self._label_keys:
            return self._score_pending(self._label_keys[key])
        actions: dict[str, Callable[[], list[Event]]] = {
            "v": self._void,
            "n": self._next,
            "o": self._note,
            "f": self._score,
            "p": self._pause,
            "q": self._quit,
        }
        action = actions.get(key)
        return action() if action else []

    def _void(self) -> list[Event]:
        recorder = self._session.recorder
        if not recorder.logged:
            raise NoSuchRecordError(
                "No berry of this session can be voided: none is stored yet.",
                todo="An earlier one: gauge void.",
            )

        berry = recorder.logged[-1]  # the gauge goes on while the question is open

        def take(why: str) -> list[Event]:
            last = berry is recorder.logged[-1]
            recorder.void_last(why, berry)
            self.changed = True
            then = "Its number is free: press again." if last else "Press another in its place."
            self.say(f"Berry {berry.number} is VOID ({why}). {then}")
            return []

        self._ask(f"Void berry {berry.number}: why?", take, REASONS)
        return []

    def _note(self) -> list[Event]:
        logged = self._session.recorder.logged
        berry = logged[-1] if logged else None

        def take(text: str) -> list[Event]:
            self._session.recorder.note(text, berry)
            self.say("Note stored." if berry is None else f"Note on berry {berry.number} stored.")
            return []

        self._ask("Note:" if berry is None else f"Note on berry {berry.number}:", take)
        return []

    def _pause(self) -> list[Event]:
        if self._session.recorder.paused_ns is None:
            self.say("Paused: presses are not logged until you press p again.")
        else:
            self.say("Logging again.")
        return self._session.toggle_pause()

    def _quit(self) -> list[Event]:
        def take(answer: str) -> list[Event]:
            self.quitting = answer in ("", "yes")
            return []

        self._ask("Quit?", take, {"q": "yes", "y": "yes", "n": "no"})
        return []

    # --- finger scores ------------------------------------------------------------------------

    def _score(self) -> list[Event]:
        recorder = self._session.recorder
        if recorder.missing:
            self._ask(
                f"Finger score of {recorder.missing[0]}:", self._score_pending, self._label_keys
            )
            return []
        if not recorder.logged:
            raise NoSuchRecordError("No berry of this session can be scored: none is stored yet.")
        if len(self._raters) == 1:
            return self._score_last_by(self._raters[0])
        numbered = {str(i): name for i, name in enumerate(self._raters[:9], 1)}
        self._ask("Who scores?", self._score_last_by, numbered)
        return []

    def _score_pending(self, label: str) -> list[Event]:
        rater = self._session.recorder.missing[0]
        events = self._session.recorder.score(rater, label)
        self.say(f"{rater} has scored.")  # not what: the next rater may see this
        return events

    def _score_last_by(self, rater: str) -> list[Event]:
        if not rater:
            raise InvalidValueError("A finger score needs a rater's name.")
        recorder = self._session.recorder
        berry = recorder.logged[-1]

        def take(label: str) -> list[Event]:
            recorder.score_last(rater, label, berry)
            self.say(f"Berry {berry.number}: {rater} scored {label} (the force was seen).")
            return []

        self._ask(f"Berry {berry.number}, score of {rater}:", take, self._label_keys)
        return []

    # --- samples ------------------------------------------------------------------------------

    def _next(self) -> list[Event]:
        season, recorder = self._session.season, self._session.recorder
        assert recorder.sample is not None
        here = recorder.sample.sample_id
        ahead = [
            row
            for row in season.samples()
            if row.sample.plan_order and not row.done and row.sample_id != here
        ]
        offered = ahead[0] if ahead else None

        def take(code: str) -> list[Event]:
            if not code and offered is None:
                raise InvalidValueError("No sample was named.")
            row = offered if not code and offered is not None else self._sample(code)
            events = self._session.change_sample(row, berries_left(row))
            self.changed = True
            self.messages = []  # they are about the sample before
            self.say(f"Now sample {shown_name(row, blind=self._blind)}.")
            return events

        words = "Next sample:"
        if offered is not None:
            words = f"Next sample (Enter: {shown_name(offered, blind=self._blind)}):"
        self._ask(words, take)
        return []

    def _sample(self, code: str) -> SampleRow:
        """Return the sample of a code, begun if it is new and the season has no plan."""
        season = self._session.season
        try:
            return season.sample(code)
        except NoSuchRecordError:
            if has_plan(season):
                raise
        season.add_sample(Sample(code=code, crop=season.crop))
        return season.sample(code)
