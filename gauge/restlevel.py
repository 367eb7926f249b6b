"""The gauge at rest: its level, noise, display step and rate, from the readings themselves.

Readings at rest are gathered into blocks of a quarter of a second (at least four readings). Of each
block only the median and a few readings are kept, so memory is constant. No presses here.

Statistics
----------
level : median of the block medians since rest began (of the last twelve seconds), without the
    younger half (at most 3 s), so that the foot of a slow ramp is not taken for rest. A slope
    between blocks (Theil 1950, Sen 1968) that stands out of its own uncertainty carries them
    forward, so that a slow drift is not taken for a press.
drift : that slope, and how far it may be off: three standard errors of a slope through evenly
    spaced readings, noise sqrt(12 / n) / span, and one and a quarter display steps over the span;
    a slope stands out from twice that on. What a press of many seconds comes back to is the rest
    level plus drift, give or take that uncertainty. What a long rest taught outweighs a short rest
    after it.
noise : see `gauge.restnoise`.
step : last digit shown, times the largest of 1, 2, 5, 10, 20 and 50 that all readings are multiples
    of, once two numbers differ. (A still display says nothing of its step.)
"""

from __future__ import annotations

import math
import re
from collections import deque
from statistics import fmean, median

from gauge.restnoise import Spread, noise_of, spread_of
from gauge.units import NEWTON_PER_FLOAT, Unit

_SPREADS = 32  # blocks that the noise stands on
_MULTIPLES = (50, 20, 10, 5, 2, 1)
_FEWEST = 8  # blocks that the level stands on however slow the gauge
_WINDOW_S = 12.0  # how far back the level looks
_CREEP = 0.02  # of the usual rise of a press: more than slow drift in a few seconds
_SLOPE_S = 1.0  # of old blocks that a slope needs
_SURE = 9  # different numbers that are hardly all multiples by chance
_FADES = 1.2  # by which drift is less sure after each press
_JUMP_S = 5.0  # after which a level that jumped is rest all the same
_YOUNG_S = 3.0  # what may already be the foot of a slow ramp
_NUMBER = re.compile(r"\d*[.,]?(\d*)\s*(?:[eE]([+-]?\d+))?$")


_Block = tuple[float, float, int]  # end (s), level (N) and number of readings


def digit_n(shown: str, unit: Unit) -> float:
    """Size in newtons of the last digit of a number as shown.

    Examples
    --------
    >>> digit_n("-1.24", Unit.N), digit_n("1.240E+01", Unit.N), digit_n("12", Unit.N)
    (0.01, 0.01, 1.0)
    """
    found = _NUMBER.search(shown)
    decimals, exponent = found.groups() if found else ("", None)
    return float(f"1e{int(exponent or 0) - len(decimals or '')}") * NEWTON_PER_FLOAT[unit]


def digits(shown: str) -> int:
    """All digits of a number as one whole number (1 for numbers with an exponent).

    Examples
    --------
    >>> digits("-0.35"), digits("1.2E-3")
    (35, 1)
    """
    bare = shown.lstrip("+- ").replace(".", "")
    return int(bare) if bare.isdecimal() else 1


def _rough_noise(values: list[float], step_n: float) -> float:
    """Noise from second differences, never below half a step; few say little by their median."""
    second = [abs(values[i - 1] - 2 * values[i] + values[i + 1]) for i in range(1, len(values) - 1)]
    noise = 1.4826 * median(second)
    if len(second) < 8:
        noise = max(noise, (sum(d * d for d in second) / len(second)) ** 0.5)
    return float(max(noise / 6**0.5, 0.5 * step_n))


def is_level(values: list[float], step_n: float) -> bool:
    """Whether a short run of readings is level within its own noise.

    The halves are compared; the noise comes from second differences, which no slope touches. Two
    medians may differ by one display step where the true level lies between two numbers. Fewer
    than four readings say nothing.

    Examples
    --------
    >>> is_level([0.01, 0.0, 0.01, 0.01, 0.0, 0.0], 0.01)
    True
    >>> is_level([0.0, 0.1, 0.2, 0.3, 0.4, 0.5], 0.01)
    False
    """
    n = len(values)
    if n < 4:
        return False
    half = n // 2
    noise = _rough_noise(values, step_n)
    change = abs(median(values[-half:]) - median(values[:half]))
    # Neighbouring readings may share noise, so many of them count as 200.
    return change <= 10 * noise / math.sqrt(min(n, 200)) + step_n


def is_settled(values: list[float], step_n: float) -> bool:
    """Whether a run is level and no reading stands off: a fall, or the top of a hump, is no rest.

    Examples
    --------
    >>> is_settled([0.01, 0.0, 0.01, 0.0], 0.01), is_settled([1.2, 0.0, 0.01, 0.0], 0.01)
    (True, False)
    """
    if not is_level(values, step_n):
        return False
    half, middle = len(values) // 2, median(values)
    stillest = min(_deviation(values[:half]), _deviation(values[half:]))
    noise = max(min(stillest, _rough_noise(values, step_n)), 0.5 * step_n)
    return max(abs(v - middle) for v in values) <= 8 * (1 + 4 / len(values)) * noise


