"""Bytes heard to a line format, or a refusal that says what is missing: pure inference.

`infer` judges what was heard at one setting of the line; sweep goes through the settings. What
comes out has read every complete line that was heard, and to the number that stands there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from statistics import median

from gauge.errors import NotSureError
from gauge.learn.learnchoice import Chooser
from gauge.learn.learnnumber import NeedMoreError
from gauge.learn.learnpattern import Choice, build
from gauge.learn.received import Received
from gauge.learn.skeleton import (
    Ends,
    NoCommonFormError,
    complete_lines,
    find_ends,
    strip_parity,
)
from gauge.protocol.lineformat import LineFormat
from gauge.protocol.lineparser import LineParser
from gauge.records import Status
from gauge.units import Unit

LINES_LEAST, PRESSES_LEAST = 20, 3
_LINES_MOST = 4000


@dataclass(frozen=True, kw_only=True)
class Learned:
    """A format that reads all that was heard.

    Attributes
    ----------
    fmt : LineFormat
    n_lines : int
    largest_line : str
        The line with the largest force, as the gauge sent it, and what it is read as:
    largest_shown : str
    largest_unit : Unit
    notes : tuple of str
        What the user should know before accepting.
    """

    fmt: LineFormat
    n_lines: int
    largest_line: str
    largest_shown: str
    largest_unit: Unit
    notes: tuple[str, ...] = ()


def infer(heard: Received, *, unit: Unit | None = None, name: str = "learned") -> Learned:
    r"""Find the one line format that what was heard allows.

    Parameters
    ----------
    heard : Received
    unit : Unit, optional
        The unit on the display, as the user says; needed where the lines bear none.
    name : str
        Of the format.

    Raises
    ------
    NoCommonFormError
        The lines share no skeleton: wrong line settings, noise, or not a gauge.
    NeedMoreError
        More must be heard: more lines, or a squeeze of the head.
    NotSureError
        More than one format is possible; the message says what would tell them apart.
    """
    if not heard.data:
        raise NeedMoreError("nothing was heard.", todo="Check cable and power.")
    bare = heard.settings.bytesize == 7 or heard.settings.parity != "N"
    text, bytesize, parity, stopbits = (
        (heard.data, heard.settings.bytesize, heard.settings.parity, heard.settings.stopbits)
        if bare
        else strip_parity(heard.data)
    )
    bursts, at = [], 0
    for _, data in heard.bursts():
        bursts.append(text[at : at + len(data)])
        at += len(data)
    ends = find_ends(text, bursts)
    lines = complete_lines(text, ends, whole_first=heard.silent_first)[-_LINES_MOST:]
    if not all(c.isprintable() or c in "\t\x03\x04" for line in lines[2:] for c in line):
        raise NoCommonFormError("there are bytes between the line ends that are no text")
    mode = "polled" if heard.request else _mode(heard, len(lines))
    least = PRESSES_LEAST if mode == "button" else LINES_LEAST
    found: list[tuple[Choice, Learned]] = []
    refused: list[NotSureError] = []
    for comma in (False, True):
        if comma and not any(re.search(r"[0-9],[0-9]", line) for line in lines):
            continue
        try:
            choice = Chooser(lines, comma=comma, unit=unit, mode=mode, least=least).choose()
            fmt = build(
                choice,
                name=name,
                terminator=ends.terminator,
                start=ends.start,
                baudrate=heard.settings.baudrate,
                bytesize=bytesize,
                parity=parity,
                stopbits=stopbits,
                mode=mode,
                request=heard.request,
            )
            found.append((choice, _checked(fmt, choice, ends)))
        except NotSureError as error:
            refused.append(error)
    if len(found) == 2 and found[0][0].values != found[1][0].values:
        first, second = found[0][1], found[1][1]
        raise NotSureError(
            "a comma in the lines can be a decimal sign or part two numbers: "
            f"'{first.largest_line}' can be {first.largest_shown} or {second.largest_shown}.",
            todo="Set the gauge to a decimal point, or to send the value alone.",
        )
    if found:
        return found[0][1]
    # The refusal that came furthest says most.
    raise max(
        refused, key=lambda e: (not isinstance(e, NoCommonFormError), isinstance(e, NeedMoreError))
    )


def _mode(heard: Received, n_lines: int) -> str:
    """Streaming or button, by when the lines came."""
    times = [t for t, _ in heard.bursts()]
    gaps_s = [(b - a) / 1e9 for a, b in pairwise(times)]
    if n_lines > 1.5 * len(times) or len(gaps_s) < 2 or median(gaps_s) < 0.4:
        return "streaming"
    regular = max(gaps_s) < 1.6 * min(gaps_s)
    return "streaming" if regular and median(gaps_s) < 1.5 else "button"


def _checked(fmt: LineFormat, choice: Choice, ends: Ends) -> Learned:
    """Read every line with the new format and compare with what stands there."""
    parse = LineParser(fmt)
    sign = fmt.compression_sign
    start = ends.start or b""
    best: tuple[Decimal, str, str, Unit] | None = None
    for line, value, unit in zip(choice.lines, choice.values, choice.units, strict=True):
        said = parse(start + line.encode("latin-1"))
        if said is None or said.unit is not unit:
            raise NotSureError(f"the line '{line}' would not be read as it stands.")
        if said.status is not Status.OK:
            continue
        if Decimal(said.shown) != value * sign:
            raise NotSureError(f"the line '{line}' would be read as {said.shown}.")
        if best is None or Decimal(said.shown) > best[0]:
            best = (Decimal(said.shown), line, said.shown, unit)
    if best is None:
        raise NeedMoreError("every line says overload.", todo="Free the head and try again.")
    return Learned(
        fmt=fmt,
        n_lines=len(choice.lines),
        largest_line=best[1],
        largest_shown=best[2],
        largest_unit=best[3],
        notes=choice.notes,
    )
