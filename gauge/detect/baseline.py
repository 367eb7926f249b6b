"""What the gauge would show if nothing pressed on it, and how sure that is.

A local linear trend (level and slope, each on a random walk) is filtered over blocks of readings at
rest: a dynamic linear model with conjugate variance (West and Harrison 1997, chapter 7, from
memory). All its variances are in units of the variance of one reading, so no force is fixed here.
How much worse blocks were foretold than the noise says (hum, wander, a drift that bends, a fall)
scales the whole: the surprise.

The youngest seconds, and half of a rest, may be the foot of a press: they are believed later, and
the surprise is that of blocks foretold so far ahead. A block far below is no foot: it is a new
level at once (residue that falls off, a zero that decays, tare, the tail of a release); but soon
after a release juice may pull below the zero before it, so that such a level waits for a second.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from statistics import fmean

BLOCK = 4  # readings; a block has at least so many, as fewer hardly show their noise; tuned
SAME_SIGMA = 4  # sigma or standard errors; levels that differ by less may be the same; tuned
LONG_S = 3.0  # s; what lasts so long is no pause of a hand; rest is believed so late; tuned
_MEMORY = 40  # blocks; the noise and the surprise are averages over about so many; tuned
_KEEP = 1 - 1 / _MEMORY
_WALK = 0.05  # variances of a reading a second; how far a level may wander by itself
_BEND = 0.02  # the same a second cubed; how fast a slope may change
_TAIL = 4.0  # variances of a reading; a level just after a release may be off by two sigma
_MOST_SURPRISE = SAME_SIGMA**2  # variances; what is off by more is not the gauge at rest
_STEPS = 1.5  # display steps; what differs by less shows as two neighbouring numbers
_WIDE = 8.0  # readings; margins from n are wider by this over n, about as Student's t
_SURE = 3.0  # standard errors; a slope of less is taken for none; tuned
_PULL_S = 1.0  # s after a release; a pull of juice is over sooner


def rough_sigma(values: Sequence[float]) -> float:
    """Noise of a short run from its second differences, which no slope touches."""
    triples = zip(values, values[1:], values[2:], strict=False)
    return fmean([abs(a - 2 * b + c) for a, b, c in triples]) * math.sqrt(math.pi / 12)


class Baseline:
    """Predictive distribution of the gauge at rest; unknown until `start`.

    `guess_newton` is what the level may be before that; `is_sure` whether a press came back to it;
    `ended_s` when that was last.

    Examples
    --------
    >>> zero = Baseline(0.01)
    >>> zero.start(0.5, [0.0, 0.01, 0.0, 0.01, 0.0, 0.0, 0.01, 0.0])
    >>> round(zero.foretell(0.5)[0], 5), zero.sigma_newton > 0.005
    (0.00375, True)
    """

    def __init__(self, step_newton: float, guess_newton: float = 0.0) -> None:
        self.guess_newton, self.is_known, self.is_sure = guess_newton, False, False
        self.level_newton, self.slope_newton_s, self.drift_newton_s = math.nan, 0.0, 0.0
        self.t_s = self.rest_s = 0.0
        self._p_level, self._p_both, self._p_slope = math.inf, 0.0, 1.0
        self._squares, self._dof, self._mean = 0.0, 0.0, math.nan
        self._surprise, self._surprises = 1.0, 0.0
        self._young: deque[tuple[float, int, float, float, float]] = deque()  # as in _believe
        self.ended_s, self.left_newton, self._released_newton = -math.inf, 0.0, 0.0
        self.show(step_newton)

    # --- what is known --------------------------------------------------------------------------

    def show(self, step_newton: float) -> None:
        """Take the display step; noise is never below that of rounding (Sheppard 1898)."""
        self.step_newton, rounding, n = step_newton, step_newton**2 / 12, self._dof or 1.0
        self._variance = variance = max(self._squares / n, rounding, 1e-30)
        self._shared = (rounding / variance) ** 2  # error that no mean makes smaller
        self.sigma_newton = math.sqrt(variance)
        self.wander_newton = math.sqrt(variance * (self._surprise if self._surprise > 1 else 1.0))
        self.width = 1 + _WIDE / n  # of margins, for what few readings leave open

    def foretell(self, t_s: float) -> tuple[float, float]:
        """Level at a time, and its standard deviation (N)."""
        dt = t_s - self.t_s
        error = self.wander_newton * math.sqrt(self._ahead(dt))
        return self.level_newton + self.drift_newton_s * dt, error

    def high(self, t_s: float, sigmas: float) -> float:
        """Force above which a reading has left the baseline.

        A slope downwards may end at any time. How uncertain the level is does not count here: to
        begin a press that is none costs nothing, to learn from the foot of one costs that press.
        What shows as two neighbouring numbers has a noise of up to half a step, but no tails.
        """
        drift, hidden = self.drift_newton_s * (t_s - self.t_s), (self.step_newton / 2) ** 2
        wide, steps = sigmas * self.width, _STEPS * self.step_newton
        tails = math.sqrt(self._variance - hidden) if self._variance > hidden else 0.0
        off = min(max(wide * self.sigma_newton, steps), steps + wide * tails)
        return self.level_newton + off + (drift if drift > 0 else 0.0)

    def _ahead(self, dt: float) -> float:
        """Variance of the level after a time."""
        walked = dt * (_WALK + _BEND * dt * dt / 3) if dt > 0 else 0.0
        return self._p_level + dt * (2 * self._p_both + dt * self._p_slope) + walked

    # --- learning -------------------------------------------------------------------------------

    def start(self, t_s: float, values: Sequence[float]) -> None:
        """Take a run of readings for the first rest."""
        level, self.is_known = fmean(values), True
        self._see(sum([(v - level) ** 2 for v in values]), len(values) - 1)
        self.settle(t_s, level, len(values), same_newton=0.0)
        self._mean = level  # no release was before

    def settle(self, t_s: float, level_newton: float, n: int, same_newton: float) -> None:
        """Take the level of `n` readings after a press or a fall: foretold, or a new one.

        New is what is off by more than `same_newton`; then nothing of the old one is left but its
        slope. A level that says nothing is NaN.
        """
        off = abs(level_newton - self.foretell(t_s)[0])
        if not math.isnan(level_newton):
            self._advance(t_s)
        self.rest_s, self._mean = t_s, math.nan
        self._young.clear()
        if off > same_newton or math.isnan(self.level_newton):
            self.level_newton, self._p_level = level_newton, 1 / n
        elif off <= same_newton:
            self._weigh(level_newton, n)
        self._p_both = 0.0

    def expect_pull(self, t_s: float, zero_newton: float, left_newton: float) -> None:
        """Take that a press ended: so much may be left, or juice pull below zero for a while."""
        self.ended_s, self.left_newton, self._released_newton = t_s, left_newton, zero_newton

    def let_go(self, t_s: float) -> None:
        """Take that juice lets go but now: then less is left on the head."""
        self.ended_s, self.left_newton = t_s, self.left_newton / 2

    def is_pull(self, t_s: float, level_newton: float, n: int) -> bool:
        """Whether a level of `n` readings may be a pull of juice, which says nothing of zero."""
        fell, error = self._released_newton - level_newton, SAME_SIGMA * self.sigma_newton
        return t_s < self.ended_s + _PULL_S and error / math.sqrt(n) < fell < self.left_newton

    def creep(self, dt: float) -> float:
        """How far the level may drift in a time, by what its slope was and how sure that is (N)."""
        return (abs(self.drift_newton_s) + 2 * self.wander_newton * math.sqrt(self._p_slope)) * dt

    def doubt(self) -> None:
        """Drop the youngest blocks, which may be the foot of a press: it comes back no more."""
        while any(block[2] <= self.foretell(block[0])[0] for block in self._young):
            self._believe(*self._young.popleft())
        self._young.clear()

    def learn(self, t_s: float, values: Sequence[float], sigmas: float) -> bool:
        """Take a block of readings; False where it has left the baseline."""
        n, mean, dt = len(values), sum(values) / len(values), t_s - self.t_s
        off = mean - (self.level_newton + self.drift_newton_s * dt)
        alone = 1 / n + self._shared
        ahead = self._ahead(dt) + alone
        if off > 0:
            error = self.wander_newton * math.sqrt(self._p_level + alone)
            if off > max(sigmas * self.width * error, _STEPS / 2 * self.step_newton):
                return False
        elif self.is_pull(t_s, mean, n):
            return True
        elif off < -SAME_SIGMA * self.width * self.wander_newton * math.sqrt(ahead):
            flat = max(2 * SAME_SIGMA * self.sigma_newton, 2 * self.step_newton)
            if max(values) - min(values) < flat:  # a swing is no level
                if not self.is_sure and off < -2 * sigmas * self.sigma_newton:
                    return False  # perhaps that was no rest, but a hold
                self._surprise += (_MOST_SURPRISE - self._surprise) / _MEMORY
                self.settle(t_s, mean, n, same_newton=0.0)
            return True
        squares = math.dist(values, [mean] * n) ** 2
        surprise, young = off * off / (self._variance * ahead), self._young
        young.append((t_s, n, mean, squares, min(surprise, _MOST_SURPRISE)))
        old_s = t_s - min(LONG_S, (t_s - self.rest_s) / 2)
        while young and young[0][0] <= old_s:
            self._believe(*young.popleft())
        return True

    def admit(self, values: Sequence[float], level_newton: float, most: float, many: int) -> None:
        """Take a touch for rest: it strays from the nearer of two levels, or by at most so much."""
        for i in range(0, len(values), many):
            block, level = values[i : i + many], self.level_newton
            strays = [min(abs(v - level), abs(v - level_newton), most) for v in block]
            self._see(sum([stray * stray for stray in strays]), len(block))

    def _see(self, squares: float, n: int) -> None:
        """Take for the noise by how much `n` readings at rest stray."""
        self._squares, self._dof = _KEEP * self._squares + squares, _KEEP * self._dof + n
        self.show(self.step_newton)

    def _advance(self, t_s: float) -> None:
        dt = t_s - self.t_s
        self._p_level = self._ahead(dt)
        self._p_both += dt * self._p_slope
        self._p_slope += dt * _BEND if dt > 0 else 0.0
        self.level_newton, self.t_s = self.level_newton + self.slope_newton_s * dt, t_s

    def _believe(self, t_s: float, n: int, mean: float, squares: float, surprise: float) -> None:
        """Take a block for rest: one step of the filter."""
        self._advance(t_s)
        apart = 0.0
        if math.isnan(self._mean):  # the first one after a release
            self._p_level += _TAIL
        else:
            apart = (mean - self._mean) ** 2 / 2
        self._mean = mean
        self._surprises += 1 - self._surprises / _MEMORY
        self._surprise += (surprise - self._surprise) / (self._surprises + BLOCK)
        self._see(squares + n * apart, n)
        self._weigh(mean, n)

    def _weigh(self, level_newton: float, n: int) -> None:
        """Correct level and slope by the mean of `n` readings."""
        p_level, p_both, off = self._p_level, self._p_both, level_newton - self.level_newton
        total = p_level + 1 / n + self._shared
        gain, gain_slope = p_level / total, p_both / total
        self._p_level, self._p_both = (1 - gain) * p_level, (1 - gain) * p_both
        self._p_slope = max(self._p_slope - gain_slope * p_both, 0.0)  # rounding may go below
        self.level_newton += gain * off
        self.slope_newton_s = slope = self.slope_newton_s + gain_slope * off
        sure = abs(slope) > _SURE * self.wander_newton * math.sqrt(self._p_slope)
        self.drift_newton_s = slope if sure else 0.0
