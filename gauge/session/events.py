"""What happens while berries are logged, as one small record each, and its words for a person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from gauge.plaintext import plural
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
    """A berry is stored: only now may it be shown, announced by the bell and printed."""

    number: int
    berry_id: int | None
    press: Press
    scores: tuple[FingerScore, ...] = ()
    press_only: bool = False

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


@dataclass(frozen=True, kw_only=True, slots=True)
class ScoresMissing:
    """A berry was pressed whose finger scores are not all in; its force stays hidden."""

    raters: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class AboveRating:
    """The last berry was pressed harder than the gauge is made for; the berry is kept, flagged."""

    peak_newton: float
    capacity_newton: float


@dataclass(frozen=True, kw_only=True, slots=True)
class UnreadInPress:
    """Lines that could not be read stood in the last press, and may have hidden its peak."""

    n_lines: int


@dataclass(frozen=True, kw_only=True, slots=True)
class PressRefused:
    """A whole press that is not taken for a berry, and why."""

    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Silence:
    """No reading for `seconds`; `unreadable` if bytes came that the line format cannot read."""

    seconds: float
    unreadable: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Behind:
    """More lines come than can be read: what is read now came so many seconds ago."""

    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class StoreDelayed:
    """The season file is locked by another program; the berry is pending and is tried again."""

    reason: str


# A Gap is an event when it is over and stored.
Event = (
    BerryLogged
    | TruncatedPress
    | DetectorNotice
    | ScoresMissing
    | PressRefused
    | AboveRating
    | UnreadInPress
    | LineLost
    | Gap
    | Silence
    | Behind
    | StoreDelayed
)


def describe(event: Event, port: str) -> str:
    """Describe an event for a person, in the same words on every screen; `port` is a name."""
    match event:
        case BerryLogged():
            return event.line()
        case TruncatedPress(reason=reason):
            return f"No berry: a press was seen only in part ({reason}). Press again."
        case DetectorNotice(text=text):
            return text
        case ScoresMissing(raters=raters):
            return f"Pressed. The force stays hidden until these have scored: {', '.join(raters)}."
        case PressRefused(reason=reason):
            return f"No berry: {reason}."
        case AboveRating(peak_newton=peak, capacity_newton=capacity):
            return (
                f"TOO HARD: {peak:.2f} N, but the gauge is rated for {capacity:g} N: its cell may "
                "be hurt. Check it with weights before the next berry: gauge verify."
            )
        case UnreadInPress(n_lines=n):
            return (
                f"{plural(n, 'line')} of that press could not be read. If the gauge shows a word "
                "for an overload, gauge learn teaches it: press that hard while it listens."
            )
        case LineLost(reason=reason):
            return f"{port}: {reason}. Waiting for it to come back; nothing stored is lost."
        case Gap():
            seconds = (event.to_ns - event.from_ns) / 1e9
            return (
                f"{port}: gap of {seconds:.1f} s ({event.reason}); what was sent then is lost. A "
                "berry pressed then is not stored: press it again."
            )
        case Silence(seconds=seconds, unreadable=True):
            return (
                f"{port}: for {seconds:.0f} s bytes came, but none that the line format can read. "
                "Speed or format may be wrong: gauge learn makes a new format."
            )
        case Silence(seconds=seconds):
            return (
                f"{port}: nothing received for {seconds:.0f} s. Is the gauge on, and does it send? "
                "Still listening."
            )
        case Behind(seconds=seconds):
            return (
                f"{port}: MORE LINES COME THAN CAN BE READ: what is read now came {seconds:.0f} s "
                "ago. Wait, or let the gauge send less often: 2,000 lines a second are plenty."
            )
        case StoreDelayed(reason=reason):
            return f"NOT STORED YET: {reason} Trying again; do not close this window."


def topic(event: Event) -> str:
    """Name what an event is about: a message of it ends when the next one comes, or its end."""
    match event:
        case LineLost() | Silence() | Behind():
            return "line"
        case StoreDelayed():
            return "store"
        case _:
            return "press"


def bells(event: Event) -> int:
    """Return how many strokes of the bell an event has; 0 for none.

    Stored is one; a press that is no berry two; a line that is lost, or a cell at risk, three.
    Where a sample is full, its screen rings four.
    """
    match event:
        case BerryLogged():
            return 1
        case TruncatedPress() | DetectorNotice() | PressRefused() | StoreDelayed() | Behind():
            return 2
        case LineLost() | AboveRating():
            return 3
        case _:
            return 0


FULL_BELLS = 4
