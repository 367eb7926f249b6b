"""The gauge at rest: its level, noise, display step and rate, from the readings themselves.

Readings at rest are gathered into blocks of a quarter of a second (at least four readings). Of each
block only the median and a few differences and deviations are kept, so memory is constant. No
presses here.

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
noise : the larger of 1.4826 median|difference| / sqrt 2 and 1.4826 median|deviation from the block
    median|; 1.4826 makes the median absolute
    deviation consistent for the normal law (Rousseeuw and Croux 1993, from memory). The first is
    blind to drift, the second sees hum that neighbouring readings share. Never below half a
    display step: a still display only says that the noise is smaller than that. On a coarse
    display 1.2533 times the mean deviation (the same for the normal law), where less. From fewer
    than 40 readings it is not below the root mean square of the youngest 20, and taken larger, as
    a small sample can understate it.
step : last digit shown, times the largest of 1, 2, 5, 10, 20 and 50 that all readings are multiples
    of; while all readings are zero, 5.
"""

from __future__ import annotations

import math
import re
from collections import deque
from statistics import median

from gauge.units import NEWTON_PER_FLOAT, Unit

_SPREADS = 32  # blocks that the noise stands on
_MANY = 40
_MULTIPLES = (50, 20, 10, 5, 2, 1)
_UNKNOWN = 5  # multiple of the last digit that is assumed while all readings are zero
_FEWEST = 8  # blocks that the level stands on however slow the gauge
_WINDOW_S = 12.0  # how far back the level looks
_SLOPE_S = 1.0  # of old blocks that a slope needs
_YOUNG_S = 3.0  # what may already be the foot of a slow ramp
_KEPT = 12  # differences and deviations kept of each block
_NUMBER = re.compile(r"\d*[.,]?(\d*)\s*(?:[eE]([+-]?\d+))?$")


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


def _spread(deviations: list[float]) -> float:
    """Standard deviation from absolute deviations: by their median, or mean where that is less.

    On a coarse display the median jumps by whole steps; the mean does not.
    """
    return min(1.4826 * median(deviations), 1.2533 * sum(deviations) / len(deviations))


class RestLevel:
    """Running level and noise of a gauge at rest.

    Attributes
    ----------
    level_n, noise_n : float
        Level, and robust standard deviation (never below half a display step), in newtons.
    plain_n : float
        The noise without the allowance for a small sample, never below that of rounding alone,
        step / sqrt 12.
    drift_n_s, unsure_n_s : float
        Slope of the rest level (0 unless it stands out), and how far it may be off.
    step_n : float
        Display step in newtons.
    multiple : int
        Of the last digit: what all numbers so far are multiples of.
    """

    def __init__(self) -> None:
        self.level_n = 0.0
        self.noise_n = 0.0
        self.plain_n = 0.0
        self.drift_n_s = 0.0
        self.unsure_n_s = 0.0
        self._span_s = 0.0  # of the rest that the drift stands on
        self.step_n = 0.0
        self.multiple = _UNKNOWN
        self._gcd = 0
        self._digit_n = 0.0
        self._blocks: deque[tuple[float, float, int]] = deque()
        self._spreads: deque[tuple[list[float], list[float]]] = deque(maxlen=_SPREADS)

    def show(self, shown: str, unit: Unit) -> None:
        """Take the display step from a number as shown."""
        self.see_digits(shown)
        self._digit_n = digit_n(shown, unit)
        self._set_noise()

    def see_digits(self, shown: str) -> None:
        """Narrow the step that all numbers are multiples of."""
        shared = math.gcd(self._gcd, digits(shown))
        if shared != self._gcd:
            self._gcd = shared
            self.multiple = next(m for m in _MULTIPLES if shared % m == 0)
            self._set_noise()

    def switch_unit(self) -> None:
        """Forget the multiple: another unit has another display step."""
        self._gcd, self.multiple = 0, _UNKNOWN

    def start(self, t_s: float, values: list[float]) -> None:
        """Take a first run of level readings for rest."""
        self._blocks.clear()
        self._spreads.clear()
        self._span_s = 0.0
        self.add(t_s, values)

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

    def resume(self, level_n: float) -> None:
        """Go on at a level known from a few readings after a press."""
        self._blocks.clear()
        self._span_s *= 0.5
        self.level_n = level_n

    def add(self, t_s: float, values: list[float]) -> None:
        """Take one block of readings at rest (values in newtons), ending at `t_s`."""
        middle = median(values)
        stride = max(1, len(values) // _KEPT)
        steps = [abs(values[i] - values[i - 1]) for i in range(1, len(values), stride)]
        self._spreads.append((steps, [abs(v - middle) for v in values[::stride]]))
        self._blocks.append((t_s, middle, len(values)))
        self._set_noise()
        self._set_level(t_s)

    def _set_noise(self) -> None:
        steps = [s for block, _ in self._spreads for s in block]
        deviations = [d for _, block in self._spreads for d in block]
        self.step_n = self.multiple * self._digit_n
        found = 0.0
        if steps:
            found = max(_spread(steps) / 2**0.5, _spread(deviations))
        if 0 < len(deviations) < _MANY:
            young = deviations[-_MANY // 2 :]
            plain = (sum(d * d for d in young) / len(young)) ** 0.5
            found = max(found, plain)
        self.plain_n = max(found, self.step_n / 12**0.5)
        unsure = 1 + 6 / len(deviations) if 0 < len(deviations) < _MANY else 1.0
        self.noise_n = max(found * unsure, 0.5 * self.step_n)

    def _set_level(self, t_s: float) -> None:
        blocks = self._blocks
        while len(blocks) > _FEWEST and t_s - blocks[0][0] > _WINDOW_S:
            blocks.popleft()
        rest_s = t_s - blocks[0][0]
        young_s = min(_YOUNG_S, 0.5 * rest_s)
        old = [block for block in blocks if t_s - block[0] >= young_s]
        span_s = max(old[-1][0] - old[0][0], 0.25)
        half = len(old) // 2
        pairs = zip(old[: len(old) - half], old[half:], strict=False)
        slopes = [(m1 - m0) / (t1 - t0) for (t0, m0, _), (t1, m1, _) in pairs if t1 > t0]
        slope = median(slopes) if slopes else 0.0
        n = sum(count for _, _, count in old)
        unsure = 3 * self.plain_n * (12 / n) ** 0.5 / span_s + 1.25 * self.step_n / span_s
        stands_out = span_s >= _SLOPE_S and abs(slope) > 2 * unsure
        if span_s >= self._span_s:
            self._span_s = min(span_s, 0.5 * _WINDOW_S)
            self.drift_n_s = slope if stands_out else 0.0
            self.unsure_n_s = unsure if stands_out else unsure + abs(slope)
        carried = slope if stands_out else 0.0
        self.level_n = median(m + carried * (t_s - t) for t, m, _ in old)
