"""One line of text to its value, unit and status, by a line format."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import NamedTuple

from gauge.errors import BadFormatError, UnknownUnitError
from gauge.protocol.lineformat import LineFormat
from gauge.records import Status
from gauge.units import Unit, parse_unit

# bytes; a longer line is rejected, so that memory stays bounded on any stream
MAX_LINE = 256
# in any unit; no gauge shows so large a number as a force: it is damage, or a code
_TOO_LARGE = 1e9

# An exponent is that of the display step, too: a zero in steps of 1e300 is damage.
_EXPONENT = r"(?:[eE](?:\+?0*[0-9]{1,2}|-0*[0-9]{1,3}))?"
_NUMBER = re.compile(rf"([+-]?) *((?:[0-9]+\.?[0-9]*|\.[0-9]+){_EXPONENT})")


class LineValue(NamedTuple):
    """What one line holds: a `Reading` without its time. `unit` None: the line bears none."""

    value: float
    shown: str
    unit: Unit | None
    status: Status


class LineParser:
    """Read one line, without its terminator: a function of its bytes alone.

    Examples
    --------
    >>> from gauge.protocol.formatfile import shipped_format
    >>> parse = LineParser(shipped_format("number-unit"))
    >>> parse(b" - 2.370 lbF")
    LineValue(value=-2.37, shown='-2.370', unit=<Unit.LBF: 'lbf'>, status=<Status.OK: 'ok'>)
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

    def __call__(self, line: bytes) -> LineValue | None:
        """Return what the line holds; None if the format does not match it in full."""
        if len(line) > MAX_LINE or not line.startswith(self._start):
            return None
        body = line[len(self._start) :]
        match = self._match(body)
        if match is None:
            word = body.decode("latin-1").strip(" ")
            status = self._words.get(word)
            return None if status is None else LineValue(float("nan"), word, self._unit, status)
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

    def _number(self, match: re.Match[bytes], unit: Unit, status: Status) -> LineValue | None:
        text = (match[self._value] or b"").decode("latin-1").strip(" ")
        word = self._words.get(text)
        if word is not None:
            return LineValue(float("nan"), text, unit, word)
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
            return None if status is Status.OK else LineValue(float("nan"), text, unit, status)
        value = float(number[2])
        negative = "-" in (sign, number[1])
        code = self._codes.get(-value if negative else value) if self._codes else None
        if code is not None:
            return LineValue(float("nan"), sign + text, unit, code)
        if value >= _TOO_LARGE:
            return None
        if negative != self._flip and (value or Decimal(number[2])):
            return LineValue(-value, "-" + number[2], unit, status)
        return LineValue(value, number[2], unit, status)
