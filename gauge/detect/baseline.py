"""What the gauge would show if nothing pressed on it, and how sure that is.

A local linear trend (level and slope, each on a random walk) is filtered over blocks of readings at
rest: a dynamic linear model with conjugate variance (West and Harrison 1997, chapter 7, from
memory). All its variances are in units of the variance of one reading, so no force is fixed here.
That variance is found within the blocks; how much worse blocks were foretold than it says (hum,
wander, a drift that bends) scales the whole: the surprise. Few readings make both wide.

The youngest seconds, and half of a rest, may be the foot of a press: they are believed later, and
the surprise is that of blocks foretold so far ahead. A block far below is no foot: it is a new
level at once (residue that falls off, a zero that decays, tare); but soon after a release juice may
pull, so that the level waits for a second.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

BLOCK = 4  # readings; a block has at least so many
SAME_SIGMA = 4  # sigma or standard errors; levels that differ by less may be the same
LONG_S = 3.0  # s; what lasts so long is no pause of a hand; rest is believed so late
_PRIOR = 4  # blocks; so much the surprise is held to be 1 at first
_MEMORY = 40  # blocks; the noise and the surprise are averages over about so many
_MEDIAN = 1.4826  # median of |z| to standard deviation of a normal z
_WALK = 0.05  # variances of a reading a second; how far a level may wander by itself
_BEND = 0.02  # the same a second cubed; how fast a slope may change
_SLOPE_SIGMA_S = 1.0  # sigma a second; slopes that are likely before anything is known
_TAIL_S = 0.5  # s; the tail of a release, which says nothing of drift
_TAIL = 4.0  # variances of a reading; a level just after a release may be off by two sigma
_MOST_SURPRISE = 10.0  # variances; more is not the gauge at rest
_STEPS = 1.5  # display steps; what differs by less shows as two neighbouring numbers
_WIDE = 8.0  # readings; the margin of n is wider by this over n, about as Student's t at five sigma
_SURE = 3.0  # standard errors; a slope of less is taken for none
_LAST = 10  # blocks; a block above the lowest of so many has left the baseline
_PULL_S = 0.4  # s after a release; a pull of juice begins no later,
_PULLED_S = 0.6  # s after that; and is over sooner


class Block(NamedTuple):
    """Readings of about a tenth of a second: end, number, mean, sum of squares about it, range."""

    t_s: float
    n: int
    mean_newton: float
    squares: float
    range_newton: float


def block_of(t_s: float, values: Sequence[float]) -> Block:
    """Put readings into a block."""
    n = len(values)
    mean = sum(values) / n
    squares = sum([(v - mean) ** 2 for v in values])
    return Block(t_s, n, mean, squares, max(values) - min(values))


def rough_sigma(values: Sequence[float]) -> float:
    """Noise of a short run from its second differences, which no slope touches."""
    triples = zip(values, values[1:], values[2:], strict=False)
    return _MEDIAN * median([abs(a - 2 * b + c) for a, b, c in triples]) / math.sqrt(6)


class Baseline:
    """Predictive distribution of the gauge at rest.

    Attributes
    ----------
    level_newton, slope_newton_s, drift_newton_s : float
        Level, how fast it drifts, and the same where it stands out of its own uncertainty.
    t_s : float
        When it was that.
    step_newton : float
        Display step.
    variance, sigma_newton : float
        Noise: variance of readings within a tenth of a second (N^2), standard deviation of all (N).
    width : float
        Factor by which margins are wider for what few readings leave unknown.

    Examples
    --------
    >>> zero = Baseline(0.01)
    >>> zero.start(0.5, [0.0, 0.01, 0.0, 0.01, 0.0, 0.0, 0.01, 0.0])
    >>> round(zero.foretell(0.5)[0], 5), zero.sigma_newton > 0.005
    (0.00375, True)
    """

    def __init__(self, step_newton: float) -> None:
        self.step_newton = step_newton
        self.level_newton = self.slope_newton_s = self.drift_newton_s = self.t_s = 0.0
        self._pull_s, self._pull_newton, self._pulled = -math.inf, (0.0, 0.0), False
        self._rest_s = self._calm_s = 0.0
        self._squares = self._dof = self._range = 0.0
        self._surprise, self._surprises = 1.0, 0.0
        self._between, self._mean, self._n = 1.0, math.nan, BLOCK
        self._p_level, self._p_both, self._p_slope = 1.0, 0.0, _SLOPE_SIGMA_S**2
        self._measure()
        self._young: deque[tuple[Block, float]] = deque()
        self._last: deque[tuple[float, float]] = deque(maxlen=_LAST)

    # --- what is known --------------------------------------------------------------------------

    def show(self, step_newton: float) -> None:
        """Take the display step, as soon as it is known."""
        self.step_newton = step_newton
        self._measure()

    def _measure(self) -> None:
        """Find the noise from what was believed: within a tenth of a second, and in all.

        Within, it is never below that of rounding, step^2 / 12 (Sheppard 1898).
        """
        self._rounding = self.step_newton**2 / 12
        within = self._squares / self._dof if self._dof else 0.0
        self.variance = max(within, self._rounding, 1e-30)
        wander = (self._between * max(self._surprise, 1.0) - 1) / self._n
        self.sigma_newton = math.sqrt(self.variance * (1 + wander))
        self.width = 1 + _WIDE / max(self._dof, 1.0)

    def foretell(self, t_s: float) -> tuple[float, float]:
        """Level at a time, and its standard deviation (N)."""
        dt = t_s - self.t_s
        p = self._p_level + max(dt, 0.0) * _WALK
        p += dt * (2 * self._p_both + dt * (self._p_slope + _BEND * dt / 3))
        return self.level_newton + self.drift_newton_s * dt, self._scale(p)

    def high(self, t_s: float, sigmas: float) -> float:
        """Force above which a reading has left the baseline.

        A slope downwards may end at any time. How uncertain the level is does not count here: to
        begin a press that is none costs nothing, to learn from the foot of one costs that press.
        """
        level, _ = self.foretell(t_s)
        off = sigmas * self.width * self.sigma_newton
        if self._range < _STEPS * self.step_newton:  # two neighbouring numbers: the step bounds it
            off = min(off, 2.5 * self.step_newton)
        return max(level, self.level_newton) + max(off, _STEPS * self.step_newton)

    def _scale(self, p: float) -> float:
        return math.sqrt(max(self._surprise, 1.0) * self.variance * p)

    def _error(self, n: int) -> float:
        """Variance of a block mean; what is shared by its readings does not average out."""
        rounding = self._rounding / self.variance
        return self._between / n + rounding * rounding

    # --- learning -------------------------------------------------------------------------------

    def start(self, t_s: float, values: Sequence[float]) -> None:
        """Begin anew with a run of readings at rest."""
        block = block_of(t_s, values)
        self._squares, self._dof = block.squares, float(block.n - 1)
        self._range = block.range_newton
        self._surprise, self._surprises = 1.0, 0.0
        self._p_slope, self.slope_newton_s = _SLOPE_SIGMA_S**2, 0.0
        self.drift_newton_s = 0.0
        self._measure()
        self.jump(t_s, block.mean_newton, block.n)
        self._p_level, self._calm_s = self._error(block.n), t_s

    def jump(self, t_s: float, level_newton: float, n: int) -> None:
        """Go on at another level, of so many readings; the slope stays."""
        self._rest_s = self.t_s = t_s
        self._calm_s, self._mean = t_s + _TAIL_S, math.nan
        self.level_newton = level_newton
        self._p_level, self._p_both = self._error(n) + _TAIL, 0.0
        self._young.clear()
        self._last.clear()

    def expect_pull(self, t_s: float, most_newton: float) -> None:
        """Take that a press ended: juice may pull below the level by so much, but not for long."""
        self._pull_s, level = t_s + _PULL_S, self.foretell(t_s)[0]
        self._pull_newton = level - most_newton, level - SAME_SIGMA * self.sigma_newton

    def settle(self, t_s: float, level_newton: float, n: int, same_newton: float) -> None:
        """Take the level of `n` readings at which a press ended: foretold, a new one, or a pull."""
        off = level_newton - self.foretell(t_s)[0]
        if abs(off) > same_newton and not self._is_pull(t_s, level_newton):
            self.jump(t_s, level_newton, n)
            return
        self._advance(t_s, self.drift_newton_s)
        self._rest_s, self._calm_s, self._mean = self.t_s, self.t_s + _TAIL_S, math.nan
        if abs(off) <= same_newton:
            self._weigh(level_newton, n)
        self._p_level, self._p_both = self._p_level + _TAIL, 0.0

    def _is_pull(self, t_s: float, level_newton: float) -> bool:
        """Whether readings at a level may be pulled by juice, so that they say nothing of zero."""
        low, high = self._pull_newton
        begun = t_s <= self._pull_s or self._pulled
        self._pulled = begun and t_s < self._pull_s + _PULLED_S and low < level_newton < high
        return self._pulled

    def _weigh(self, level_newton: float, n: int) -> None:
        gain = self._p_level / (self._p_level + self._error(n))
        gain_slope = self._p_both / (self._p_level + self._error(n))
        off = level_newton - self.level_newton
        self.level_newton += gain * off
        self.slope_newton_s += gain_slope * off
        self._p_slope -= gain_slope * self._p_both
        self._p_both *= 1 - gain
        self._p_level *= 1 - gain
        sure = abs(self.slope_newton_s) > _SURE * self._scale(self._p_slope)
        self.drift_newton_s = self.slope_newton_s if sure else 0.0

    def doubt(self) -> None:
        """Drop the blocks that were not believed yet: a press has begun.

        They may be its foot, which is never lower than the level: lower ones are believed.
        """
        if self._young:
            mean = median(block.mean_newton for block, _ in self._young)
            if mean < self.level_newton:
                self._weigh(mean, sum(block.n for block, _ in self._young))
        self._young.clear()
        self._last.clear()

    def learn(self, block: Block, sigmas: float) -> bool:
        """Take a block of readings; False where it has left the baseline upwards."""
        level, level_error = self.foretell(block.t_s)
        error = self._scale(self._error(block.n))
        off = block.mean_newton - level
        spread = math.hypot(level_error, error)
        most = SAME_SIGMA * self.width * spread
        if off < 0 and self._is_pull(block.t_s, block.mean_newton):
            return True
        if off < -most:
            if block.range_newton < max(2 * SAME_SIGMA * self.sigma_newton, 2 * self.step_newton):
                self.jump(block.t_s, block.mean_newton, block.n)
            return True  # a swing is no level
        if self._pulled:  # and this block may hold its end
            self._pulled = False
            return True
        known = math.hypot(self._scale(self._p_level), error)
        above = block.mean_newton - self._lowest(block.t_s)
        if above > max(sigmas * math.sqrt(2 * self.width) * error, _STEPS * self.step_newton):
            return False
        if off > max(sigmas * self.width * known, _STEPS / 2 * self.step_newton):
            return False
        surprise = min((off / spread) ** 2 * max(self._surprise, 1.0), _MOST_SURPRISE)
        self._young.append((block, surprise))
        self._last.append((block.t_s, block.mean_newton))
        old_s = block.t_s - min(LONG_S, (block.t_s - self._rest_s) / 2)
        while self._young and self._young[0][0].t_s <= old_s:
            self._believe(*self._young.popleft())
        return True

    def _lowest(self, t_s: float) -> float:
        """Lowest of the last blocks, each carried on to a time."""
        drift = self.drift_newton_s
        return min((mean + drift * (t_s - at_s) for at_s, mean in self._last), default=math.inf)

    def _advance(self, t_s: float, slope_newton_s: float) -> None:
        dt = t_s - self.t_s
        self._p_level += dt * (2 * self._p_both + dt * self._p_slope)
        self._p_level += max(dt, 0.0) * (_WALK + _BEND * dt * dt / 3)
        self._p_both += dt * self._p_slope
        self._p_slope += max(dt, 0.0) * _BEND
        self.level_newton += slope_newton_s * dt
        self.t_s = t_s

    def _believe(self, block: Block, surprise: float) -> None:
        """Take a block for rest: one step of the filter."""
        self._advance(block.t_s, self.slope_newton_s)
        keep = 1 - 1 / _MEMORY
        self._squares = keep * self._squares + block.squares
        self._dof = keep * self._dof + block.n - 1
        self._range = max(keep * self._range, block.range_newton)
        self._surprises = keep * self._surprises + 1
        weight = 1 / (self._surprises + _PRIOR)
        if not math.isnan(self._mean):
            between = (block.mean_newton - self._mean) ** 2 / self.variance * block.n / 2
            self._between += (min(between, _MOST_SURPRISE) - self._between) * weight
            self._between = max(self._between, 1.0)
        self._mean = block.mean_newton
        self._surprise += (surprise - self._surprise) * weight
        self._n = block.n
        self._measure()
        self._weigh(block.mean_newton, block.n)
        if block.t_s < self._calm_s:
            self._p_level, self._p_both = self._p_level + 1, 0.0
