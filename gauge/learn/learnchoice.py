"""What of the parts of lines is the value, its unit, its sign and its words: or a refusal.

One `Chooser` takes the lines under one reading of their commas. Every doubt is a `NotSureError`
that says what would settle it; nothing is guessed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise

from gauge.errors import NotSureError
from gauge.learn.learnfields import (
    HELD,
    NO_FORCE,
    beside,
    interleaved,
    is_checksum,
    is_unit,
    only_rises,
    pulls,
    returns_to_rest,
    roughness,
    same_force,
    values,
)
from gauge.learn.learnnumber import NeedMoreError, check_number, refuse_stuck
from gauge.learn.learnpattern import Choice
from gauge.learn.learnunit import unit_at
from gauge.learn.learnwords import OVER, UNDER, is_wordy, limits
from gauge.learn.skeleton import NoCommonFormError, Part, align
from gauge.units import AMBIGUOUS, SPELLINGS, Unit


class Chooser:
    """Chooses parts, value, unit and sign for one reading of the commas.

    Parameters
    ----------
    lines : sequence of str
        Complete lines.
    comma : bool
        Whether a comma between digits is a decimal sign.
    unit : Unit, optional
        As the user says.
    mode : str
    least : int
        So many lines are needed.

    Raises
    ------
    NoCommonFormError, NeedMoreError, NotSureError
        As `gauge.learn.inference.infer`.
    """

    def __init__(
        self, lines: Sequence[str], *, comma: bool, unit: Unit | None, mode: str, least: int
    ) -> None:
        self.comma, self.unit, self.mode = comma, unit, mode
        self.notes: list[str] = []
        self.lines, self.odd, self.parts = self._parts(list(lines))
        self._leave_out_tension()
        self.moving: dict[int, list[Decimal]] = {}
        if len(self.lines) < least:
            raise NeedMoreError(
                f"only {len(self.lines)} whole lines were heard; {least} are needed.",
                todo="Listen longer (--seconds), or press the gauge's key again.",
            )

    def _parts(self, lines: list[str]) -> tuple[list[str], list[str], list[Part]]:
        """Lines, lines without a number, and the parts of the former."""
        # The first lines may be garbled from the opening of the port.
        refusal = NoCommonFormError("no whole line was heard")
        for skip in range(min(3, len(lines))):
            whole = lines[skip:]
            plain = [one for one in whole if not is_wordy(one)]
            odd = [one for one in whole if is_wordy(one)]
            digitless = [one for one in whole if not re.search("[0-9]", one)]
            numbered = [one for one in whole if re.search("[0-9]", one)]
            for kept, aside in ((numbered, digitless), (plain, odd)):
                if not kept or len(aside) > 0.3 * len(whole):
                    continue
                for columns in (False, True):
                    texts = kept if columns else [one.rstrip(" ") for one in kept]
                    try:
                        return kept, aside, align(texts, comma=self.comma, columns=columns)
                    except NoCommonFormError as error:
                        refusal = error
        raise refusal

    def _leave_out_tension(self) -> None:
        """Lines that say tension in a word would read as compression: the format must lack it."""
        for part in self.parts:
            if part.kind in "WM" and (words := pulls(part)):
                push = [i for i, text in enumerate(part.texts) if text.strip() not in words]
                self.lines = [self.lines[i] for i in push]
                self.parts = [Part(p.kind, tuple(p.texts[i] for i in push)) for p in self.parts]
                self.notes.append(f"lines that say {', '.join(sorted(words))} will be passed over")
                return

    def choose(self) -> Choice:
        """The choice, or a refusal.

        Raises
        ------
        NoCommonFormError, NeedMoreError, NotSureError
            As `gauge.learn.inference.infer`.
        """
        at, bearer = self._value_and_unit()
        part = self.parts[at]
        refuse_stuck(self.parts, at, self.lines)
        value = values(part, comma=self.comma)
        sign_at = self._sign(at)
        if sign_at is not None:
            signs = self.parts[sign_at].texts
            value = [-v if s == "-" else v for v, s in zip(value, signs, strict=True)]
        check_number(
            self.parts, at, value, comma=self.comma, has_unit=bearer is not None,
            button=self.mode == "button",
        )  # fmt: skip
        if bearer is None:
            assert self.unit is not None
            units = [self.unit] * len(self.lines)
        else:
            spellings = self.parts[bearer].texts
            units = [SPELLINGS[s] for s in spellings]
            self.notes += [
                f"'{s}' is taken for the force unit {SPELLINGS[s]}"
                for s in sorted(set(spellings) & AMBIGUOUS)
            ]
        for other in self.parts:
            if other.kind in "WM" and not other.constant and (held := set(other.texts) & HELD):
                raise NotSureError(
                    f"only some lines say {', '.join(sorted(held))}: live and held forces in turn.",
                    todo="Set the gauge to send the live force alone, then learn again.",
                )
        over, under, rest = limits(self.odd)
        if rest:
            self.notes.append("lines that will be passed over: " + ", ".join(sorted(rest)[:3]))
        status_at = next(
            (
                i
                for i, p in enumerate(self.parts)
                if p.kind in "WM" and i != bearer and not p.constant
                and any(OVER.fullmatch(t.strip()) or UNDER.fullmatch(t.strip()) for t in p.texts)
            ),
            None,
        )  # fmt: skip
        if status_at is not None:
            for text in sorted({t.strip() for t in self.parts[status_at].texts}):
                if OVER.fullmatch(text):
                    over.append(text)
                elif UNDER.fullmatch(text):
                    under.append(text)
        return Choice(
            parts=tuple(self.parts),
            lines=tuple(self.lines),
            values=tuple(value),
            units=tuple(units),
            value_at=at,
            unit_at=bearer,
            sign_at=sign_at,
            status_at=status_at,
            unit=None if bearer is not None else self.unit,
            comma=self.comma and "," in "".join(part.texts),
            odd=tuple(self.odd),
            overload=tuple(dict.fromkeys(over)),
            underload=tuple(dict.fromkeys(under)),
            compression_sign=self._compression_sign(value),
            notes=tuple(self.notes),
        )

    # --- the value ----------------------------------------------------------------------------

    def _value_and_unit(self) -> tuple[int, int | None]:
        numbers = [i for i, p in enumerate(self.parts) if p.kind == "N"]
        if not numbers:
            raise NoCommonFormError("the lines hold no number")
        self.moving = {
            i: values(self.parts[i], comma=self.comma)
            for i in numbers
            if len(set(self.parts[i].texts)) > 1
        }
        if not self.moving:
            raise NeedMoreError(
                "every line said the same.",
                todo="Squeeze the head slowly, twice, while it listens, so that the value changes.",
            )
        left = [i for i in self.moving if not is_checksum(self.parts[i], self.lines)]
        if self.mode == "button":
            left = [i for i in left if not self._steps_by_one(i)]
        else:
            left = [i for i in left if not only_rises(self.moving[i])]
            left = [i for i in left if not only_rises([-v for v in self.moving[i]])]
            left = [i for i in left if returns_to_rest(self.moving[i])]
            left = self._without_jumps(left)
        left = [i for i in left if not self._is_no_force(i)]
        if not left:
            raise NeedMoreError(
                "no number in the lines rises and falls as a force does.",
                todo="Squeeze the head slowly, twice, and let it go in between; hold nothing (peak "
                "hold off).",
            )
        if len(left) > 1:
            return self._one_of(left)
        (at,) = left
        value = self.moving[at]
        if self.mode != "button" and (roughness(value) > 1.6 or interleaved(value)):
            raise NeedMoreError(
                "the number jumps from line to line.",
                todo="Squeeze more slowly; if there are two channels, switch one off.",
            )
        return at, self._unit_at(at)

    def _without_jumps(self, left: list[int]) -> list[int]:
        """Leave out whole numbers that jump beside one that runs smoothly, such as checksums."""
        rough = {i: roughness(self.moving[i]) for i in left}
        smoothest = min(rough.values(), default=0.0)
        jumpy = [i for i in left if rough[i] > max(0.5, 5 * smoothest)]
        whole = [i for i in jumpy if not re.search("[.,]", "".join(self.parts[i].texts))]
        return [i for i in left if i not in whole or beside(self.parts, i, 1) is not None]

    def _steps_by_one(self, at: int) -> bool:
        steps = {b - a for a, b in pairwise(self.moving[at])}
        return len(steps) == 1 and steps == {Decimal(1)}

    def _is_no_force(self, at: int) -> bool:
        next_texts = "".join(part.texts[0] for part in self.parts[at + 1 : at + 3])
        if next_texts.lstrip().startswith("%"):
            return True
        after = beside(self.parts, at, 1)
        return after is not None and set(self.parts[after].texts) <= NO_FORCE

    def _one_of(self, left: list[int]) -> tuple[int, int | None]:
        """Two numbers move: take one only if both say the same force in their own units."""
        if len(left) == 2:
            a, b = left
            agreed = []
            for step in (1, -1):
                at = [beside(self.parts, i, step) for i in left]
                if at[0] is None or at[1] is None or at[0] == at[1]:
                    continue
                if not (is_unit(self.parts[at[0]]) and is_unit(self.parts[at[1]])):
                    continue
                ua, ub = ([SPELLINGS[t] for t in self.parts[i].texts] for i in (at[0], at[1]))
                if ua != ub and same_force(self.moving[a], ua, self.moving[b], ub):
                    agreed.append((a, at[0]))
            if len(agreed) == 1 and self.unit is None:
                return agreed[0]
        shown = " and ".join(
            f"'{min(self.parts[i].texts, key=len).strip()}' to "
            f"'{self.parts[i].texts[self.moving[i].index(max(self.moving[i]))].strip()}'"
            for i in left
        )
        raise NotSureError(
            f"{len(left)} numbers of each line rise and fall ({shown}): either can be the force.",
            todo="Set the gauge to send the live force alone, then learn again.",
        )

    def _compression_sign(self, value: list[Decimal]) -> int:
        # A free head shows about nothing; an offset leaves the extremes on one side of it.
        rest = Decimal(0) if self.mode == "button" else min(value, key=abs)
        up, down = max(value) - rest, rest - min(value)
        if up >= 4 * down:
            return 1
        if down >= 4 * up:
            self.notes.append("compression is shown as negative; its sign is turned round")
            return -1
        raise NotSureError(
            f"the value went both ways ({min(value)} to {max(value)}): which way is compression?",
            todo="Only press the head, do not pull it, and learn again.",
        )

    # --- unit and sign ------------------------------------------------------------------------

    def _unit_at(self, at: int) -> int | None:
        return unit_at(self.parts, at, self.lines, self.unit)

    def _sign(self, at: int) -> int | None:
        """The part that bears the sign, if it is apart from the digits."""
        lone = [i for i, p in enumerate(self.parts) if p.kind == "S"]
        if not lone:
            return None
        if len(lone) > 1 or re.search("[+-]", "".join(self.parts[at].texts)):
            raise NotSureError("more than one sign stands in each line.")
        if self.parts[lone[0]].constant and self.parts[lone[0]].texts[0] == "-":
            raise NotSureError("a '-' stands in every line, which can be a sign or a dash.")
        return lone[0]
