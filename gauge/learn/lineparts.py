"""Lines as a table: the parts that all of them share, one text a line.

All complete lines must share one form: that, and not how printable the bytes look, shows a right
speed from a wrong one. Nothing here knows units or which number is the force.
"""

from __future__ import annotations

import re
from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cached_property
from itertools import pairwise

from gauge.learn.received import NoCommonFormError
from gauge.learn.vocabulary import has_digit, has_status_word

_HEX = frozenset("0123456789ABCDEFabcdef")
_MASK = "\x1a"  # stands for a column of letters in lines of one length
_NUMBER = r" *[+-]? *{digits}(?:[eE][+-]?[0-9]+)?"
_TOKENS = {
    comma: re.compile(
        r"(?P<X>\*[0-9A-Fa-f]{2}(?= *$))"
        f"|(?P<N>{_NUMBER.format(digits=f'(?:{digits})')})"
        r"|(?P<W>[A-Za-z]+)|(?P<S>[+-])|(?P<B> +)|(?P<P>.)",
        re.DOTALL,
    )
    for comma, digits in (
        (False, r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"),
        (True, r"[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+"),
    )
}
_Cut = tuple[tuple[str, ...], tuple[str, ...]]  # kinds of the parts of one line, and their texts


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the lines: its text in each line, pads included.

    Its kind is "N" a number, "W" a word, "S" a lone sign, "B" blanks, "X" two hexadecimal digits
    after an asterisk at the end, "P" another character, "M" a column with letters in some lines.
    """

    kind: str
    texts: tuple[str, ...]

    @property
    def constant(self) -> bool:
        """Whether all lines have the same text here."""
        return len(set(self.texts)) == 1

    @property
    def is_hex(self) -> bool:
        """Whether it holds hexadecimal digits alone."""
        return all(_HEX.issuperset(text) for text in self.texts)

    def is_char(self, chars: str) -> bool:
        """Return whether it is one of these characters, the same in all lines."""
        return self.kind == "P" and self.texts[0] in chars


@dataclass(frozen=True, kw_only=True)
class LineTable:
    """Lines with a number, their parts, and odd lines that have a word in its place.

    `comma` says whether a comma between digits is a decimal sign.
    """

    lines: tuple[str, ...]
    parts: tuple[Part, ...]
    odd: tuple[str, ...]
    comma: bool

    @cached_property
    def numbers(self) -> dict[int, list[Decimal]]:
        """The values of each number, by its place among the parts."""
        comma = "," if self.comma else "."
        return {
            i: [Decimal(text.replace(" ", "").replace(comma, ".")) for text in part.texts]
            for i, part in enumerate(self.parts)
            if part.kind == "N"
        }

    def word_beside(self, at: int, step: int) -> int | None:
        """Return the place of the word after (1) or before (-1) a number.

        Blanks and one of ``:=,;`` may be between.
        """
        i = at + step
        for kind in "BPB":
            if 0 <= i < len(self.parts) and self.parts[i].kind == kind:
                if kind == "P" and not self.parts[i].is_char(":=,;"):
                    return None
                i += step
        return i if 0 <= i < len(self.parts) and self.parts[i].kind == "W" else None

    def without_lines(self, at: int, words: set[str]) -> LineTable:
        """Leave out the lines that have one of these words at a part."""
        keep = [i for i, text in enumerate(self.parts[at].texts) if text.strip() not in words]
        return replace(
            self,
            lines=tuple(self.lines[i] for i in keep),
            parts=tuple(Part(p.kind, tuple(p.texts[i] for i in keep)) for p in self.parts),
        )


def line_table(lines: Sequence[str], *, comma: bool) -> LineTable:
    """Set lines apart that have a word for a number, and cut the others into parts."""
    refusal = NoCommonFormError("no whole line was received")
    # The opening of the port may garble the first lines.
    for skip in range(min(3, len(lines))):
        for is_odd in (lambda line: not has_digit(line), has_status_word):
            kept = [line for line in lines[skip:] if not is_odd(line)]
            odd = tuple(line for line in lines[skip:] if is_odd(line))
            if not kept or len(odd) > 0.3 * (len(lines) - skip):
                continue
            for cut in (_by_tokens, _by_columns):
                try:
                    parts = _align(cut(kept, comma))
                except NoCommonFormError as error:
                    refusal = error
                    continue
                _refuse_two_decimal_signs(parts)
                return LineTable(lines=tuple(kept), parts=parts, odd=odd, comma=comma)
    raise refusal


def _refuse_two_decimal_signs(parts: Sequence[Part]) -> None:
    """Refuse commas as decimal signs where a further number follows without a gap: ``41,02.11``."""
    for one, other in pairwise(parts):
        touch = one.kind == other.kind == "N" and other.texts[0][0] not in " +-"
        if touch and any("," in text for text in one.texts + other.texts):
            raise NoCommonFormError("a number would have two decimal signs")


def _align(cut: list[_Cut]) -> tuple[Part, ...]:
    """Turn lines that were cut alike into parts; neighbouring masked columns become one."""
    if len({kinds for kinds, _ in cut}) > 1:
        raise NoCommonFormError("the lines differ in their parts")
    out: list[Part] = []
    for kind, *texts in zip(cut[0][0], *(texts for _, texts in cut), strict=True):
        part = Part(kind[0], tuple(texts))
        if out and part.kind == out[-1].kind == "M":
            part = Part("M", tuple(map(str.__add__, out.pop().texts, part.texts)))
        out.append(part)
    if not any(part.kind == "N" for part in out):
        raise NoCommonFormError("the lines hold no number")
    return tuple(out)


def _tokens(line: str, comma: bool, masked: Set[int] = frozenset()) -> _Cut:
    """Cut one line into tokens; each masked character is one."""
    shown = line
    if masked:
        shown = "".join(_MASK if i in masked else char for i, char in enumerate(line))
    found = list(_TOKENS[comma].finditer(shown))
    kinds = tuple(
        (m.lastgroup or "") if m["P"] is None else "M" if m[0] == _MASK else "P" + m[0]
        for m in found
    )
    return kinds, tuple(line[m.start() : m.end()] for m in found)


def _by_tokens(lines: Sequence[str], comma: bool) -> list[_Cut]:
    """Cut lines into tokens; a last word that only some have (M in motion) is empty in others."""
    cut = [_tokens(line.rstrip(" "), comma) for line in lines]
    short, *rest = sorted({kinds for kinds, _ in cut}, key=len)
    # Without a blank before it, the word may be a hexadecimal digit.
    if len(rest) == 1 and rest[0] == (*short, "B", "W"):
        return [(rest[0], texts if kinds == rest[0] else (*texts, "", "")) for kinds, texts in cut]
    return cut


def _by_columns(lines: Sequence[str], comma: bool) -> list[_Cut]:
    """Cut by columns, counted from either end: one with letters in some lines is a part."""
    for from_end in (False, True):
        lettered = sorted(_lettered_columns([line[::-1] if from_end else line for line in lines]))
        # Where lines run out of step, letters stand in a column by chance: try with fewer.
        for n in range(len(lettered), 0, -1):
            cut = []
            for line in lines:
                last = len(line) - 1
                masked = {last - i if from_end else i for i in lettered[:n]}
                cut.append(_tokens(line, comma, masked))
            if len({kinds for kinds, _ in cut}) == 1:
                return cut
    raise NoCommonFormError("the lines differ in their parts")


def _lettered_columns(lines: Sequence[str]) -> set[int]:
    """Find columns that hold letters in some lines and something else in others.

    Up to the first where letters stand among digits and are no hexadecimal number: from there on
    the lines run out of step.
    """
    columns = [set(column) for column in zip(*lines, strict=False)]
    for i, column in enumerate(columns):
        letters, digits = any(c.isalpha() for c in column), any(c.isdigit() for c in column)
        if letters and digits and not column <= _HEX:
            columns = columns[:i]
            break
    masked = {i for i, c in enumerate(columns) if len(c) > 1 and any(x.isalpha() for x in c)}
    hexadecimal = [c <= _HEX and any(x.isdigit() for x in c) for c in columns]
    for at in [i for i in sorted(masked) if columns[i] <= _HEX]:
        # Digits beside hexadecimal letters are one number with them, such as a checksum.
        for step in (-1, 1):
            j = at + step
            while 0 <= j < len(columns) and hexadecimal[j]:
                masked.add(j)
                j += step
    return masked
