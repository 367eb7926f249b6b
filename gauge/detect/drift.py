"""How fast the rest level drifts, and how far that may be off.

Two things tell it: the slope of the level within one rest, and levels at the beginnings of presses
far apart. The surer one is believed, unless a slope that stands out contradicts it. What a press of
many seconds comes back to is the rest level plus drift, give or take that uncertainty.
"""

from __future__ import annotations

import math
from collections import deque

FALL_S, RISE_S = 0.6, 1.5  # shortest times for a slope; the foot of a ramp only rises
_MOST = 0.01  # of the smallest press: what drifts by more in a second is no drift
_FADES = 1.2  # by which drift is less sure after each press
_HIDDEN = 1.25  # for a slope that does not stand out, of an uncertainty that is itself unsure
_UNKNOWN_N_S = 1e6  # when nothing is known: far above any drift, but a number to reckon with
_KEPT = 8  # levels at beginnings of presses


def difference_error_newton(noise_newton: float, n: int, m: int, rounding_newton: float) -> float:
    """Three standard errors of the difference of two means of n and m readings, and rounding (N).

    Examples
    --------
    >>> round(difference_error_newton(0.01, 2, 2, 0.005), 6)
    0.035
    """
    return 3 * noise_newton * math.sqrt(1 / n + 1 / m) + rounding_newton


class Drift:
    """Slope of the rest level (N/s) as far as it is known.

    Attributes
    ----------
    slope_newton_s : float
        The slope; 0 unless it stands out of its own uncertainty.
    unsure_newton_s : float
        How far it may be off.
    usual_newton : float
        Rise of the smallest press of late (N).

    Examples
    --------
    >>> drift = Drift()
    >>> drift.believe(0.002, 0.0005)  # four times what it may be off
    True
    >>> drift.believe(0.003, 0.002), drift.slope_newton_s  # less sure
    (False, 0.002)
    >>> drift.believe(-0.001, 0.0001), drift.slope_newton_s  # surer
    (True, -0.001)
    """

    def __init__(self) -> None:
        self.usual_newton = math.inf
        self._left: deque[tuple[float, float, int]] = deque(maxlen=_KEPT)
        self.forget()

    @property
    def most_newton_s(self) -> float:
        """The most that can be drift, by the presses of late (N/s)."""
        return _MOST * self.usual_newton

    def forget(self) -> None:
        """Know nothing: the rest level is a new one."""
        self.slope_newton_s, self.unsure_newton_s = 0.0, _UNKNOWN_N_S
        self._left.clear()

    def fade(self) -> None:
        """Be less sure, after a press."""
        self.unsure_newton_s *= _FADES

    def believe(
        self, slope_newton_s: float, unsure_newton_s: float, *, bends: bool = False
    ) -> bool:
        """Take a slope where it is surer than what was known, or contradicts it.

        Parameters
        ----------
        slope_newton_s, unsure_newton_s : float
        bends : bool
            Whether the level bends, or was seen for too short a time, so that the slope is none.

        Returns
        -------
        bool
            Whether the slope stands out of its own uncertainty.
        """
        stands_out = 2 * unsure_newton_s < abs(slope_newton_s) <= self.most_newton_s and not bends
        off = abs(slope_newton_s - self.slope_newton_s) - self.unsure_newton_s
        contrary = off > (2 if stands_out else 1) * unsure_newton_s
        if not stands_out:
            contrary = contrary and self.slope_newton_s == 0
            slope_newton_s, unsure_newton_s = 0.0, _HIDDEN * unsure_newton_s + abs(slope_newton_s)
        if unsure_newton_s < self.unsure_newton_s or contrary:
            self.slope_newton_s, self.unsure_newton_s = slope_newton_s, unsure_newton_s
        return stands_out

    def leave(
        self,
        t_s: float,
        level_newton: float,
        n: int,
        noise_newton: float,
        rounding_newton: float,
        climb_newton_s: float,
    ) -> None:
        """Note the rest level where a press begins, and the slope since earlier such levels.

        Parameters
        ----------
        t_s : float
            When the level was that.
        level_newton : float
        n : int
            Readings that it stands on.
        noise_newton : float
            Noise of one reading.
        rounding_newton : float
            How far rounding may put the difference of two levels off.
        climb_newton_s : float
            How fast it rose at least within this rest; far more than since earlier ones is the foot
            of a ramp and no drift.
        """
        self._left.append((t_s, level_newton, n))
        for before_s, before_newton, before in self._left:
            span_s = t_s - before_s
            if span_s < RISE_S:
                break
            slope_newton_s = (level_newton - before_newton) / span_s
            if climb_newton_s > 2 * max(slope_newton_s, 0.0):
                continue
            unsure_newton = difference_error_newton(noise_newton, n, before, rounding_newton)
            self.believe(slope_newton_s, unsure_newton / span_s)
