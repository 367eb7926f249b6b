"""Whether the machine slept, its clock was set, or this program stood still meanwhile."""

from __future__ import annotations

import time

_STEP_S = 2.0  # s; smaller steps are the clock's own corrections


class ClockWatch:
    """Notices by two clocks that should agree when the machine slept or its clock was set."""

    def __init__(self) -> None:
        self._ticks_s, self._wall_s = time.perf_counter(), time.time()

    def step(self) -> tuple[float, str] | None:
        """Return how far the clocks jumped since the last call and why, if they did."""
        ticks_s, wall_s = time.perf_counter(), time.time()
        ran_s, passed_s = ticks_s - self._ticks_s, wall_s - self._wall_s
        self._ticks_s, self._wall_s = ticks_s, wall_s
        if abs(passed_s - ran_s) > _STEP_S:
            return passed_s - ran_s, "the machine slept or its clock was set"
        # Called ten times a second and more: the program was held up.
        if ran_s > _STEP_S:
            return ran_s, "this program or machine stood still"
        return None
