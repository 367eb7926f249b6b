"""Words that stand where other lines have a number: overload, underload, no value.

Which part is the number is chosen in learnchoice.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

OVER = re.compile(
    r"(?<![A-Za-z])(?:[+]?O\.?/?L|OVER ?(?:LOAD|FLOW|RANGE)?|OVR|OVLD|OFL|O|\^{2,}|>{2,})"
    r"(?![A-Za-z])"
)
UNDER = re.compile(
    r"(?<![A-Za-z])(?:-O\.?L|U\.?/?L|UNDER ?(?:LOAD|FLOW|RANGE)?|UNDR|<{2,})(?![A-Za-z])"
)
_NO_VALUE = re.compile(r"-{3,}|={3,}|\*{3,}|(?<![A-Za-z])(?:E{3,}|ERR(?:OR)?)(?![A-Za-z])")


def is_wordy(line: str) -> bool:
    """Whether a line says a word where others have a number.

    Examples
    --------
    >>> is_wordy("OL N"), is_wordy("1.24 N")
    (True, False)
    """
    return not re.search("[0-9]", line) or any(
        p.search(line) is not None for p in (OVER, UNDER, _NO_VALUE)
    )


def limits(lines: Iterable[str]) -> tuple[list[str], list[str], set[str]]:
    """Lines that say overload, that say underload, and all others, without blanks around them.

    Examples
    --------
    >>> limits([" OL ", "-OL", "BATT LOW"])
    (['OL'], ['-OL'], {'BATT LOW'})
    """
    over, under, rest = [], [], set()
    for line in lines:
        text = line.strip(" ")
        if UNDER.search(text):
            under.append(text)
        elif OVER.search(text):
            over.append(text)
        else:
            rest.add(line.strip())
    return over, under, rest
