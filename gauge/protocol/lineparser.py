"""One line to what it says, by a line format: pure, and a function of the line's bytes alone.

What the format does not match in full says nothing. Lines are cut from the stream in framing.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import NamedTuple

from gauge.errors import BadFormatError, UnknownUnitError
from gauge.protocol.lineformat import LineFormat
from gauge.records import Status
from gauge.units import Unit, parse_unit

MAX_LINE = 256
"""Bytes; a longer line is rejected, so that memory stays bounded on any stream."""

TOO_LARGE = 1e9
"""No gauge shows such a number as a force, in any unit: it is damage, or a code."""

_NUMBER = re.compile(r"([+-]?) *((?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)")


class Said(NamedTuple):
    """What one line says: a `Reading` without its time. `unit` None: the line bears none."""

    value: float
    shown: str
    unit: Unit | None
    status: Status


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
    >>> from gauge.protocol.formatfile import shipped_format
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
