"""What happens while berries are logged, as one small record each, and its words for a person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

from gauge.records import DetectorNotice, FingerScore, Flag, Gap, LineLost, Press, TruncatedPress
from gauge.units import Unit

FLAG_WORDS = {
    Flag.OVERLOAD: "OVERLOAD: at the limit of the gauge, the true peak may be higher",
    Flag.BASELINE_DRIFT: "zero drifted",
    Flag.FEW_READINGS: "few readings on the way up",
    Flag.LOADING_RATE: "pressed faster or slower than planned",
    Flag.DOUBLE_RISE: "skin broke, then rose again",
    Flag.LONE_READING: "the peak is a single reading: line noise, or a knock?",
    Flag.UNIT_CHANGED: "the gauge changed its unit",
    Flag.PEAK_MAY_BE_HIGHER: "PEAK MAY BE HIGHER: readings were lost near the top",
    Flag.ZERO_OFF: "zero is off: zero the gauge",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class BerryLogged:
    """A berry is stored: only now may it be shown, announced by the bell and printed.

    Until then, and without a season file, it has no `berry_id`.
    """

    press: Press
    scores: tuple[FingerScore, ...] = ()
    press_only: bool = False
    number: int = 0
    berry_id: int = 0

    def document(self) -> dict[str, Any]:
        """Return the berry as the JSON line of `gauge log` and `gauge replay`."""
        return {
            "berry": self.number,
            "peak": self.press.peak,
            "unit": self.press.peak_unit.value,
            "peak_N": self.press.peak_newton,
            "zero_N": self.press.baseline_newton,
            "flags": [flag.value for flag in self.press.flags],
            **({"press_only": True} if self.press_only else {}),
        }

    def line(self) -> str:
        """Describe the berry in one line."""
        press = self.press
        newton = "" if press.peak_unit is Unit.N else f" = {press.peak_newton:.3f} N"
        flags = "; ".join(FLAG_WORDS[flag] for flag in press.flags)
        scores = "".join(f", {mark.rater} {mark.score}" for mark in self.scores)
        return (
            f"berry {self.number}: {press.peak_shown} {press.peak_unit}{newton}{scores}"
            f"{f' ({flags})' if flags else ''}"
        )


class Notice(NamedTuple):
    """Something that the tech must know; its kind is a row of `_WORDS`."""

    kind: str
    text: str


_WORDS = {
    "scores missing": "Pressed. The force stays hidden until these have scored: {raters}.",
    "refused": "No berry: {why}.",
    "too hard": "TOO HARD: {peak:.2f} N, but the gauge is rated for {capacity:g} N: its cell may "
    "be hurt. Check it with weights before the next berry: gauge verify.",
    "tiny": "{peak:.2f} N is far below the usual {usual:.2f} N. If nothing was pressed, void it.",
    "unread in press": "{lines} of that press could not be read. If the gauge shows a word for an "
    "overload, gauge learn teaches it: press that hard while it listens.",
    "silent": "nothing received for {seconds:.0f} s. Is the gauge on, and does it send? Still "
    "listening.",
    "unreadable": "for {seconds:.0f} s bytes came, but none that the line format can read. Speed "
    "or format may be wrong: gauge learn makes a new format.",
    "behind": "MORE LINES COME THAN CAN BE READ: what is read now came {seconds:.0f} s ago. Wait, "
    "or let the gauge send less often: 2,000 lines a second are plenty.",
    "not stored": "NOT STORED YET: {why} Trying again; do not close this window.",
}
# What an event is about, where not the press, and strokes of the bell, where it rings; by the kind
# of a notice, or by the type of another event.
_TOPICS: dict[object, str] = dict.fromkeys(("silent", "unreadable", "behind", LineLost), "line")
_TOPICS["not stored"] = "store"
_STROKES: dict[object, int] = {
    BerryLogged: 1,
    **dict.fromkeys(("refused", "behind", "not stored", TruncatedPress, DetectorNotice), 2),
    **dict.fromkeys(("too hard", LineLost), 3),
}
FULL_BELLS = 4


def notice(kind: str, **values: object) -> Notice:
    """Make a notice, with these values in its words."""
    return Notice(kind, _WORDS[kind].format(**values))


# A Gap is an event when it is over and stored.
Event = BerryLogged | Notice | TruncatedPress | DetectorNotice | LineLost | Gap


def describe(event: Event, port: str) -> str:
    """Describe an event for a person, in the same words on every screen; `port` is a name."""
    match event:
        case BerryLogged():
            return event.line()
        case TruncatedPress(reason=reason):
            return f"No berry: a press was seen only in part ({reason}). Press again."
        case DetectorNotice(text=text):
            return text
        case LineLost(reason=reason):
            return f"{port}: {reason}. Waiting for it to come back; nothing stored is lost."
        case Gap():
            seconds = (event.to_ns - event.from_ns) / 1e9
            return (
                f"{port}: gap of {seconds:.1f} s ({event.reason}); what was sent then is lost. A "
                "berry pressed then is not stored: press it again."
            )
        case Notice(text=text):
            return f"{port}: {text}" if topic(event) == "line" else text


def topic(event: Event) -> str:
    """Name what an event is about: a message of it ends when the next one comes, or its end."""
    return _TOPICS.get(_kind(event), "press")


def bells(event: Event) -> int:
    """Return how many strokes of the bell an event has; 0 for none.

    Stored is one; a press that is no berry two; a line that is lost, or a cell at risk, three.
    Where a sample is full, its screen rings `FULL_BELLS`.
    """
    return _STROKES.get(_kind(event), 0)


def _kind(event: Event) -> object:
    return event.kind if isinstance(event, Notice) else type(event)
