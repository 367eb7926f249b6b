"""Line formats as TOML text, as files and as shipped with firmhand."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any

from gauge.errors import BadFormatError, InvalidValueError, UnknownUnitError, UnreadableFileError
from gauge.outfile import refuse_irregular
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.units import parse_unit

_TODO = "See the shipped formats for examples, or make one with 'gauge learn'."
_WORD_KEYS = ("overload", "underload", "not_a_number")
# Keys in the order in which they are written, and those of the table [line].
_KEYS = ("name", "mode", "request", "start", "terminators", "pattern", "unit", "compression_sign",
         "decimal_comma", *_WORD_KEYS)  # fmt: skip
_LINE_KEYS = ("baudrate", "bytesize", "parity", "stopbits")
_STRING: tuple[tuple[type, ...], str] = ((str,), "a string")
_TYPES: dict[str, tuple[tuple[type, ...], str]] = {
    "decimal_comma": ((bool,), "true or false"),
    "stopbits": ((int, float), "a number"),
    "baudrate": ((int,), 'a whole number, or "any"'),
    **dict.fromkeys(("bytesize", "compression_sign"), ((int,), "a whole number")),
    **dict.fromkeys(("terminators", *_WORD_KEYS), ((list,), "a list of strings")),
}


def _toml(value: Any) -> str:
    """Write a value as TOML; a string literally where that reads well, else with escapes."""
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, int | float):
        return str(value).lower() if isinstance(value, int) else f"{value:g}"
    text: str = value.decode("latin-1") if isinstance(value, bytes) else value
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return '"' + "".join(map(_toml_escape, text)) + '"'


def _toml_escape(char: str) -> str:
    short = {"\\": "\\\\", '"': '\\"', "\r": "\\r", "\n": "\\n", "\t": "\\t"}
    if char in short or char.isprintable():
        return short.get(char, char)
    return f"\\U{ord(char):08x}"


def dump_format(fmt: LineFormat) -> str:
    """Write a format as TOML text that `load_format` reads back to the same."""
    values = {key: getattr(fmt, key) for key in _KEYS} | asdict(fmt.settings)
    values["baudrate"] = values["baudrate"] or "any"
    if fmt.compression_sign == 1:
        del values["compression_sign"]
    rows = {key: f"{key} = {_toml(v)}" for key, v in values.items() if v not in (None, ())}
    line = [rows.pop(key) for key in _LINE_KEYS]
    return "\n".join([*rows.values(), "", "[line]", *line]) + "\n"


def load_format_text(text: str, source: str = "line format") -> LineFormat:
    """Read a format from TOML text; a `BadFormatError` names source and key."""
    try:
        return LineFormat(**_arguments(tomllib.loads(text)))
    except tomllib.TOMLDecodeError as error:
        raise BadFormatError(f"{source} is not TOML: {error}.", todo=_TODO) from None
    except BadFormatError as error:
        raise BadFormatError(f"{source}: {error.what}", todo=error.todo or _TODO) from None
    except InvalidValueError as error:
        raise BadFormatError(f"{source}: {error.what}.", todo=_TODO) from None


def _arguments(document: Mapping[str, Any]) -> dict[str, Any]:
    """Check names and types of the keys, and turn texts into bytes and units."""
    line = document.get("line", {})
    if not isinstance(line, dict):
        raise BadFormatError("key 'line' must be a table [line].")
    flat = {k: v for k, v in document.items() if k != "line"}
    unknown = [k for k in flat if k not in _KEYS]
    unknown += [f"line.{k}" for k in line if k not in _LINE_KEYS]
    if unknown:
        raise BadFormatError(f"unknown key {', '.join(unknown)}.")
    for key in ("name", "pattern"):
        if key not in flat:
            raise BadFormatError(f"key '{key}' is missing.")
    settings = SerialSettings(**{key: _value(key, value) for key, value in line.items()})
    return {key: _value(key, value) for key, value in flat.items()} | {"settings": settings}


def _value(key: str, value: Any) -> Any:
    """Check the type of a key's value, and turn it into what a line format holds."""
    if key == "baudrate" and value == "any":
        return None
    types, word = _TYPES.get(key, _STRING)
    # To Python a truth value is a whole number too.
    good = isinstance(value, types) and (bool in types or not isinstance(value, bool))
    if not good or (list in types and not all(isinstance(text, str) for text in value)):
        raise BadFormatError(f"key '{key}' must be {word}.")
    try:
        if key in ("start", "request"):
            return value.encode("latin-1")
        if key == "terminators":
            return tuple(text.encode("latin-1") for text in value)
        if key == "unit":
            return parse_unit(value)
    except UnicodeEncodeError:
        raise BadFormatError(f"key '{key}' holds a character that no single byte is.") from None
    except UnknownUnitError as error:
        raise BadFormatError(f"key 'unit': {error.what}", todo=error.todo) from None
    return tuple(value) if isinstance(value, list) else value


def shipped_names() -> list[str]:
    """List the names of the formats that come with firmhand."""
    folder = resources.files("gauge.protocol") / "formats"
    return sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml"))


def shipped_format(name: str) -> LineFormat:
    """Load a format that comes with firmhand."""
    if name not in shipped_names():
        raise UnreadableFileError(
            f"there is no line format '{name}'.",
            todo=f"Give a file, or one of {', '.join(shipped_names())}.",
        )
    text = (resources.files("gauge.protocol") / "formats" / f"{name}.toml").read_text("utf-8")
    return load_format_text(text, f"shipped format {name}")


def load_format(path: Path | str) -> LineFormat:
    """Load a format from a file, or a shipped one by its name.

    A shipped format whose lines bear no unit is named with it: ``numeric-response:lbf``.

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
        refuse_irregular(file)
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
