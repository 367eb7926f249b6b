"""Readings below the rest level: the tail of a release, a pull, or a rest level that was none.

Collected while the gauge is at rest, and judged. What follows from it is the detector's concern.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import median

from gauge.detect.levelrun import is_settled


class Fall:
    """Readings below the rest level since a block of readings at rest began.

    Examples
    --------
    >>> fall = Fall()
    >>> for i in range(12):
    ...     fall.see(i / 10, -0.5, 0)
    >>> fall.tail_newton(-0.6, 3)
    -0.5
    >>> fall.settled(1.1, [], 1.0, 0.3, 0.01)
    [-0.5, -0.5, -0.5, -0.5]
    """

    def __init__(self) -> None:
        self._lows: deque[tuple[float, float]] = deque()
        self._first_s, self._first_at = 0.0, 0
        self._looks = 0  # readings until the next look

    def __bool__(self) -> bool:
        return bool(self._lows)

    def clear(self) -> None:
        """Begin anew."""
        self._lows.clear()

    def see(self, t_s: float, force_newton: float, n_block: int) -> None:
        """Take a reading below the rest level, after `n_block` readings of the block."""
        if not self._lows:
            self._first_s, self._first_at = t_s, n_block
        self._lows.append((t_s, force_newton))

    def tail_newton(self, floor_newton: float, n: int) -> float | None:
        """Level of the last `n` readings, where they are no lower than a tail may fall."""
        if self._lows[-1][1] < floor_newton or len(self._lows) < n:
            return None
        return median(low for _, low in list(self._lows)[-n:])

    def settled(
        self, t_s: float, block: Sequence[float], wait_s: float, rest_s: float, step_newton: float
    ) -> list[float] | None:
        """Readings of a fall that has come to rest on a lower level, once it lasted `wait_s`.

        Parameters
        ----------
        t_s : float
            Now.
        block : sequence of float
            Readings at the rest level (N), of which those since the fall began speak against it.
        wait_s, rest_s : float
            How long it must last, and how much of it is looked at.
        step_newton : float
            Display step.
        """
        lows = self._lows
        if len(lows) < 4 or t_s - self._first_s < wait_s:
            return None
        while len(lows) > 4 and t_s - lows[1][0] >= rest_s:
            lows.popleft()
        self._looks -= 1
        if self._looks > 0:
            return None
        self._looks = len(lows) // 8
        others = list(block[self._first_at :])
        if len(others) > len(lows):
            return None  # noise about the level, not a fall
        values = [low for _, low in lows] + others
        return values if is_settled(values, step_newton) else None
