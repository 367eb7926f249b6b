"""When readings arrive: how many a second, which silence is a gap, how many were lost.

Many lines come in bursts, and after a busy moment many readings may come late and at once. So what
is missing after a silence is lost only when those that follow come at their usual pace and do not
make up for it. Forces are no concern of this file.
"""

from __future__ import annotations

import math
from collections import deque

_MARK_S = 0.25  # s; how often time and count are noted for the rate
_MARKS = 12  # notes that rate, usual silence and usual lateness are taken from
_LATE = 0.7  # readings; so many may always be late, by the jitter of the line
CHUNK_S = 0.1  # s; what arrives within it may be one chunk; after it, no more is on its way
GAP_SILENCES = 4  # usual silences; a longer silence is a gap


class Arrivals:
    """Clock and rate of a stream of readings.

    Attributes
    ----------
    last_s : float or None
        Time of the reading before.
    count, coming : int
        Readings and unreadable lines so far, and when all that has arrived is taken; kept by the
        caller.
    lost : int
        Readings that were found lost at the last tick (0: none).
    rate_hz : float
        Readings a second (0: not known yet).
    """

    def __init__(self, gap_s: float) -> None:
        self._least_s, self.count, self.coming = gap_s, 0, 0
        self._marks: deque[tuple[float, int]] = deque(maxlen=_MARKS)
        self.restart(None)

    def restart(self, t_s: float | None) -> None:
        """Forget the rate: a gap lies before the reading at this time."""
        self._sure_hz = 0.0
        self.last_s, self.rate_hz, self.lost = t_s, 0.0, 0
        self._marks.clear()
        self._gap_s, self._brief_s, self._most = GAP_SILENCES * self._least_s, 0.0, _LATE
        self._usual_s = self._longest_s = self._late = self._latest = self._short = 0.0
        self._before_s, self._counted, self._look = 0.0, 0, False
        self._mark_s, self._mark_count = -math.inf, 0

    def tick(self, t_s: float) -> str | None:
        """Move the clock to the time of a reading; the reason where a gap was before it."""
        last, self.last_s, self.lost = self.last_s, t_s, 0
        if last is None:
            return None
        silence_s, reason = t_s - last, None
        if silence_s < 0:
            return "the clock went back"
        if not self._marks and silence_s > self._gap_s:
            return _gap(silence_s)
        long = silence_s > self._brief_s
        marks = t_s >= self._mark_s and self.count >= self._mark_count and self._short <= self._most
        if marks or long or self._look:  # before a long silence, after it, while any is missing
            reason = self._weigh(last)
            self._look = long or self._short > self._most
            if marks and self._short <= self._most:
                self._mark(last)
        if silence_s > self._gap_s:
            self._gone_s = silence_s
        elif silence_s > self._longest_s:
            self._longest_s = silence_s
        return reason

    def skip(self, t_s: float, n: int) -> None:
        """Take that `n` lines came which could not be read."""
        if self.last_s is not None:
            if not self._look:
                self._weigh(self.last_s)
            self.last_s, self._look = t_s, True
        self.count += n

    @property
    def missing(self) -> int:
        """Readings that seem lost, but may still come."""
        short = self._shortfall(self.last_s or 0.0, self.coming)
        return math.ceil(short) if short > self._most else 0

    @property
    def since(self) -> int:
        """Readings that came after those that are lost or missing."""
        return self.count - self._hole

    def _shortfall(self, t_s: float, count: int) -> float:
        """How many readings fewer have come than were due at a time."""
        due = (t_s - self._before_s) * self._sure_hz
        return max(self._short + due - (count - self._counted), 0.0)

    def _weigh(self, t_s: float) -> str | None:
        """Compare what has arrived with what was due; what stays missing is lost."""
        before, got = self._short, self.count - self._counted
        self._short = self._shortfall(t_s, self.count)
        self._before_s, self._counted = t_s, self.count
        if self._short <= self._most:
            self._latest = max(self._latest, self._short)
            self._hole, self._gone_s = self.count, 0.0
        same = abs(self._short - before) <= max(1, got / 2)
        if not same or min(self._short, before) <= self._most:  # or late ones are coming in
            self._paced, self._paced_s = self.count, t_s
        elif self.count - self._paced >= 2 and t_s - self._paced_s >= CHUNK_S:
            self.lost, self._short, self._latest = math.ceil(self._short), 0.0, _LATE  # or late
            if min(self._gone_s, self.lost / self.rate_hz) > self._gap_s:
                return _gap(self.lost / self.rate_hz)
        return None

    def _mark(self, t_s: float) -> None:
        """Note time and count, from which rate, usual silence and usual lateness follow."""
        self._marks.append((t_s, self.count))
        from_s, from_count = self._marks[0]
        if n := len(self._marks) - 1:
            span_s = t_s - from_s
            self.rate_hz = (self.count - from_count) / span_s
            self._brief_s = 2 * _LATE / self.rate_hz
            self._usual_s += (self._longest_s - self._usual_s) / n
            self._sure_hz = self.rate_hz * max(1 - self._usual_s / span_s, 0.0)
            self._gap_s = max(self._least_s, GAP_SILENCES * self._usual_s)
            self._late = max(self._latest, self._late * (1 - 1 / n))
            self._most = _LATE + 2 * self._late
        self._longest_s = self._latest = 0.0
        self._mark_s, self._mark_count = t_s + _MARK_S, self.count + 2 + n // 2


def _gap(silence_s: float) -> str:
    return f"no readings for {silence_s:.2f} s"
