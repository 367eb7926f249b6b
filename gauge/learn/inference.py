"""Bytes heard to a line format, or a refusal that says what is missing: pure inference.

`infer` judges what was heard at one setting of the line; learnsweep goes through the settings. What
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
from gauge.learn.skeleton import (
    Ends,
    NoSkeletonError,
    complete_lines,
    find_ends,
    strip_parity,
)
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.protocol.lineparser import LineParser
from gauge.records import Chunk, Status
from gauge.units import Unit

LINES_LEAST, PRESSES_LEAST = 20, 3
_LINES_MOST = 4000
_IDLE_NS = 30_000_000


@dataclass(frozen=True, kw_only=True)
class Heard:
    r"""What was heard at one setting.

    Attributes
    ----------
    settings : SerialSettings
    chunks : tuple of Chunk
    request : bytes, optional
        What was sent to make the gauge speak.
    silent_first : bool
        Whether the line was idle before the first byte, so that it begins a line.

    Examples
    --------
    >>> said = Chunk(0, b"1.24 N"), Chunk(1_000_000, b"\r\n"), Chunk(500_000_000, b"1.30 N")
    >>> [data for _, data in Heard(settings=SerialSettings(), chunks=said).bursts()]
    [b'1.24 N\r\n', b'1.30 N']
    """

    settings: SerialSettings
    chunks: tuple[Chunk, ...]
    request: bytes | None = None
    silent_first: bool = False

    @property
    def data(self) -> bytes:
        """All bytes."""
        return b"".join(chunk.data for chunk in self.chunks)

    def bursts(self) -> list[tuple[int, bytes]]:
        """When each burst began and its bytes; bursts are parted by an idle line."""
        out: list[tuple[int, bytes]] = []
        last_ns = -_IDLE_NS
        for chunk in self.chunks:
            if chunk.t_ns - last_ns >= _IDLE_NS or not out:
                out.append((chunk.t_ns, chunk.data))
            else:
                out[-1] = (out[-1][0], out[-1][1] + chunk.data)
            last_ns = chunk.t_ns
        return out


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


def infer(heard: Heard, *, unit: Unit | None = None, name: str = "learned") -> Learned:
    r"""Find the one line format that what was heard allows.

    Parameters
    ----------
    heard : Heard
    unit : Unit, optional
        The unit on the display, as the user says; needed where the lines bear none.
    name : str
        Of the format.

    Raises
    ------
    NoSkeletonError
        The lines share no skeleton: wrong line settings, noise, or not a gauge.
    NeedMoreError
        More must be heard: more lines, or a squeeze of the head.
    NotSureError
        More than one format is possible; the message says what would tell them apart.

    Examples
    --------
    >>> course = [0, 0, 0, 2, 40, 90, 124, 80, 12, 0, 0] * 2
    >>> chunks = [Chunk(i * 10**8, b"%5.2f N\r\n" % (x / 100)) for i, x in enumerate(course)]
    >>> infer(Heard(settings=SerialSettings(), chunks=tuple(chunks))).largest_shown
    '1.24'
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
        raise NoSkeletonError("there are bytes between the line ends that are no text")
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
        refused, key=lambda e: (not isinstance(e, NoSkeletonError), isinstance(e, NeedMoreError))
    )


def _mode(heard: Heard, n_lines: int) -> str:
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
