"""The gauge at rest: its level, noise, drift and display step, from the readings themselves.

Readings at rest are gathered into blocks of a quarter of a second (at least four readings). Of each
block only its level and a few readings are kept, so memory is constant. No presses here.

Statistics
----------
level : median of the block levels of some three seconds since rest began, without the younger half
    (at most 3 s) where that lies higher: it may be the foot of a slow ramp. A block clearly above
    the one before is not taken for rest at all. A slope between blocks (Theil 1950, Sen 1968), or
    drift as known from before, carries the level forward.
slope : its uncertainty is three standard errors of a slope through evenly spaced readings,
    noise sqrt(12 / n) / span, and what rounding may do over the span. See `gauge.detect.drift`.
noise : see `gauge.detect.restnoise`.
step : see `gauge.detect.displaystep`.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from statistics import fmean, median

from gauge.detect.displaystep import DisplayStep
from gauge.detect.drift import FALL_S, RISE_S, Drift, difference_error_newton
from gauge.detect.levelrun import deviation, is_settled
from gauge.detect.restnoise import KEPT, Spread, noise_of, spread_of
from gauge.units import Unit

_SPREADS = 32  # blocks that the noise stands on
_PARTS = 8  # that a first rest is taken in
_FEWEST = 8  # blocks that the level stands on however slow the gauge
_WINDOW_S = 12.0  # how far back the level looks
_CREEP = 0.02  # of the usual rise of a press: more than slow drift in a few seconds
_JUMP_S = 5.0  # after which a level that jumped is rest all the same,
_STILL_S = 3.0  # if it stayed so long
_YOUNG_S = 3.0  # what may already be the foot of a slow ramp

_Block = tuple[float, float, int]  # end (s), level (N) and number of readings


def _slope(blocks: list[_Block]) -> float:
    """Median slope between the older and the younger half of blocks."""
    half = len(blocks) // 2
    pairs = zip(blocks[: len(blocks) - half], blocks[half:], strict=False)
    slopes = [(m1 - m0) / (t1 - t0) for (t0, m0, _), (t1, m1, _) in pairs if t1 > t0]
    return median(slopes) if slopes else 0.0


class RestLevel:
    """Running level and noise of a gauge at rest.

    Attributes
    ----------
    level_newton, level_s : float
        Level (N), and when it was that (s).
    noise_newton : float
        Robust standard deviation, never below half a display step (N).
    plain_newton : float
        The noise without the allowance for a small sample, never below that of rounding alone,
        step / sqrt 12.
    is_narrow : bool
        Whether only two neighbouring numbers were shown at rest.
    drift : Drift
        Slope of the level.
    step : DisplayStep
        Display step.

    Examples
    --------
    >>> rest = RestLevel()
    >>> rest.show("0.01", Unit.N)
    >>> rest.start(0.5, [0.0, 0.01, 0.0, 0.01, 0.0, 0.0, 0.01, 0.0])
    >>> round(rest.level_newton, 5), rest.noise_newton
    (0.00375, 0.007)
    """

    def __init__(self) -> None:
        self.level_newton = 0.0
        self.level_s = 0.0
        self.noise_newton = 0.0
        self.plain_newton = 0.0
        self.is_narrow = False
        self._quick_newton = 0.0  # noise of neighbouring readings, which no foot of a ramp adds to
        self.drift = Drift()
        self.step = DisplayStep()
        self._blocks: deque[_Block] = deque()
        self._spreads: deque[Spread] = deque(maxlen=_SPREADS)
        self._noise_step_newton = 0.0  # display step that the noise was found with
        self._last: list[float] = []  # readings of the block before
        self._rest = 0  # number of this rest
        self._held = False  # whether it may be the hold of a press
        self._first_s, self._first_newton = (
            0.0,
            math.inf,
        )  # when this rest began, and its level then
        self._off: deque[tuple[float, float]] = deque(maxlen=16)  # blocks that jumped
        self._rises: deque[float] = deque(maxlen=9)

    # --- display ------------------------------------------------------------------------------

    @property
    def step_newton(self) -> float:
        """Display step (N)."""
        return self.step.step_newton

    def show(self, shown: str, unit: Unit) -> None:
        """Take the size of the last digit from a number as shown."""
        self.step.show(shown, unit)
        if self.step_newton != self._noise_step_newton:
            self._set_noise()

    def see_digits(self, shown: str) -> bool:
        """Narrow the display step by a number as shown; whether that changed it."""
        changed = self.step.see(shown)
        if changed:
            self._set_noise()
        return changed

    # --- a rest -------------------------------------------------------------------------------

    def start(self, t_s: float, values: list[float]) -> None:
        """Take a first run of level readings (N) for rest."""
        self.resume(t_s, median(values))
        self._spreads.clear()
        self.drift.forget()
        self.add(t_s, values, parts=max(1, min(_PARTS, len(values) // KEPT)))

    def resume(self, t_s: float, level_newton: float, *, held: bool = False) -> None:
        """Go on at a level known from a few readings after a press, or in the hold of one."""
        self._blocks.clear()
        self._last = []
        self._rest += 1
        self._first_s, self._first_newton = t_s, level_newton
        self._off.clear()
        self._held = held
        self.drift.fade()
        self.level_newton, self.level_s = level_newton, t_s

    def add(self, t_s: float, values: list[float], parts: int = 1) -> None:
        """Take one block of readings at rest (N), ending at `t_s`; the noise in so many parts."""
        middle = self._middle(values)
        if not self._blocks:
            self._first_newton = min(middle, self._first_newton + self.plain_newton)
        for i, j in pairwise(len(values) * part // parts for part in range(parts + 1)):
            self._spreads.append(spread_of(values[i:j], self._last, self._rest))
            self._last = values[i:j][-3:]
        self._blocks.append((t_s, middle, len(values)))
        self._set_noise()
        self._set_level(t_s)

    def follow(
        self, t_s: float, level_newton: float, slope_newton_s: float, unsure_newton_s: float
    ) -> None:
        """Go on at a level that has drifted away from the rest level (N, N/s)."""
        self.resume(t_s, level_newton)
        self.drift.believe(slope_newton_s, unsure_newton_s)

    def leave(self) -> None:
        """Note that a press begins: two levels at such times tell the drift best."""
        if not self._blocks or self._held:
            return
        (first_s, first_newton, n), (last_s, last_newton, m) = self._blocks[0], self._blocks[-1]
        rounding_newton = self._rounding_newton()
        unsure_newton = difference_error_newton(self.plain_newton, n, m, rounding_newton)
        climb_newton_s = (last_newton - first_newton - unsure_newton) / max(last_s - first_s, 0.25)
        self.drift.leave(
            self.level_s,
            self.level_newton,
            self.count,
            self.plain_newton,
            rounding_newton,
            climb_newton_s,
        )

    @property
    def count(self) -> int:
        """Readings that the level stands on."""
        return sum(n for _, _, n in self._blocks)

    def is_below(self, values: list[float]) -> bool:
        """Whether a level run far stiller than the noise lies below the level: both were wrong."""
        middle = median(values)
        own = max(deviation(values), 0.5 * self.step_newton)
        off = self.level_newton - middle > 8 * own * (1 + 4 / len(values))
        return off and own < 0.5 * self.noise_newton and is_settled(values, self.step_newton)

    def jumps(self, t_s: float, values: list[float]) -> bool:
        """Whether a block lies well above the one before: the pause of a slow ramp, not rest."""
        middle, before_s, before_newton = self._middle(values), self._first_s, self._first_newton
        jump_newton = max(2.2 * self.plain_newton, 0.7 * self.step_newton)
        creep_newton = max(jump_newton, _CREEP * self.drift.usual_newton)
        if self._blocks:
            before_s, before_newton, _ = self._blocks[-1]
            before_newton += self.drift.slope_newton_s * (t_s - before_s)
        else:
            jump_newton *= 2  # against a level of few readings
        if middle - before_newton <= jump_newton and middle - self._first_newton <= creep_newton:
            self._off.clear()
            return False
        self._off.append((t_s, middle))
        young = [level for at_s, level in self._off if t_s - at_s < _STILL_S]
        return t_s - before_s <= _JUMP_S or max(young) - min(young) > jump_newton

    # --- what a press tells of the rest before it -----------------------------------------------

    def see_rise(self, rise_newton: float) -> None:
        """Note how far a press rose: what creeps up by a share of that is no drift."""
        self._rises.append(rise_newton)
        self.drift.usual_newton = min(self._rises)

    def set_aside(self) -> list[Spread]:
        """Forget the spread of the younger half of this rest: it may be the foot of a ramp."""
        n = 0
        if self._blocks:
            young_s, end_s = self._young_s(), self._blocks[-1][0]
            n = max(1, sum(end_s - t_s < young_s for t_s, _, _ in self._blocks))
        young = [self._spreads.pop() for _ in range(min(n, len(self._spreads) - 1))]
        self._set_noise()
        return young

    def put_back(self, young: list[Spread], *, usual: bool = False) -> None:
        """Take back what was set aside, or only what strays no further than is usual."""
        most_newton = 4 * self.plain_newton + 0.5 * self.step_newton if usual else math.inf
        for spread in reversed(young):
            middle = median(spread.values)
            if max(abs(v - middle) for v in spread.values) <= most_newton:
                self._spreads.append(spread)
        self._set_noise()

    # --- statistics -----------------------------------------------------------------------------

    def _young_s(self) -> float:
        """How far back what counts as rest may be the foot of a ramp."""
        return min(_YOUNG_S, 0.5 * (self._blocks[-1][0] - self._blocks[0][0]))

    def _middle(self, values: list[float]) -> float:
        """Mean of the readings near the median; on a coarse display a median knows whole steps."""
        middle = median(values)
        near_newton = max(3 * self.noise_newton, 1.5 * self.step_newton)
        near = [v for v in values if abs(v - middle) <= near_newton]
        return fmean(near) if near else middle

    def _rounding_newton(self) -> float:
        """How far rounding may put the difference of two levels off; noise makes it less."""
        if self.step.multiple == 0:  # a still display may count in fives
            return 1.25 * 5 * self.step_newton
        return (1.25 if self._quick_newton < 0.3 * self.step_newton else 0.3) * self.step_newton

    def _set_noise(self) -> None:
        self._noise_step_newton = self.step_newton
        found = noise_of(self._spreads, self.step_newton)
        self.plain_newton, self.noise_newton, self.is_narrow, self._quick_newton = found

    def _is_alike(self, old: list[_Block], young: list[_Block]) -> bool:
        """Whether the younger half of a rest lies no higher than the older: no foot of a ramp."""
        if len(young) < 2:
            return False
        n, m = sum(count for _, _, count in old), sum(count for _, _, count in young)
        off = median(level for _, level, _ in young) - median(level for _, level, _ in old)
        return off <= 2 * self.plain_newton * math.sqrt(1 / n + 1 / m) + 0.1 * self.step_newton

    def _set_level(self, t_s: float) -> None:
        blocks = self._blocks
        while len(blocks) > _FEWEST and t_s - blocks[0][0] > _WINDOW_S:
            blocks.popleft()
        young_s = self._young_s()
        old = [block for block in blocks if t_s - block[0] >= young_s]
        young = [block for block in blocks if t_s - block[0] < young_s]
        if self._is_alike(old, young):
            old = list(blocks)
        span_s, slope = max(old[-1][0] - old[0][0], 0.25), _slope(old)
        late = [block for block in old if old[-1][0] - block[0] < _YOUNG_S]
        late = late if len(late) >= 4 else old[-4:]
        flat_newton, flat_s = median(m for _, m, _ in late), median(t for t, _, _ in late)
        line_newton = median(m + slope * (t_s - t) for t, m, _ in old)
        unsure_newton_s = self._slope_error_newton_s(old, span_s, slope, flat_newton)
        bends = span_s < (RISE_S if slope > 0 else FALL_S)
        if young and not bends:  # what bends, as the tail of a release does, is no drift
            carried_off = abs(median(m - line_newton - slope * (t - t_s) for t, m, _ in young))
            bends = carried_off > abs(median(m - flat_newton for _, m, _ in young))
        stands_out = False
        if not self._held:
            stands_out = self.drift.believe(slope, unsure_newton_s, bends=bends)
        # Drift as known from an earlier rest carries the level forward, too.
        known = self.drift.slope_newton_s
        self.level_newton = line_newton if stands_out else flat_newton + known * (t_s - flat_s)
        self.level_s = t_s if stands_out or known else flat_s

    def _slope_error_newton_s(
        self, old: list[_Block], span_s: float, slope: float, flat_newton: float
    ) -> float:
        """Three standard errors of the slope through blocks, and what rounding may add."""
        middle_s = old[len(old) // 2][0]
        off = [m - flat_newton - slope * (t - middle_s) for t, m, _ in old]
        scatter = math.sqrt(sum(d * d for d in off) / max(len(old) - 2, 1))
        n = sum(count for _, _, count in old)
        standard = max(self.plain_newton * math.sqrt(12 / n), scatter * math.sqrt(12 / len(old)))
        return (3 * standard + self._rounding_newton()) / span_s
