"""What screens show of the detector: a snapshot, and the last seconds of force. No detecting."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

_BIN_S = 0.05  # s
_BINS = 300  # fifteen seconds


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorView:
    """Snapshot for screens: forces in newtons, trace as (t_s, force_newton) pairs, oldest first.

    `state` is "settling" (waiting for rest), "rest" or "press".
    """

    state: str
    baseline_newton: float
    noise_newton: float
    current_newton: float
    largest_newton: float
    trace: tuple[tuple[float, float], ...]


class ForceTrace:
    """The largest reading of each twentieth of a second, of the last 300 of these."""

    def __init__(self) -> None:
        self._bins: deque[tuple[float, float]] = deque(maxlen=_BINS)
        self._t_s = -math.inf
        self.current_newton = math.nan  # the last reading

    def see(self, t_s: float, force_newton: float) -> None:
        """Take a reading."""
        self.current_newton = force_newton
        if t_s - self._t_s >= _BIN_S or t_s < self._t_s:
            self._t_s = t_s
            self._bins.append((t_s, force_newton))
        elif force_newton > self._bins[-1][1]:
            self._bins[-1] = self._t_s, force_newton

    @property
    def points(self) -> tuple[tuple[float, float], ...]:
        """Time and force, oldest first."""
        return tuple(self._bins)
