"""The pace of the readings: how many a second, and which silence is a gap.

Many lines come in bursts, and after a busy moment many readings may come at once: what arrives late
and whole is no gap. Forces are no concern of this file.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import median

from gauge.records import Reading


def _together(batch: Sequence[Reading], at: int) -> int:
    """How many readings from `at` on came at the same time."""
    t_s = batch[at].t_s
    return next((i for i in range(at, len(batch)) if batch[i].t_s != t_s), len(batch)) - at


class Pace:
    """Clock and rate of a stream of readings.

    Parameters
    ----------
    gap_s : float
        The shortest silence that can be a gap.

    Attributes
    ----------
    last_s : float or None
        Time of the reading before.
    count : int
        Readings so far; kept by the caller.

    Examples
    --------
    >>> from gauge.units import Unit
    >>> pace = Pace(0.25)
    >>> said = [Reading(t_s, 0.0, "0", Unit.N) for t_s in (0.0, 0.1, 9.0)]
    >>> for i in range(3):
    ...     print(pace.tick(said, i))
    ...     pace.count += 1
    None
    None
    no readings for 8.90 s
    """

    def __init__(self, gap_s: float) -> None:
        self._least_s = gap_s
        self._gap_s = max(gap_s, 2.0)
        self.last_s: float | None = None
        self.count = 0
        self._marks: deque[tuple[float, int]] = deque(maxlen=12)
        self._silences: deque[float] = deque(maxlen=8)
        self._longest_s = 0.0

    def tick(self, batch: Sequence[Reading], at: int) -> str | None:
        """Move the clock to reading `at`; the reason where a gap lies before it."""
        t_s = batch[at].t_s
        last, rate_hz = self.last_s, self.rate_hz()
        self.last_s = t_s
        if last is None:
            self._marks.append((t_s, self.count + _together(batch, at)))
            return None
        silence_s = t_s - last
        if 0 <= silence_s <= self._gap_s:
            self._longest_s = max(self._longest_s, silence_s)
            return None
        if silence_s < 0:
            return None if silence_s > -1e-9 else "the clock went back"
        if _together(batch, at) >= 0.7 * silence_s * rate_hz:
            return None  # delivered late, not lost
        return f"no readings for {silence_s:.2f} s"

    def restart(self, t_s: float | None) -> None:
        """Forget the rate: a gap lies before the reading at `t_s`."""
        self.last_s = t_s
        self._marks.clear()
        if t_s is not None:
            self._marks.append((t_s, self.count))

    def mark(self, t_s: float) -> None:
        """Note time and count, from which rate and longest ordinary silence follow."""
        self._marks.append((t_s, self.count))
        self._silences.append(self._longest_s)
        self._longest_s = 0.0
        rate_hz = self.rate_hz()
        if rate_hz > 0:
            self._gap_s = max(self._least_s, 6 / rate_hz, 4 * median(self._silences))

    def rate_hz(self) -> float:
        """Readings per second over the last marks (0 while unknown)."""
        if not self._marks or self.last_s is None:
            return 0.0
        t_s, count = self._marks[0]
        return (self.count - count) / (self.last_s - t_s) if self.last_s > t_s else 0.0
