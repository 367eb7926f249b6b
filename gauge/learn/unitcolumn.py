"""Which part of the lines is the unit of a number: or a refusal."""

from __future__ import annotations

from gauge.errors import NotSureError
from gauge.learn.lineparts import LineTable, Part
from gauge.learn.received import NoUnitError
from gauge.learn.vocabulary import FOREIGN_UNITS, LENGTHS
from gauge.units import SPELLINGS, UNIT_NAMES, Unit


def is_unit(part: Part) -> bool:
    """Return whether a word is a known unit in every line."""
    return part.kind == "W" and all(text in SPELLINGS for text in part.texts)


def units_of(part: Part) -> list[Unit]:
    """Return the unit of each line."""
    return [SPELLINGS[text] for text in part.texts]


def unit_column(table: LineTable, at: int, unit: Unit | None) -> int | None:
    """Return the place of the unit of a number; None where only the user gave it."""
    parts, example = table.parts, table.lines[0].strip()
    found = _unit_beside(table, at)
    if found is not None and _is_compound(parts[found + 1 : found + 3]):
        raise NotSureError(
            f"'{example}' has a unit made of two, which is no force.",
            todo="Set the gauge to send forces.",
        )
    if found is None:
        found = _far_unit(parts, unit)
    if found is None:
        if unit is None:
            raise NoUnitError(
                f"the lines do not say their unit ('{example}').",
                todo="Look at the display and say it, such as --unit N.",
            )
        return None
    if unit is not None and set(units_of(parts[found])) != {unit}:
        raise NotSureError(
            f"the lines say {parts[found].texts[0]} but --unit says {unit}.",
            todo="Look at the display, and leave --unit out if the line is right.",
        )
    return found


def _unit_beside(table: LineTable, at: int) -> int | None:
    """Return the place of the unit next to a number, if one is there."""
    parts = table.parts
    after, before = table.word_beside(at, 1), table.word_beside(at, -1)
    for side in (after, before):
        if side is not None and (foreign := set(parts[side].texts) & FOREIGN_UNITS):
            raise NotSureError(
                f"the lines say {', '.join(sorted(foreign))}, a unit that is not known here.",
                todo=f"Set the gauge to one of {UNIT_NAMES}.",
            )
    found = after if after is not None and is_unit(parts[after]) else None
    if before is None or not is_unit(parts[before]):
        return found
    letters = set(parts[before].texts)
    if found is None:
        return None if "G" in letters else before  # G may be gross
    # N and G before a number that has its unit after it may be net and gross.
    next_is_number = found + 1 < len(parts) and parts[found + 1].kind == "N"
    if not letters <= {"N", "G"} or next_is_number:
        raise NotSureError(
            f"a unit stands on both sides of the number ('{table.lines[0]}').",
            todo="Set the gauge to send one value with its unit.",
        )
    return found


def _is_compound(after: tuple[Part, ...]) -> bool:
    """Check whether a unit goes on to a length (ozf-in, N/mm): torque, stiffness, pressure."""
    rest = [part.texts[0] for part in after]
    return len(rest) == 2 and rest[0] in "-/.*" and rest[1].lower() in LENGTHS


def _far_unit(parts: tuple[Part, ...], unit: Unit | None) -> int | None:
    """Return the place of a unit elsewhere in the line, if it can be nothing else."""
    far = [i for i, part in enumerate(parts) if is_unit(part)]
    if not far:
        return None
    words = {text for i in far for text in parts[i].texts}
    if len(far) == 1 and (not words & {"N", "G"} or {SPELLINGS[word] for word in words} == {unit}):
        return far[0]
    if unit is not None and words <= {"N", "G"}:
        return None  # status letters such as net and gross; the user has given the unit
    raise NotSureError(
        f"'{', '.join(sorted(words))}' stands in the lines, away from the number: it may be "
        "its unit or not.",
        todo="Look at the display and say the unit, such as --unit N.",
    )
