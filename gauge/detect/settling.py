"""Waiting for rest: at the start, and after a gap. When a run of readings is level, it is rest.

A level run near zero (also beside the largest reading so far), or near a rest level known before a
gap, counts after twice `rest_s`. Elsewhere it may as well be a hold or the slow foot of a press, so
it must be level for four times `rest_s`. Nothing is known of presses here, but for the largest
reading that was seen meanwhile.
"""

from __future__ import annotations

import math
from statistics import median

from gauge.detect.levelrun import is_settled

_FEWEST = 8
_LOW = 0.03  # of the largest reading so far: hardly the hold of a press


class Settling:
    """Readings since the start, of the last second.

    Parameters
    ----------
    rest_s : float
        See `gauge.detect.detectorsettings`.
    known_newton : float
        Rest level known before, or 0.

    Attributes
    ----------
    largest_newton : float
        Largest reading so far.

    Examples
    --------
    >>> start = Settling(0.2)
    >>> for i in range(8):
    ...     asks = start.see(i / 10, 0.01 * (i % 2))
    >>> start.rest(0.01)
    [0.0, 0.01, 0.0, 0.01, 0.0, 0.01, 0.0, 0.01]
    """

    def __init__(self, rest_s: float, known_newton: float = 0.0) -> None:
        self._rest_s = rest_s
        self._known_newton = known_newton
        self._readings: list[tuple[float, float]] = []
        self._wait = 0
        self.largest_newton = -math.inf

    def see(self, t_s: float, force_newton: float) -> bool:
        """Take a reading; True when it is worth asking for rest."""
        self.largest_newton = max(self.largest_newton, force_newton)
        self._readings.append((t_s, force_newton))
        self._wait -= 1
        return self._wait <= 0

    def forget(self) -> None:
        """Drop the readings: an overload lies between."""
        self._readings.clear()

    def rest(self, step_newton: float) -> list[float] | None:
        """Return the forces of a run that counts as rest, if there is one."""
        readings = self._readings
        long_s = 4 * self._rest_s
        t_s = readings[-1][0]
        old = sum(t_s - t >= long_s for t, _ in readings)
        del readings[: max(0, min(old - 1, len(readings) - _FEWEST))]
        self._wait = len(readings) // 16
        run = self._last(2 * self._rest_s)
        if run is None or not is_settled(run, step_newton):
            return None
        level = median(run)
        noise = max((sum((v - level) ** 2 for v in run) / len(run)) ** 0.5, 0.5 * step_newton)
        low_newton = max(8 * noise, _LOW * self.largest_newton)
        if level <= low_newton or abs(level - self._known_newton) <= 8 * noise:
            return run
        run = self._last(long_s)
        return run if run is not None and is_settled(run, step_newton) else None

    def _last(self, span_s: float) -> list[float] | None:
        """Forces of the last `span_s` (at least eight readings), once so much has been seen."""
        readings = self._readings
        start_s = readings[-1][0] - span_s + 1e-9
        if len(readings) < _FEWEST or readings[0][0] > start_s:
            return None
        first = sum(t_s <= start_s for t_s, _ in readings) - 1
        return [force for _, force in readings[min(first, len(readings) - _FEWEST) :]]
