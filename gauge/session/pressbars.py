"""The press under way as a small picture of bars, in block characters or in plain ASCII."""

from __future__ import annotations

import math
from collections.abc import Sequence

_BLOCKS = " ▁▂▃▄▅▆▇█"
_ASCII = " .:#"


def bars(
    trace: Sequence[tuple[float, float]],
    *,
    columns: int,
    rows: int,
    span_s: float = 10.0,
    top_newton: float | None = None,
    ascii_only: bool = False,
) -> list[str]:
    """Draw the last seconds of force, each column the largest force of its slice of time.

    Parameters
    ----------
    trace : sequence of (t_s, force_newton)
        Oldest first.
    columns, rows : int
    span_s : float
        Seconds across.
    top_newton : float, optional
        Force at the upper edge; by default the largest that is shown.
    ascii_only : bool

    Returns
    -------
    list of str
        `rows` lines of `columns` characters, upper edge first.

    Examples
    --------
    >>> for row in bars([(t, t) for t in range(10)], columns=10, rows=2, ascii_only=True):
    ...     print(row)
          .::#
     ..:######
    """
    slots = [-math.inf] * columns
    if trace:
        end_s = trace[-1][0]
        for t_s, force_newton in trace:
            slot = columns - 1 - int((end_s - t_s) / span_s * columns)
            if 0 <= slot < columns:
                slots[slot] = max(slots[slot], force_newton)
    # A slow gauge leaves slices without a reading: the force is what was said last.
    for i in range(1, columns):
        if slots[i] == -math.inf:
            slots[i] = slots[i - 1]
    known = [force for force in slots if force > -math.inf]
    top = top_newton if top_newton is not None else max(known, default=0.0)
    ink = _ASCII if ascii_only else _BLOCKS
    steps = len(ink) - 1
    lines = []
    for row in range(rows - 1, -1, -1):
        line = ""
        for force in slots:
            level = 0 if top <= 0 or force <= 0 else round(force / top * rows * steps)
            line += ink[max(0, min(steps, level - row * steps))]
        lines.append(line)
    return lines
