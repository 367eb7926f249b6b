"""Single keys from the keyboard without waiting, on POSIX terminals and Windows consoles."""

from __future__ import annotations

import codecs
import os
import re
import select
import sys
from types import TracebackType
from typing import Self

ENTER, ESCAPE, BACKSPACE = "enter", "escape", "backspace"
_NAMES = {"\r": ENTER, "\n": ENTER, "\x1b": ESCAPE, "\x7f": BACKSPACE, "\b": BACKSPACE}
# What a terminal sends for arrows and function keys: no key of ours.
_SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.)")


def named(text: str) -> list[str]:
    r"""Part what a terminal sent into keys: characters, and names for Enter, Escape, Backspace.

    Examples
    --------
    >>> named("v\x1b[A3\r")
    ['v', '3', 'enter']
    """
    text = _SEQUENCE.sub("", text)
    return [_NAMES.get(c, c) for c in text if c in _NAMES or c.isprintable()]


class Keys:
    """A context manager in which keys come one by one and are not echoed.

    Ctrl-C stays what it is. Where stdin is no terminal, there are no keys.
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
        """Keys pressed since the last call."""
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
