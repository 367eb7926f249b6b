"""Keys typed by a person, or a burst of a barcode scanner: by how fast they follow one another.

A burst that ends in Enter is one code; whatever keys it is made of, none of them acts alone.
"""

from __future__ import annotations

from typing import NamedTuple

ENTER, ESCAPE, BACKSPACE = "enter", "escape", "backspace"
# s; a scanner sends a character every few milliseconds, a fast typist one in 80 ms
BURST_S = 0.05


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
