"""When readings arrive: how many a second, which silence is a gap, how many were lost.

Many lines come in bursts, and after a busy moment many readings may come late and at once. So what
is missing after a silence is lost only when those that follow come at their usual pace and do not
make up for it. Forces are no concern of this file.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median

_MARK_S = 0.25  # s; how often time and count are noted for the rate
_MARKS = 12  # the rate is that of so many marks
_LOST = 1.3  # readings; fewer may be the jitter of the line
_LEAK = 0.02  # share of a shortfall forgotten with each reading; the rate is known to a percent
_PACE, _PACE_S = 2, 0.06  # readings, s; at the usual pace so long, no more is on its way
_GAP, GAP_SILENCES = 6, 4  # readings, usual silences; a longer silence is a gap
_FIRST_GAP_S = 2.0  # s; the same while the rate is unknown
_KEEP = 0.97  # of the usual shortfall is remembered from mark to mark: ten seconds


class Arrivals:
    """Clock and rate of a stream of readings.

    Attributes
    ----------
    last_s : float or None
        Time of the reading before.
    count : int
        Readings and unreadable lines so far; kept by the caller.
    coming : int
        The same when all that has arrived is taken; kept by the caller.
    lost : float
        Readings that were found lost at the last tick (0: none).
    since : int
        Readings that came after those.
    paused : bool
        Whether the silence before the last reading was twice as long as usual.
    """

    def __init__(self, gap_s: float) -> None:
        self._least_s = self._gap_s = gap_s
        self.last_s: float | None = None
        self.count, self.coming, self.since, self.lost, self.rate_hz = 0, 0, 0, 0.0, 0.0
        self._marks: deque[tuple[float, int]] = deque(maxlen=_MARKS)
        self._silences: deque[float] = deque(maxlen=_MARKS)
        self._longest_s = self._before_s = 0.0
        self._usual_s, self.paused = math.inf, False
        self._counted, self._hole, self._paced, self._paced_s = 0, -1, 0, 0.0
        self._short = self._usual_short = self._worst = 0.0

    def tick(self, t_s: float) -> str | None:
        """Move the clock to the time of a reading; the reason where a gap was before it."""
        last = self.last_s
        self.lost = 0.0
        if last is None:
            self.restart(t_s)
            return None
        silence_s = t_s - last
        if silence_s < 0:
            return None if silence_s > -1e-9 else "the clock went back"
        self.last_s, self.paused = t_s, silence_s > _PACE * self._usual_s
        if not self._marks:
            if silence_s > max(self._least_s, _FIRST_GAP_S):
                return _gap(silence_s)
            self._marks.append((last, self.count))
            self._before_s, self._counted = last, self.count
        reason = self._weigh(last) if self.rate_hz else None
        if silence_s <= self._gap_s:
            self._longest_s = max(self._longest_s, silence_s)
        from_s, from_count = self._marks[-1]
        if t_s - from_s >= _MARK_S and self.count - from_count >= 2 and self._hole < 0:
            self._mark(last)
        return reason

    @property
    def missing(self) -> float:
        """Readings that seem lost, but may still come."""
        due = ((self.last_s or 0.0) - self._before_s) * self.rate_hz
        short = self._short + due - (self.coming - self._counted)
        return short if short > self._least() else 0.0

    def _least(self) -> float:
        return _LOST + 2 * self._usual_short

    def restart(self, t_s: float | None) -> None:
        """Forget the rate: a gap lies before the reading at this time."""
        self.last_s, self.rate_hz, self._short, self._hole = t_s, 0.0, 0.0, -1
        self._marks.clear()

    def _weigh(self, last_s: float) -> str | None:
        """Compare what arrived at the last time with what was due then."""
        got = self.count - self._counted
        less = (last_s - self._before_s) * self.rate_hz - got
        self._short = max(self._short + less, 0.0) * max(1 - _LEAK * got, 0.0)
        self._before_s, self._counted = last_s, self.count
        if self._short <= self._least():
            self._worst, self._hole = max(self._worst, self._short), -1
        elif self._hole < 0:
            self._hole, self._paced, self._paced_s = self.count - got, self.count, last_s
        elif abs(less) > max(1, got / 2):  # what was late is coming in, or more is on its way
            self._paced, self._paced_s = self.count, last_s
        elif self.count - self._paced >= _PACE and last_s - self._paced_s >= _PACE_S:
            self.lost, self.since = self._short, self.count - self._hole
            self._short, self._hole = 0.0, -1
            if self.lost > self._gap_s * self.rate_hz:
                return _gap(self.lost / self.rate_hz)
        return None

    def _mark(self, t_s: float) -> None:
        """Note time and count, from which rate, usual shortfall and longest silence follow."""
        self._marks.append((t_s, self.count))
        self._silences.append(self._longest_s)
        self._usual_short = max(self._worst, _KEEP * self._usual_short)
        self._longest_s = self._worst = 0.0
        from_s, from_count = self._marks[0]
        if t_s > from_s:
            self.rate_hz = (self.count - from_count) / (t_s - from_s)
            self._usual_s = median(self._silences)
            self._gap_s = max(self._least_s, _GAP / self.rate_hz, GAP_SILENCES * self._usual_s)


def _gap(silence_s: float) -> str:
    return f"no readings for {silence_s:.2f} s"
