"""What of the parts of lines is the value, its unit, its sign and its words: or a refusal.

Every doubt is a `NotSureError` that says what would settle it; nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from gauge.errors import NotSureError
from gauge.learn.forcecolumn import COUNT_LEAST, force_column, is_checksum, is_count
from gauge.learn.lineparts import LineTable, line_table
from gauge.learn.received import NeedMoreError
from gauge.learn.vocabulary import DIRECTIONS, HELD, OVER, UNDER
from gauge.units import AMBIGUOUS, SPELLINGS, Unit

LINES_LEAST, PRESSES_LEAST = 20, 3  # lines needed; of a gauge with a key
_SQUEEZE_STEPS = 10  # display steps; a squeeze moves the value by at least so many


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What was chosen of the parts of a table.

    Places count among its parts; `values` and `units` are those of its lines. `overload` and
    `underload` are whole lines or statuses.
    """

    table: LineTable
    at: int
    unit_at: int | None
    sign_at: int | None
    status_at: int | None
    values: tuple[Decimal, ...]
    units: tuple[Unit, ...]
    overload: tuple[str, ...]
    underload: tuple[str, ...]
    compression_sign: int
    notes: tuple[str, ...]

    @property
    def comma(self) -> bool:
        """Whether the value has a comma as its decimal sign."""
        return self.table.comma and "," in "".join(self.table.parts[self.at].texts)

    @property
    def has_checksum(self) -> bool:
        """Whether another number is the checksum of each line: the parts are cut rightly then."""
        table = self.table
        others = (table.parts[i] for i in table.numbers if i != self.at)
        return any(is_checksum(part.texts, table.lines) for part in others)


def choose(lines: Sequence[str], *, comma: bool, unit: Unit | None, button: bool) -> Choice:
    """Choose value, unit, sign and words of complete lines."""
    table, notes = _without_tension(line_table(lines, comma=comma))
    least = PRESSES_LEAST if button else LINES_LEAST
    if len(table.lines) < least:
        raise NeedMoreError(
            f"only {len(table.lines)} whole lines were received; {least} are needed.",
            todo="Listen longer (--seconds), or press the gauge's key again.",
        )
    at, unit_at = force_column(table, unit=unit, button=button)
    _refuse_stuck_checksum(table, at)
    values, sign_at = _signed_values(table, at)
    _refuse_two_readings(table, at, has_unit=unit_at is not None)
    _refuse_unmoved(values, 1 if button else _SQUEEZE_STEPS)
    shown_units = () if unit_at is None else table.parts[unit_at].texts
    notes += [
        f"'{text}' is taken for the force unit {SPELLINGS[text]}"
        for text in sorted(AMBIGUOUS.intersection(shown_units))
    ]
    # The user's unit is that of the lines, where they bear one.
    units = [unit] * len(values) if unit else [SPELLINGS[text] for text in shown_units]
    _refuse_held_in_turn(table)
    status_at, over, under, passed_over = _status_words(table, unit_at)
    if passed_over:
        notes.append("lines that will be passed over: " + ", ".join(passed_over[:3]))
    compression_sign = _compression_sign(values, button=button)
    if compression_sign < 0:
        notes.append("compression is shown as negative; its sign is turned round")
    return Choice(
        table=table,
        at=at,
        unit_at=unit_at,
        sign_at=sign_at,
        status_at=status_at,
        values=tuple(values),
        units=tuple(units),
        overload=over,
        underload=under,
        compression_sign=compression_sign,
        notes=tuple(notes),
    )


# --- words ----------------------------------------------------------------------------------------


def _without_tension(table: LineTable) -> tuple[LineTable, list[str]]:
    """Leave out lines whose word says tension: the format must not match them."""
    for i, part in enumerate(table.parts):
        words = {text.strip() for text in part.texts} if part.kind in "WM" else set()
        if pulls := {pull for push, pull in DIRECTIONS if {push, pull} <= words}:
            note = f"lines that say {', '.join(sorted(pulls))} will be passed over"
            return table.without_lines(i, pulls), [note]
    return table, []


def _refuse_held_in_turn(table: LineTable) -> None:
    """Refuse lines of which only some say that their number is the largest so far."""
    for part in table.parts:
        if part.kind in "WM" and not part.constant and (held := set(part.texts) & HELD):
            raise NotSureError(
                f"only some lines say {', '.join(sorted(held))}: live and held forces in turn.",
                todo="Set the gauge to send the live force alone, then learn again.",
            )


def _status_words(
    table: LineTable, unit_at: int | None
) -> tuple[int | None, tuple[str, ...], tuple[str, ...], list[str]]:
    """Return the place of a status, words for overload and for underload, and lines passed over."""
    texts = [line.strip(" ") for line in table.odd]
    under = dict.fromkeys(filter(UNDER.search, texts))
    over = dict.fromkeys(text for text in texts if OVER.search(text) and text not in under)
    passed_over = sorted({text.strip() for text in texts if text not in over | under})
    for i, part in enumerate(table.parts):
        if part.kind in "WM" and i != unit_at and not part.constant:
            words = sorted({text.strip() for text in part.texts})
            over_here = dict.fromkeys(filter(OVER.fullmatch, words))
            under_here = dict.fromkeys(
                w for w in words if UNDER.fullmatch(w) and w not in over_here
            )
            if over_here or under_here:
                return i, tuple(over | over_here), tuple(under | under_here), passed_over
    return None, tuple(over), tuple(under), passed_over


