"""A regular expression turned round: texts that it matches, with given texts in its groups."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from typing import Any

from gauge.protocol.parsedpattern import bytes_of, compiled, inner, parsed

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
