"""The line format: how one gauge says its readings, as validated data and as TOML text.

A format is declared, never programmed: line settings, what begins and ends a line, one pattern with
named parts, the words for overload and the like. Bytes are turned into readings in framing; a
format is found from bytes heard in learn.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from importlib import resources
from pathlib import Path
from typing import Any

from gauge.errors import BadFormatError, UnknownUnitError, UnreadableFileError
from gauge.units import Unit, parse_unit

MODES = ("streaming", "polled", "button")
PARTS = frozenset({"value", "unit", "sign", "status"})
_CONTROL = frozenset({*range(0x20), *range(0x7F, 0x100)})


@dataclass(frozen=True, kw_only=True, slots=True)
class LineSettings:
    """How the bits travel. `baudrate` None: the device takes any speed (most USB devices)."""

    baudrate: int | None = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1

    def __str__(self) -> str:
        speed = "any speed" if self.baudrate is None else f"{self.baudrate} baud"
        return f"{speed}, {self.bytesize}{self.parity}{self.stopbits:g}"


@dataclass(frozen=True, kw_only=True)
class LineFormat:
    r"""What one gauge says.

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
    baudrate : int or None
        Bits a second; None for a device that takes any.
    bytesize, parity, stopbits
    decimal_comma : bool
        Whether the decimal sign is a comma.
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

    Raises
    ------
    BadFormatError
        Naming the key that says something impossible.

    Examples
    --------
    >>> fmt = LineFormat(name="mine", pattern=r"(?P<value>\d\.\d\d) (?P<unit>N|lbf)")
    >>> load_format_text(dump_format(fmt)) == fmt
    True
    """

    name: str
    pattern: str
    terminators: tuple[bytes, ...] = (b"\r\n",)
    start: bytes | None = None
    baudrate: int | None = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1
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
        speed = self.baudrate
        self._need(speed is None or 50 <= speed <= 4_000_000, "baudrate", f"{speed} is no speed")
        self._need(self.bytesize in (7, 8), "bytesize", "must be 7 or 8")
        self._need(self.parity in tuple("NEOMS"), "parity", "must be N, E, O, M or S")
        self._need(self.stopbits in (1, 1.5, 2), "stopbits", "must be 1, 1.5 or 2")
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
        for short in ends:
            for long in ends:
                if short == long or short not in long or long.endswith(short):
                    continue
                # What remains of the long one must be ends too (CR of CRLF): else the line would
                # depend on how the bytes arrive.
                rest = long[len(short) :]
                self._need(
                    long.startswith(short) and rest in ends,
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
            regex = re.compile(self.pattern.encode("latin-1"))
        except UnicodeEncodeError:
            self._need(False, "pattern", "holds a character that no single byte is")
        except (re.error, RecursionError, OverflowError) as error:
            self._need(False, "pattern", f"is no regular expression ({error})")
        else:
            parts = set(regex.groupindex)
            self._need("value" in parts, "pattern", "has no part (?P<value>...)")
            self._need(
                parts <= PARTS,
                "pattern",
                f"unknown parts {', '.join(sorted(parts - PARTS))}; known are value, unit, sign "
                "and status",
            )
            self._need(not regex.fullmatch(b""), "pattern", "matches an empty line")

    @cached_property
    def regex(self) -> re.Pattern[bytes]:
        """The pattern, compiled for bytes."""
        return re.compile(self.pattern.encode("latin-1"))

    @property
    def settings(self) -> LineSettings:
        """How the bits travel."""
        return LineSettings(
            baudrate=self.baudrate,
            bytesize=self.bytesize,
            parity=self.parity,
            stopbits=self.stopbits,
        )

    def with_unit(self, unit: Unit) -> LineFormat:
        """Say the unit of lines that bear none.

        Raises
        ------
        BadFormatError
            If the lines bear their unit.
        """
        self._need(
            "unit" not in self.regex.groupindex,
            "unit",
            f"the lines say theirs; {unit} cannot be set",
        )
        return replace(self, unit=unit)


# --- TOML -------------------------------------------------------------------------------------

_LINE_KEYS = ("baudrate", "bytesize", "parity", "stopbits")
_BYTES_KEYS = ("start", "request")
_WORD_KEYS = ("overload", "underload", "not_a_number")


def _quoted(text: str) -> str:
    """A TOML string: literal where that reads well, else with escapes."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return '"' + "".join(map(_toml_escape, text)) + '"'


def _toml_escape(char: str) -> str:
    short = {"\\": "\\\\", '"': '\\"', "\r": "\\r", "\n": "\\n", "\t": "\\t"}
    if char in short or char.isprintable():
        return short.get(char, char)
    return f"\\U{ord(char):08x}"


def dump_format(fmt: LineFormat) -> str:
    """Write a format as TOML text that `load_format` reads back to the same.

    Examples
    --------
    >>> print(dump_format(shipped_format("number-unit")).splitlines()[0])
    name = "number-unit"
    """

    def listed(texts: tuple[str, ...]) -> str:
        return "[" + ", ".join(map(_quoted, texts)) + "]"

    rows = [f"name = {_quoted(fmt.name)}", f'mode = "{fmt.mode}"']
    if fmt.request is not None:
        rows.append(f"request = {_quoted(fmt.request.decode('latin-1'))}")
    if fmt.start is not None:
        rows.append(f"start = {_quoted(fmt.start.decode('latin-1'))}")
    rows.append(f"terminators = {listed(tuple(e.decode('latin-1') for e in fmt.terminators))}")
    rows.append(f"pattern = {_quoted(fmt.pattern)}")
    if fmt.unit is not None:
        rows.append(f'unit = "{fmt.unit}"')
    if fmt.compression_sign != 1:
        rows.append(f"compression_sign = {fmt.compression_sign}")
    rows.append(f"decimal_comma = {str(fmt.decimal_comma).lower()}")
    rows += [f"{key} = {listed(getattr(fmt, key))}" for key in _WORD_KEYS if getattr(fmt, key)]
    speed = '"any"' if fmt.baudrate is None else fmt.baudrate
    rows += ["", "[line]", f"baudrate = {speed}", f"bytesize = {fmt.bytesize}"]
    rows += [f'parity = "{fmt.parity}"', f"stopbits = {fmt.stopbits:g}"]
    return "\n".join(rows) + "\n"


