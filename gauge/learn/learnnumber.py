"""Whether the number chosen can be read in one way only: sign, decimals, commas, checksums.

Which part is the number is chosen in learnchoice.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal

from gauge.errors import NotSureError
from gauge.learn.learnfields import is_checksum, only_rises, values
from gauge.learn.learnpattern import number_style
from gauge.learn.skeleton import Part

_SQUEEZE_STEPS = 10  # a squeeze moves the last digit at least so many steps


class NeedMoreError(NotSureError):
    """Nothing speaks against this setting, but more must be heard: more lines, or a squeeze."""


def refuse_stuck(parts: Sequence[Part], at: int, lines: Sequence[str]) -> None:
    """Refuse digits of a checksum right after the value: they would be read as more decimals.

    Raises
    ------
    NotSureError
        If there are such digits.

    Examples
    --------
    >>> refuse_stuck([Part("N", ("0.10", "0.20", "0.31"))], 0, ["0.10", "0.20", "0.31"])
    """
    part = parts[at]
    beside_it = parts[max(0, at - 1) : at + 2]
    stuck = any(p.kind == "M" and re.search("[0-9]", "".join(p.texts)) for p in beside_it)
    if at == len(parts) - 1:
        for n in (1, 2, 3):
            tails = tuple(text[-n:] for text in part.texts)
            stuck = stuck or is_checksum(Part("N", tails), [x.rstrip() for x in lines])
    if stuck:
        raise NotSureError(
            f"a checksum follows the number without anything between ('{lines[-1]}').",
            todo="Switch the checksum off, or a unit or blank on.",
        )


def check_number(
    parts: Sequence[Part],
    at: int,
    value: Sequence[Decimal],
    *,
    comma: bool,
    has_unit: bool,
    button: bool,
) -> None:
    """Check that the number at `at` can be read in one way only, and was moved by a squeeze.

    Parameters
    ----------
    parts : sequence of Part
    at : int
        Index of the number.
    value : sequence of Decimal
        Its values, in the unit that the lines show.
    comma : bool
        Whether a comma between digits is a decimal sign.
    has_unit : bool
        Whether the lines bear the unit.
    button : bool
        Whether each line is a peak, sent on a press of a key.

    Raises
    ------
    NotSureError
        If it can be read in two ways.
    NeedMoreError
        If it hardly changed.

    Examples
    --------
    >>> part = Part("N", ("0.00", "1.24"))
    >>> value = [Decimal("0.00"), Decimal("1.24")]
    >>> check_number([part], 0, value, comma=False, has_unit=False, button=False)
    """
    part = parts[at]
    comma = comma and "," in "".join(part.texts)
    style = number_style(part, comma=comma)
    if style.always_minus and len(part.texts) > 1:
        raise NotSureError(
            "a '-' stands before every number, which can be a sign or a dash.",
            todo="Let the head free and pull it slightly, so that the sign changes.",
        )
    if not style.point and not style.exponent and (style.padded or not has_unit):
        raise NotSureError(
            "the numbers have no decimal sign, and where it belongs is not said "
            f"('{part.texts[0].strip()}').",
            todo="Set the gauge to send a decimal point.",
        )
    if not style.point and at + 2 < len(parts):
        # "1,240": with commas read as separators, digits on both sides are no two numbers.
        between, after = parts[at + 1], parts[at + 2]
        if between.texts[0] == "," and after.kind == "N" and not after.texts[0].startswith(" "):
            raise NotSureError("a comma may be a decimal sign or part two numbers.")
    if not style.point and at >= 2:
        between, before = parts[at - 1], parts[at - 2]
        if between.texts[0] == "," and before.kind == "N" and part.texts[0][:1] not in " +-":
            first = values(before, comma=False)
            if before.constant or not only_rises(first):
                raise NotSureError("a comma may be a decimal sign or part two numbers.")
    if comma and style.point and style.decimals == 3 and style.comma_missing:
        raise NotSureError(
            "some numbers have a comma and some have none: it can part thousands.",
            todo="Set the gauge to a decimal point.",
        )
    if comma and style.point and (style.comma_missing or style.decimals is None):
        raise NotSureError("the digits after the comma differ in number: no decimal sign.")
    low, high = min(value), max(value)
    step = Decimal(1).scaleb(min(int(v.as_tuple().exponent) for v in value))
    least = 1 if button else _SQUEEZE_STEPS
    if high - low < least * step:
        raise NeedMoreError(
            f"the value hardly changed ({low} to {high}).",
            todo="Squeeze the head slowly, twice, while it listens.",
        )