def _deviation(values: list[float]) -> float:
    """Root mean square deviation from the median."""
    middle = median(values)
    return math.sqrt(sum((v - middle) ** 2 for v in values) / len(values))


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
    level_n, noise_n : float
        Level, and robust standard deviation (never below half a display step), in newtons.
    plain_n : float
        The noise without the allowance for a small sample, never below that of rounding alone,
        step / sqrt 12.
    is_narrow : bool
        Whether only two neighbouring numbers were shown at rest.
    drift_n_s, unsure_n_s : float
        Slope of the rest level (0 unless it stands out), and how far it may be off.
    step_n : float
        Display step in newtons.
    multiple : int
        Of the last digit: what all numbers so far are multiples of; 0 while none differ.
    """

    def __init__(self) -> None:
        self.level_n = 0.0
        self.noise_n = 0.0
        self.plain_n = 0.0
        self.is_narrow = False
        self.drift_n_s = 0.0
        self.unsure_n_s = 0.0
        self.step_n = 0.0
        self.switch_unit()
        self._digit_n = 0.0
        self._blocks: deque[_Block] = deque()
        self._spreads: deque[Spread] = deque(maxlen=_SPREADS)
        self._last: list[float] = []  # readings of the block before
        self._rest = 0  # number of this rest
        self.level_s = 0.0  # when the level was that
        self._held = False  # whether it may be the hold of a press
        self._first_s, self._first_n = 0.0, math.inf  # when this rest began, and its level then
        self._rises: deque[float] = deque(maxlen=9)
        self._usual_n = math.inf  # their median
        self._left: deque[_Block] = deque(maxlen=8)

    def show(self, shown: str, unit: Unit) -> None:
        """Take the size of the last digit from a number as shown."""
        self._digit_n = digit_n(shown, unit)
        self._set_noise()

    def see_digits(self, shown: str) -> bool:
        """Narrow the step that all numbers are multiples of; whether that changed it."""
        number = digits(shown)
        if len(self._numbers) < _SURE:
            self._numbers.add(number)
        if self.multiple == 0 and self._only in (None, number):
            self._only = number
            return False
        shared = math.gcd(self._gcd or self._only or 0, number)
        if shared == self._gcd:
            return False
        self._gcd, before = shared, self.multiple
        self.multiple = next(m for m in _MULTIPLES if shared % m == 0)
        if self.multiple == before:
            return False
        self._set_noise()
        return True

    def switch_unit(self) -> None:
        """Forget the multiple: another unit has another display step."""
        self._gcd, self.multiple = 0, 0
        self._numbers: set[int] = set()
        self._only: int | None = None  # number shown so far

    def start(self, t_s: float, values: list[float]) -> None:
        """Take a first run of level readings for rest."""
        self._blocks.clear()
        self._spreads.clear()
        self._last = []
        self._left.clear()
        self._held = False
        self._first_s, self._first_n = t_s, median(values)
        self.drift_n_s, self.unsure_n_s = 0.0, math.inf
        self.add(t_s, values)

    @property
    def is_step_sure(self) -> bool:
        """Whether enough different numbers were seen to know what they are multiples of."""
        return self.multiple == 1 or len(self._numbers) >= _SURE

    @property
    def count(self) -> int:
        """Readings that the level stands on."""
        return sum(n for _, _, n in self._blocks)

    def is_below(self, values: list[float]) -> bool:
        """Whether a level run far stiller than the noise lies below the level: both were wrong."""
        middle = median(values)
        own = max(_deviation(values), 0.5 * self.step_n)
        off = self.level_n - middle > 8 * own * (1 + 4 / len(values))
        return off and own < 0.5 * self.noise_n and is_settled(values, self.step_n)

    def jumps(self, t_s: float, values: list[float]) -> bool:
        """Whether a block lies well above the one before: the pause of a slow ramp, not rest."""
        middle, before_s, before_n = self._middle(values), self._first_s, self._first_n
        jump_n = max(2.2 * self.plain_n, 0.7 * self.step_n)
        creep_n = max(jump_n, _CREEP * self._usual_n)
        if self._blocks:
            before_s, before_n, _ = self._blocks[-1]
            before_n += self.drift_n_s * (t_s - before_s)
        else:
            jump_n *= 2  # against a level of few readings
        if t_s - before_s > _JUMP_S:
            return False
        return middle - before_n > jump_n or middle - self._first_n > creep_n

    def see_rise(self, rise_n: float) -> None:
        """Note how far a press rose: what creeps up by a share of that is no drift."""
        self._rises.append(rise_n)
        self._usual_n = median(self._rises)

    def leave(self) -> None:
        """Note the level where a press begins; two such levels far apart tell the drift best."""
        if not self._blocks or self._held:
            return
        t_s, n = self.level_s, self.count
        self._left.append((t_s, self.level_n, n))
        for before_s, before_n, before in self._left:
            if t_s - before_s < _SLOPE_S:
                break
            slope = (self.level_n - before_n) / (t_s - before_s)
            unsure = 3 * self.plain_n * (1 / n + 1 / before) ** 0.5 + self._rounding_n()
            unsure /= t_s - before_s
            self._believe(slope, unsure, stands_out=abs(slope) > 2 * unsure)

    def _believe(self, slope: float, unsure: float, *, stands_out: bool) -> None:
        """Take a slope for drift where it is surer than what was known, or contradicts it."""
        contrary = stands_out and abs(slope - self.drift_n_s) > 2 * unsure + self.unsure_n_s
        if not stands_out:
            slope, unsure = 0.0, unsure + abs(slope)
        if unsure < self.unsure_n_s or contrary:
            self.drift_n_s, self.unsure_n_s = slope, unsure

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
        """Take back what was set aside, or only those that stray no further than is usual."""
        most_n = 4 * self.plain_n + 0.5 * self.step_n if usual else math.inf
        for spread in reversed(young):
            middle = median(spread.values)
            if max(abs(v - middle) for v in spread.values) <= most_n:
                self._spreads.append(spread)
        self._set_noise()

    def _young_s(self) -> float:
        """How far back what counts as rest may be the foot of a ramp."""
        return min(_YOUNG_S, 0.5 * (self._blocks[-1][0] - self._blocks[0][0]))

    def resume(self, t_s: float, level_n: float, *, held: bool = False) -> None:
        """Go on at a level known from a few readings after a press, or in the hold of one."""
        self._blocks.clear()
        self._last = []
        self._rest += 1
        self._first_s, self._first_n = t_s, level_n
        self._held = held
        self.level_s = t_s
        self.unsure_n_s *= _FADES
        self.level_n = level_n

    def add(self, t_s: float, values: list[float]) -> None:
        """Take one block of readings at rest (values in newtons), ending at `t_s`."""
        if not self._blocks:
            self._first_n = min(self._middle(values), self._first_n + self.plain_n)
        self._spreads.append(spread_of(values, self._last, self._rest))
        self._last = values[-3:]
        self._blocks.append((t_s, self._middle(values), len(values)))
        self._set_noise()
        self._set_level(t_s)

    def _middle(self, values: list[float]) -> float:
        """Mean of the readings near the median; on a coarse display a median knows whole steps."""
        middle = median(values)
        near_n = max(3 * self.noise_n, 1.5 * self.step_n)
        near = [v for v in values if abs(v - middle) <= near_n]
        return fmean(near) if near else middle

    def _rounding_n(self) -> float:
        """How far rounding may put the difference of two levels off; noise makes it less."""
        return (1.25 if self.plain_n < 0.35 * self.step_n else 0.3) * self.step_n

    def _set_noise(self) -> None:
        self.step_n = max(self.multiple, 1) * self._digit_n
        self.plain_n, self.noise_n, self.is_narrow = noise_of(self._spreads, self.step_n)

    def _is_alike(self, old: list[_Block], young: list[_Block]) -> bool:
        """Whether the younger half of a rest lies at the level of the older: no foot of a ramp."""
        if len(young) < 2:
            return False
        n, m = sum(count for _, _, count in old), sum(count for _, _, count in young)
        off = abs(median(level for _, level, _ in young) - median(level for _, level, _ in old))
        return off <= 2 * self.plain_n * (1 / n + 1 / m) ** 0.5 + 0.1 * self.step_n

    def _set_level(self, t_s: float) -> None:
        blocks = self._blocks
        while len(blocks) > _FEWEST and t_s - blocks[0][0] > _WINDOW_S:
            blocks.popleft()
        young_s = self._young_s()
        old = [block for block in blocks if t_s - block[0] >= young_s]
        if self._is_alike(old, [block for block in blocks if t_s - block[0] < young_s]):
            old = list(blocks)
        span_s = max(old[-1][0] - old[0][0], 0.25)
        slope = _slope(old)
        n = sum(count for _, _, count in old)
        flat_n = median(m for _, m, _ in old)
        off = [m - flat_n - slope * (t - old[len(old) // 2][0]) for t, m, _ in old]
        scatter = (sum(d * d for d in off) / max(len(old) - 2, 1)) ** 0.5
        deviation = max(self.plain_n * (12 / n) ** 0.5, scatter * (12 / len(old)) ** 0.5)
        unsure = (3 * deviation + self._rounding_n()) / span_s
        stands_out = span_s >= _SLOPE_S and abs(slope) > 2 * unsure
        line_n = median(m + slope * (t_s - t) for t, m, _ in old)
        if stands_out:  # but what bends, as the tail of a release does, is no drift
            young = [(t, m) for t, m, _ in blocks if t_s - t < young_s]
            carried_off = abs(median(m - line_n - slope * (t - t_s) for t, m in young))
            stands_out = carried_off <= abs(median(m - flat_n for _, m in young))
        if not self._held:
            self._believe(slope, unsure, stands_out=stands_out)
        level_s = median(t for t, _, _ in old)
        # Drift as known from an earlier rest carries the level forward, too.
        self.level_n = line_n if stands_out else flat_n + self.drift_n_s * (t_s - level_s)
        self.level_s = t_s if stands_out or self.drift_n_s else level_s