# --- sign -----------------------------------------------------------------------------------------


def _signed_values(table: LineTable, at: int) -> tuple[list[Decimal], int | None]:
    """Return the values, and the place of the sign if it is apart from the digits."""
    values, texts = table.numbers[at], table.parts[at].texts
    lone = [i for i, part in enumerate(table.parts) if part.kind == "S"]
    if not lone:
        if len(texts) > 1 and all(text.strip().startswith("-") for text in texts):
            raise NotSureError(
                "a '-' stands before every number, which can be a sign or a dash.",
                todo="Let the head free and pull it slightly, so that the sign changes.",
            )
        return values, None
    if len(lone) > 1 or re.search("[+-]", "".join(texts)):
        raise NotSureError("more than one sign stands in each line.")
    signs = table.parts[lone[0]].texts
    if set(signs) == {"-"}:
        raise NotSureError("a '-' stands in every line, which can be a sign or a dash.")
    return [-v if s == "-" else v for v, s in zip(values, signs, strict=True)], lone[0]


def _compression_sign(values: Sequence[Decimal], *, button: bool) -> int:
    """Return which sign compression has: the way in which the value went far."""
    # A free head shows about nothing; an offset leaves the extremes on one side of it.
    rest = Decimal(0) if button else min(values, key=abs)
    up, down = max(values) - rest, rest - min(values)
    if up >= 4 * down:
        return 1
    if down >= 4 * up:
        return -1
    raise NotSureError(
        f"the value went both ways ({min(values)} to {max(values)}): which way is compression?",
        todo="Only press the head, do not pull it, and learn again.",
    )


# --- whether the digits can be read in one way only -----------------------------------------------


def _refuse_stuck_checksum(table: LineTable, at: int) -> None:
    """Refuse digits of a checksum right after the value: they would be read as more decimals."""
    beside = table.parts[max(0, at - 1) : at + 2]
    stuck = any(p.kind == "M" and re.search("[0-9]", "".join(p.texts)) for p in beside)
    if at == len(table.parts) - 1:
        lines = [line.rstrip() for line in table.lines]
        texts = table.parts[at].texts
        stuck = stuck or any(is_checksum([t[-n:] for t in texts], lines) for n in (1, 2, 3))
    if stuck:
        raise NotSureError(
            f"a checksum follows the number without anything between ('{table.lines[-1]}').",
            todo="Switch the checksum off, or a unit or blank on.",
        )


def _refuse_two_readings(table: LineTable, at: int, *, has_unit: bool) -> None:
    """Refuse numbers whose decimal sign is missing, or may be a comma that parts something."""
    texts = [text.strip() for text in table.parts[at].texts]
    mark = "," if table.comma and "," in "".join(texts) else "."
    marked = [mark in text for text in texts]
    if not any(marked):
        padded = any(re.match("[+-]? *0[0-9]", text) for text in texts)
        exponent = any(re.search("[eE]", text) for text in texts)
        if not exponent and (padded or not has_unit):
            raise NotSureError(
                "the numbers have no decimal sign, and where it belongs is not shown "
                f"('{texts[0]}').",
                todo="Set the gauge to send a decimal point.",
            )
        if _is_comma_beside(table, at):
            raise NotSureError("a comma may be a decimal sign or part two numbers.")
    elif mark == ",":
        n_decimals = {len(re.split("[,eE]", text)[1]) for text in texts if mark in text}
        if n_decimals == {3} and not all(marked):
            raise NotSureError(
                "some numbers have a comma and some have none: it can part thousands.",
                todo="Set the gauge to a decimal point.",
            )
        if len(n_decimals) > 1 or not all(marked):
            raise NotSureError("the digits after the comma differ in number: no decimal sign.")


def _is_comma_beside(table: LineTable, at: int) -> bool:
    """Return whether a comma and digits come right after a number, or digits and a comma before."""
    for first in (at, at - 2):
        three = table.parts[max(0, first) : first + 3]
        if [part.kind for part in three] != ["N", "P", "N"] or not three[1].is_char(","):
            continue
        joined = all(text[0] not in " +-" for text in three[2].texts)
        if joined and not _is_settled(table, at - 2 if first < at else at + 2):
            return True
    return False


def _is_settled(table: LineTable, at: int) -> bool:
    """Return whether digits beyond a comma are a number of their own, whatever the comma means."""
    parts = table.parts
    return (
        is_checksum(parts[at].texts, table.lines)
        or (len(table.lines) >= COUNT_LEAST and is_count(table, at))
        or (at >= 2 and parts[at - 1].is_char(":") and parts[at - 2].kind == "N")
    )


def _refuse_unmoved(values: Sequence[Decimal], least_steps: int) -> None:
    """Refuse values that no squeeze has moved."""
    low, high = min(values), max(values)
    step = Decimal(1).scaleb(min(int(v.as_tuple().exponent) for v in values))
    if high - low < least_steps * step:
        raise NeedMoreError(
            f"the value hardly changed ({low} to {high}).",
            todo="Squeeze the head slowly, twice, while it listens.",
        )
