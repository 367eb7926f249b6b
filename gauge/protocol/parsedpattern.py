"""A regular expression taken apart, and whether matching it takes a bounded time.

A backtracking matcher tries every way to share a run of bytes among the repeats that can take them.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterable
from typing import Any

# Private to Python: the one thing that reads a pattern just as `re` does.
_parser: Any = importlib.import_module("re._parser")
_compiler: Any = importlib.import_module("re._compiler")

_SINGLE = {"LITERAL", "NOT_LITERAL", "ANY", "IN"}
_ALL = bytes(range(256))
# repetitions; a repeat of more is as good as without end in a line of 256 bytes
_MANY = 16
# repeats without end that may share one run: 256**3 / 6 ways are tried within a second
_MOST = 3


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


def why_unbounded(pattern: bytes) -> str | None:
    """Say why a pattern can take without end; None where it cannot.

    Refused are repeats within repeats, more than three repeats that can take the same bytes in a
    row, and what refers back to a part.
    """
    try:
        runs = _runs(parsed(pattern), [0] * 256)
    except ValueError as error:
        return str(error)
    most = max(range(256), key=runs[1].__getitem__)
    if runs[1][most] > _MOST:
        return f"more than {_MOST} repeats in a row can take the byte {bytes([most])!r}"
    return None


def _runs(items: Any, now: list[int]) -> tuple[list[int], list[int]]:
    """For each byte, count the repeats that can share a run of it: at the end, and at most."""
    most = list(now)
    for place, (op, value) in enumerate(items):
        name = str(op)
        if name == "AT":
            continue
        if name == "SUBPATTERN":
            now, seen = _runs(value[3], now)
        elif name in {"ASSERT", "ASSERT_NOT"}:
            _, seen = _runs(value[1], now)
        elif name == "BRANCH":
            ways = [_runs(way, now) for way in value[1]]
            now, seen = _largest(end for end, _ in ways), _largest(top for _, top in ways)
        elif name in {"MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"}:
            now, seen = _repeat(value, now)
        else:
            taken = _bytes(items, place)
            now = seen = [n if byte in taken else 0 for byte, n in enumerate(now)]
        most = _largest((most, seen))
    return now, most


def _repeat(value: tuple[int, int, Any], now: list[int]) -> tuple[list[int], list[int]]:
    least, largest, items = value
    if largest > 1 and any(_varies(item) for item in items):
        raise ValueError("a repeat stands within a repeat")
    ended, seen = _runs(items, now)
    if largest > _MANY:
        taken = _taken(items)
        ended = seen = [n + 1 if byte in taken else n for byte, n in enumerate(now)]
        if least:
            ended = [n if byte in taken else 0 for byte, n in enumerate(ended)]
    return (ended, seen) if least else (_largest((now, ended)), seen)


def _varies(item: tuple[Any, Any]) -> bool:
    op, value = item
    name = str(op)
    if name in {"SUBPATTERN", "ASSERT", "ASSERT_NOT"}:
        return any(map(_varies, value[-1]))
    if name == "BRANCH":
        return True
    return name.endswith("_REPEAT") and (value[0] != value[1] or any(map(_varies, value[2])))


def _taken(items: Any) -> set[int]:
    """The bytes that items can be, those of their groups and fixed repeats too."""
    taken: set[int] = set()
    for place, (op, value) in enumerate(items):
        name = str(op)
        if name == "SUBPATTERN" or name.endswith("_REPEAT"):
            taken |= _taken(value[-1])
        elif name != "AT" and not name.startswith("ASSERT"):
            taken |= set(_bytes(items, place))
    return taken


def _bytes(items: Any, place: int) -> bytes:
    """The bytes that one of some items can be."""
    found = bytes_of(items, place)
    if found is None:
        raise ValueError("it refers back to a part, which no line format needs")
    return found


def _largest(counts: Iterable[list[int]]) -> list[int]:
    return list(map(max, zip(*counts, strict=True)))
