"""The skeleton of lines: what begins and ends them, and the parts that all of them share.

Bytes in, aligned parts out. Which part is the force is decided in learnfields; nothing here knows
units. All complete lines must share one skeleton: that, and not how printable the bytes look, tells
a right speed from a wrong one.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from gauge.errors import NotSureError

_CONTROL_RUN = re.compile(rb"[\x00-\x08\x0a-\x1f\x7f]+")
_STARTS = b"\x01\x02"
_HEX = frozenset("0123456789ABCDEFabcdef")
_MASK = "\x1a"  # stands for a column of letters in lines of one length
_NUMBER = r"(?P<pad> *)(?P<sign>[+-]?)(?P<gap> *)(?P<digits>{digits})(?P<exp>[eE][+-]?[0-9]+)?"
_TOKENS = {
    comma: re.compile(
        f"(?P<N>{_NUMBER.format(digits=digits)})"
        r"|(?P<W>[A-Za-z]+)|(?P<S>[+-])|(?P<B> +)|(?P<P>.)",
        re.DOTALL,
    )
    for comma, digits in (
        (False, r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"),
        (True, r"[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+"),
    )
}


class NoCommonFormError(NotSureError):
    """The lines do not share one skeleton; the message says what breaks it."""


@dataclass(frozen=True, slots=True)
class Ends:
    """What ends a line and, if anything, what begins it."""

    terminator: bytes
    start: bytes | None


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the skeleton.

    Attributes
    ----------
    kind : str
        "N" a number, "W" a word, "S" a lone sign, "B" blanks, "P" another character, "M" a column
        that holds letters in some lines.
    texts : tuple of str
        Its text in each line, pads included.

    Examples
    --------
    >>> Part("W", ("N", "N")).constant
    True
    """

    kind: str
    texts: tuple[str, ...]

    @property
    def constant(self) -> bool:
        """Whether all lines have the same text here."""
        return len(set(self.texts)) == 1


def strip_parity(data: bytes) -> tuple[bytes, int, str, float]:
    r"""Bytes as sent, and data bits, parity and stop bits, of a line that was heard at 8N1.

    Bit 7 is never set: eight data bits. All bytes of even parity: 7E. Of odd parity: 7O. Always
    set: seven bits and two stop bits (or mark parity, which is the same on the wire).

    Raises
    ------
    NoCommonFormError
        If bit 7 follows none of these.

    Examples
    --------
    >>> strip_parity(b"\xb1\xb2.5\x8d\n")
    (b'12.5\r\n', 7, 'E', 1)
    """
    if data.isascii():
        return data, 8, "N", 1
    odd = sum(b.bit_count() & 1 for b in data)
    # The first byte may have been cut when the port opened.
    slack = 1 if len(data) > 20 else 0
    bare = bytes(b & 0x7F for b in data)
    if odd <= slack:
        return bare, 7, "E", 1
    if len(data) - odd <= slack:
        return bare, 7, "O", 1
    if sum(b < 0x80 for b in data) <= slack:
        return bare, 7, "N", 2
    raise NoCommonFormError("bit 7 of the bytes is neither always 0 nor a parity bit")


def find_ends(data: bytes, bursts: Sequence[bytes] = ()) -> Ends:
    r"""Find what ends and begins the lines.

    Parameters
    ----------
    data : bytes
    bursts : sequence of bytes
        The same bytes, cut where the line was idle: they tell a leading LF from a closing one.

    Raises
    ------
    NoCommonFormError
        If no one run of control bytes separates the lines.

    Examples
    --------
    >>> find_ends(b"1.2\x03\x02 1.3\x03\x02 1.4\x03\x02")
    Ends(terminator=b'\x03', start=b'\x02')
    """
    runs = [m[0] for m in _CONTROL_RUN.finditer(data)]
    breaks = [run for run in runs if b"\r" in run or b"\n" in run]
    runs = breaks or [run for run in runs if run.strip(_STARTS)]
    if len(runs) < 2:
        raise NoCommonFormError("too few line ends")
    # The first run may follow bytes that were cut, the last may be unfinished.
    inner = runs[1:-1] or runs
    (common, n), *_ = Counter(inner).most_common(1)
    if n < 0.7 * len(inner):
        raise NoCommonFormError("what ends the lines differs from line to line")
    start_at = next((i for i, byte in enumerate(common) if byte in _STARTS), len(common))
    end, start = common[:start_at], common[start_at:] or None
    if not end:
        raise NoCommonFormError("the lines have a beginning but no end")
    if (
        common == b"\r\n"
        and len(bursts) >= 3
        and all(b.startswith(b"\n") and b.endswith(b"\r") for b in bursts)
    ):
        return Ends(b"\r", b"\n")
    if start is None and len(bursts) >= 3:
        # Replies on their own show a control byte at their head that is not between all lines.
        heads = {m[0] if (m := re.match(rb"[\x01\x02]+", b)) else b"" for b in bursts}
        if len(heads) == 1 and (head := heads.pop()):
            start = head
    return Ends(end, start)


