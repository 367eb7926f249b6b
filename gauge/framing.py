"""Bytes to readings by a line format: pure, incremental, bounded in memory.

Terminators alone end a line; time never does. What the format does not match in full is counted
and is never a reading. The same bytes give the same readings however they were cut into chunks.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import islice
from typing import NamedTuple

from gauge.errors import BadFormatError, UnknownUnitError
from gauge.lineformat import LineFormat
from gauge.paritymarks import BAD_BYTE
from gauge.records import Reading, Status
from gauge.units import Unit, parse_unit

MAX_LINE = 256
"""Bytes; a longer line is rejected, so that memory stays bounded on any stream."""

TOO_LARGE = 1e9
"""No gauge shows such a number as a force, in any unit: it is damage, or a code."""

# An idle line for so long before the first byte: that byte begins a line. Used only where a gauge
# is silent between lines (button, polled); a byte lasts 9 ms at 1,200 baud.
_IDLE_NS = 250_000_000
_SLICE = 1 << 16
_CACHE = 4096

_NUMBER = re.compile(r"([+-]?) *((?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)")


class Said(NamedTuple):
    """What one line says: a `Reading` without its time. `unit` None: the line bears none."""

    value: float
    shown: str
    unit: Unit | None
    status: Status


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

    Parameters
    ----------
    fmt : LineFormat

    Raises
    ------
    BadFormatError
        If neither the lines nor the format say the unit.

    Examples
    --------
    >>> from gauge.lineformat import shipped_format
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
        self._cache: dict[bytes, Said] = {}
        self._parity = _ParityBits(fmt.parity) if fmt.bytesize == 7 else None
        self._rest = b""
        self._synced = self._overlong = False
        self._since_ns: int | None = 0
        self.counts = Counts()

    def gap(self, t_ns: int | None = None) -> None:
        """Bytes may have been lost: drop the partial line, go on at the next frame boundary.

        Parameters
        ----------
        t_ns : int, optional
            When the line was whole again, if known.
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
        """Forget a partial line that is too long; whether the first of `lines` was one."""
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
            said = cache.get(line)
            if said is None:
                if not line:
                    n_empty += 1
                    continue
                said = self._read(line)
                if said is None:
                    continue
                if len(cache) >= _CACHE:
                    # Lines with a counter in them: forget the oldest half.
                    for old in list(islice(cache, _CACHE // 2)):
                        del cache[old]
                cache[line] = said
            value, shown, unit, status = said
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


class LineParser:
    r"""Read one line, without its terminator: a function of its bytes alone.

    Parameters
    ----------
    fmt : LineFormat

    Raises
    ------
    BadFormatError
        If neither the lines nor the format say the unit.

    Examples
    --------
    >>> from gauge.lineformat import shipped_format
    >>> parse = LineParser(shipped_format("number-unit"))
    >>> parse(b" - 1.240 lbF")
    Said(value=-1.24, shown='-1.240', unit=<Unit.LBF: 'lbf'>, status=<Status.OK: 'ok'>)
    >>> parse(b"1.2.4 N")
    """

    def __init__(self, fmt: LineFormat) -> None:
        self._match = fmt.regex.fullmatch
        parts = fmt.regex.groupindex
        if fmt.unit is None and "unit" not in parts:
            raise BadFormatError(
                f"line format {fmt.name} does not say in which unit its numbers are.",
                todo=f"Set unit in the file, or name it after a colon, such as {fmt.name}:N.",
            )
        self._start = fmt.start or b""
        self._value, self._sign = parts["value"], parts.get("sign", 0)
        self._unit_part, self._status = parts.get("unit", 0), parts.get("status", 0)
        self._unit, self._comma = fmt.unit, fmt.decimal_comma
        self._flip = fmt.compression_sign < 0
        self._words: dict[str, Status] = {}
        self._codes: dict[float, Status] = {}
        for words, status in (
            (fmt.overload, Status.OVERLOAD),
            (fmt.underload, Status.UNDERLOAD),
            (fmt.not_a_number, Status.NOT_A_NUMBER),
        ):
            for word in words:
                self._words[word] = status
                if _NUMBER.fullmatch(word):
                    self._codes[float(word)] = status

    def __call__(self, line: bytes) -> Said | None:
        """What the line says; None if the format does not match it in full."""
        if len(line) > MAX_LINE or not line.startswith(self._start):
            return None
        body = line[len(self._start) :]
        match = self._match(body)
        if match is None:
            word = body.decode("latin-1").strip(" ")
            status = self._words.get(word)
            return None if status is None else Said(float("nan"), word, self._unit, status)
        unit = self._unit
        if self._unit_part and (spelling := match[self._unit_part]):
            try:
                unit = parse_unit(spelling.decode("latin-1"))
            except UnknownUnitError:
                return None
        if unit is None:
            return None
        status = Status.OK
        if self._status and (letters := match[self._status]):
            status = self._words.get(letters.decode("latin-1").strip(" "), Status.OK)
        return self._number(match, unit, status)

    def _number(self, match: re.Match[bytes], unit: Unit, status: Status) -> Said | None:
        text = (match[self._value] or b"").decode("latin-1").strip(" ")
        said = self._words.get(text)
        if said is not None:
            return Said(float("nan"), text, unit, said)
        sign = ""
        if self._sign and (given := match[self._sign]):
            sign = given.decode("latin-1").strip(" ")
        if self._comma:
            if "." in text:
                return None
            text = text.replace(",", ".")
        number = _NUMBER.fullmatch(text)
        if number is None or (sign and number[1]) or sign not in ("", "+", "-"):
            # A status such as overload is true without its number, which may be dashes or blank.
            return None if status is Status.OK else Said(float("nan"), text, unit, status)
        value = float(number[2])
        negative = "-" in (sign, number[1])
        code = self._codes.get(-value if negative else value) if self._codes else None
        if code is not None:
            return Said(float("nan"), sign + text, unit, code)
        if value >= TOO_LARGE:
            return None
        if negative != self._flip and (value or Decimal(number[2])):
            return Said(-value, "-" + number[2], unit, status)
        return Said(value, number[2], unit, status)


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
            # The driver's own mark of a bad byte does not tell that parity arrives.
            return data[: first + 1] + self.feed(data[first + 1 :])
        self._raw = True
        return data[:first] + data[first:].translate(self._table)
