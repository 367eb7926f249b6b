"""A regular expression taken apart, by the one thing that reads it just as `re` does."""

from __future__ import annotations

import importlib
import re
from typing import Any

# Private to Python.
_parser: Any = importlib.import_module("re._parser")
_compiler: Any = importlib.import_module("re._compiler")

_SINGLE = {"LITERAL", "NOT_LITERAL", "ANY", "IN"}
_ALL = bytes(range(256))


def parsed(pattern: bytes) -> Any:
    """Return the parts of a pattern: an iterable of (kind, what the kind needs)."""
    return _parser.parse(pattern)


def compiled(parts: Any) -> re.Pattern[Any]:
    """Compile some parts, for bytes and text alike."""
    regex: re.Pattern[Any] = _compiler.compile(parts)
    return regex


def inner(needs: Any) -> list[Any]:
    """Return the parts within one part, each a pattern of its own."""
    if isinstance(needs, _parser.SubPattern):
        return [needs]
    return [one for item in needs for one in inner(item)] if isinstance(needs, tuple | list) else []


def bytes_of(parts: Any, place: int) -> bytes | None:
    """Return the bytes, in order, that one of some parts can be; None if it is no single byte."""
    if str(parts[place][0]) not in _SINGLE:
        return None
    return b"".join(match[0] for match in compiled(parts[place : place + 1]).finditer(_ALL))