def load_format_text(text: str, source: str = "line format") -> LineFormat:
    """Read a format from TOML text.

    Parameters
    ----------
    text : str
    source : str
        File name, for messages.

    Raises
    ------
    BadFormatError
        Naming source and key.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadFormatError(f"{source} is not TOML: {error}.", todo=_TODO) from None
    try:
        return LineFormat(**_arguments(document))
    except BadFormatError as error:
        raise BadFormatError(f"{source}: {error.what}", todo=error.todo or _TODO) from None


_TODO = "See the shipped formats for what a format says, or make one with 'gauge learn'."


def _arguments(document: Mapping[str, Any]) -> dict[str, Any]:
    """Check names and types of the keys, and turn texts into bytes and units."""
    line = document.get("line", {})
    if not isinstance(line, dict):
        raise BadFormatError("key 'line' must be a table [line].")
    flat = {k: v for k, v in document.items() if k != "line"}
    known = {f.name for f in fields(LineFormat)}
    unknown = [k for k in flat if k not in known or k in _LINE_KEYS]
    unknown += [f"line.{k}" for k in line if k not in _LINE_KEYS]
    if unknown:
        raise BadFormatError(f"unknown key {', '.join(unknown)}.")
    for key in ("name", "pattern"):
        if key not in flat:
            raise BadFormatError(f"key '{key}' is missing.")
    out: dict[str, Any] = {}
    for key, value in {**flat, **line}.items():
        out[key] = _value(key, value)
    return out


_WHOLE = ((int,), "a whole number")
_TYPES: dict[str, tuple[tuple[type, ...], str]] = {
    "decimal_comma": ((bool,), "true or false"),
    "stopbits": ((int, float), "a number"),
    "baudrate": ((int,), 'a whole number, or "any"'),
    "bytesize": _WHOLE,
    "compression_sign": _WHOLE,
}


def _value(key: str, value: Any) -> Any:
    if key == "baudrate" and value == "any":
        return None
    if key in ("terminators", *_WORD_KEYS):
        good = isinstance(value, list) and all(isinstance(v, str) for v in value)
        if not good:
            raise BadFormatError(f"key '{key}' must be a list of strings.")
        return tuple(_latin(key, v) for v in value) if key == "terminators" else tuple(value)
    wanted, word = _TYPES.get(key, ((str,), "a string"))
    right: bool = isinstance(value, wanted) and (bool in wanted or not isinstance(value, bool))
    if not right:
        raise BadFormatError(f"key '{key}' must be {word}.")
    if key in _BYTES_KEYS:
        return _latin(key, value)
    if key == "unit":
        try:
            return parse_unit(value)
        except UnknownUnitError as error:
            raise BadFormatError(f"key 'unit': {error.what}", todo=error.todo) from None
    return value


def _latin(key: str, text: str) -> bytes:
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError:
        raise BadFormatError(f"key '{key}' holds a character that no single byte is.") from None


# --- files ------------------------------------------------------------------------------------


def shipped_names() -> list[str]:
    """Names of the formats that come with firmhand."""
    folder = resources.files("gauge") / "formats"
    return sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml"))


def shipped_format(name: str) -> LineFormat:
    r"""Load a format that comes with firmhand.

    Raises
    ------
    UnreadableFileError
        If there is none of that name.

    Examples
    --------
    >>> shipped_format("number-unit").terminators[0]
    b'\r\n'
    """
    if name not in shipped_names():
        raise UnreadableFileError(
            f"there is no line format '{name}'.",
            todo=f"Give a file, or one of {', '.join(shipped_names())}.",
        )
    text = (resources.files("gauge") / "formats" / f"{name}.toml").read_text("utf-8")
    return load_format_text(text, f"shipped format {name}")


def load_format(path: Path | str) -> LineFormat:
    """Load a format from a file, or a shipped one by its name.

    Parameters
    ----------
    path : path or str
        A TOML file; or the name of a shipped format, where its lines bear no unit with that after
        a colon: ``numeric-response:lbf``.

    Raises
    ------
    UnreadableFileError
        If there is neither such a file nor such a shipped format.
    BadFormatError
        Naming file and key.

    Examples
    --------
    >>> load_format("numeric-response:lbf").unit
    <Unit.LBF: 'lbf'>
    """
    file = Path(path)
    name, colon, unit = str(path).partition(":")
    if name in shipped_names() and not file.is_file():
        fmt = shipped_format(name)
        return fmt.with_unit(parse_unit(unit)) if colon else fmt
    try:
        text = file.read_text("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFormatError(f"{path} is not UTF-8 text.", todo=_TODO) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UnreadableFileError(
            f"line format {path} cannot be read: {why}.",
            todo=f"Give a file, or one of {', '.join(shipped_names())}.",
        ) from None
    return load_format_text(text, str(path))
