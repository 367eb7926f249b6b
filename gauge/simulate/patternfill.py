"""A regular expression turned round: texts that it matches, with given texts in its groups."""

from __future__ import annotations

import importlib
import itertools
from collections.abc import Iterator, Mapping
from typing import Any

# The parsed form of a regular expression: Python's own, private by name.
_parser: Any = importlib.import_module("re._parser")
_compiler: Any = importlib.import_module("re._compiler")

_CHOICES = 6  # texts tried for one part of a pattern


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
        self._parsed = _parser.parse(pattern)
        self._numbers: dict[str, int] = dict(self._parsed.state.groupdict)
        inner = _groups(self._parsed)
        self._parts = {name: _compiler.compile(inner[n]) for name, n in self._numbers.items()}

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


def _inner(arg: Any) -> list[Any]:
    """Return the patterns within one part of a parsed pattern."""
    if isinstance(arg, _parser.SubPattern):
        return [arg]
    return [one for item in arg for one in _inner(item)] if isinstance(arg, tuple | list) else []


def _groups(parsed: Any) -> dict[int, Any]:
    """Return the patterns within the groups of a parsed pattern, by number."""
    found = {arg[0]: arg[3] for op, arg in parsed if str(op) == "SUBPATTERN"}
    for one in _inner([arg for _, arg in parsed]):
        found |= _groups(one)
    return found


def _fill(parsed: Any, slots: dict[int, str]) -> Iterator[str]:
    """Make texts that a parsed pattern matches, with given texts in its groups."""
    given = [slots.get(arg[0], "") if str(op) == "SUBPATTERN" else "" for op, arg in parsed]
    pieces = []
    for place, (op, arg) in enumerate(parsed):
        # Between a word or number and another, a blank that may be there is there.
        blank = place > 0 and given[place - 1][-1:].isalnum() and any(given[place + 1 :])
        pieces.append(list(itertools.islice(_item(op, arg, slots, blank), _CHOICES)))
    return map("".join, itertools.product(*pieces))


def _item(op: Any, arg: Any, slots: dict[int, str], blank: bool) -> Iterator[str]:
    """Make texts of one part of a parsed pattern; none for a part that is not known here."""
    name = str(op)
    if name == "LITERAL":
        yield chr(arg)
    elif name == "IN":
        yield from itertools.chain.from_iterable(map(_members, arg))
    elif name == "ANY":
        yield " "
    elif name == "SUBPATTERN" and arg[0] in slots:
        yield slots[arg[0]]
    elif name in ("SUBPATTERN", "BRANCH", "ATOMIC_GROUP"):
        # Branches that hold a given group first.
        for inner in sorted(_inner(arg), key=lambda one: not (_groups(one).keys() & slots)):
            yield from _fill(inner, slots)
    elif name.endswith("_REPEAT"):
        low, high, inner = arg
        once = any(slots.get(number) for number in _groups(inner))
        if blank and not low and next(_fill(inner, {}), "") == " ":
            yield " "
        count = min(max(low, int(once)), high)
        yield from (text * count for text in _fill(inner, slots))
    elif name in ("AT", "ASSERT", "ASSERT_NOT"):
        yield ""


def _members(part: tuple[Any, Any]) -> str:
    """Return characters of a part of a set of characters."""
    op, arg = part
    name = str(op)
    if name == "CATEGORY":
        return {"CATEGORY_DIGIT": "0", "CATEGORY_SPACE": " "}.get(str(arg), "A")
    if name == "NEGATE":
        return " "
    low, high = arg if name == "RANGE" else (arg, arg)
    return "".join(map(chr, range(low, min(high, low + 3) + 1)))
