r"""Marks that a POSIX serial line puts before a byte whose parity was wrong (INPCK with PARMRK).

A byte with wrong parity arrives as ``FF 00 x``, a true ``FF`` as ``FF FF`` (POSIX.1-2017, General
Terminal Interface, 11.2.2, PARMRK).
"""

from __future__ import annotations

import re

# Stands for a byte that was not received rightly. No line format can match it, so that the line
# which holds it is rejected and counted, and is never a reading with another digit.
BAD_BYTE = b"\xff"

# A whole mark, or its first half at the end.
_MARK = re.compile(rb"\xff(?:\0(?s:.)|[^\0]|\0?\Z)")


class ParityMarks:
    """Undo the marks, over any split of the bytes; a wrong byte becomes `BAD_BYTE`."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        """Return the bytes as sent, without what may be the first half of a mark."""
        data = self._held + data
        self._held = b""
        return _MARK.sub(self._replace, data)

    def _replace(self, mark: re.Match[bytes]) -> bytes:
        if mark[0] in (b"\xff", b"\xff\0"):
            self._held = mark[0]
            return b""
        # FF FF is a true FF; any other pair cannot come from the driver and is no good byte.
        return BAD_BYTE

    def gap(self) -> None:
        """Forget half a mark: the line was interrupted."""
        self._held = b""
