"""Bytes to readings by a line format, at bounded memory.

Terminators alone end a line; time never does. What the format does not match in full is counted
and is never a reading. The same bytes give the same readings however they were cut into chunks.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import islice

from gauge.protocol.lineformat import LineFormat
from gauge.protocol.lineparser import MAX_LINE, LineParser, LineValue
from gauge.protocol.paritymarks import BAD_BYTE
from gauge.records import Reading
from gauge.units import Unit

# ns; the first byte after so long a silence begins a line. Used only where a gauge is silent
# between lines (button, polled); a byte lasts 9 ms at 1,200 baud.
_IDLE_NS = 250_000_000
_SLICE = 1 << 16  # bytes; more at once are taken in slices of so many
_CACHE = 4096  # lines; different ones whose values are kept


@dataclass(frozen=True, slots=True)
class Counts:
    """Where the lines went: `lines` is always `readings` + `rejected`.

    Empty lines, the rest of a line that was joined in its middle, and the piece of a line before a
    gap are not lines; the bytes of the latter two, without terminators, are in `dropped_bytes`.
    """

    lines: int = 0
    readings: int = 0
    rejected: int = 0
    dropped_bytes: int = 0


class Framer:
    r"""Turn the bytes of one gauge into readings.

    A `BadFormatError` says where neither the lines nor the format state the unit.

    Examples
    --------
    >>> from gauge.protocol.formatfile import shipped_format
    >>> framer = Framer(shipped_format("number-unit"))
    >>> framer.feed(0, b"24 N\r\n1.5")  # joined in the middle of a line, left in another
    []
    >>> [(r.shown, r.unit.value) for r in framer.feed(5, b"0 N\r\n?\r\n")]
    [('1.50', 'N')]
    >>> framer.counts
    Counts(lines=2, readings=1, rejected=1, dropped_bytes=4)
    """

    def __init__(self, fmt: LineFormat) -> None:
        self.fmt = fmt
        self._read = LineParser(fmt)
        ends = sorted(fmt.terminators, key=len, reverse=True)
        self._end = re.compile(b"|".join(map(re.escape, ends)))
        self._only = ends[0] if len(ends) == 1 else None
        starts = [b"(?=" + re.escape(fmt.start) + b")"] if fmt.start else []
        self._boundary = re.compile(b"|".join([self._end.pattern, *starts]))
        self._longest_end = len(ends[0])
        self._tail = max(len(ends[0]), len(fmt.start or b"")) - 1
        self._unit = fmt.unit
        self._cache: dict[bytes, LineValue] = {}
        self._parity = _ParityBits(fmt.settings.parity) if fmt.settings.bytesize == 7 else None
        self._rest = b""
        self._synced = self._overlong = False
        self._since_ns: int | None = 0
        self.counts = Counts()

    def gap(self, t_ns: int | None = None) -> None:
        """Drop the partial line, as bytes may have been lost, and go on at the next boundary.

        The line was whole again at `t_ns`, if that is known.
        """
        self._drop(len(self._rest))
        self._rest = b""
        self._synced = self._overlong = False
        self._since_ns = t_ns

    def feed(self, t_ns: int, data: bytes) -> list[Reading]:
        """Take bytes that arrived at `t_ns`; return the readings whose lines they end."""
        if not data:
            return []
        if len(data) > _SLICE:
            slices = (data[i : i + _SLICE] for i in range(0, len(data), _SLICE))
            return [reading for piece in slices for reading in self.feed(t_ns, piece)]
        if self._parity is not None:
            data = self._parity.feed(data)
        buffer = self._rest + data
        if not self._synced:
            idle = self._since_ns is not None and t_ns - self._since_ns >= _IDLE_NS
            self._synced = idle and self.fmt.mode != "streaming"
            self._since_ns = None
            if not self._synced and not (buffer := self._sync(buffer)):
                return []
        lines = buffer.split(self._only) if self._only else self._end.split(buffer)
        self._rest = lines.pop()
        cut = self._cut_overlong(lines)
        return self._readings(t_ns / 1e9, lines, cut) if lines else []

    def _sync(self, buffer: bytes) -> bytes:
        """Drop bytes up to the first frame boundary; without one, keep what may be its half."""
        boundary = self._boundary.search(buffer)
        if boundary is not None:
            self._synced = True
            self._rest = b""
            self._drop(boundary.start())
            return buffer[boundary.end() :]
        self._rest = buffer[-self._tail :] if self._tail else b""
        self._drop(len(buffer) - len(self._rest))
        return b""

    def _cut_overlong(self, lines: list[bytes]) -> bool:
        """Forget a partial line that is too long; return whether the first of `lines` was one."""
        cut = self._overlong and bool(lines)
        if lines:
            self._overlong = False
        if len(self._rest) >= MAX_LINE + self._longest_end:
            self._overlong = True
        if self._overlong:
            self._rest = self._rest[1 - self._longest_end :] if self._longest_end > 1 else b""
        return cut

    def _readings(self, t_s: float, lines: list[bytes], cut: bool) -> list[Reading]:
        cache, new = self._cache, tuple.__new__
        out: list[Reading] = []
        append = out.append
        n_lines = n_empty = 0
        if cut:
            n_lines = 1
            lines = lines[1:]
        for line in lines:
            held = cache.get(line)
            if held is None:
                if not line:
                    n_empty += 1
                    continue
                held = self._read(line)
                if held is None:
                    continue
                if len(cache) >= _CACHE:
                    # Lines with a counter in them: forget the oldest half.
                    for old in list(islice(cache, _CACHE // 2)):
                        del cache[old]
                cache[line] = held
            value, shown, unit, status = held
            if unit is None:
                unit = self._unit or Unit.N  # a word such as OL alone: NaN in any unit
            else:
                self._unit = unit
            # As Reading(t_s, value, ...), at a third of the cost.
            append(new(Reading, (t_s, value, shown, unit, status)))
        n_lines += len(lines) - n_empty
        before = self.counts
        self.counts = Counts(
            before.lines + n_lines,
            before.readings + len(out),
            before.rejected + n_lines - len(out),
            before.dropped_bytes,
        )
        return out

    def _drop(self, n_bytes: int) -> None:
        if n_bytes:
            self.counts = replace(self.counts, dropped_bytes=self.counts.dropped_bytes + n_bytes)


class _ParityBits:
    """Seven-bit bytes that arrive with their parity as bit 7: the line took no settings.

    A driver set to 7 bits delivers clean bytes, which pass unchanged. From the first byte with bit
    7 on, every byte must have the right parity; one that has not becomes `BAD_BYTE`.
    """

    def __init__(self, parity: str) -> None:
        def right(byte: int) -> bool:
            ones = byte.bit_count() % 2
            return {"E": ones == 0, "O": ones == 1, "M": byte > 0x7F, "S": byte < 0x80}.get(
                parity, True
            )

        self._table = bytes(b & 0x7F if right(b) else BAD_BYTE[0] for b in range(256))
        self._raw = False

    def feed(self, data: bytes) -> bytes:
        if self._raw:
            return data.translate(self._table)
        if data.isascii():
            return data
        first = next(i for i, byte in enumerate(data) if byte > 0x7F)
        if data[first] == BAD_BYTE[0]:
            # The driver's own mark of a bad byte is no sign that parity arrives.
            return data[: first + 1] + self.feed(data[first + 1 :])
        self._raw = True
        return data[:first] + data[first:].translate(self._table)
