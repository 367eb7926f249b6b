"""Which number of the lines is the force: the one that rises and falls with the squeeze.

Counters, clocks and held peaks only rise, checksums jump, temperatures stay. Where two numbers can
be the force, the lines are refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from functools import reduce
from itertools import pairwise
from operator import xor

from gauge.errors import NotSureError
from gauge.learn.lineparts import LineTable
from gauge.learn.received import NeedMoreError
from gauge.learn.unitcolumn import is_unit, unit_column, units_of
from gauge.learn.vocabulary import NO_FORCE
from gauge.units import NEWTON_PER_FLOAT, Unit

COUNT_LEAST = 20  # lines; so many numbers that go up by one are a count, whatever comes after


def force_column(table: LineTable, *, unit: Unit | None, button: bool) -> tuple[int, int | None]:
    """Return the places of the force and of its unit, None where only the user gave the unit."""
    moving = [i for i in table.numbers if not table.parts[i].constant]
    if not moving:
        raise NeedMoreError(
            "every line shows the same.",
            todo="Squeeze the head slowly, twice, while it listens, so that the value changes.",
        )
    left = [i for i in moving if not _is_other(table, i)]
    if not left:
        raise NotSureError(
            "no number in the lines can be a force.", todo="Set the gauge to send forces."
        )
    if not button:
        left = [i for i in left if _rises_and_falls(table.numbers[i])]
        left = _without_jumps(table, left)
    if not left:
        raise NeedMoreError(
            "no number in the lines rises and falls as a force does.",
            todo="Squeeze the head slowly, twice, and let it go in between; hold nothing (peak "
            "hold off).",
        )
    if len(left) > 1:
        return _one_of(table, left, unit)
    (at,) = left
    value = table.numbers[at]
    if not button and (_roughness(value) > 1.6 or _is_interleaved(value)):
        raise NeedMoreError(
            "the number jumps from line to line.",
            todo="Squeeze more slowly; if there are two channels, switch one off.",
        )
    return at, unit_column(table, at, unit)


# --- what is no force, whatever it did so far -----------------------------------------------------


def _is_other(table: LineTable, at: int) -> bool:
    """Return whether a number is a count, a clock, a checksum, a percentage or another quantity."""
    parts = table.parts
    clock = [(parts[i].kind, parts[i].texts[0]) for i in (at - 3, at - 1) if i >= 0]
    if clock == [("P", ":")] * 2 and parts[at - 2].kind == "N":
        return True
    if "".join(part.texts[0] for part in parts[at + 1 : at + 3]).lstrip().startswith("%"):
        return True
    after = table.word_beside(at, 1)
    if after is not None and set(parts[after].texts) <= NO_FORCE:
        return True
    return is_count(table, at) or is_checksum(parts[at].texts, table.lines)


def is_count(table: LineTable, at: int) -> bool:
    """Return whether a number goes up by one from line to line.

    Where the lines are many, its decimals do not count: they may be a number of their own.
    """
    values = table.numbers[at]
    if len(values) >= COUNT_LEAST:
        values = [Decimal(math.floor(value)) for value in values]
    return {b - a for a, b in pairwise(values)} == {1}


def is_checksum(texts: Sequence[str], lines: Sequence[str]) -> bool:
    """Return whether digits are computed from the text before them, by one of the plain sums.

    Sum or exclusive or of the bytes, or their two's complement, in two hexadecimal digits or in
    two or three decimal ones (common practice, no source).
    """
    texts = [text.strip() for text in texts]
    if len(set(texts)) < 4 or len({len(text) for text in texts}) > 1:
        return False
    heads = [line[: line.rindex(text)] for line, text in zip(lines, texts, strict=True)]
    for trim in ("", "*,; \x03"):
        for first in (0, 1):
            agreeing: set[int] | None = None
            for head, text in zip(heads, texts, strict=True):
                data = (head.rstrip(trim) if trim else head)[first:].encode("latin-1")
                here = {i for i, written in enumerate(_sums(data)) if written == text.upper()}
                agreeing = here if agreeing is None else agreeing & here
                if not agreeing:
                    break
            else:
                return True
    return False


def _sums(data: bytes) -> list[str]:
    """Write the plain sums of bytes in the ways that gauges do."""
    total, mixed = sum(data), reduce(xor, data, 0)
    eight = [total % 256, mixed, -total % 256, total % 256 ^ 0xFF]
    return [
        *(f"{n:02X}" for n in eight), *(f"{n:03d}" for n in eight),
        f"{total % 100:02d}", f"{total % 1000:03d}", f"{total % 10}", f"{mixed % 100:02d}",
    ]  # fmt: skip


# --- what did not move as a force so far ----------------------------------------------------------


def _rises_and_falls(values: Sequence[Decimal]) -> bool:
    """Return whether a number rises and falls, and comes near zero, as when the head is free."""
    near_zero = min(map(abs, values)) <= max(map(abs, values)) / 5
    return near_zero and not _only_rises(values) and not _only_rises([-v for v in values])


def _only_rises(values: Sequence[Decimal]) -> bool:
    """Return whether all falls are restarts from far up to the bottom: a clock, a held peak."""
    low, span = min(values), max(values) - min(values)
    return all(b >= a or (b - low <= span / 10 and a - b >= span / 2) for a, b in pairwise(values))


def _roughness(values: Sequence[Decimal]) -> float:
    """Return the mean squared step over the variance: near 0 if smooth, 2 for pure chance.

    J. von Neumann, Ann. Math. Stat. 12 (1941) 367-395, the ratio of the mean square successive
    difference to the variance.
    """
    x = [float(value) for value in values]
    mean = sum(x) / len(x)
    spread = sum((one - mean) ** 2 for one in x)
    return sum((b - a) ** 2 for a, b in pairwise(x)) / spread if spread else 0.0


def _is_interleaved(values: Sequence[Decimal]) -> bool:
    """Return whether values two to four lines apart differ less than neighbours: channels."""
    x = [float(value) for value in values]

    def step(lag: int) -> float:
        pairs = list(zip(x, x[lag:], strict=False))
        return sum((b - a) ** 2 for a, b in pairs) / max(1, len(pairs))

    return any(step(lag) < 0.7 * step(1) for lag in (2, 3, 4))


def _without_jumps(table: LineTable, left: list[int]) -> list[int]:
    """Leave out whole numbers that jump beside one that runs smoothly, such as checksums."""
    rough = {i: _roughness(table.numbers[i]) for i in left}
    limit = max(0.5, 5 * min(rough.values(), default=0.0))
    return [
        i
        for i in left
        if rough[i] <= limit
        or any("." in text or "," in text for text in table.parts[i].texts)
        or table.word_beside(i, 1) is not None
    ]


# --- two that did ---------------------------------------------------------------------------------


def _one_of(table: LineTable, left: list[int], unit: Unit | None) -> tuple[int, int | None]:
    """Take the first of two numbers if both are the same force in units of their own."""
    agreed = []
    for step in (1, -1):
        beside = [table.word_beside(i, step) for i in left]
        at = [i for i in beside if i is not None and is_unit(table.parts[i])]
        if len(left) == len(at) == 2 and at[0] != at[1] and _is_same_force(table, left, at):
            agreed.append((left[0], at[0]))
    if len(agreed) == 1 and unit is None:
        return agreed[0]
    shown = []
    for i in left:
        texts, values = table.parts[i].texts, table.numbers[i]
        shown.append(
            f"'{min(texts, key=len).strip()}' to '{texts[values.index(max(values))].strip()}'"
        )
    raise NotSureError(
        f"{len(left)} numbers of each line rise and fall ({' and '.join(shown)}): either can be "
        "the force.",
        todo="Set the gauge to send the live force alone, then learn again.",
    )


def _is_same_force(table: LineTable, numbers: Sequence[int], units: Sequence[int]) -> bool:
    """Return whether two numbers show one force in two units, each to its last digit."""
    one, other = (
        list(zip(table.numbers[i], units_of(table.parts[j]), strict=True))
        for i, j in zip(numbers, units, strict=True)
    )
    return all(
        ux != uy
        and abs(float(x) * NEWTON_PER_FLOAT[ux] - float(y) * NEWTON_PER_FLOAT[uy])
        <= _half_step_newton(x, ux) + _half_step_newton(y, uy)
        for (x, ux), (y, uy) in zip(one, other, strict=True)
    )


def _half_step_newton(value: Decimal, unit: Unit) -> float:
    """Return half a unit of the last digit in newtons, and a little for the rounding."""
    return 0.51 * 10.0 ** int(value.as_tuple().exponent) * NEWTON_PER_FLOAT[unit]
