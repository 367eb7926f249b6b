r"""Marks that a POSIX serial line puts before a byte whose parity was wrong (INPCK with PARMRK).

A byte with wrong parity arrives as ``FF 00 x``, a true ``FF`` as ``FF FF`` (POSIX.1-2017, General
Terminal Interface, 11.2.2, PARMRK). Pure; the port is opened in `port`.
"""

from __future__ import annotations

# Stands for a byte that was not received rightly. No line format can match it, so that the line
# which holds it is rejected and counted, and is never a reading with another digit.
BAD_BYTE = b"\xff"


class ParityMarks:
    r"""Undo the marks, over any split of the bytes; a wrong byte becomes `BAD_BYTE`.

    Examples
    --------
    >>> marks = ParityMarks()
    >>> marks.feed(b"1.2\xff\x004\r\n"), marks.feed(b"5\xff"), marks.feed(b"\xff")
    (b'1.2\xff\r\n', b'5', b'\xff')
    """

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        r"""Bytes as sent, without what may be the first half of a mark.

        Examples
        --------
        >>> ParityMarks().feed(b"1.2\xff\x004 N")
        b'1.2\xff N'
        """
        data = self._held + data
        self._held = b""
        if b"\xff" not in data:
            return data
        out = bytearray()
        i = 0
        while i < len(data):
            if data[i] != 0xFF:
                out.append(data[i])
                i += 1
                continue
            size = 3 if data[i + 1 : i + 2] == b"\0" else 2
            if i + size > len(data):
                self._held = data[i:]
                break
            # FF FF is a true FF; any other pair cannot come from the driver and is no good byte.
            out += BAD_BYTE
            i += size
        return bytes(out)

    def gap(self) -> None:
        """Forget half a mark: the line was interrupted."""
        self._held = b""
