"""Words that gauges print beside or in place of a number (common practice, no source)."""

from __future__ import annotations

import re

OVER = re.compile(
    r"(?<![A-Za-z])(?:[+]?O\.?/?L|OVER ?(?:LOAD|FLOW|RANGE)?|OVR|OVLD|OFL|O|\^{2,}|>{2,})"
    r"(?![A-Za-z])"
)
UNDER = re.compile(
    r"(?<![A-Za-z])(?:-O\.?L|U\.?/?L|UNDER ?(?:LOAD|FLOW|RANGE)?|UNDR|<{2,})(?![A-Za-z])"
)
_NO_VALUE = re.compile(r"-{3,}|={3,}|\*{3,}|(?<![A-Za-z])(?:E{3,}|ERR(?:OR)?)(?![A-Za-z])")
# Beside a number: it is no force.
NO_FORCE = frozenset(
    {"mm", "cm", "in", "um", "s", "S", "sec", "ms", "min", "C", "F", "K", "V", "mV", "Hz", "Pa",
     "kPa", "psi", "bar", "MPa", "Nm", "Ncm", "hPa"}
)  # fmt: skip
# Units of force that firmhand does not know.
FOREIGN_UNITS = frozenset(
    {"kN", "KN", "MN", "cN", "daN", "uN", "t", "tf", "kp", "dyn", "pdl", "mg", "klbf", "kip"}
)
# After a unit and one of -/.*: a torque, a stiffness, a pressure.
LENGTHS = frozenset({"m", "cm", "mm", "in", "ft", "dm", "inch"})
# The number is the largest or smallest so far, not the live one.
HELD = frozenset({"PK", "Pk", "PEAK", "Peak", "peak", "MAX", "Max", "max", "MIN", "Min", "min"})
# Compression and tension.
DIRECTIONS = (
    ("C", "T"), ("COMP", "TENS"), ("Comp", "Tens"), ("COMPRESSION", "TENSION"), ("PUSH", "PULL"),
    ("Push", "Pull"), ("CMP", "TNS"), ("P", "N"), ("POS", "NEG"), ("c", "t"), ("comp", "tens"),
)  # fmt: skip
# A gauge that prints one of them prints the others too, whatever the number means.
FAMILIES = (
    frozenset({"OK", "HI", "LO", "GO", "NG"}), frozenset({"ST", "US"}),
    frozenset({"PASS", "FAIL"}), frozenset({"Pass", "Fail"}),
)  # fmt: skip


def has_digit(line: str) -> bool:
    """Return whether a line holds a digit."""
    return re.search("[0-9]", line) is not None


def has_status_word(line: str) -> bool:
    """Return whether a line has a word, such as one for overload, where others have a number."""
    return not has_digit(line) or any(p.search(line) for p in (OVER, UNDER, _NO_VALUE))
