"""One press under way: its levels, when it ends, and which of its levels were zeros.

A level at which the force stays may be the hold of a berry or a new zero (residue, a tare, drift);
nobody knows at once. So a press goes on until the force has been level for long enough to be at
zero: the longer, the farther that is from a zero that was to be expected, beside its rise. Then,
with hindsight, each level within it is judged: where the end is nearer to it than to the zero
before, it was zero too, and what rose and fell between two zeros is a press of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import pairwise
from statistics import fmean, median
from typing import NamedTuple

from gauge.detect.arrivals import Arrivals
from gauge.detect.baseline import BLOCK, LONG_S, SAME_SIGMA, Baseline, rough_sigma
from gauge.detect.figures import FOOT_SHARE, HAND_S, ZERO_SHARE, Loss, Part, is_fast, press_of
from gauge.detect.settings import DetectorSettings
from gauge.records import Press, Reading

MOMENT_S = 0.25  # s; within it a hand does but one thing: no press, no second one, no long hold
SMALL_SHARE = 0.2  # of the rise; what is left, or pulled, after a release is less; tuned
_KEPT = 65_536  # readings of a press that are kept for its figures; bounds the memory
_DWELL_S, _DWELL = 0.06, 3  # s, readings at least; so long at the foretold zero ends a press; tuned
_FIRST_S = 0.4  # s; a first rest lasts so long, twice that far from the zero guessed; tuned
_HALF = 0.5  # of the rise; a new zero is not above it: a hold of fruit keeps more
_NEAR_SHARE = 0.06  # of the rise; a release that comes so near may be over; tuned
_FELL_SHARE = 0.6  # of the rise; a level lower than that was fallen to, as holds are not; tuned
_RISE_SHARE = 1 - FOOT_SHARE  # of the rise; no hand loads a berry to all but the foot at once
_MOST_LEVELS = 16  # within a press; bounds the memory
_CROSSINGS = 4  # of a level, by two whole swings; a press is one


class Ending(NamedTuple):
    """Where a press ended: level, readings it is the mean of, whether another one begins."""

    level_newton: float
    n: int
    anew: bool = False


def is_flat(values: Sequence[float], sigma: float, step: float, creep: float = 0.0) -> bool:
    """Whether readings are level: their halves agree, and they stray no more than at rest.

    What the display hides may have fallen; what seems to rise is not level.
    """
    n, half = len(values), len(values) // 2
    if max(values) - min(values) - creep > max(2 * SAME_SIGMA * sigma, 2 * step):
        return False
    rise = sum(values[half:]) / (n - half) - sum(values[:half]) / half
    most = SAME_SIGMA * sigma / math.sqrt(n) + creep
    return -most - step / 2 <= rise <= most


def drop_middle(forces: list[float], n: int) -> None:
    """Keep the first and the last readings, `n` at least, of more than are kept."""
    if len(forces) > _KEPT:
        del forces[_KEPT // 2 : -n]


def swings(values: Sequence[float], step: float) -> bool:
    """Whether readings swing about a level, as hum does: at least twice to and fro."""
    mean, n = fmean(values), len(values)
    sigma = math.dist(values, [mean] * n) / math.sqrt(n)
    if not is_flat(values, sigma / 2, step):
        return False
    sides = [v > mean for v in values if abs(v - mean) > sigma / 2]
    return sum([a != b for a, b in pairwise(sides)]) >= _CROSSINGS


@dataclass
class Rise:
    """A level that looks like a zero, and the largest reading since that a neighbour supports."""

    level_newton: float
    top_newton: float = -math.inf

    @property
    def height_newton(self) -> float:
        """How high the force has risen above the level."""
        return self.top_newton - self.level_newton


class OpenPress:
    """A press under way, begun at a reading that left a baseline, or before one is known."""

    def __init__(
        self, zero: Baseline, arrivals: Arrivals, settings: DetectorSettings, t_s: float, beat: int
    ) -> None:
        self.zero, self.arrivals, self.settings = zero, arrivals, settings
        self.beat = beat  # readings; so often it is asked whether the force is level
        self.dip_newton = 0.0  # how far below zero the force was just before, as in a swing
        self.ask()
        base, error = zero.foretell(t_s)
        self.whole = self.floor = Rise(base)  # from the start; from the last level like a zero,
        self.before = Rise(base)  # and the one before that
        self.parts: list[Part] = []
        self.part = Part(t_s, base, error)  # since the last of them
        self.low: list[float] = []  # readings since the force was last too high for a zero:
        self.watch_newton = math.inf  # above this one; whether it crept there, as in a hold,
        self.crept, self.high_s = False, t_s  # from half as high again
        self.n_near, self.lowest_newton = 0, math.inf  # readings near zero, their lowest median
        # The reading before this one, and the one before `low`.
        self.last_newton = self.before_low_newton = base if zero.is_known else math.inf

    def ask(self, step_share: float = 1.0, firm_newton: float = 0.0) -> None:
        """Set its least rise: nearer to that of a firm berry than to the noise, by ratios.

        Nor is it less than the force fell just before, as it does in a swing.
        """
        steps = self.settings.press_steps * step_share * self.zero.step_newton
        least = max(self.dip_newton, math.sqrt(SMALL_SHARE * self.zero.wander_newton * firm_newton))
        self.need_newton = max(self.settings.press_sigma * self.zero.sigma_newton, steps, least)

    def lose(self, back: int, seconds: float) -> None:
        """Note that readings are missing for so long, before the last `back` ones."""
        part = self.part
        if back > len(part.forces) and self.parts:  # a level was found in the meantime
            back -= len(part.forces)
            part = self.parts[-1]
        at = max(len(part.forces) - back, 0)
        if part.losses and part.losses[-1].at == at:
            seconds += part.losses.pop().seconds
        part.losses.append(Loss(at, seconds))

    def press_of(self, part: Part, rate_hz: float, n: int, usual_newton: float) -> Press:
        """Write down a part that is a press, and was level for its last `n` readings."""
        last = self.low[-n:] or [part.level_newton]
        return press_of(part, self.zero, rate_hz, last, self.settings, usual_newton)

    def need_on(self, level_newton: float) -> float:
        """Least rise above a level within this press (N): by less than half of it a hold wavers."""
        return max(self.need_newton, _HALF * (level_newton - self.whole.level_newton))

    @property
    def largest_newton(self) -> float:
        """The largest reading so far."""
        return max(part.largest_newton for part in [*self.parts, self.part])

    @property
    def is_idle(self) -> bool:
        """Whether the force stays at a level that looks like zero."""
        return self.floor is not self.whole and self.floor.height_newton <= self.need_newton

    @property
    def is_slight(self) -> bool:
        """Whether nothing was a press: what stayed at a low level has but crept from there."""
        rises = [part.stay_newton - part.base_newton for part in self.parts]
        return max(*rises, self.part.rise_newton, 0.0) < self.need_newton

    # --- its end --------------------------------------------------------------------------------

    def take(self, reading: Reading, t_s: float, force: float) -> Ending | None:
        """Take a reading; the level, where the press has ended."""
        part, floor = self.part, self.floor
        beat = (part.n_readings + 1) % self.beat == 0
        if force > self.watch_newton:
            self.low.clear()
            high = force > (self.watch_newton + floor.top_newton) / 2
            if high and floor.height_newton > self.need_newton:
                self.high_s = t_s
        else:  # also while no base is known, so that it is NaN
            if not self.low:
                self.crept, self.before_low_newton = t_s - self.high_s > MOMENT_S, self.last_newton
            self.low.append(force)
        end = self._ending(t_s, force, beat) if self.low or self.n_near else None
        if end and end.anew:
            return end
        if force > floor.top_newton:
            # Where readings come faster than a hand, what no neighbour supports says nothing.
            fast = is_fast(self.arrivals.rate_hz)
            lone = fast and not (part.losses and part.losses[-1].at == part.n_readings)
            sure = min(force, self.last_newton) if lone else force
            if sure > floor.top_newton:
                floor.top_newton = sure
                self.whole.top_newton = max(self.whole.top_newton, sure)
                self._watch()
        self.last_newton = force
        part.n_readings += 1
        part.forces.append(force)
        if force > part.largest_newton:
            part.largest_newton, part.peak = force, reading
        if beat and not end:
            self._hold(t_s)
        return end

    def _watch(self) -> None:
        """Set the force above which it is too high for a zero."""
        base, floor = self.whole.level_newton, self.floor
        self.watch_newton = base + _HALF * max(self.whole.height_newton, self.need_newton)
        if floor is not self.whole and floor.height_newton > self.need_on(floor.level_newton):
            above = floor.level_newton + _HALF * floor.height_newton
            self.watch_newton = max(self.watch_newton, above)

    def _ending(self, t_s: float, force: float, beat: bool) -> Ending | None:
        """Whether the force is at zero: back at the foretold one, or long at a new one."""
        zero, low, rate_hz = self.zero, self.low, self.arrivals.rate_hz
        if not zero.is_known:
            return self._first_rest() if beat and len(low) >= 2 * BLOCK and rate_hz else None
        level, error = zero.foretell(t_s)
        rise = max(self.whole.top_newton - level, self.need_newton)
        dwell = max(_DWELL, min(2 * BLOCK, round(_DWELL_S * rate_hz)))
        close = max(self._margin(error, rise), _NEAR_SHARE * rise)
        if self._rises_anew(t_s, force, level, close, dwell):
            return Ending(self.lowest_newton, dwell, anew=True)
        if len(low) <= dwell:
            return None
        high, sigma = level + self._margin(self.part.base_error_newton, rise), zero.sigma_newton
        n, creep = dwell, 0.0
        if force > high or max(low[-dwell:]) > high:
            n = self._least(t_s, fmean(low[-dwell:]))
            if len(low) <= n:
                return None
            if force < low[-n] and not self.crept:  # so far from zero is of no concern
                creep = ZERO_SHARE * rise
        creep = max(creep, zero.creep(n / rate_hz / 2 if rate_hz else 0.0))  # from half to half
        if is_flat(low[-n:], sigma, zero.step_newton, creep):
            return Ending(fmean(low[-n:]), n)
        # What is below zero is held by no hand; while it still falls its level says nothing.
        n = dwell if zero.is_sure else max(dwell, math.ceil(MOMENT_S * rate_hz))
        pulled = self.whole.height_newton >= self.need_newton and len(low) > n
        return Ending(fmean(low[-n:]), 0) if pulled and max(low[-n:]) <= level else None

    def _margin(self, error: float, rise: float) -> float:
        """How far off zero a reading there may be, where zero is known up to an error."""
        sigmas = SAME_SIGMA * self.zero.width
        return min(sigmas * math.hypot(self.zero.sigma_newton, error), SMALL_SHARE * rise)

    def _rises_anew(self, t_s: float, force: float, level: float, close: float, dwell: int) -> bool:
        """Whether the force has been close to the foretold zero, and leaves it again."""
        if force <= level + close:
            self.n_near += 1
            if self.n_near >= dwell and self.low:
                self.lowest_newton = min(self.lowest_newton, median(self.low[-dwell:]))
        stays = (1 + SMALL_SHARE) * max(self.lowest_newton - level, 0.0)  # wavers by its share
        if self.n_near >= dwell and force > self.zero.high(t_s, self.settings.onset_sigma) + stays:
            return True
        if force > level + 2 * close:
            self.n_near, self.lowest_newton = 0, math.inf
        return False

    def _first_rest(self) -> Ending | None:
        """Whether readings are level or for longer swing about a level, before a zero is known."""
        step, last, rate_hz = self.zero.step_newton, self.low[-2 * BLOCK :], self.arrivals.rate_hz
        sigma = max(rough_sigma(last), self.zero.sigma_newton)
        near = max(2 * SAME_SIGMA * sigma, SMALL_SHARE * self.whole.top_newton)
        far = abs(fmean(last) - self.zero.guess_newton) > near
        n = max(2 * BLOCK, math.ceil((2 if far else 1) * _FIRST_S * rate_hz))
        last = self.low[-n:]
        sigma = max(rough_sigma(last), self.zero.sigma_newton)
        if len(last) == n and is_flat(last, sigma, step, SAME_SIGMA * sigma):
            return Ending(fmean(last), n)
        n = max(2 * BLOCK, math.ceil(LONG_S / 2 * rate_hz))
        last = self.low[-n:]
        return Ending(fmean(last), n) if len(last) == n and swings(last, step) else None

    def _least(self, t_s: float, mean_newton: float) -> int:
        """Readings that a level must last for, to be a new zero; a fast fall ends a creep."""
        rise, rate_hz = self.floor, self.arrivals.rate_hz
        if rise.height_newton < self.need_on(rise.level_newton):
            rise = self.before
        if mean_newton < rise.level_newton - SAME_SIGMA * self.zero.sigma_newton:
            rise = self.whole
        height, zero_newton = rise.height_newton, rise.level_newton
        above = mean_newton - zero_newton
        share = above / height if height > 0 else 1.0
        high_newton = zero_newton + max(2 * above, SMALL_SHARE * height)
        n = math.ceil(2 * MOMENT_S * rate_hz)
        last = self.low[-n:] if len(self.low) >= n else [self.before_low_newton]
        if self.crept and max(last) > high_newton:
            self.crept, self.high_s = False, t_s  # no hold falls so fast
        n = max(BLOCK + 2, math.ceil(MOMENT_S * rate_hz))
        if len(self.low) <= n or (share < _HALF and self._stepped(zero_newton, mean_newton, n)):
            return n
        if share > _HALF or (share > SMALL_SHARE and self.crept):
            return _KEPT  # never
        longer = share > SMALL_SHARE or rise is not self.whole  # a release leaves less
        lasts_s = max(LONG_S * share if longer else 0.0, SMALL_SHARE / 2 * (t_s - self.high_s))
        n = max(n, math.ceil(lasts_s * rate_hz))
        drift = max(self.zero.drift_newton_s, 0.0) * lasts_s / 4
        # What is left of a release does not even seem to rise: after a skin break a hand goes on.
        goes_on = share > SMALL_SHARE and fmean(self.low[-n // 2 :]) > fmean(self.low[-n:]) + drift
        return _KEPT if goes_on else n

    def _stepped(self, zero_newton: float, level_newton: float, n: int) -> bool:
        """Whether the force was near zero, and stepped from there to a level, as residue does."""
        last = self.low[-2 * n :]
        lowest = min(last)
        # A hand that has just released turns first: it needs twice its time.
        soon = last[last.index(lowest) :][: 1 + int(2 * HAND_S * self.arrivals.rate_hz)]
        far = level_newton - zero_newton > max(self.need_newton, 2 * (lowest - zero_newton))
        return far and max(soon) - lowest >= _RISE_SHARE * (level_newton - lowest)

    # --- its levels -----------------------------------------------------------------------------

    def _hold(self, t_s: float) -> None:
        """Note a level, if there is one; it may be the last one that goes on."""
        zero, parts, part, rate_hz = self.zero, self.parts, self.part, self.arrivals.rate_hz
        n = max(2 * BLOCK, math.ceil(2 * MOMENT_S * rate_hz))
        if len(part.forces) < n:
            return
        for kept in self.low, part.forces:
            drop_middle(kept, n)
        last = part.forces[-n:]
        flat = is_flat(last, zero.sigma_newton, zero.step_newton)
        if not flat or (level := fmean(last)) <= self.whole.level_newton:
            return
        part.end(level, t_s - n / rate_hz if rate_hz else part.t_start_s, t_s)
        crept = False
        if parts and (part.rise_newton < self.need_newton or len(parts) > _MOST_LEVELS):
            old, part = parts[-1], parts.pop().join(part)
            drop_middle(part.forces, n)
            # It goes on, or what was zero already fell further. No zero creeps up.
            if old.level_newton - level < self.need_newton or self._is_zero(old):
                part.from_s, crept = old.from_s, old.level_newton == self.floor.level_newton
        parts.append(part)
        bases = self.part.base_newton, part.base_newton  # what stepped up from no zero is none
        if self.floor.level_newton in bases and self._is_zero(part):
            if self.floor.height_newton > self.need_newton:
                self.before = replace(self.floor)
            self.floor = Rise(level)
        elif crept or level < self.floor.level_newton - SAME_SIGMA * zero.sigma_newton:
            self.floor = self.whole
        self.part = Part(t_s, level, part.base_error_newton)
        self._watch()

    # --- hindsight ------------------------------------------------------------------------------

    def cut(self, level_newton: float, t_s: float) -> tuple[Part, list[Part]]:
        """Cut the press at its levels that were zero, now that its end is known.

        Its last part, and those that are presses. Where none is, it was one press, if any.
        """
        end = self.part.end(level_newton, t_s, t_s)
        parts = [*self.parts, end]
        runs = parts[:1]
        for part in parts[1:]:
            if self._was_zero(runs[-1], level_newton):
                runs.append(part)
            else:
                runs[-1] = runs[-1].join(part)
        for found in runs, [reduce(Part.join, parts)]:
            if presses := [part for part in found if self._is_press(part)]:
                break
        return found[-1], presses

    def _was_zero(self, part: Part, end_newton: float) -> bool:
        """Whether a part ended at zero: it looks so or lasted, and the end is nearer to that."""
        base, level = part.base_newton, part.level_newton
        gone = base - end_newton > SMALL_SHARE * self.whole.height_newton  # all fell off
        near = gone or level - base < self.zero.sigma_newton or end_newton > (base + level) / 2
        return near and (part.to_s - part.from_s >= LONG_S or self._is_zero(part))

    def _is_zero(self, part: Part) -> bool:
        """Whether a part looks like a new zero: it fell to its level, or rose as no hand does."""
        height, need = part.level_newton - part.base_newton, self.need_on(part.base_newton)
        least = min(need, self.settings.onset_sigma * self.zero.width * self.zero.wander_newton)
        if height > least and self._is_step(part, self._supported(part), part.level_newton):
            return True
        half = (part.largest_newton + part.level_newton) / 2
        n = next((i for i, force in enumerate(reversed(part.forces)) if force > half), 0)
        most_s = part.to_s - part.from_s + 2 * MOMENT_S  # no hold creeps so fast
        fell = part.rise_newton > max(height / _FELL_SHARE, height + need)
        return fell and n < most_s * self.arrivals.rate_hz

    def _is_press(self, part: Part) -> bool:
        """Whether a part is a press: no touch, knock, step of zero, or what stays on the head."""
        need, base = self.need_newton, part.base_newton
        x = self._supported(part)
        top = max(x, default=-math.inf)
        fell = max(need, part.level_newton - base) / 2
        lasted_s, least_s = self._lasted_s(part, x, need), self.settings.shortest_s
        if top - base < need or top - part.level_newton < fell or lasted_s < least_s:
            return False
        brief = lasted_s < MOMENT_S and self._lasted_s(part, x, top - base) < MOMENT_S / 2
        brief = brief or self._follows(part, MOMENT_S / 2)
        return not (brief and self._is_step(part, x, top))

    def _follows(self, part: Part, within_s: float) -> bool:
        """Whether a part came with the release of a berry, and is low enough to be left of it."""
        low = SMALL_SHARE * part.rise_newton < _FELL_SHARE * self.zero.left_newton
        return low and part.t_start_s - self.zero.ended_s < within_s

    def _lasted_s(self, part: Part, forces: list[float], rise_newton: float) -> float:
        """How long a part was half as high as such a rise: one run, and what was lost."""
        most, rate_hz = part.base_newton + _HALF * rise_newton, self.arrivals.rate_hz
        low = [-1, *[i for i, force in enumerate(forces) if force < most], len(forces)]
        n, lost_s = max(b - a for a, b in pairwise(low)) - 1, sum([x.seconds for x in part.losses])
        return lost_s + n / rate_hz if rate_hz else math.inf  # by count, as many may come late

    def _supported(self, part: Part) -> list[float]:
        """Forces of a part as far as a neighbour supports them."""
        if not is_fast(self.arrivals.rate_hz):
            return part.forces
        x = [-math.inf, *part.forces, -math.inf]
        lost = {loss.at for loss in part.losses}  # nobody knows what lay between
        return [
            force if lost & {i, i + 1} else min(force, max(x[i], x[i + 2]))
            for i, force in enumerate(part.forces)
        ]

    def _is_step(self, part: Part, forces: list[float], top_newton: float) -> bool:
        """Whether supported forces of a part rose faster than by hand: a knock, or step of zero."""
        base, rate_hz, sigma = part.base_newton, self.arrivals.rate_hz, self.zero.sigma_newton
        top = top_newton - 2 * sigma  # noise made the highest
        most = base + _RISE_SHARE * (top - base)
        high = [i for i, force in enumerate(forces) if force >= most] or [len(forces)]
        # A hand that has just released turns first, which takes as long again: what rises sooner,
        # and then lies as still as rest until it falls, is residue.
        last, hand_s = forces[(high[0] + high[-1]) // 2 : high[-1] + 1], HAND_S
        if self._follows(part, _DWELL_S) and len(last) >= max(BLOCK, MOMENT_S / 2 * rate_hz):
            hand_s = HAND_S * (2 if is_flat(last, sigma, self.zero.step_newton, creep=sigma) else 1)
        lost_s = sum(loss.seconds for loss in part.losses if loss.at <= hand_s * rate_hz + 1)
        return high[0] + _RISE_SHARE < (hand_s - lost_s) * rate_hz
