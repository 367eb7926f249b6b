"""Tells whether matching a pattern takes a bounded time, whatever a line holds.

A backtracking matcher tries every way to share a run of bytes among the repeats that can take them.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterable
from typing import Any

# Private to Python, but the one thing that reads a pattern just as `re` does.
_parser: Any = importlib.import_module("re._parser")

_ALL = frozenset(range(256))
# repetitions; a repeat of more is as good as without end in a line of 256 bytes
_MANY = 16
# repeats without end that may share one run: 256**3 / 6 ways are tried within a second
_MOST = 3
_CATEGORIES = {
    "CATEGORY_DIGIT": rb"\d", "CATEGORY_NOT_DIGIT": rb"\D", "CATEGORY_SPACE": rb"\s",
    "CATEGORY_NOT_SPACE": rb"\S", "CATEGORY_WORD": rb"\w", "CATEGORY_NOT_WORD": rb"\W",
}  # fmt: skip


def why_unbounded(pattern: bytes) -> str | None:
    """Say why a pattern can take without end; None where it cannot.

    Refused are repeats within repeats, more than three repeats that can take the same bytes in a
    row, and what refers back to a part.
    """
    try:
        runs = _runs(_parser.parse(pattern), [0] * 256)
    except ValueError as error:
        return str(error)
    most = max(range(256), key=runs[1].__getitem__)
    if runs[1][most] > _MOST:
        return f"more than {_MOST} repeats in a row can take the byte {bytes([most])!r}"
    return None


def _runs(items: Iterable[tuple[Any, Any]], now: list[int]) -> tuple[list[int], list[int]]:
    """For each byte, count the repeats that can share a run of it: at the end, and at most."""
    most = list(now)
    for op, value in items:
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
            taken = _bytes(name, value)
            now = seen = [n if byte in taken else 0 for byte, n in enumerate(now)]
        most = _largest((most, seen))
    return now, most


def _repeat(value: tuple[int, int, Any], now: list[int]) -> tuple[list[int], list[int]]:
    least, largest, items = value
    if largest > 1 and any(_varies(item) for item in items):
        raise ValueError("a repeat stands within a repeat")
    ended, seen = _runs(items, now)
    if largest > _MANY:
        taken = frozenset[int]().union(*(_bytes(str(op), v) for op, v in _flat(items)))
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


def _flat(items: Iterable[tuple[Any, Any]]) -> Iterable[tuple[Any, Any]]:
    """Single bytes of items, without their groups and fixed repeats."""
    for op, value in items:
        name = str(op)
        if name == "AT" or name.startswith("ASSERT"):
            continue
        if name == "SUBPATTERN":
            yield from _flat(value[3])
        elif name.endswith("_REPEAT"):
            yield from _flat(value[2])
        else:
            yield op, value


def _bytes(name: str, value: Any) -> frozenset[int]:
    """The bytes that one item of a pattern can be."""
    if name == "LITERAL":
        return frozenset({value})
    if name == "NOT_LITERAL":
        return _ALL - {value}
    if name == "ANY":
        return _ALL - {10}
    if name == "RANGE":
        return frozenset(range(value[0], value[1] + 1))
    if name == "CATEGORY":
        regex = re.compile(_CATEGORIES[str(value)])
        return frozenset(byte for byte in _ALL if regex.match(bytes([byte])))
    if name == "IN":
        negated = str(value[0][0]) == "NEGATE"
        taken = frozenset[int]().union(*(_bytes(str(op), v) for op, v in value[negated:]))
        return _ALL - taken if negated else taken
    raise ValueError("it refers back to a part, which no line format needs")


def _largest(counts: Iterable[list[int]]) -> list[int]:
    return list(map(max, zip(*counts, strict=True)))
