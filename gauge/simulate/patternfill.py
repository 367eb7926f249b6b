"""A regular expression turned round: texts that it matches, with given texts in its groups.

Plainest text first. Nothing here knows lines or gauges; believe a text only after matching it.
"""

from __future__ import annotations

import importlib
import itertools
from collections.abc import Iterator, Mapping
from typing import Any

# The parsed form of a regular expression: Python's own, private by name.
_parser: Any = importlib.import_module("re._parser")
_compiler: Any = importlib.import_module("re._compiler")


class PatternFiller:
    r"""A pattern with named groups, to be filled.

    Parameters
    ----------
    pattern : str
        A valid regular expression.

    Examples
    --------
    >>> filler = PatternFiller(r"#\d{3},(?P<value>[0-9.]+) ?(?P<unit>N|lbf)")
    >>> next(filler.texts({"value": "1.24", "unit": "lbf"}))
    '#000,1.24 lbf'
    >>> filler.fits("unit", "kgf")
    False
    """

    def __init__(self, pattern: str) -> None:
        self._parsed = _parser.parse(pattern)
        self._numbers: dict[str, int] = dict(self._parsed.state.groupdict)
        self._parts = {
            name: _compiler.compile(_group(self._parsed, number))
            for name, number in self._numbers.items()
        }

    @property
    def groups(self) -> frozenset[str]:
        """Names of the groups."""
        return frozenset(self._numbers)

    def fits(self, group: str, text: str) -> bool:
        """Whether a group can hold a text; a pattern without the group holds nothing."""
        part = self._parts.get(group)
        return not text if part is None else part.fullmatch(text) is not None

    def texts(self, slots: Mapping[str, str]) -> Iterator[str]:
        """Texts with the given ones in the groups; names that the pattern lacks are passed over."""
        numbered = {self._numbers[n]: text for n, text in slots.items() if n in self._numbers}
        return _fill(self._parsed, numbered)


def _fill(parsed: Any, slots: dict[int, str]) -> Iterator[str]:
    """Texts that a parsed pattern matches, with given texts in its groups, plainest first."""
    pieces, parted = [], False
    for place, (op, arg) in enumerate(parsed):
        # Between a word or number and another, a blank that may be there is there.
        blank = parted and any(_slot(o, a, slots) for o, a in parsed[place + 1 :])
        pieces.append(list(itertools.islice(_item(op, arg, slots, blank=blank), 6)))
        parted = _slot(op, arg, slots)[-1:].isalnum()
    for choice in itertools.product(*pieces):
        yield "".join(choice)


def _slot(op: Any, arg: Any, slots: dict[int, str]) -> str:
    """The text given for a group, if this is one."""
    return slots.get(arg[0], "") if str(op) == "SUBPATTERN" else ""


def _groups(parsed: Any) -> set[int]:
    """Numbers of all groups in a parsed pattern."""
    found: set[int] = set()
    for op, arg in parsed:
        name = str(op)
        if name == "SUBPATTERN":
            found |= ({arg[0]} if arg[0] else set()) | _groups(arg[3])
        elif name == "BRANCH":
            found |= set().union(*(_groups(branch) for branch in arg[1]))
        elif name.endswith("_REPEAT"):
            found |= _groups(arg[2])
        elif name == "ATOMIC_GROUP":
            found |= _groups(arg)
    return found


def _group(parsed: Any, number: int) -> Any:
    """Find the pattern within a group."""
    for op, arg in parsed:
        name = str(op)
        inner = (
            [arg[3]] if name == "SUBPATTERN"
            else arg[1] if name == "BRANCH"
            else [arg[2]] if name.endswith("_REPEAT")
            else [arg] if name == "ATOMIC_GROUP"
            else []
        )  # fmt: skip
        if name == "SUBPATTERN" and arg[0] == number:
            return arg[3]
        for one in inner:
            found = _group(one, number)
            if found is not None:
                return found
    return None


def _item(op: Any, arg: Any, slots: dict[int, str], *, blank: bool = False) -> Iterator[str]:
    name = str(op)
    if name == "LITERAL":
        yield chr(arg)
    elif name == "IN":
        yield from _members(arg)
    elif name == "ANY":
        yield " "
    elif name == "SUBPATTERN":
        if arg[0] in slots:
            yield slots[arg[0]]
        else:
            yield from _fill(arg[3], slots)
    elif name == "BRANCH":
        # Branches that hold a wanted group first.
        for branch in sorted(arg[1], key=lambda b: not (_groups(b) & set(slots))):
            yield from _fill(branch, slots)
    elif name.endswith("_REPEAT"):
        low, high, inner = arg
        once = bool(_groups(inner) & {g for g, text in slots.items() if text})
        if blank and not low and next(_fill(inner, {}), "") == " ":
            yield " "
        count = min(max(low, int(once)), high)
        yield from (text * count for text in _fill(inner, slots))
    elif name == "ATOMIC_GROUP":
        yield from _fill(arg, slots)
    elif name in ("AT", "ASSERT", "ASSERT_NOT"):
        yield ""
    else:
        return


def _members(items: Any) -> Iterator[str]:
    for op, arg in items:
        name = str(op)
        if name == "LITERAL":
            yield chr(arg)
        elif name == "RANGE":
            yield from (chr(c) for c in range(arg[0], min(arg[1], arg[0] + 3) + 1))
        elif name == "CATEGORY":
            yield {"CATEGORY_DIGIT": "0", "CATEGORY_SPACE": " "}.get(str(arg), "A")
        elif name == "NEGATE":
            yield " "