def complete_lines(data: bytes, ends: Ends, *, whole_first: bool) -> list[str]:
    r"""The texts of the complete lines, empty ones left out.

    Parameters
    ----------
    data : bytes
    ends : Ends
    whole_first : bool
        Whether the first byte begins a line: the line was idle before it.

    Raises
    ------
    NoCommonFormError
        If some lines lack the byte that begins the others.

    Examples
    --------
    >>> ends = Ends(terminator=b"\r\n", start=None)
    >>> complete_lines(b"4 N\r\n1.5 N\r\n", ends, whole_first=False)
    ['1.5 N']
    """
    pieces = data.split(ends.terminator)[:-1]
    if not whole_first:
        pieces = pieces[1:]
    start = ends.start or b""
    lines = []
    for piece in pieces:
        if not piece:
            continue
        if not piece.startswith(start):
            raise NoCommonFormError("some lines lack the byte that begins the others")
        lines.append(piece[len(start) :].decode("latin-1"))
    return lines


def align(lines: Sequence[str], *, comma: bool, columns: bool = False) -> list[Part]:
    """Cut lines into the parts that all of them share.

    Parameters
    ----------
    lines : sequence of str
        At least one.
    comma : bool
        Whether a comma between digits is a decimal sign.
    columns : bool
        Whether lines of one length may differ in their parts, column by column.

    Raises
    ------
    NoCommonFormError
        If they do not share one skeleton.

    Examples
    --------
    >>> [(part.kind, part.texts) for part in align(["ST 0.0 N", "US12.1 N"], comma=False)]
    [('W', ('ST', 'US')), ('N', (' 0.0', '12.1')), ('B', (' ', ' ')), ('W', ('N', 'N'))]
    """
    cut = _with_last_word([_tokens(line, comma) for line in lines])
    if len({key for key, _ in cut}) > 1:
        if not columns:
            raise NoCommonFormError("the lines differ in their parts")
        cut = _by_columns(lines, comma)
    key = cut[0][0]
    down = zip(*(texts for _, texts in cut), strict=True)
    parts = [Part(k[0], texts) for k, texts in zip(key, down, strict=True)]
    return _whole_words(parts)


def _with_last_word(
    cut: list[tuple[tuple[str, ...], tuple[str, ...]]],
) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Where some lines end in one word more (such as M in motion), give the others an empty one."""
    keys = sorted({key for key, _ in cut}, key=len)
    if len(keys) != 2 or keys[1][: len(keys[0])] != keys[0]:
        return cut
    if keys[1][len(keys[0]) :] != ("B", "W"):  # without a blank it may be a hexadecimal digit
        return cut
    empty = ("", "")
    return [(keys[1], texts if key == keys[1] else texts + empty) for key, texts in cut]


def _tokens(line: str, comma: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    found = list(_TOKENS[comma].finditer(line))
    kinds = tuple(
        (m.lastgroup or "") if m["P"] is None else "M" if m[0] == _MASK else "P" + m[0]
        for m in found
    )
    return kinds, tuple(m[0] for m in found)


def _by_columns(lines: Sequence[str], comma: bool) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Align by columns, counted from either end: one with letters in some lines is a part."""
    for step in (1, -1):
        turned = [line[::step] for line in lines]
        lettered = sorted(_lettered(turned))
        # Where lines run out of step, letters stand in a column by chance: try with fewer.
        for n in range(len(lettered), 0, -1):
            masked = set(lettered[:n])
            out = [_masked_tokens(line, step, masked, comma) for line in turned]
            if len({key for key, _ in out}) == 1:
                return out
    raise NoCommonFormError("the lines differ in their parts")


def _masked_tokens(
    turned: str, step: int, masked: set[int], comma: bool
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    line = turned[::step]
    shown = "".join(_MASK if i in masked else c for i, c in enumerate(turned))[::step]
    kinds, texts = _tokens(shown, comma)
    true, at = [], 0
    for text in texts:
        true.append(line[at : at + len(text)])
        at += len(text)
    return kinds, tuple(true)


def _lettered(lines: Sequence[str]) -> set[int]:
    """Columns that hold letters in some lines and something else in others.

    Up to the first where letters stand among digits and are no hexadecimal number: from there on
    the lines run out of step.
    """
    columns = [set(c) for c in zip(*lines, strict=False)]
    for i, column in enumerate(columns):
        letters, digits = any(c.isalpha() for c in column), any(c.isdigit() for c in column)
        if letters and digits and not column <= _HEX:
            columns = columns[:i]
            break
    masked = {i for i, c in enumerate(columns) if len(c) > 1 and any(x.isalpha() for x in c)}
    for at in sorted(masked):
        # Hexadecimal digits beside letters are one number, such as a checksum.
        for step in (-1, 1):
            j = at + step
            while (
                columns[at] <= _HEX and 0 <= j < len(columns) and columns[j] <= _HEX
                and any(c.isdigit() for c in columns[j])
            ):  # fmt: skip
                masked.add(j)
                j += step
    return masked


def _whole_words(parts: list[Part]) -> list[Part]:
    """Join neighbouring masked columns to one part."""
    out: list[Part] = []
    for part in parts:
        if out and part.kind == out[-1].kind == "M":
            joined = tuple(a + b for a, b in zip(out[-1].texts, part.texts, strict=True))
            out[-1] = Part("M", joined)
        else:
            out.append(part)
    return out
