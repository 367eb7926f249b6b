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
from gauge.learnfields import (
    FOREIGN_UNITS,
    HELD,
    NO_FORCE,
    beside,
    interleaved,
    is_checksum,
    is_compound,
    is_unit,
    only_rises,
    pulls,
    returns_to_rest,
    roughness,
    same_force,
    values,
)
from gauge.learnpattern import Choice, number_style
from gauge.skeleton import NoSkeletonError, Part, align
from gauge.units import AMBIGUOUS, SPELLINGS, Unit

_SQUEEZE_STEPS = 10  # a squeeze moves the last digit at least so many steps
_OVER = re.compile(
    r"(?<![A-Za-z])(?:[+]?O\.?/?L|OVER ?(?:LOAD|FLOW|RANGE)?|OVR|OVLD|OFL|O|\^{2,}|>{2,})"
    r"(?![A-Za-z])"
)
_UNDER = re.compile(
    r"(?<![A-Za-z])(?:-O\.?L|U\.?/?L|UNDER ?(?:LOAD|FLOW|RANGE)?|UNDR|<{2,})(?![A-Za-z])"
)
_NO_VALUE = re.compile(r"-{3,}|={3,}|\*{3,}|(?<![A-Za-z])(?:E{3,}|ERR(?:OR)?)(?![A-Za-z])")


