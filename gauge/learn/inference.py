"""Received bytes to a line format, or a refusal that says what is missing: pure inference.

`infer` judges what was received at one setting of the line; sweep goes through the settings. A
format that comes out has read every complete line, and to the number that stands there.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from statistics import median

from gauge.errors import NotSureError
from gauge.learn.choice import Choice, choose
from gauge.learn.lineparts import line_table
from gauge.learn.pattern import build_format
from gauge.learn.received import NeedMoreError, NoCommonFormError, Received, cut_lines, strip_parity
from gauge.learn.vocabulary import has_digit
from gauge.protocol.lineformat import LineFormat
from gauge.protocol.lineparser import LineParser
from gauge.records import Chunk, Reading, Status
from gauge.units import Unit


@dataclass(frozen=True, kw_only=True)
class Learned:
    """A format that reads all that was received, and notes for the user before accepting it.

    The line with the largest force is given as the gauge sent it, with what it is read as.
    """

    fmt: LineFormat
    n_lines: int
    largest_line: str
    largest_shown: str
    largest_unit: Unit
    notes: tuple[str, ...] = ()


def infer(received: Received, *, unit: Unit | None = None) -> Learned:
    """Find the one line format that what was received allows.

    The `unit` on the display, as the user says, is needed where the lines bear none.

    A `NotSureError` says where more than one is possible, and what would decide between them.
    """
    if not received.data:
        raise NeedMoreError("nothing was received.", todo="Check cable and power.")
    lines = cut_lines(received)
    mode = "polled" if received.request else _mode(received, len(lines.texts))
    found: list[tuple[Choice, Learned]] = []
    refused: list[NotSureError] = []
    for comma in (False, True):
        if comma and not any(re.search("[0-9],[0-9]", text) for text in lines.texts):
            continue
        try:
            choice = choose(lines.texts, comma=comma, unit=unit, button=mode == "button")
            fmt = build_format(choice, lines, mode=mode, request=received.request)
            found.append((choice, _checked(fmt, choice)))
        except NotSureError as error:
            refused.append(error)
    if len(found) == 2:
        return _settled(found)
    # A reading of the commas that only lacks more lines can still be the right one.
    missing: list[NotSureError] = [e for e in refused if isinstance(e, NeedMoreError)]
    if found and not missing:
        return found[0][1]
    raise (missing or sorted(refused, key=lambda e: isinstance(e, NoCommonFormError)))[0]


def _settled(found: Sequence[tuple[Choice, Learned]]) -> Learned:
    """Return the right one of two readings of the commas: all the same, or a checksum decides."""
    (choice, first), (other_choice, other) = found
    if choice.values == other_choice.values or choice.has_checksum > other_choice.has_checksum:
        return first
    if other_choice.has_checksum > choice.has_checksum:
        return other
    raise NotSureError(
        "a comma in the lines can be a decimal sign or part two numbers: "
        f"'{first.largest_line}' can be {first.largest_shown} or {other.largest_shown}.",
        todo="Set the gauge to a decimal point, or to send the value alone.",
    )


def _mode(received: Received, n_lines: int) -> str:
    """Distinguish streaming from button by when the lines came."""
    gaps_s = [(b - a) / 1e9 for (a, _), (b, _) in pairwise(received.bursts())]
    if n_lines > 1.5 * (len(gaps_s) + 1) or len(gaps_s) < 2 or median(gaps_s) < 0.4:
        return "streaming"
    regular = max(gaps_s) < 1.6 * min(gaps_s)
    return "streaming" if regular and median(gaps_s) < 1.5 else "button"


def _checked(fmt: LineFormat, choice: Choice) -> Learned:
    """Read every line with the new format and compare with what stands there."""
    parse, start = LineParser(fmt), fmt.start or b""
    lines = choice.table.lines
    largest: tuple[Decimal, str, str, Unit] | None = None
    for line, value, unit in zip(lines, choice.values, choice.units, strict=True):
        read = parse(start + line.encode("latin-1"))
        if read is None or read.unit is not unit:
            raise NotSureError(f"the line '{line}' would not be read as it stands.")
        if read.status is not Status.OK:
            continue
        shown = Decimal(read.shown)
        if shown != value * fmt.compression_sign:
            raise NotSureError(f"the line '{line}' would be read as {read.shown}.")
        if largest is None or shown > largest[0]:
            largest = shown, line, read.shown, unit
    if largest is None:
        raise NeedMoreError("every line says overload.", todo="Free the head and try again.")
    return Learned(
        fmt=fmt,
        n_lines=len(lines),
        largest_line=largest[1],
        largest_shown=largest[2],
        largest_unit=largest[3],
        notes=choice.notes,
    )


# --- cheap looks, by which the sweep chooses where to listen longer -------------------------------


def common_form(received: Received, least: int = 3) -> tuple[str, ...] | None:
    """Return the kinds of the parts that all lines share; None unless there is a number."""
    try:
        texts = cut_lines(received).texts[-200:]
    except NoCommonFormError:
        return None
    texts = texts[2:] if len(texts) >= least + 2 else texts
    if len(texts) < least or sum(map(has_digit, texts)) < 0.7 * len(texts):
        return None
    for comma in (False, True):
        try:
            return tuple(part.kind for part in line_table(texts, comma=comma).parts)
        except NoCommonFormError:
            pass
    # Words such as OL in place of a number: judged in full later.
    return () if len({len(text) for text in texts}) <= 2 else None


def is_one_line(received: Received) -> bool:
    """Return whether a single burst can be a line of text: printable, with a digit, and ended."""
    try:
        text = strip_parity(received.data)[0]
    except NoCommonFormError:
        return False
    body = text.strip(b"\x01\x02\x03\x04\r\n")
    return (
        text[-1:] in (b"\r", b"\n", b"\x03", b"\x04")
        and all(0x20 <= b < 0x7F or b in b"\r\n\t\x02\x03\x04" for b in body)
        and any(0x30 <= b <= 0x39 for b in body)
    )


def has_whole_lines(received: Received) -> bool:
    """Return whether every burst is one whole line with a digit, as a key of a gauge sends it."""
    bursts = received.bursts()
    return bool(bursts) and all(
        is_one_line(replace(received, chunks=(Chunk(t_ns, data),))) for t_ns, data in bursts
    )


def count_presses(readings: Sequence[Reading]) -> int:
    """Count complete rises from near nothing to a fifth of the largest force, and back."""
    forces = [r.force_newton for r in readings if r.status is Status.OK]
    high = max(forces, default=0.0)
    pressed = [f > high / 5 for f in forces if f > high / 5 or f < high / 10]
    return sum(a and not b for a, b in pairwise(pressed)) if high > 0 else 0
