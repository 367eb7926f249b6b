"""What was heard at a glance: whether it can be lines, one line, or presses.

Cheap looks by which the sweep chooses where to listen longer. Formats are inferred in learn.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from gauge.learn.received import Received
from gauge.learn.skeleton import NoCommonFormError, align, complete_lines, find_ends, strip_parity
from gauge.records import Reading, Status


def fits(heard: Received, least: int = 3) -> bool:
    r"""Whether all complete lines, at least so many, share a skeleton with a number in it.

    Examples
    --------
    >>> from gauge.protocol.lineformat import SerialSettings
    >>> from gauge.records import Chunk
    >>> said = Chunk(0, b"0.00 N\r\n0.12 N\r\n1.24 N\r\n0.30 N\r\n")
    >>> fits(Received(settings=SerialSettings(), chunks=(said,)))
    True
    """
    try:
        text = heard.data if heard.settings.parity != "N" else strip_parity(heard.data)[0]
        ends = find_ends(text)
        lines = complete_lines(text, ends, whole_first=False)[-200:]
    except NoCommonFormError:
        return False
    lines = lines[2:] if len(lines) >= least + 2 else lines
    if len(lines) < least or not all(c.isprintable() or c in "\t\x03\x04" for c in "".join(lines)):
        return False
    numbered = [one for one in lines if any(c.isdigit() for c in one)]
    if len(numbered) < 0.7 * len(lines):
        return False
    for comma in (False, True):
        try:
            parts = align([one.rstrip() for one in numbered], comma=comma)
        except NoCommonFormError:
            try:
                parts = align(numbered, comma=comma, columns=True)
            except NoCommonFormError:
                continue
        return any(part.kind == "N" for part in parts)
    # Words such as OL in place of a number: judged in full later.
    return len({len(one) for one in lines}) <= 2


def one_line_fits(heard: Received) -> bool:
    r"""Whether a single burst can be a line of text: printable, with a digit, and ended.

    Examples
    --------
    >>> from gauge.protocol.lineformat import SerialSettings
    >>> from gauge.records import Chunk
    >>> one_line_fits(Received(settings=SerialSettings(), chunks=(Chunk(0, b"1.24 N\r\n"),)))
    True
    """
    try:
        text = strip_parity(heard.data)[0]
    except NoCommonFormError:
        return False
    body = text.strip(b"\x01\x02\x03\x04\r\n")
    return (
        text[-1:] in (b"\r", b"\n", b"\x03", b"\x04")
        and all(0x20 <= b < 0x7F or b in b"\r\n\t\x02\x03\x04" for b in body)
        and any(0x30 <= b <= 0x39 for b in body)
    )


def presses(readings: Sequence[Reading]) -> int:
    """Complete rises and falls: from near nothing to a fifth of the largest force, and back.

    Examples
    --------
    >>> from gauge.units import Unit
    >>> shown = ("0.00", "1.20", "0.01", "2.00", "0.00")
    >>> presses([Reading(i, float(s), s, Unit.N, Status.OK) for i, s in enumerate(shown)])
    2
    """
    forces = [r.force_newton for r in readings if r.status is Status.OK]
    high = max(forces, default=0.0)
    pressed = [f > high / 5 for f in forces if f > high / 5 or f < high / 10]
    return sum(a and not b for a, b in pairwise(pressed)) if high > 0 else 0
