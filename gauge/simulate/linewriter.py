"""The reverse of a line format: the bytes with which a gauge of that format shows a number.

Used by the virtual gauge only. A writer is derived from the format's own pattern and believed only
after the framing has read its lines back; where that fails, a template must be given.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from functools import lru_cache, partial

from gauge.errors import BadFormatError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Status
from gauge.simulate.patternfill import PatternFiller
from gauge.units import SPELLINGS, Unit

_TRIALS = (Decimal("0.02"), Decimal("1.24"), Decimal("12.5"), Decimal("0.00"))
_TEXTS = 6  # so many texts of one pattern are tried
Style = Callable[[Decimal], tuple[str, str]]
Write = Callable[[Decimal], bytes]


class _Number(Decimal):
    """A number that a template formats, with the format's decimal comma."""

    comma = False

    def __format__(self, spec: str, /) -> str:  # type: ignore[override]
        text = super().__format__(spec) if spec else str(Decimal(self))
        return text.replace(".", ",") if self.comma else text


class _CommaNumber(_Number):
    comma = True


def _styles(decimals: int) -> Iterator[tuple[Style, Decimal]]:
    """Ways to write a number as (sign, digits), plainest first, each with how far it may round."""

    def style(places: int, width: int, pad: str, plus: str, exponent: bool) -> Style:
        def write(value: Decimal) -> tuple[str, str]:
            digits = f"{float(abs(value)):.{places}{'E' if exponent else 'f'}}"
            return ("-" if value < 0 else plus), digits.rjust(width, pad)

        return write

    places = [decimals, *range(decimals + 1, 7), *range(decimals - 1, -1, -1)]
    forms = [(False, place) for place in places] + [(True, place) for place in (4, 5, 6, 3, 2)]
    for exponent, place in forms:
        off = Decimal(0) if exponent or place >= decimals else Decimal("0.51").scaleb(-place)
        for width, plus in itertools.product(range(12), ("", "+", " ")):
            for pad in (" ", "0") if width else ("0",):
                yield style(place, width, pad, plus, exponent), off


def _always(text: str, _value: Decimal) -> str:
    return text


