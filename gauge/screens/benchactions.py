"""What keys, codes and typed words do at the bench: short questions before anything is lost.

Keys come in as names, messages and a prompt go out; no terminal is used.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date

from gauge.errors import InvalidValueError, NoSuchRaterError, NoSuchRecordError
from gauge.records import Sample
from gauge.screens.questions import BACKSPACE, ENTER, ESCAPE, Questions
from gauge.season.rows import SampleRow, ahead, match, nearest
from gauge.session.events import Event
from gauge.session.livesession import LiveSession
from gauge.session.samplechoice import (
    Progress,
    berries_left,
    fruit_missing,
    fruit_values,
    progress,
    shown_name,
)

REASONS = {
    "1": "slipped",
    "2": "wrong berry",
    "3": "damaged before",
    "4": "pressed twice",
    "5": "not a press on a berry",
}
# What each key does: in a word or two, and at length.
KEYS = {
    "v": ("void last", "void the last berry, and say why"),
    "u": ("undo", "undo the last void, score or note"),
    "n": ("next sample", "the next sample, or another one"),
    "o": ("note", "write a note on the last berry"),
    "f": ("finger score", "give a finger score"),
    "s": ("size, mass", "size and mass of the last berry"),
    "t": ("fruit temperature", "fruit: °C, hours out of the store"),
    "p": ("pause", "log nothing for now, or go on"),
    "m": ("more berries", "take more berries than planned"),
    "q": ("quit", "end; what was stored stays stored"),
    "?": ("keys", ""),
}
_MORE_HELP = {"Backspace": "correct the last score", "a code": "scanned, it opens its sample"}


def key_help() -> str:
    """Return what each key does, in two columns of lines of 80 characters."""
    helps = {key: at_length for key, (_, at_length) in KEYS.items() if at_length} | _MORE_HELP
    cells = [f"[{key}] {what}" for key, what in helps.items()]
    pairs = zip(cells[::2], cells[1::2], strict=True)
    return "\n".join(f"{left:<38}{right}".replace(" ", "\xa0") for left, right in pairs)


def key_list() -> str:
    """Return all keys and what they do; a key is not parted from its words."""
    return "  ".join(f"[{key}] {what}".replace(" ", "\xa0") for key, (what, _) in KEYS.items())


def measured(text: str) -> dict[str, float]:
    """Read a size in mm and a mass in g, in any order; a number without unit is mm.

    Examples
    --------
    >>> measured("22,5 7.4g")
    {'size_mm': 22.5, 'mass_g': 7.4}
    """
    found = re.findall(r"(\d+(?:[.,]\d+)?)\s*(mm|g|)", text)
    if not found or re.sub(r"\d+([.,]\d+)?\s*(mm|g|)|[\s;]", "", text):
        raise InvalidValueError(f"'{text}' is no size or mass.", todo="Type it as 22.5mm 7.4g.")
    return {
        "mass_g" if unit == "g" else "size_mm": float(number.replace(",", "."))
        for number, unit in found
    }


class BenchActions(Questions):
    """Turn keys into actions on a session; `raters` may score the last berry by finger."""

    def __init__(
        self, session: LiveSession, *, raters: Sequence[str] = (), blind: bool = False
    ) -> None:
        super().__init__()
        self.session, self._raters, self.blind = session, tuple(raters), blind
        self.quitting = False
        self.changed = True  # whether other berries of the sample count now

    @property
    def sample(self) -> SampleRow:
        """The sample that is open."""
        sample = self.session.recorder.sample
        assert sample is not None
        return sample

    def name(self, row: SampleRow) -> str:
        """Return the name of a sample for the tech."""
        return shown_name(row, blind=self.blind)

    def progress(self) -> Progress:
        """Count how far the work has come."""
        here, number = self.sample.sample_id, self.session.recorder.next_number
        return progress(self.session.season.samples(also=here), here, date.today(), number)

    @property
    def prompt(self) -> str:
        """The open question and what is typed so far; empty if there is none."""
        recorder = self.session.recorder
        if self.asking or not recorder.missing:
            return super().prompt
        again = ", the same berry like a new one" if recorder.pending.again else ""
        labels = " ".join(self._labels)
        return f"{recorder.missing[0]}{again}: finger score? {labels}  (Backspace: correct)"

    @property
    def _labels(self) -> tuple[str, ...]:
        return self.session.season.labels

    @property
    def _label_keys(self) -> dict[str, str]:
        """Return one key for each label of the scale, where their first letters differ."""
        keys = {label[0].lower(): label for label in self._labels}
        return keys if len(keys) == len(self._labels) else {}

    def _is_code(self, text: str) -> bool:
        return match(self.session.season.samples(), text) is not None

    # --- keys ---------------------------------------------------------------------------------

    def _command(self, key: str) -> list[Event]:
        recorder = self.session.recorder
        key = key.lower()
        # Digits of a scale need no other key before them: no command is a digit.
        if recorder.missing and key.isdigit() and key in self._label_keys:
            return self._score_pending(self._label_keys[key])
        if key == ENTER and not recorder.done:
            return []
        actions: dict[str, Callable[[], list[Event]]] = {
            "v": self._void,
            "u": self.undo,
            "n": self._next,
            "o": self._note,
            "f": self._score,
            "s": self._measure,
            "t": self._fruit,
            "p": self.pause,
            "m": self._more,
            "q": self._quit,
            BACKSPACE: self._correct,
            ENTER: self.go_on,
            ESCAPE: lambda: [],
        }
        action = actions.get(key)
        if action is not None:
            return action()
        self.say(key_help() if key == "?" else key_list(), short=key_list())
        return []

    def _void(self) -> list[Event]:
        recorder = self.session.recorder
        if recorder.pending.pressed:

            def discard(key: str) -> list[Event]:
                recorder.discard_press(scores=key == "a")
                then = "press it again" if key == "s" else "press another one"
                self.say(f"The press that waited is dropped: {then}.", "press")
                return []

            picks = {"s": "same berry again, scores stay", "a": "another berry, scores go too"}
            words = f"Drop the press of berry {recorder.next_number}, which waits for scores?"
            return self._ask(words, discard, picks, free=False)
        if not recorder.logged:
            raise NoSuchRecordError(
                "No berry of this sample can be voided: none is stored yet in this session.",
                todo="Of another one: open it with n. An earlier one: gauge void.",
            )
        berry = recorder.logged[-1]  # the gauge goes on while the question is open

        def take(why: str) -> list[Event]:
            last = berry is recorder.logged[-1]
            recorder.void_last(why, berry)
            self.changed = True
            then = "Its number is free: press again." if last else "Press another in its place."
            self.say(f"Berry {berry.number} is VOID ({why}). {then} [u] takes it back.", "press")
            return []

        return self._ask(f"Void berry {berry.number}: why?", take, REASONS)

    def undo(self) -> list[Event]:
        """Take back the last void, score or note."""
        recorder = self.session.recorder
        done = recorder.undo()
        self.end("press")
        self.say(f"{done} [f] gives it anew." if recorder.lacking else done)
        self.changed = True
        return []

    def _note(self) -> list[Event]:
        logged = self.session.recorder.logged
        berry = logged[-1] if logged else None

        def take(text: str) -> list[Event]:
            self.session.recorder.note(text, berry)
            self.say("Note stored." if berry is None else f"Note on berry {berry.number} stored.")
            return []

        return self._ask("Note:" if berry is None else f"Note on berry {berry.number}:", take)

    def _measure(self) -> list[Event]:
        """Ask for size and mass of the berry stored last."""
        if not self.session.recorder.logged:
            raise NoSuchRecordError(
                "No berry of this sample can be measured: none is stored yet in this session."
            )
        berry = self.session.recorder.logged[-1]

        def take(text: str) -> list[Event]:
            values = measured(text)
            self.session.season.measure_berry(berry.berry_id, values, "at the gauge")
            said = ", ".join(f"{name} {value:g}" for name, value in values.items())
            self.say(f"Berry {berry.number}: {said}.")
            return []

        return self._ask(f"Berry {berry.number}, mm and g (as 22.5mm 7.4g):", take)

    def _fruit(self) -> list[Event]:
        """Ask for the temperature of the sample's fruit and its time out of the store."""
        sample = self.sample
        words = "Temperature of the fruit in °C, and hours out of the store, as 18 2:"
        return self._ask(words, lambda text: self.note_fruit(sample, text))

    def note_fruit(self, row: SampleRow, text: str) -> list[Event]:
        """Keep what was measured of a sample's fruit."""
        values = fruit_values(text)
        self.session.season.correct_sample(row.sample.code, values, "measured at the gauge")
        hours = values.get("out_of_store_h")
        out = "" if hours is None else f", {hours:g} h out of the store"
        self.say(f"Fruit of this sample: {values['fruit_temp_c']:g} °C{out}.")
        return []

    def pause(self) -> list[Event]:
        """Pause, or go on."""
        self.end("pause", "press")
        if self.session.recorder.paused_ns is None:
            self.say("Paused: presses are not logged until you press p again.", "pause")
        else:
            self.say("Logging again.")
        return self.session.toggle_pause()

    def _quit(self) -> list[Event]:
        def quit_now() -> list[Event]:
            self.quitting = True
            return []

        return self._confirm("Quit?", quit_now, yes="q")

    def _more(self) -> list[Event]:
        def take_more() -> list[Event]:
            self.session.recorder.n_required = None
            self.end("press")  # it is not full any more
            self.say("More berries than planned are taken in this sample.")
            return []

        if not self.session.recorder.done:
            raise InvalidValueError("This sample is not full: just press.")
        return self._confirm("Take more berries than planned?", take_more)

    # --- finger scores ------------------------------------------------------------------------

    def _correct(self) -> list[Event]:
        """Take back the finger score given last, before the berry is stored or after."""
        recorder = self.session.recorder
        if done := recorder.take_back_score():
            self.say(done)
            return []
        if not recorder.logged or not recorder.logged[-1].scores:
            raise NoSuchRecordError("No finger score of this session can be corrected.")
        mark = recorder.logged[-1].scores[-1]

        def take(label: str) -> list[Event]:
            berry = recorder.correct_score(mark.rater, label, mark.occasion)
            self.say(f"Berry {berry.number}: {mark.rater} scored {label}, not {mark.score}.")
            return []

        words = f"Berry {recorder.logged[-1].number}, {mark.rater} scored {mark.score}. Right is:"
        return self._ask(words, take, self._label_keys)

    def _score(self) -> list[Event]:
        recorder = self.session.recorder
        if lacking := recorder.lacking:  # one was taken back
            return self._ask_score(lacking[0][0])
        if recorder.missing:
            words = f"Finger score of {recorder.missing[0]}:"
            return self._ask(words, self._score_pending, self._label_keys)
        if not recorder.logged:
            raise NoSuchRecordError(
                "No berry of this sample can be scored: none is stored yet in this session."
            )
        if len(self._raters) == 1:
            return self._score_last_by(self._raters[0])
        numbered = {str(i): name for i, name in enumerate(self._raters[:9], 1)}
        return self._ask("Who scores?", self._score_last_by, numbered)

    def _score_pending(self, label: str) -> list[Event]:
        rater = self.session.recorder.missing[0]
        events = self.session.recorder.score(rater, label)
        self.say(f"{rater} has scored.")  # not what: the next rater may see this
        return events

    def rater_named(self, typed: str) -> str:
        """Return a rater's name as the season spells it, if it or the command line knows it."""
        season = self.session.season
        # A number alone is a slip of the finger, not a name, unless a rater is called so.
        if not (set(typed) - set("0123456789 ") or typed in season.rater_names()):
            raise InvalidValueError(f"A finger score needs a rater's name, not '{typed}'.")
        return season.rater_named(typed, new=self._raters)

    def _score_last_by(self, typed: str) -> list[Event]:
        try:
            return self._ask_score(self.rater_named(typed))
        except NoSuchRaterError:
            known = ", ".join(self.session.season.rater_names())
            words = f"No rater is called '{typed}' (known: {known}). A new one?"
            return self._confirm(words, lambda: self._ask_score(" ".join(typed.split())))

    def _ask_score(self, rater: str) -> list[Event]:
        recorder = self.session.recorder
        berry = recorder.logged[-1]

        def take(label: str) -> list[Event]:
            recorder.score_last(rater, label, berry)
            self.say(f"Berry {berry.number}: {rater} scored {label} (the force was seen).")
            return []

        return self._ask(f"Berry {berry.number}, score of {rater}:", take, self._label_keys)

    # --- samples ------------------------------------------------------------------------------

    @property
    def offered(self) -> SampleRow | None:
        """The sample that the plan has next."""
        rows = ahead(self.session.season.samples(), self.sample.sample_id)
        return rows[0] if rows else None

    def go_on(self) -> list[Event]:
        """Go on with the next sample of the plan, or ask which."""
        offered = self.offered
        return self._next() if offered is None else self._change(offered)

    def _next(self) -> list[Event]:
        offered = self.offered

        def take(code: str) -> list[Event]:
            if code:
                return self.open(code)
            if offered is None:
                raise InvalidValueError("No sample was named.")
            return self._change(offered)

        words = "Next sample:"
        if offered is not None:
            words = f"Next sample (Enter: {self.name(offered)}):"
        return self._ask(words, take, code=True)

    def open(self, code: str) -> list[Event]:
        """Go on with the sample of a code, and ask where it is not known."""
        season = self.session.season
        rows = season.samples()
        row = match(rows, code)
        if row is None:
            near = nearest(rows, code)

            def take(key: str) -> list[Event]:
                if key == "s" and near is not None:
                    return self.open(near)
                new = Sample(code=code.strip(), crop=season.crop)
                season.add_sample(new)
                return self.open(new.code)

            picks = {"s": f"it is {near}"} if near else {}
            picks["b"] = "begin it"
            return self._ask(f"No sample is called '{code}'.", take, picks, free=False)
        if row.sample_id == self.sample.sample_id:
            self.say(f"This is sample {self.name(row)} already.")
            return []
        if not self.session.recorder.pending.pressed:
            return self._change(row)
        words = f"A press waits for its scores. Drop it and open {code}?"
        return self._confirm(words, lambda: self._change(row))

    def _change(self, row: SampleRow) -> list[Event]:
        events = self.session.change_sample(row, berries_left(row))
        self.changed = True
        self.messages = []  # they are about the sample before
        self.say(" ".join([f"Now sample {self.name(row)}.", *fruit_missing(row)]))
        return events
