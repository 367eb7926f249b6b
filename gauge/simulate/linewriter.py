"""The reverse of a line format: the bytes with which a gauge of that format shows a number.

A writer is derived from the format's own pattern and used only after the framing has read its lines
back; where that fails, a template must be given.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import lru_cache, partial
from string import Formatter

from gauge.errors import BadFormatError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Status
from gauge.simulate.patternfill import PatternFiller
from gauge.units import Unit

_TRIALS = (Decimal("0.02"), Decimal("2.37"), Decimal("12.5"), Decimal("0.00"))
_TEXTS = 6  # so many texts of one pattern are tried
_GIVE_A_LINE = "Give --line, such as '{value:7.2f} {unit}\\r\\n'."
Style = Callable[[Decimal], tuple[str, str]]
Slots = Callable[[Decimal], dict[str, str]]
Write = Callable[[Decimal], bytes]


class _CommaFormatter(Formatter):
    """Fill a template with decimal commas."""

    def format_field(self, value: object, format_spec: str) -> str:
        text: str = super().format_field(value, format_spec)
        return text.replace(".", ",") if isinstance(value, Decimal) else text


def _styles(decimals: int) -> Iterator[tuple[Style, Decimal]]:
    """Ways to write a number as (sign, digits), plainest first, each with how far it may round."""

    def write(spec: str, width: int, pad: str, plus: str, value: Decimal) -> tuple[str, str]:
        return ("-" if value < 0 else plus), format(float(abs(value)), spec).rjust(width, pad)

    places = [decimals, *range(decimals + 1, 7), *range(decimals - 1, -1, -1)]
    specs = [(f".{n}f", Decimal("0.51").scaleb(-n) if n < decimals else Decimal(0)) for n in places]
    specs += [(f".{n}E", Decimal(0)) for n in (4, 5, 6, 3, 2)]
    for (spec, off), width, plus in itertools.product(specs, range(12), ("", "+", " ")):
        for pad in (" ", "0") if width else ("0",):
            yield partial(write, spec, width, pad, plus), off


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
    >>> LineWriter(shipped_format("number-unit")).line(Decimal("2.37"), Unit.N)
    b'2.37 N\r\n'
    """

    def __init__(self, fmt: LineFormat, *, template: str | None = None, decimals: int = 2) -> None:
        self.fmt, self.template, self._decimals = fmt, template, decimals
        self._filler = PatternFiller(fmt.pattern)
        self._made: dict[tuple[Unit, Status], Write | None] = {}
        if template is None:
            self._need(fmt.unit or self.units()[0], Status.OK)

    def units(self) -> list[Unit]:
        """List the units that the format can show, as far as its pattern shows.

        Raises
        ------
        BadFormatError
            If no line can be derived from the pattern.
        """
        if self.fmt.unit is not None:
            return [self.fmt.unit]
        if self.template is not None:
            return list(Unit)
        found = [unit for unit in Unit if self._derived(unit, Status.OK) is not None]
        if not found:
            raise BadFormatError(
                f"line format {self.fmt.name}: no line can be derived from its pattern.",
                todo=_GIVE_A_LINE,
            )
        return found

    def line(self, value: Decimal, unit: Unit, status: Status = Status.OK) -> bytes:
        """Write one line, start and terminator included.

        Raises
        ------
        BadFormatError
            If the format cannot show that unit or that status.
        """
        if self.template is None:
            return self._need(unit, status)(value)
        formatter = _CommaFormatter() if self.fmt.decimal_comma else Formatter()
        try:
            text = formatter.format(self.template, value=value, unit=unit, status=status.value)
        except (KeyError, IndexError, ValueError, AttributeError) as error:
            raise BadFormatError(
                f"the line template '{self.template}' cannot be filled: {error}.",
                todo="Its fields are {value}, {unit} and {status}.",
            ) from None
        data = text.encode("latin-1", "replace")
        return data if data.endswith(self.fmt.terminators[0]) else self._framed(text)

    def _need(self, unit: Unit, status: Status) -> Write:
        """Return what writes a unit and a status, or refuse."""
        made = self._derived(unit, status)
        if made is None:
            raise BadFormatError(
                f"line format {self.fmt.name}: no line that shows {unit} ({status.value}) can be "
                "derived from its pattern.",
                todo=_GIVE_A_LINE,
            )
        return made

    def _derived(self, unit: Unit, status: Status) -> Write | None:
        """Return what writes a unit and a status, derived once."""
        key = (unit, status)
        if key not in self._made:
            self._made[key] = next(self._writers(unit, status), None)
        return self._made[key]

    def _writers(self, unit: Unit, status: Status) -> Iterator[Write]:
        """Yield what writes lines that the framing reads back, plainest first."""
        below = Decimal("-0.01")
        for write, off in self._candidates(unit, status):
            if all(self._reads_back(write(v), v, off, unit, status) for v in _TRIALS):
                signed = self._reads_back(write(below), below, off, unit, status)
                made = write if signed else lambda v, w=write: w(max(v, Decimal(0)))
                yield lru_cache(maxsize=4096)(made)

    def _candidates(self, unit: Unit, status: Status) -> Iterator[tuple[Write, Decimal]]:
        """Ways to write a line, plainest first, each with how far it may round."""
        for slots, off in self._slots(unit, status):
            for index in range(_TEXTS):
                yield partial(self._filled, slots, index), off
        for word in self._words(status):
            yield partial(self._word_line, word), Decimal("Infinity")

    def _word_line(self, word: str, _value: Decimal) -> bytes:
        return self._framed(word)

    def _filled(self, slots: Slots, index: int, value: Decimal) -> bytes:
        """Write a line with one of the texts that have the given ones in their groups."""
        return self._framed(
            next(itertools.islice(self._filler.texts(slots(value)), index, None), "")
        )

    def _slots(self, unit: Unit, status: Status) -> Iterator[tuple[Slots, Decimal]]:
        """Ways to fill the groups of the pattern, plainest first."""
        fixed = (f"{spelling:<3}" for spelling in unit.spellings)  # as in fixed columns
        if "unit" in self._filler.groups:
            spellings = [s for s in (*unit.spellings, *fixed) if self._filler.fits("unit", s)]
        else:
            spellings = [""] if self.fmt.unit is unit else []
        if status is Status.OK:
            for (style, off), spelling in itertools.product(self._number_styles(), spellings):
                yield partial(self._texts, style, {"unit": spelling}), off
            return
        plainest = next((style for style, _ in self._number_styles()), None)
        for word, group in itertools.product(self._words(status), ("status", "value")):
            for spelling in (*spellings, ""):
                given = {"unit": spelling, group: word}
                yield partial(self._texts, plainest, given), Decimal("Infinity")

    def _texts(self, style: Style | None, given: dict[str, str], value: Decimal) -> dict[str, str]:
        """Texts of the groups: a number in a style, and those given."""
        return {**({} if style is None else self._number(style, value)), **given}

    def _words(self, status: Status) -> tuple[str, ...]:
        """Return the words that a format has for a status."""
        return {
            Status.OVERLOAD: self.fmt.overload,
            Status.UNDERLOAD: self.fmt.underload,
            Status.NOT_A_NUMBER: self.fmt.not_a_number,
        }.get(status, ())

    def _number_styles(self) -> Iterator[tuple[Style, Decimal]]:
        """Ways to write a number that the pattern's groups can hold."""
        for style, off in _styles(self._decimals):
            texts = [self._number(style, value) for value in _TRIALS]
            if all(self._filler.fits(n, t) for text in texts for n, t in text.items()):
                yield style, off

    def _number(self, style: Style, value: Decimal) -> dict[str, str]:
        """Write a number in a style, in the groups that hold it."""
        sign, digits = style(value * self.fmt.compression_sign)
        if self.fmt.decimal_comma:
            digits = digits.replace(".", ",")
        if "sign" in self._filler.groups:
            return {"sign": sign, "value": digits}
        # The sign stands before the first digit, not before the blanks.
        return {"value": (sign + digits.lstrip()).rjust(len(sign + digits))}

    def _framed(self, text: str) -> bytes:
        data = text.encode("latin-1", "replace")
        return (self.fmt.start or b"") + data + self.fmt.terminators[0]

    def _reads_back(
        self, line: bytes, value: Decimal, off: Decimal, unit: Unit, status: Status
    ) -> bool:
        """Whether the framing reads this line as it was meant."""
        readings = Framer(self.fmt).feed(0, line * 3)
        if len(readings) < 2 or readings[-1].status is not status:
            return False
        found = readings[-1]
        if status is not Status.OK:
            return True
        return found.unit is unit and abs(Decimal(found.shown) - value) <= off
