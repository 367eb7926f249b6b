"""Short questions at the foot of a screen, their answers by key or in words, and messages.

Keys come in as names, texts go out; what keys and codes do is said by what builds on it. Keys that
follow one another faster than a person types are a burst of a barcode scanner. A burst that ends in
Enter is one code; whatever keys it is made of, none of them acts alone.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from gauge.errors import FirmhandError, InvalidValueError, StorageFailedError
from gauge.session.events import Event

ENTER, ESCAPE, BACKSPACE = "enter", "escape", "backspace"
# s; a scanner sends a character every few milliseconds, a fast typist one in 80 ms
BURST_S = 0.05
MESSAGE_S = 20.0  # s; an answer to a key is read by then
Take = Callable[[str], list[Event]]


class Typed(NamedTuple):
    """One key, or the text of a burst and whether Enter ended it."""

    text: str
    burst: bool = False
    ended: bool = False


class KeyBursts:
    """Holds each key back until it is known to be no part of a burst.

    Examples
    --------
    >>> keys = KeyBursts()
    >>> [keys.feed(key, 0.01 * i) for i, key in enumerate(["B", "-", "7", "enter"])][-1]
    [Typed(text='B-7', burst=True, ended=True)]
    >>> keys.feed("v", 5.0), keys.flush(5.1)
    ([], [Typed(text='v', burst=False, ended=False)])
    """

    def __init__(self) -> None:
        self._held = ""
        self._last_s = 0.0

    def feed(self, key: str, at_s: float) -> list[Typed]:
        """Take a key: one character, or the name of Enter, Escape or Backspace."""
        out = self.flush(at_s)
        self._last_s = at_s
        if len(key) == 1:
            self._held += key
            return out
        held, self._held = self._held, ""
        if key == ENTER and len(held) > 1:
            return [*out, Typed(held, burst=True, ended=True)]
        return [*out, *([Typed(held, burst=len(held) > 1)] if held else []), Typed(key)]

    def flush(self, now_s: float) -> list[Typed]:
        """Return what is held, once no further key can belong to it."""
        if not self._held or now_s - self._last_s < BURST_S:
            return []
        held, self._held = self._held, ""
        return [Typed(held, burst=len(held) > 1)]


def picked(typed: str, picks: Mapping[str, str]) -> str:
    """Return what a typed answer stands for; where there is a list, a number must be of it.

    Examples
    --------
    >>> picked("1", {"1": "slipped"}), picked("rotten", {"1": "slipped"})
    ('slipped', 'rotten')
    """
    if picks and typed.isdecimal() and typed not in {*picks, *picks.values()}:
        raise InvalidValueError(f"{typed} is not in the list:{listed(picks)}.")
    return picks.get(typed, typed)


def listed(picks: Mapping[str, str]) -> str:
    """Name the answers of one key."""
    return "".join(f"  [{key}] {what}" for key, what in picks.items())


@dataclass(frozen=True, slots=True)
class Message:
    """A message, and what it is about: it ends when that does; `short` is for a small screen."""

    text: str
    topic: str
    said_s: float
    short: str


@dataclass(slots=True)
class _Question:
    """An open question: its words, what takes the answer, and answers of one key."""

    words: str
    take: Take
    picks: dict[str, str]
    free: bool = True  # whether words may be typed
    code: bool = False  # whether the answer is a code, which a scanner may give
    typed: str = ""


class Questions(ABC):
    """One open question at a time, and the messages that are not over yet."""

    def __init__(self) -> None:
        self._question: _Question | None = None
        self.messages: list[Message] = []

    @abstractmethod
    def _command(self, key: str) -> list[Event]:
        """Do what a key stands for while no question is open."""

    @abstractmethod
    def _is_code(self, text: str) -> bool:
        """Return whether this is the code of a sample."""

    @abstractmethod
    def open(self, code: str) -> list[Event]:
        """Do what a scanned code stands for."""

    @property
    def asking(self) -> bool:
        """Whether a question is open."""
        return self._question is not None

    @property
    def prompt(self) -> str:
        """The open question and what is typed so far; empty if there is none."""
        if (asked := self._question) is None:
            return ""
        typed = f"  > {asked.typed}_" if asked.free else ""
        return f"{asked.words}{listed(asked.picks)}{typed}  (Esc: back)"

    # --- messages -----------------------------------------------------------------------------

    def say(self, text: str, topic: str = "answer", *, short: str | None = None) -> None:
        """Show a message, on a small screen the short one; an older one on the same topic ends."""
        self.end(topic)
        self.messages = [*self.messages[-4:], Message(text, topic, time.monotonic(), short or text)]

    def end(self, *topics: str) -> None:
        """End the messages on these topics: what they say is over."""
        self.messages = [message for message in self.messages if message.topic not in topics]

    def expire(self, now_s: float) -> None:
        """End the answers that were there to be read for long enough."""
        self.messages = [
            m for m in self.messages if m.topic != "answer" or now_s - m.said_s < MESSAGE_S
        ]

    # --- what comes in ------------------------------------------------------------------------

    def take(self, typed: Typed) -> list[Event]:
        """Do what was typed; a user's mistake becomes a message, a full disk does not."""
        try:
            if typed.burst:
                return self._burst(typed.text, ended=typed.ended)
            return self._answer(typed.text) if self._question else self._command(typed.text)
        except StorageFailedError:
            raise
        except FirmhandError as error:
            self.say(str(error))
            return []

    def _burst(self, text: str, *, ended: bool) -> list[Event]:
        """Take a burst: with Enter a code, or words that were asked for; else nothing is done."""
        asked = self._question
        if asked is not None and asked.free and not ended:
            asked.typed += text
            return []
        if not ended:
            self.say(f"'{text}' came all at once, without Enter: nothing is done.")
            return []
        known = self._is_code(text)
        # Words with a digit, or without a small letter, look like a label and not like an answer.
        label_like = any(c.isdigit() for c in text) or text == text.upper()
        if asked is not None and asked.free and (asked.code or not (known or label_like)):
            self._question = None
            return asked.take((asked.typed + text).strip())
        self._question = None
        if asked is not None:
            self.say(f"'{text}' was scanned: '{asked.words}' was not answered.", "press")
        return self.open(text)

    # --- questions ----------------------------------------------------------------------------

    def _ask(
        self,
        words: str,
        take: Take,
        picks: dict[str, str] | None = None,
        *,
        free: bool = True,
        code: bool = False,
    ) -> list[Event]:
        self.end("answer")
        self._question = _Question(words, take, picks or {}, free, code)
        return []

    def _confirm(self, words: str, do: Callable[[], list[Event]], *, yes: str = "y") -> list[Event]:
        """Ask whether something shall be done; the key that began the question may answer it."""
        picks = {"y": "yes", yes: "yes", "n": "no"}
        return self._ask(words, lambda key: [] if key == "n" else do(), picks, free=False)

    def _answer(self, key: str) -> list[Event]:
        asked = self._question
        assert asked is not None
        if key == ESCAPE:
            self._question = None
        elif not asked.typed and key.lower() in asked.picks:
            self._question = None
            return asked.take(key.lower() if not asked.free else asked.picks[key.lower()])
        elif not asked.free:
            self.say(f"Press {', '.join(asked.picks)}, or Esc to go back.")
        elif key == ENTER:
            typed, asked.typed = asked.typed.strip(), ""
            answer = picked(typed, asked.picks)  # where it refuses, the question stays open
            self._question = None
            return asked.take(answer)
        elif key == BACKSPACE:
            asked.typed = asked.typed[:-1]
        elif len(key) == 1:
            asked.typed += key
        return []