class LineWriter:
    r"""Write the lines of a format.

    Parameters
    ----------
    fmt : LineFormat
    template : str, optional
        A line as a Python format string with the fields ``value``, ``unit`` and ``status``, such
        as ``"{value:7.2f} {unit}\r\n"``. Needed where the pattern cannot be turned round.
    decimals : int, optional
        Digits after the point that the display would like; the pattern may demand others.

    Raises
    ------
    BadFormatError
        If no line can be made that the format reads back, and no template is given.

    Examples
    --------
    >>> from gauge.protocol.formatfile import shipped_format
    >>> LineWriter(shipped_format("number-unit")).line(Decimal("1.24"), Unit.N)
    b'1.24 N\r\n'
    """

    def __init__(self, fmt: LineFormat, *, template: str | None = None, decimals: int = 2) -> None:
        self.fmt, self.template, self._decimals = fmt, template, decimals
        self._filler = PatternFiller(fmt.pattern)
        self._made: dict[tuple[Unit, Status], Write] = {}
        if template is None:
            self._derive(fmt.unit or self.units()[0], Status.OK)

    def units(self) -> list[Unit]:
        """Units that the format can show, as far as its pattern tells.

        Raises
        ------
        BadFormatError
            If no line can be derived from the pattern.
        """
        if self.fmt.unit is not None:
            return [self.fmt.unit]
        if self.template is not None:
            return list(Unit)
        found = [unit for unit in Unit if self._try_derive(unit, Status.OK) is not None]
        if not found:
            raise BadFormatError(
                f"line format {self.fmt.name}: no line can be derived from its pattern.",
                todo="Give --line, such as '{value:7.2f} {unit}\\r\\n'.",
            )
        return found

    def line(self, value: Decimal, unit: Unit, status: Status = Status.OK) -> bytes:
        """Bytes of one line, start and terminator included.

        Raises
        ------
        BadFormatError
            If the format cannot show that unit or that status.
        """
        if self.template is not None:
            return self._from_template(value, unit, status)
        key = (unit, status)
        if key not in self._made:
            self._derive(unit, status)
        return self._made[key](value)

    def _from_template(self, value: Decimal, unit: Unit, status: Status) -> bytes:
        number = _CommaNumber(value) if self.fmt.decimal_comma else _Number(value)
        try:
            assert self.template is not None
            text = self.template.format(value=number, unit=unit, status=status.value)
        except (KeyError, IndexError, ValueError, AttributeError) as error:
            raise BadFormatError(
                f"the line template '{self.template}' cannot be filled: {error}.",
                todo="Its fields are {value}, {unit} and {status}.",
            ) from None
        data = text.encode("latin-1", "replace")
        end = self.fmt.terminators[0]
        return data if data.endswith(end) else (self.fmt.start or b"") + data + end

    def _derive(self, unit: Unit, status: Status) -> None:
        made = self._try_derive(unit, status)
        if made is None:
            raise BadFormatError(
                f"line format {self.fmt.name}: no line that shows {unit} ({status.value}) can be "
                "derived from its pattern.",
                todo="Give --line, such as '{value:7.2f} {unit}\\r\\n'.",
            )

    def _try_derive(self, unit: Unit, status: Status) -> Write | None:
        key = (unit, status)
        if key not in self._made:
            for write, off in self._candidates(unit, status):
                if all(self._reads_back(write(v), v, off, unit, status) for v in _TRIALS):
                    below = Decimal("-0.01")
                    signed = self._reads_back(write(below), below, off, unit, status)
                    made = write if signed else lambda v, w=write: w(max(v, Decimal(0)))
                    self._made[key] = lru_cache(maxsize=4096)(made)
                    break
        return self._made.get(key)

    def _candidates(self, unit: Unit, status: Status) -> Iterator[tuple[Write, Decimal]]:
        """Ways to write a line, plainest first, each with how far it may round."""
        spellings = [str(unit), *(s for s, u in SPELLINGS.items() if u is unit and s != str(unit))]
        spellings += [f"{spelling:<3}" for spelling in spellings]  # as in fixed columns
        if "unit" in self._filler.groups:
            spellings = [s for s in spellings if self._filler.fits("unit", s)]
        else:
            spellings = [""] if self.fmt.unit is unit else []
        if status is Status.OK:
            for (style, off), spelling in itertools.product(self._styles(), spellings):
                for index in range(_TEXTS):
                    yield self._written(style, {"unit": spelling}, index), off
            return
        tokens = self.fmt.overload if status is Status.OVERLOAD else self.fmt.underload
        plainest = next((style for style, _ in self._styles()), None)
        for token in tokens:
            for group, spelling in itertools.product(("status", "value"), [*spellings, ""]):
                for index in range(_TEXTS):
                    slots = {"unit": spelling, group: token}
                    yield self._written(plainest, slots, index), Decimal("Infinity")
            yield self._framed(partial(_always, token)), Decimal("Infinity")

    def _styles(self) -> Iterator[tuple[Style, Decimal]]:
        """Ways to write a number that the pattern's groups can hold."""
        for style, off in _styles(self._decimals):
            texts = [self._number(style, value) for value in _TRIALS]
            if all(self._filler.fits(n, t) for text in texts for n, t in text.items()):
                yield style, off

    def _number(self, style: Style, value: Decimal) -> dict[str, str]:
        sign, digits = style(value * self.fmt.compression_sign)
        if self.fmt.decimal_comma:
            digits = digits.replace(".", ",")
        if "sign" in self._filler.groups:
            return {"sign": sign, "value": digits}
        text = sign + digits
        if digits.startswith(" "):  # the sign stands before the first digit, not before the blanks
            text = (sign + digits.lstrip()).rjust(len(text))
        return {"value": text}

    def _written(self, style: Style | None, slots: Mapping[str, str], index: int) -> Write:
        """Lines with a number in a style, given texts in the other groups."""

        def text(value: Decimal) -> str:
            number = {} if style is None else self._number(style, value)
            texts = self._filler.texts({**number, **slots})
            return next(itertools.islice(texts, index, None), "")

        return self._framed(text)

    def _framed(self, text: Callable[[Decimal], str]) -> Write:
        start, end = self.fmt.start or b"", self.fmt.terminators[0]
        return lambda value: start + text(value).encode("latin-1", "replace") + end

    def _reads_back(
        self, line: bytes, value: Decimal, off: Decimal, unit: Unit, status: Status
    ) -> bool:
        """Whether the framing makes of this line what it should say."""
        readings = Framer(self.fmt).feed(0, line * 3)
        if len(readings) < 2 or readings[-1].status is not status:
            return False
        found = readings[-1]
        if status is not Status.OK:
            return True
        return found.unit is unit and abs(Decimal(found.shown) - value) <= off
