"""Bytes received at one setting of the line, and the complete lines in them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from gauge.errors import NotSureError
from gauge.protocol.lineformat import SerialSettings
from gauge.records import Chunk

_IDLE_NS = 30_000_000  # ns; a pause as long as this parts two bursts
_LINES_MOST = 4000
_CONTROL_RUN = re.compile(rb"[\x00-\x08\x0a-\x1f\x7f]+")
_STARTS = b"\x01\x02"


class NoCommonFormError(NotSureError):
    """The lines do not share one form: wrong line settings, noise, or not a gauge."""


class NoUnitError(NotSureError):
    """Everything is found but the unit, which the lines do not say: the user must."""


class NeedMoreError(NotSureError):
    """Setting that is possible, but more must be received: more lines, or a squeeze."""


@dataclass(frozen=True, kw_only=True)
class Received:
    """What was received at one setting, after a request to make the gauge answer or without.

    `silent_first`: the line was idle before the first byte, so that it begins a line.
    """

    settings: SerialSettings
    chunks: tuple[Chunk, ...]
    request: bytes | None = None
    silent_first: bool = False

    @property
    def data(self) -> bytes:
        """All bytes."""
        return b"".join(chunk.data for chunk in self.chunks)

    def bursts(self) -> list[tuple[int, bytes]]:
        """Return when each burst began, and its bytes; an idle line parts bursts."""
        out: list[tuple[int, bytes]] = []
        last_ns = -_IDLE_NS
        for chunk in self.chunks:
            if chunk.t_ns - last_ns >= _IDLE_NS or not out:
                out.append((chunk.t_ns, chunk.data))
            else:
                out[-1] = (out[-1][0], out[-1][1] + chunk.data)
            last_ns = chunk.t_ns
        return out


@dataclass(frozen=True, kw_only=True)
class Lines:
    """Texts of complete lines, and how the gauge sends them: its settings and control bytes."""

    texts: tuple[str, ...]
    settings: SerialSettings
    terminator: bytes
    start: bytes | None


def strip_parity(data: bytes) -> tuple[bytes, int, str, float]:
    r"""Return bytes as sent, and data bits, parity and stop bits, of what was received at 8N1.

    Bit 7 is never set: eight data bits. All bytes of even parity: 7E. Of odd parity: 7O. Always
    set: seven bits and two stop bits (or mark parity, which is the same on the wire).
    """
    if data.isascii():
        return data, 8, "N", 1
    odd = sum(b.bit_count() & 1 for b in data)
    # The first byte may have been cut when the port opened.
    slack = 1 if len(data) > 20 else 0
    bare = bytes(b & 0x7F for b in data)
    if odd <= slack:
        return bare, 7, "E", 1
    if len(data) - odd <= slack:
        return bare, 7, "O", 1
    if sum(b < 0x80 for b in data) <= slack:
        return bare, 7, "N", 2
    raise NoCommonFormError("bit 7 of the bytes is neither always 0 nor a parity bit")


def cut_lines(received: Received) -> Lines:
    """Cut what was received into complete lines, without empty ones."""
    settings, data = received.settings, received.data
    if settings.bytesize == 8 and settings.parity == "N":
        data, bytesize, parity, stopbits = strip_parity(data)
        settings = replace(settings, bytesize=bytesize, parity=parity, stopbits=stopbits)
    bursts, at = [], 0
    for _, burst in received.bursts():
        bursts.append(data[at : at + len(burst)])
        at += len(burst)
    terminator, start = _find_ends(data, bursts)
    pieces = data.split(terminator)[0 if received.silent_first else 1 : -1][-_LINES_MOST:]
    head = start or b""
    if not all(piece.startswith(head) for piece in pieces if piece):
        raise NoCommonFormError("some lines lack the byte that begins the others")
    texts = tuple(piece[len(head) :].decode("latin-1") for piece in pieces if piece)
    # The opening of the port may garble the first lines.
    for text in texts[2 if len(texts) > 4 else 0 :]:
        if not all(c.isprintable() or c in "\t\x03\x04" for c in text):
            raise NoCommonFormError("there are bytes between the line ends that are no text")
    return Lines(texts=texts, settings=settings, terminator=terminator, start=start)


def _find_ends(data: bytes, bursts: Sequence[bytes]) -> tuple[bytes, bytes | None]:
    """Find what ends and what begins the lines; bursts show whether an LF leads or closes."""
    runs = [m[0] for m in _CONTROL_RUN.finditer(data)]
    breaks = [run for run in runs if b"\r" in run or b"\n" in run]
    runs = breaks or [run for run in runs if run.strip(_STARTS)]
    if len(runs) < 2:
        raise NoCommonFormError("too few line ends")
    # The first run may follow bytes that were cut, the last may be unfinished.
    inner = runs[1:-1] or runs
    (common, n), *_ = Counter(inner).most_common(1)
    if n < 0.7 * len(inner):
        raise NoCommonFormError("what ends the lines differs from line to line")
    start_at = next((i for i, byte in enumerate(common) if byte in _STARTS), len(common))
    end, start = common[:start_at], common[start_at:] or None
    if not end:
        raise NoCommonFormError("the lines have a beginning but no end")
    if len(bursts) >= 3:
        if common == b"\r\n" and all(b[:1] == b"\n" and b[-1:] == b"\r" for b in bursts):
            return b"\r", b"\n"
        # Replies on their own show a control byte at their head that is not between all lines.
        heads = {b[: len(b) - len(b.lstrip(_STARTS))] for b in bursts}
        if start is None and len(heads) == 1:
            start = heads.pop() or None
    return end, start
