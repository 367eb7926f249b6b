"""Which part of the lines bears the unit of the number: or a refusal.

Which part is the number is chosen in learnchoice.
"""

from __future__ import annotations

from collections.abc import Sequence

from gauge.errors import NotSureError
from gauge.learn.learnfields import FOREIGN_UNITS, beside, is_compound, is_unit
from gauge.learn.skeleton import Part
from gauge.units import SPELLINGS, Unit


def unit_at(parts: Sequence[Part], at: int, lines: Sequence[str], unit: Unit | None) -> int | None:
    """The part that bears the unit of the number at `at`; None where only the user said it.

    Parameters
    ----------
    parts : sequence of Part
    at : int
        Index of the number.
    lines : sequence of str
        What the parts were cut from, for messages.
    unit : Unit or None
        As the user says.

    Raises
    ------
    NotSureError
        If the unit is not known, not said, or not the one that the user says.

    Examples
    --------
    >>> from gauge.learn.skeleton import align
    >>> lines = ["0.00 lbf", "1.24 lbf"]
    >>> unit_at(align(lines, comma=False), 0, lines, None)
    2
    """
    after, before = beside(parts, at, 1), beside(parts, at, -1)
    for side in (after, before):
        if side is not None and (foreign := set(parts[side].texts) & FOREIGN_UNITS):
            raise NotSureError(
                f"the lines say {', '.join(sorted(foreign))}, a unit that is not known here.",
                todo="Set the gauge to N, mN, lbf, kgf, gf or ozf.",
            )
    found = after if after is not None and is_unit(parts[after]) else None
    if before is not None and is_unit(parts[before]):
        letters = set(parts[before].texts)
        if found is None and "G" not in letters:
            found = before
        elif found is not None and (
            not letters <= {"N", "G"} or (found + 1 < len(parts) and parts[found + 1].kind == "N")
        ):
            raise NotSureError(
                f"a unit stands on both sides of the number ('{lines[0]}').",
                todo="Set the gauge to send one value with its unit.",
            )
    if found is not None and is_compound(parts, found):
        raise NotSureError(
            f"'{lines[0].strip()}' has a unit made of two, which is no force.",
            todo="Set the gauge to send forces.",
        )
    if found is None:
        found = _far_unit(parts, unit)
    if found is None:
        if unit is None:
            raise NotSureError(
                f"the lines do not say their unit ('{lines[0].strip()}').",
                todo="Look at the display and say it, such as --unit N.",
            )
        return None
    said = {SPELLINGS[t] for t in parts[found].texts}
    if unit is not None and said != {unit}:
        raise NotSureError(
            f"the lines say {', '.join(sorted(parts[found].texts[:1]))} but --unit says {unit}.",
            todo="Look at the display, and leave --unit out if the line is right.",
        )
    return found


def _far_unit(parts: Sequence[Part], unit: Unit | None) -> int | None:
    """A unit elsewhere in the line: believed if it can be nothing else."""
    far = [i for i, p in enumerate(parts) if p.kind == "W" and is_unit(p)]
    if not far:
        return None
    words = {t for i in far for t in parts[i].texts}
    if len(far) == 1 and not words & {"N", "G"}:
        return far[0]
    if unit is not None and {SPELLINGS[t] for t in words} == {unit} and len(far) == 1:
        return far[0]
    if unit is not None and words <= {"N", "G"}:
        return None  # status letters such as net and gross; the user has said the unit
    raise NotSureError(
        f"'{', '.join(sorted(words))}' stands in the lines, away from the number: it may be "
        "its unit or not.",
        todo="Look at the display and say the unit, such as --unit N.",
    )
