"""When readings arrive: how many a second, which silence is a gap, how many were lost.

Many lines come in bursts, and after a busy moment many readings may come at once: what arrives late
and whole is no loss. Forces are no concern of this file.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import median

from gauge.records import Reading

_MARK_S = 0.25  # s; how often time and count are noted for the rate
_LOST = 1.3  # readings; fewer may be the jitter of the line
_JITTER = 2.0  # times the largest shortfall of late that is not yet a loss
_LEAK = 0.02  # share of a shortfall forgotten with each reading; the rate is known to a percent


class Arrivals:
    """Clock and rate of a stream of readings.

    Attributes
    ----------
    last_s : float or None
        Time of the reading before.
    count : int
        Readings and unreadable lines so far; kept by the caller.
    lost : float
        Readings that were lost before the last time of arrival (0: none).
    got : int
        Readings that came at that time.
    """

    def __init__(self, gap_s: float) -> None:
        self._least_s = gap_s
        self._gap_s = max(gap_s, 2.0)
        self.last_s: float | None = None
        self.count, self.got, self.lost, self.rate_hz = 0, 0, 0.0, 0.0
        self._marks: deque[tuple[float, int]] = deque(maxlen=12)
        self._silences: deque[float] = deque(maxlen=8)
        self._longest_s = 0.0
        self._before_s, self._counted = 0.0, 0
        self._short = self._usual_short = self._worst = 0.0

    def tick(self, batch: Sequence[Reading], at: int) -> str | None:
        """Move the clock to reading `at`; the reason where a gap lies before it."""
        t_s, last = batch[at].t_s, self.last_s
        self.lost = 0.0
        if last is None:
            self.restart(t_s)
            return None
        silence_s = t_s - last
        if silence_s < 0:
            return None if silence_s > -1e-9 else "the clock went back"
        self.last_s = t_s
        if not self._marks and silence_s > 0:
            self._marks.append((last, self.count))
            self._before_s, self._counted = last, self.count
        if silence_s > self._gap_s:
            return None if self._is_late(batch, at, silence_s) else self._gap(silence_s)
        self._longest_s = max(self._longest_s, silence_s)
        if self.rate_hz:
            self._weigh(last)
        if (
            silence_s > 0
            and t_s - self._marks[-1][0] >= _MARK_S
            and self.count - self._marks[-1][1] >= 2
        ):
            self._mark(last)
        return None

    def restart(self, t_s: float | None) -> None:
        """Forget the rate: a gap lies before the reading at this time."""
        self.last_s, self.rate_hz = t_s, 0.0
        self._marks.clear()

    def _gap(self, silence_s: float) -> str:
        return f"no readings for {silence_s:.2f} s"

    def _is_late(self, batch: Sequence[Reading], at: int, silence_s: float) -> bool:
        """Whether about as many readings come at once as were due in the silence."""
        t_s = batch[at].t_s
        end = next((i for i in range(at, len(batch)) if batch[i].t_s != t_s), len(batch))
        return end - at >= 0.7 * silence_s * self.rate_hz

    def _weigh(self, last_s: float) -> None:
        """Compare what arrived at the last time with what was due."""
        got = self.got = self.count - self._counted
        self._short += (last_s - self._before_s) * self.rate_hz - got
        self._short = max(self._short, 0.0) * max(1 - _LEAK * got, 0.0)
        self._before_s, self._counted = last_s, self.count
        self._worst = max(self._worst, self._short)
        if self._short > _LOST + _JITTER * self._usual_short:
            self.lost, self._short, self._worst = self._short, 0.0, self._usual_short

    def _mark(self, t_s: float) -> None:
        """Note time and count, from which rate, usual shortfall and longest silence follow."""
        self._marks.append((t_s, self.count))
        self._silences.append(self._longest_s)
        self._usual_short = max(self._worst, 0.97 * self._usual_short)
        self._longest_s = self._worst = 0.0
        from_s, from_count = self._marks[0]
        if t_s > from_s:
            self.rate_hz = (self.count - from_count) / (t_s - from_s)
            self._gap_s = max(self._least_s, 6 / self.rate_hz, 4 * median(self._silences))
