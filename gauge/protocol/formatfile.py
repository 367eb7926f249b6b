"""Line formats as TOML text, as files and as shipped with firmhand: read and written.

What a format may say is checked in lineformat; here are only the names and types of the keys.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields
from importlib import resources
from pathlib import Path
from typing import Any

from gauge.errors import BadFormatError, UnknownUnitError, UnreadableFileError
from gauge.protocol.lineformat import LineFormat
from gauge.units import parse_unit

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
    r"""Read a format from TOML text.

    Parameters
    ----------
    text : str
    source : str
        File name, for messages.

    Raises
    ------
    BadFormatError
        Naming source and key.

    Examples
    --------
    >>> load_format_text("name = 'mine'\npattern = '(?P<value>[0-9.]+) N'").mode
    'streaming'
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
    """Names of the formats that come with firmhand.

    Examples
    --------
    >>> shipped_names()
    ['number-unit', 'numeric-response', 'sma-0499']
    """
    folder = resources.files("gauge.protocol") / "formats"
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
    text = (resources.files("gauge.protocol") / "formats" / f"{name}.toml").read_text("utf-8")
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
