"""When readings arrive: how many a second, which silence is a gap, how many were lost.

A gauge sends by a schedule, each reading as long after the one before; but many lines come in
bursts, and after a busy moment many readings may come late and at once. So all is one question: for
how long is the stream behind its schedule? For as long as is usual: it is in time. For longer:
readings are missing. They are lost when those that follow come at their pace and do not make up for
it. Forces are no concern of this file.
"""

from __future__ import annotations

import math
from collections import deque

_NOTE_S = 0.25  # s; how often, at most, is noted what the schedule is taken from
_NOTES = 12  # notes that are kept: some seconds of the line
_LATE = 0.7  # usual silences, two readings at most; so late may be any, but not by a reading; tuned
CHUNK_S = 0.1  # s; what arrives within it may be one chunk; after it, no more is on its way; tuned
GAP_SILENCES = 4  # usual silences; a longer silence is a gap


class Arrivals:
    """Clock and schedule of a stream of readings.

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
        self.restart(None)

    def restart(self, t_s: float | None) -> None:
        """Forget the schedule: a gap lies before the reading at this time."""
        self.last_s, self.rate_hz, self.lost = t_s, 0.0, 0
        self._start_s = self._each_s = self._usual_s = 0.0  # a reading comes each so many s after
        self._behind_s, self._even_s, self._in_time = 0.0, 0.0, self.count
        self._gap_s, self._note_s = GAP_SILENCES * self._least_s, -math.inf
        self._longest_s = self._latest_s = 0.0  # silence, time behind the schedule, since a note
        self._silences_s = self._late_s = 0.0  # sum of the one, largest of the other till then
        self._notes: deque[tuple[float, int, float]] = deque(maxlen=_NOTES)

    def tick(self, t_s: float) -> str | None:
        """Move the clock to the time of a reading; the reason where a gap was before it."""
        last_s, self.last_s, self.lost = self.last_s, t_s, 0
        if last_s is None:
            return None
        silence_s, gap_s = t_s - last_s, 0.0
        if silence_s < 0:
            return "the clock went back"
        behind_s = self._behind(last_s, self.count)
        if behind_s > self._usual_s:
            gap_s = self._wait(last_s, behind_s)
        else:
            if self._behind_s > self._latest_s:  # it has caught up
                self._latest_s = self._behind_s
            elif behind_s < 0:
                self._start_s += behind_s
            self._behind_s, self._in_time = behind_s, self.count
        if last_s >= self._note_s:
            if self._in_time == self.count:
                self._note(last_s)
            elif last_s - self._note_s - self._longest_s > self._gap_s:  # ever farther behind
                self._notes = deque([self._notes[-1]], _NOTES)  # the pace is another one
                self._note(last_s)
        if silence_s > self._longest_s:
            self._longest_s = silence_s
            if silence_s > self._gap_s and not self.rate_hz:
                gap_s = silence_s
        return f"no readings for {gap_s:.2f} s" if gap_s else None

    def skip(self, t_s: float, n: int) -> None:
        """Take that `n` lines came which could not be read."""
        self.last_s = t_s
        self.count += n

    @property
    def missing(self) -> int:
        """Readings that seem lost, but may still come."""
        behind_s = self._behind(self.last_s or 0.0, self.coming)
        return math.ceil(behind_s / self._each_s) if behind_s > self._usual_s else 0

    @property
    def since(self) -> int:
        """Readings that came after those that are lost or missing."""
        return self.count - self._in_time

    def _behind(self, t_s: float, count: int) -> float:
        """For how long the stream is behind its schedule when so many readings have come."""
        return t_s - self._start_s - count * self._each_s if self.rate_hz else 0.0

    def _wait(self, t_s: float, behind_s: float) -> float:
        """Wait whether it comes late: what stays missing is lost; how long a gap is (0: none)."""
        past_s, more_s = t_s - self._even_s, behind_s - self._behind_s
        came_s = past_s - more_s
        if self._behind_s <= self._usual_s and more_s < _LATE * self._each_s:  # crept: none is lost
            self._start_s, self._in_time = self._start_s + more_s, self.count
        elif self._behind_s <= self._usual_s or abs(more_s) > max(self._each_s, came_s / 2):
            self._behind_s, self._even_s = behind_s, t_s
        elif past_s >= CHUNK_S and came_s >= 2 * self._each_s:
            self.lost = math.ceil(behind_s / self._each_s)
            self._start_s += behind_s
            self._behind_s = 0.0
            if min(behind_s, self._longest_s) > self._gap_s:
                return behind_s
        return 0.0

    def _note(self, t_s: float) -> None:
        """Note what has come, and take the schedule from the last such notes."""
        behind_s = self._behind(t_s, self.count)
        self._notes.append((t_s, self.count, self._silences_s))
        self._silences_s += min(self._longest_s, self._gap_s)
        self._late_s = max(min(self._latest_s, CHUNK_S), (1 - 1 / _NOTES) * self._late_s)
        if n := len(self._notes) - 1:
            first_s, first, silences_s = self._notes[0]
            span_s, came = t_s - first_s, self.count - first
            silence_s = (self._silences_s - silences_s) / n
            self.rate_hz, self._each_s = came / span_s, (span_s + silence_s) / came
            self._start_s = t_s - behind_s - self.count * self._each_s
            self._usual_s = _LATE * min(silence_s, 2 * self._each_s) + self._late_s
            self._gap_s = max(self._least_s, GAP_SILENCES * silence_s)
        self._longest_s = self._latest_s = 0.0
        self._note_s = t_s + max(_NOTE_S, n * self._each_s)
