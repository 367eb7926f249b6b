"""The last seconds of force, as screens draw them."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

from gauge.records import Reading, Status

_BIN_S = 0.05  # s
_BINS = 300  # fifteen seconds


class ForceTrace:
    """The largest reading of each twentieth of a second, of the last 300 of these.

    Examples
    --------
    >>> from gauge.units import Unit
    >>> trace = ForceTrace()
    >>> trace.see(Reading(t / 40, t / 10, f"{t / 10}", Unit.N) for t in range(4))
    >>> [force for _, force in trace.points]
    [0.1, 0.3]
    """

    def __init__(self) -> None:
        self.points: deque[tuple[float, float]] = deque(maxlen=_BINS)  # s and N, oldest first

    def see(self, readings: Iterable[Reading]) -> None:
        """Take readings."""
        for reading in readings:
            t_s, force = reading.t_s, reading.force_newton
            if reading.status not in (Status.OK, Status.OVERLOAD) or math.isnan(force):
                continue
            if not self.points or not 0 <= t_s - self.points[-1][0] < _BIN_S:
                self.points.append((t_s, force))
            elif force > self.points[-1][1]:
                self.points[-1] = self.points[-1][0], force
