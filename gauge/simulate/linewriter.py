"""The reverse of a line format: the bytes with which a gauge of that format shows a number.

A writer is derived from the format's own pattern and used only after the framing has read its lines
back; where that fails, a template must be given.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from functools import cache, lru_cache, partial
from typing import Any, NamedTuple

from gauge.errors import BadFormatError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.protocol.parsedpattern import bytes_of, compiled, inner, parsed
from gauge.records import Status
from gauge.units import Unit

_TRIALS = (Decimal("0.02"), Decimal("2.37"), Decimal("12.5"), Decimal("0.00"))
_BELOW_ZERO = Decimal("-0.01")
_TEXTS = 6  # so many texts of one pattern are tried
_CHOICES = 6  # texts tried for one part of a pattern
Write = Callable[[Decimal], bytes]


class _CommaDecimal(Decimal):
    """A number that is formatted with a decimal comma."""

    def __format__(self, spec: str, /) -> str:  # type: ignore[override]
        return super().__format__(spec).replace(".", ",")


class _Style(NamedTuple):
    """A way to write the digits of a number, the sign of those above zero, how far it may round."""

    spec: str
    off: Decimal
    width: int
    plus: str
    pad: str

    def write(self, value: Decimal) -> tuple[str, str]:
        """Return sign and digits."""
        digits = format(float(abs(value)), self.spec).rjust(self.width, self.pad)
        return "-" if value < 0 else self.plus, digits


def _styles(decimals: int) -> Iterator[_Style]:
    """Ways to write a number, plainest first."""
    places = [decimals, *range(decimals + 1, 7), *range(decimals - 1, -1, -1)]
    specs = [(f".{n}f", Decimal("0.51").scaleb(-n) if n < decimals else Decimal(0)) for n in places]
    specs += [(f".{n}E", Decimal(0)) for n in (4, 5, 6, 3, 2)]
    for (spec, off), width, plus in itertools.product(specs, range(12), ("", "+", " ")):
        for pad in (" ", "0") if width else ("0",):
            yield _Style(spec, off, width, plus, pad)


class LineWriter:
    r"""Write the lines of a format.

    The `template` is a line as a Python format string with the fields ``value``, ``unit`` and
    ``status``, such as ``"{value:7.2f} {unit}\r\n"``: needed where the pattern cannot be turned
    round, which a `BadFormatError` says. The display would like so many `decimals`; the pattern may
    demand others. `units` are those that the format can show, as far as its pattern shows.

    Examples
    --------
    >>> from gauge.protocol.formatfile import shipped_format
    >>> LineWriter(shipped_format("number-unit")).line(Decimal("2.37"), Unit.N)
    b'2.37 N\r\n'
    """

    def __init__(self, fmt: LineFormat, *, template: str | None = None, decimals: int = 2) -> None:
        self.fmt, self._template = fmt, template
        self._filler = PatternFiller(fmt.pattern)
        styles = () if template is not None else _styles(decimals)
        self._styles = [style for style in styles if self._fits(style)]
        self._words = {
            Status.OVERLOAD: fmt.overload,
            Status.UNDERLOAD: fmt.underload,
            Status.NOT_A_NUMBER: fmt.not_a_number,
        }
        self._writer = cache(self._found_writer)
        shown = list(Unit) if fmt.unit is None else [fmt.unit]
        self.units = [unit for unit in shown if self._writer(unit, Status.OK)]
        if not self.units:
            raise self._refusal("no line can be derived from its pattern")

    def line(self, value: Decimal, unit: Unit, status: Status = Status.OK) -> bytes:
        """Write one line, start and terminator included."""
        write = self._writer(unit, status)
        if write is None:
            raise self._refusal(
                f"no line that shows {unit} ({status.value}) can be derived from its pattern"
            )
        return write(value)

    def _refusal(self, what: str) -> BadFormatError:
        return BadFormatError(
            f"line format {self.fmt.name}: {what}.",
            todo="Give --line, such as '{value:7.2f} {unit}\\r\\n'.",
        )

    def _found_writer(self, unit: Unit, status: Status) -> Write | None:
        """Return what writes a unit and a status: the template, or the plainest that reads back."""
        if self._template is not None:
            return partial(self._from_template, self._template, unit, status)
        for write, off in self._candidates(unit, status):
            meant = partial(self._reads_back, write, off, unit, status)
            if all(map(meant, _TRIALS)):
                signed = meant(_BELOW_ZERO)
                made = write if signed else lambda v, w=write: w(max(v, Decimal(0)))
                return lru_cache(maxsize=4096)(made)
        return None

    def _from_template(self, template: str, unit: Unit, status: Status, value: Decimal) -> bytes:
        shown = _CommaDecimal(value) if self.fmt.decimal_comma else value
        try:
            text = template.format(value=shown, unit=unit, status=status.value)
        except (KeyError, IndexError, ValueError, AttributeError) as error:
            raise BadFormatError(
                f"the line template '{template}' cannot be filled: {error}.",
                todo="Its fields are {value}, {unit} and {status}.",
            ) from None
        data = text.encode("latin-1", "replace")
        return data if data.endswith(self.fmt.terminators[0]) else self._framed(text)

    def _candidates(self, unit: Unit, status: Status) -> Iterator[tuple[Write, Decimal]]:
        """Ways to write a line, plainest first, each with how far it may round."""
        spellings = [*unit.spellings, *(f"{s:<3}" for s in unit.spellings)]  # as in fixed columns
        if "unit" not in self._filler.groups:
            spellings = [""] if self.fmt.unit is unit else []
        spellings = [s for s in spellings if self._filler.fits("unit", s)]
        styles, given = self._styles, [dict[str, str]()]
        if status is not Status.OK:
            words = itertools.product(("status", "value"), self._words[status])
            styles, given = styles[:1], [{group: word} for group, word in words]
            spellings.append("")
        for more, style, spelling in itertools.product(given, styles, spellings):
            slots = {"unit": spelling, **more}
            for index in range(_TEXTS):
                yield partial(self._filled, style, slots, index), style.off
        for word in self._words.get(status, ()):
            yield partial(self._framed, word), Decimal(0)

    def _filled(self, style: _Style, given: dict[str, str], index: int, value: Decimal) -> bytes:
        """Write a line with one of the texts that have the number and the given in their groups."""
        texts = self._filler.texts({**self._number(style, value), **given})
        return self._framed(next(itertools.islice(texts, index, None), ""))

    def _fits(self, style: _Style) -> bool:
        """Return whether the groups of the pattern can hold numbers of a style."""
        slots = [slot for value in _TRIALS for slot in self._number(style, value).items()]
        return all(self._filler.fits(group, text) for group, text in slots)

    def _number(self, style: _Style, value: Decimal) -> dict[str, str]:
        """Write a number in a style, in the groups that hold it."""
        sign, digits = style.write(value * self.fmt.compression_sign)
        if self.fmt.decimal_comma:
            digits = digits.replace(".", ",")
        if "sign" in self._filler.groups:
            return {"sign": sign, "value": digits}
        # The sign stands before the first digit, not before the blanks.
        return {"value": (sign + digits.lstrip()).rjust(len(sign + digits))}

    def _framed(self, text: str, _value: Decimal = Decimal(0)) -> bytes:
        """Write the line of a text, whatever the value."""
        data = text.encode("latin-1", "replace")
        return (self.fmt.start or b"") + data + self.fmt.terminators[0]

    def _reads_back(
        self, write: Write, off: Decimal, unit: Unit, status: Status, value: Decimal
    ) -> bool:
        """Whether the framing reads the line of a value as it was meant."""
        readings = Framer(self.fmt).feed(0, write(value) * 3)
        if len(readings) < 2 or readings[-1].status is not status:
            return False
        found = readings[-1]
        return status is not Status.OK or (
            found.unit is unit and abs(Decimal(found.shown) - value) <= off
        )


class PatternFiller:
    r"""A valid pattern with named groups, to be filled; match a text before you rely on it.

    Examples
    --------
    >>> filler = PatternFiller(r"#\d{3},(?P<value>[0-9.]+) ?(?P<unit>N|lbf)")
    >>> next(filler.texts({"value": "2.37", "unit": "lbf"}))
    '#000,2.37 lbf'
    >>> filler.fits("unit", "kgf")
    False
    """

    def __init__(self, pattern: str) -> None:
        self._parsed = parsed(pattern.encode("latin-1"))
        self._numbers: dict[str, int] = dict(self._parsed.state.groupdict)
        groups = _groups(self._parsed)
        self._parts = {name: compiled(groups[n]) for name, n in self._numbers.items()}

    @property
    def groups(self) -> frozenset[str]:
        """Names of the groups."""
        return frozenset(self._numbers)

    def fits(self, group: str, text: str) -> bool:
        """Whether a group can hold a text; a pattern without the group holds nothing."""
        part = self._parts.get(group)
        return not text if part is None else part.fullmatch(text) is not None

    def texts(self, slots: Mapping[str, str]) -> Iterator[str]:
        """Make texts, plainest first, with the given ones in those groups that the pattern has."""
        return _fill(
            self._parsed,
            {self._numbers[n]: text for n, text in slots.items() if n in self._numbers},
        )


def _groups(parts: Any) -> dict[int, Any]:
    """Return the patterns within the groups of a parsed pattern, by number."""
    found = {arg[0]: arg[3] for op, arg in parts if str(op) == "SUBPATTERN"}
    for one in inner([arg for _, arg in parts]):
        found |= _groups(one)
    return found


def _fill(parts: Any, slots: dict[int, str]) -> Iterator[str]:
    """Make texts that a parsed pattern matches, with given texts in its groups."""
    given = [slots.get(arg[0], "") if str(op) == "SUBPATTERN" else "" for op, arg in parts]
    pieces = []
    for place in range(len(parts)):
        # Between a word or number and another, a blank that may be there is there.
        blank = place > 0 and given[place - 1][-1:].isalnum() and any(given[place + 1 :])
        pieces.append(list(itertools.islice(_item(parts, place, slots, blank), _CHOICES)))
    return map("".join, itertools.product(*pieces))


def _item(parts: Any, place: int, slots: dict[int, str], blank: bool) -> Iterator[str]:
    """Make texts of one part of a parsed pattern; none for a part that is not known here."""
    op, arg = parts[place]
    name = str(op)
    if (known := bytes_of(parts, place)) is not None:
        # Printable ones first, and of these blanks.
        yield from map(chr, sorted(known, key=lambda byte: not 0x20 <= byte < 0x7F))
    elif name == "SUBPATTERN" and arg[0] in slots:
        yield slots[arg[0]]
    elif name in ("SUBPATTERN", "BRANCH", "ATOMIC_GROUP"):
        # Branches that hold a given group first.
        for way in sorted(inner(arg), key=lambda one: not (_groups(one).keys() & slots)):
            yield from _fill(way, slots)
    elif name.endswith("_REPEAT"):
        low, high, repeated = arg
        once = any(slots.get(number) for number in _groups(repeated))
        if blank and not low and next(_fill(repeated, {}), "") == " ":
            yield " "
        count = min(max(low, int(once)), high)
        yield from (text * count for text in _fill(repeated, slots))
    elif name in ("AT", "ASSERT", "ASSERT_NOT"):
        yield ""
