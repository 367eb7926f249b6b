"""The line format: how one gauge writes its readings, as validated data.

Settings of the serial line, what begins and ends a line of text, one pattern with named parts, and
the words for overload and the like.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import permutations

from gauge.errors import BadFormatError, InvalidValueError
from gauge.plaintext import control_in
from gauge.protocol.parsedpattern import why_unbounded
from gauge.units import Unit

MODES = ("streaming", "polled", "button")
PARTS = frozenset({"value", "unit", "sign", "status"})
_CONTROL = frozenset({*range(0x20), *range(0x7F, 0x100)})


@dataclass(frozen=True, kw_only=True, slots=True)
class SerialSettings:
    """How the bits travel; `baudrate` None: the device takes any speed (most USB devices)."""

    baudrate: int | None = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1

    def __post_init__(self) -> None:
        speed = self.baudrate
        for good, what in (
            (speed is None or 50 <= speed <= 4_000_000, f"baudrate: {speed} is no speed"),
            (self.bytesize in (7, 8), "bytesize: must be 7 or 8"),
            (self.parity in tuple("NEOMS"), "parity: must be N, E, O, M or S"),
            (self.stopbits in (1, 1.5, 2), "stopbits: must be 1, 1.5 or 2"),
        ):
            if not good:
                raise InvalidValueError(what)

    def __str__(self) -> str:
        speed = "any speed" if self.baudrate is None else f"{self.baudrate} baud"
        return f"{speed}, {self.framing}"

    @property
    def framing(self) -> str:
        """Data bits, parity and stop bits, as in 8N1."""
        return f"{self.bytesize}{self.parity}{self.stopbits:g}"


@dataclass(frozen=True, kw_only=True)
class LineFormat:
    r"""How one gauge writes its readings; a `BadFormatError` names the key of an impossible value.

    Attributes
    ----------
    name : str
    pattern : str
        Regular expression (of bytes, ASCII) which the whole line must match, without its start and
        terminator. Its named parts: `value` (needed), `unit`, `sign`, `status`.
    terminators : tuple of bytes
        Any of them ends a line.
    start : bytes, optional
        Control bytes which begin each line; printable openers belong in the pattern.
    settings : SerialSettings
    decimal_comma : bool
    overload, underload, not_a_number : tuple of str
        Words that stand for such a reading: as the whole line, as its value or as its status. One
        that is a number (``"9.9E37"``) means every spelling of that number.
    unit : Unit, optional
        The unit of lines that bear none.
    compression_sign : int
        -1 for a gauge that shows compression as negative.
    mode : str
        ``"streaming"``, ``"polled"`` or ``"button"``.
    request : bytes, optional
        What asks a polled gauge for a line.

    Examples
    --------
    >>> fmt = LineFormat(name="mine", pattern=r"(?P<value>\d\.\d\d) (?P<unit>N|lbf)")
    >>> fmt.regex.fullmatch(b"2.37 N")["value"]
    b'2.37'
    """

    name: str
    pattern: str
    terminators: tuple[bytes, ...] = (b"\r\n",)
    start: bytes | None = None
    settings: SerialSettings = field(default_factory=SerialSettings)
    decimal_comma: bool = False
    overload: tuple[str, ...] = ()
    underload: tuple[str, ...] = ()
    not_a_number: tuple[str, ...] = ()
    unit: Unit | None = None
    compression_sign: int = 1
    mode: str = "streaming"
    request: bytes | None = None

    def __post_init__(self) -> None:
        self._need(bool(self.name.strip()), "name", "is empty")
        self._need(control_in(self.name) is None, "name", "holds a control character")
        self._need(self.mode in MODES, "mode", f"must be one of {', '.join(MODES)}")
        self._need(self.compression_sign in (1, -1), "compression_sign", "must be 1 or -1")
        self._need(self.request is None or bool(self.request), "request", "is empty")
        self._need(
            self.mode != "polled" or self.request is not None,
            "request",
            "is needed in mode polled: it says what asks the gauge for a line",
        )
        self._check_ends()
        self._check_pattern()
        words = (*self.overload, *self.underload, *self.not_a_number)
        self._need(len(set(words)) == len(words), "overload", "a word stands for two statuses")
        self._need(
            all(word and word == word.strip() and word.isascii() for word in words),
            "overload",
            "its words are ASCII, not empty and without blanks around them",
        )

    def _need(self, condition: bool, key: str, what: str) -> None:
        if not condition:
            raise BadFormatError(f"line format {self.name}: {key}: {what}.")

    def _check_ends(self) -> None:
        ends = self.terminators
        self._need(bool(ends) and all(ends), "terminators", "a line needs an end")
        self._need(max(map(len, ends)) <= 8, "terminators", "longer than 8 bytes")
        for short, long in permutations(ends, 2):
            # What remains of the long one must be an end too (CR of CRLF): else the line would
            # depend on how the bytes arrive.
            parted = long.startswith(short) and long[len(short) :] in ends
            self._need(
                short not in long or long.endswith(short) or parted,
                "terminators",
                f"{short!r} is part of {long!r}, so that where a line ends is not clear",
            )
        if self.start is None:
            return
        start = self.start
        self._need(0 < len(start) <= 8, "start", "must be 1 to 8 bytes")
        self._need(
            set(start) <= _CONTROL,
            "start",
            "must be control bytes; put a printable opener in the pattern",
        )
        self._need(
            not any(start in end or end in start for end in ends), "start", "is part of an end"
        )

    def _check_pattern(self) -> None:
        try:
            parts = set(self.regex.groupindex)
        except UnicodeEncodeError:
            self._need(False, "pattern", "holds a character that no single byte is")
        except (re.error, RecursionError, OverflowError) as error:
            self._need(False, "pattern", f"is no regular expression ({error})")
        else:
            self._need("value" in parts, "pattern", "has no part (?P<value>...)")
            self._need(
                parts <= PARTS,
                "pattern",
                f"unknown parts {', '.join(sorted(parts - PARTS))}; known are value, unit, sign "
                "and status",
            )
            # Before any match is tried: this one could take without end.
            why = why_unbounded(self.pattern.encode("latin-1"))
            self._need(why is None, "pattern", f"could take without end to match: {why}")
            self._need(not self.regex.fullmatch(b""), "pattern", "matches an empty line")

    @cached_property
    def regex(self) -> re.Pattern[bytes]:
        """The pattern, compiled for bytes."""
        with warnings.catch_warnings(action="ignore"):  # of what other versions may read otherwise
            return re.compile(self.pattern.encode("latin-1"))

    def with_unit(self, unit: Unit) -> LineFormat:
        """Return the format with the unit of lines that bear none; refuse it for those that do."""
        self._need(
            "unit" not in self.regex.groupindex,
            "unit",
            f"the lines bear theirs; {unit} cannot be set",
        )
        return replace(self, unit=unit)