class NeedMoreError(NotSureError):
    """Nothing speaks against this setting, but more must be heard: more lines, or a squeeze."""


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
    NoSkeletonError, NeedMoreError, NotSureError
        As `gauge.learn.infer`.
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
        refusal = NoSkeletonError("no whole line was heard")
        for skip in range(min(3, len(lines))):
            whole = lines[skip:]
            plain = [one for one in whole if not _wordy(one)]
            odd = [one for one in whole if _wordy(one)]
            digitless = [one for one in whole if not re.search("[0-9]", one)]
            numbered = [one for one in whole if re.search("[0-9]", one)]
            for kept, aside in ((numbered, digitless), (plain, odd)):
                if not kept or len(aside) > 0.3 * len(whole):
                    continue
                for columns in (False, True):
                    texts = kept if columns else [one.rstrip(" ") for one in kept]
                    try:
                        return kept, aside, align(texts, comma=self.comma, columns=columns)
                    except NoSkeletonError as error:
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
        """The choice, or a refusal."""
        at, unit_at = self._value_and_unit()
        part = self.parts[at]
        self._refuse_stuck(at)
        value = values(part, comma=self.comma)
        sign_at = self._sign(at)
        if sign_at is not None:
            signs = self.parts[sign_at].texts
            value = [-v if s == "-" else v for v, s in zip(value, signs, strict=True)]
        self._check_number(at, value)
        if unit_at is None:
            assert self.unit is not None
            units = [self.unit] * len(self.lines)
        else:
            spellings = self.parts[unit_at].texts
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
        over, under = self._words(at, value)
        status_at = next(
            (
                i
                for i, p in enumerate(self.parts)
                if p.kind in "WM" and i != unit_at and not p.constant
                and any(_OVER.fullmatch(t.strip()) or _UNDER.fullmatch(t.strip()) for t in p.texts)
            ),
            None,
        )  # fmt: skip
        if status_at is not None:
            for text in sorted({t.strip() for t in self.parts[status_at].texts}):
                if _OVER.fullmatch(text):
                    over.append(text)
                elif _UNDER.fullmatch(text):
                    under.append(text)
        return Choice(
            parts=tuple(self.parts),
            lines=tuple(self.lines),
            values=tuple(value),
            units=tuple(units),
            value_at=at,
            unit_at=unit_at,
            sign_at=sign_at,
            status_at=status_at,
            unit=None if unit_at is not None else self.unit,
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
            raise NoSkeletonError("the lines hold no number")
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

    def _refuse_stuck(self, at: int) -> None:
        """Digits of a checksum right after the value would be read as more decimals."""
        part = self.parts[at]
        beside_it = self.parts[max(0, at - 1) : at + 2]
        stuck = any(p.kind == "M" and re.search("[0-9]", "".join(p.texts)) for p in beside_it)
        if at == len(self.parts) - 1:
            for n in (1, 2, 3):
                tails = tuple(text[-n:] for text in part.texts)
                stuck = stuck or is_checksum(Part("N", tails), [x.rstrip() for x in self.lines])
        if stuck:
            raise NotSureError(
                f"a checksum follows the number without anything between ('{self.lines[-1]}').",
                todo="Switch the checksum off, or a unit or blank on.",
            )

    def _check_number(self, at: int, value: list[Decimal]) -> None:
        part = self.parts[at]
        comma = self.comma and "," in "".join(part.texts)
        style = number_style(part, comma=comma)
        if style.always_minus and len(part.texts) > 1:
            raise NotSureError(
                "a '-' stands before every number, which can be a sign or a dash.",
                todo="Let the head free and pull it slightly, so that the sign changes.",
            )
        if not style.point and not style.exponent and (style.padded or self._unit_at(at) is None):
            raise NotSureError(
                "the numbers have no decimal sign, and where it belongs is not said "
                f"('{part.texts[0].strip()}').",
                todo="Set the gauge to send a decimal point.",
            )
        if not style.point and at + 2 < len(self.parts):
            # "1,240": with commas read as separators, digits on both sides are no two numbers.
            between, after = self.parts[at + 1], self.parts[at + 2]
            if between.texts[0] == "," and after.kind == "N" and not after.texts[0].startswith(" "):
                raise NotSureError("a comma may be a decimal sign or part two numbers.")
        if not style.point and at >= 2:
            between, before = self.parts[at - 1], self.parts[at - 2]
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
        least = 1 if self.mode == "button" else _SQUEEZE_STEPS
        if high - low < least * step:
            raise NeedMoreError(
                f"the value hardly changed ({low} to {high}).",
                todo="Squeeze the head slowly, twice, while it listens.",
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

    # --- unit, sign, words --------------------------------------------------------------------

    def _unit_at(self, at: int) -> int | None:
        """The part that bears the unit, or None where the user must have said it."""
        parts = self.parts
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
                not letters <= {"N", "G"}
                or (found + 1 < len(parts) and parts[found + 1].kind == "N")
            ):
                raise NotSureError(
                    f"a unit stands on both sides of the number ('{self.lines[0]}').",
                    todo="Set the gauge to send one value with its unit.",
                )
        if found is not None and is_compound(parts, found):
            raise NotSureError(
                f"'{self.lines[0].strip()}' has a unit made of two, which is no force.",
                todo="Set the gauge to send forces.",
            )
        if found is None:
            found = self._far_unit(at)
        if found is None:
            if self.unit is None:
                raise NotSureError(
                    f"the lines do not say their unit ('{self.lines[0].strip()}').",
                    todo="Look at the display and say it, such as --unit N.",
                )
            return None
        said = {SPELLINGS[t] for t in parts[found].texts}
        if self.unit is not None and said != {self.unit}:
            raise NotSureError(
                f"the lines say {', '.join(sorted(parts[found].texts[:1]))} but --unit says "
                f"{self.unit}.",
                todo="Look at the display, and leave --unit out if the line is right.",
            )
        return found

    def _far_unit(self, at: int) -> int | None:
        """A unit elsewhere in the line: believed if it can be nothing else."""
        far = [i for i, p in enumerate(self.parts) if p.kind == "W" and is_unit(p)]
        if not far:
            return None
        words = {t for i in far for t in self.parts[i].texts}
        if len(far) == 1 and not words & {"N", "G"}:
            return far[0]
        if self.unit is not None and {SPELLINGS[t] for t in words} == {self.unit} and len(far) == 1:
            return far[0]
        if self.unit is not None and words <= {"N", "G"}:
            return None  # status letters such as net and gross; the user has said the unit
        raise NotSureError(
            f"'{', '.join(sorted(words))}' stands in the lines, away from the number: it may be "
            "its unit or not.",
            todo="Look at the display and say the unit, such as --unit N.",
        )

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

    def _words(self, at: int, value: list[Decimal]) -> tuple[list[str], list[str]]:
        """Words for overload and underload among the lines without a number."""
        over, under = [], []
        for line in self.odd:
            text = line.strip(" ")
            if _UNDER.search(text):
                under.append(text)
            elif _OVER.search(text):
                over.append(text)
        rest = {o.strip() for o in self.odd} - set(over) - set(under)
        if rest:
            self.notes.append("lines that will be passed over: " + ", ".join(sorted(rest)[:3]))
        return over, under


def _wordy(line: str) -> bool:
    """Whether a line says a word where others have a number."""
    return not re.search("[0-9]", line) or any(
        p.search(line) is not None for p in (_OVER, _UNDER, _NO_VALUE)
    )
