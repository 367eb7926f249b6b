"""One press under way: its parts between levels, when it ends, and which of its levels were zeros.

A level at which the force stays may be the hold of a berry or a new zero (residue, a tare, drift);
nobody knows at once. So a press goes on until the force is back at its zero, or has been level for
long: the longer, the higher above zero that is beside its rise. Then, with hindsight, each level
within it is judged: where the end is nearer to it than to the zero before, it was zero too, and
what rose and fell between two zeros is a press of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, median
from typing import NamedTuple

from gauge.detect.baseline import BLOCK, LONG_S, SAME_SIGMA, Baseline
from gauge.detect.figures import HAND_S, Loss
from gauge.detect.settings import DetectorSettings
from gauge.records import Flag, Reading

KEPT = 65_536  # readings of a part that are kept for its figures; bounds the memory
_ENDS = KEPT // 4  # readings; of more, so many at each end are kept
MOMENT_S = 0.25  # s; within it a hand does but one thing: no press, no second one, no long hold
SMALL_SHARE = 0.2  # of the rise; what is left, or pulled, after a release is less
FROZEN_S = 2.5  # s; a display that shows nothing else so long holds its peak
_MOST_LEVELS = 16  # within a press; bounds the memory
_NEAR_SHARE = 0.06  # of the rise; a release that comes so near may be over
_BAND_SIGMA = 3.5  # sigma; readings so near the foretold baseline are back at rest
_AWAY = 1.5  # times that near; readings further off are no part of a release that may be over
_ANEW_SHARE, _ANEW_SIGMA = 0.3, 3  # of the rise, sigma; the most that a rise anew is asked to be
_SINGLE = 1.6  # times as much is required of a single reading
_NOISE_SHARE = 0.15  # of what is left; five times noise of 3 % of the force
_LONE_NEED = 1.5  # times the least rise is required of a press that a single reading shows
_FLAT_SIGMA = 5  # standard errors by which the halves of level readings may differ at most
_END_SQUARE_S = 10.0  # s times the square of its share of the rise; level so long ends a press,
_END_SHARE = 0.5  # of the rise; but never above it: a hold of fruit keeps more
_HOLD_S = 0.5  # s; level so long within a press is one of its levels
_HOLD_NOISE = 0.015  # of its height; noise that a hold may have,
_HOLD_SLOPE = 0.01  # and how far it may creep meanwhile
_FELL_SHARE = 0.6  # of the rise; a level lower than that was fallen to, as holds are not
_RISE_SHARE = 0.9  # of the rise; no hand loads a berry to so much of its peak at once
_ONSET = 0.8  # readings; a press began so long before the first that shows it, at most


class Ending(NamedTuple):
    """Where a press ended: level, readings it is the mean of, whether another one begins."""

    level_newton: float
    n: int
    anew: bool = False


def is_flat(values: Sequence[float], sigma: float, step: float, creep: float = 0.0) -> bool:
    """Whether readings are level: their halves agree, and they stray no more than at rest."""
    n = len(values)
    off = abs(fmean(values[n // 2 :]) - fmean(values[: n // 2])) - creep
    spread = max(values) - min(values) - creep
    most = _FLAT_SIGMA * sigma / math.sqrt(n) + step / 2
    return off <= most and spread <= max(2 * SAME_SIGMA * sigma, 2 * step)


def least_rise(
    zero: Baseline, settings: DetectorSettings, sigma_newton: float, step_share: float = 1.0
) -> float:
    """Least rise of a press (N): it stands out of the noise, and of the display's steps."""
    steps = settings.press_steps * step_share * zero.step_newton
    return max(settings.press_sigma * sigma_newton, steps)


class Part:
    """Readings of a press up to a level at which the force stayed, or up to its end."""

    def __init__(self, t_start_s: float, base_newton: float) -> None:
        self.t_start_s, self.base_newton = t_start_s, base_newton
        self.onset_newton = base_newton  # above which it was seen to have begun
        self.forces: list[float] = []
        self.losses: list[Loss] = []
        self.flags: set[Flag] = set()
        self.count = 0
        self.largest_newton = -math.inf
        self.peak: Reading | None = None
        self.level_newton = math.nan  # at its end,
        self.from_s = self.to_s = t_start_s  # from when on, and till when it was seen
        self.stay_newton = math.nan  # the first of its levels
        self.frozen_s = 0.0  # how long its end showed nothing but its largest reading
        self.held: list[tuple[float, float]] = []  # such ends of parts in it: for how long, force

    @property
    def rise_newton(self) -> float:
        """Rise above the level at which it began."""
        return self.largest_newton - self.base_newton

    def take(self, reading: Reading, force: float) -> None:
        """Take a reading."""
        self.count += 1
        self.forces.append(force)
        if len(self.forces) > KEPT:
            del self.forces[_ENDS:-_ENDS]
        if force > self.largest_newton:
            self.largest_newton, self.peak = force, reading

    def land(self, t_s: float, level_newton: float, n: int) -> None:
        """Note that the last `n` readings were level."""
        self.level_newton = self.stay_newton = level_newton
        self.to_s = t_s
        if self.peak is not None and min(self.forces[-n:]) == self.largest_newton:
            self.frozen_s = t_s - self.peak.t_s

    def stages(self) -> list[float]:
        """Peaks before the last that a display has held, where it held the last one, too."""
        held = [force for seconds, force in self._frozen() if seconds >= FROZEN_S]
        return held[:-1] if held and held[-1] == self.largest_newton else []

    def _frozen(self) -> list[tuple[float, float]]:
        own = [(self.frozen_s, self.largest_newton)] if self.frozen_s else []
        return self.held + own

    def join(self, newer: Part) -> None:
        """Go on with the part after this one."""
        if newer.largest_newton > self.largest_newton:
            self.held = self._frozen() + newer.held
            self.largest_newton, self.peak = newer.largest_newton, newer.peak
            self.frozen_s = newer.frozen_s
        elif newer.frozen_s and newer.largest_newton == self.largest_newton and self.peak:
            self.frozen_s = newer.to_s - self.peak.t_s
        self.losses += [Loss(loss.at + len(self.forces), loss.seconds) for loss in newer.losses]
        self.forces = (self.forces + newer.forces)[: 2 * KEPT]
        self.count += newer.count
        self.flags |= newer.flags
        self.level_newton, self.to_s = newer.level_newton, newer.to_s


class OpenPress:
    """A press under way, begun at a reading that left a baseline."""

    def __init__(
        self, zero: Baseline, t_before_s: float, t_start_s: float, settings: DetectorSettings
    ) -> None:
        self.zero, self.settings = zero, settings
        self.t_before_s = t_before_s
        self.sigma_newton, self.width = zero.sigma_newton, zero.width
        self.base_newton, self.base_error_newton = zero.foretell(t_start_s)
        self.floor_newton = self.base_newton  # the last level that looks like a new zero,
        self.top_newton = -math.inf  # and the largest reading since
        self.step_share = 1.0  # of the display step, where it may be smaller
        self.parts: list[Part] = []
        self.part = Part(t_start_s, self.base_newton)
        self.largest_newton = -math.inf
        self.watch_newton = math.inf
        self.near: list[float] = []
        self.low: list[float] = []
        self.t_near_s, self.lowest_newton = t_start_s, math.inf

    # --- readings -------------------------------------------------------------------------------

    def take(self, reading: Reading, force: float) -> None:
        """Take a reading; below `watch_newton` it is worth asking whether the press ends."""
        self.part.take(reading, force)
        if force > self.top_newton:
            self.top_newton = force
            self.largest_newton = max(self.largest_newton, force)
            self._watch()

    def _watch(self) -> None:
        floor, height = self.floor_newton, self.floor_newton - self.base_newton
        self.watch_newton = self.base_newton + _END_SHARE * (self.largest_newton - self.base_newton)
        rise = self.top_newton - floor
        if rise > height / 2:  # less is a waver of a hold
            self.watch_newton = max(self.watch_newton, floor + _END_SHARE * rise)

    def need_newton(self) -> float:
        """Least rise of this press (N)."""
        return least_rise(self.zero, self.settings, self.sigma_newton, self.step_share)

    def sharpen(self, step_newton: float) -> None:
        """Take a display step that became known during the press."""
        self.zero.show(step_newton)
        self.sigma_newton = self.zero.sigma_newton

    @property
    def is_idle(self) -> bool:
        """Whether the force stays at a level that looks like zero."""
        rises = self.top_newton - self.floor_newton > self.need_newton()
        return self.floor_newton != self.base_newton and not rises

    # --- its end --------------------------------------------------------------------------------

    def back(self, t_s: float, force: float, dwell: int) -> Ending | None:
        """Whether the force is back at the baseline, or was close to it and rises anew."""
        level, level_error = self.zero.foretell(t_s)
        rise = self.largest_newton - level
        band = self._band_newton(rise, level_error)
        close, near = max(band, _NEAR_SHARE * rise), self.near
        margin = math.inf
        if len(near) >= dwell - 1:
            margin = self.zero.high(t_s, self.settings.onset_sigma) - level
            margin = min(margin, _ANEW_SHARE * max(rise, 0.0) + _ANEW_SIGMA * self.sigma_newton)
        if force > level + close:
            if len(near) >= dwell and self._is_anew(force, level, margin):
                return Ending(self.lowest_newton, dwell, anew=True)
            if force > level + _AWAY * close:
                near.clear()
            return None
        if not near:
            self.t_near_s, self.lowest_newton = t_s, math.inf
        near.append(force)
        if len(near) < dwell:
            return None
        last = near[-dwell:]
        recent = median(last)
        self.lowest_newton = min(self.lowest_newton, recent)
        if self._is_anew(recent, level, margin) or self._is_anew(force, level, _SINGLE * margin):
            return Ending(self.lowest_newton, dwell, anew=True)
        flat = is_flat(last, self.sigma_newton, self.zero.step_newton)
        if len(near) > dwell and max(last) <= level + band and flat:
            return Ending(fmean(last), dwell)
        return None

    def _band_newton(self, rise: float, level_error: float) -> float:
        """How far above the foretold level readings are back at it."""
        most = SMALL_SHARE * max(rise, 0.0)
        off = min(_BAND_SIGMA * level_error, most / 2)
        return min(self.width * math.hypot(_BAND_SIGMA * self.sigma_newton, off), most)

    def _is_anew(self, force: float, level: float, margin: float) -> bool:
        """Whether the force, back near the baseline, rises anew; noise may grow with the force."""
        low = max(self.lowest_newton, level)
        return force > low + margin + _NOISE_SHARE * (low - level)

    def level(self, t_s: float, rate_hz: float) -> Ending | None:
        """Whether the force is level for so long that it is zero; a shorter one is noted."""
        low, step = self.low, self.zero.step_newton
        for kept in (low, self.near, self.part.losses):
            if len(kept) > KEPT:
                del kept[: KEPT // 2]
        n = max(BLOCK + 1, math.ceil(MOMENT_S * rate_hz))
        if len(low) >= n:
            mean, floor = fmean(low[-n:]), self.floor_newton
            rise = self.top_newton - floor
            if mean < floor - SAME_SIGMA * self.sigma_newton:
                floor = self.base_newton
                rise = self.largest_newton - floor
            share = (mean - floor) / rise if rise > 0 else 1.0
            n = max(n, math.ceil(_END_SQUARE_S * share * share * rate_hz))
            flat = len(low) >= n and is_flat(low[-n:], self.sigma_newton, step)
            if share <= _END_SHARE and flat:
                return Ending(fmean(low[-n:]), n)
        forces = self.part.forces
        n = max(2 * BLOCK, math.ceil(_HOLD_S * rate_hz))
        if len(forces) >= n:
            last = forces[-n:]
            mean = fmean(last)
            height = mean - self.base_newton
            sigma = max(self.sigma_newton, _HOLD_NOISE * height)
            if height > 0 and is_flat(last, sigma, step, _HOLD_SLOPE * height):
                self._land(t_s, mean, n, rate_hz)
        return None

    def _land(self, t_s: float, level_newton: float, n: int, rate_hz: float) -> None:
        """Note a level: the part ends, unless it hardly rose from the level before."""
        part, parts = self.part, self.parts
        part.land(t_s, level_newton, n)
        part.from_s = t_s - n / rate_hz if rate_hz else part.t_start_s
        if parts and part.rise_newton < self.need_newton():
            parts[-1].join(part)
        else:
            parts.append(part)
        if len(parts) > _MOST_LEVELS:
            parts[0].join(parts.pop(1))
        self.part = Part(t_s, level_newton)
        if self._is_zero(parts[-1], rate_hz):
            self.floor_newton, self.top_newton = level_newton, -math.inf
        elif level_newton < self.floor_newton - SAME_SIGMA * self.sigma_newton:
            self.floor_newton, self.top_newton = self.base_newton, self.largest_newton
        self._watch()

    # --- hindsight ------------------------------------------------------------------------------

    def _is_zero(self, part: Part, rate_hz: float) -> bool:
        """Whether a part looks like a new zero: it fell to its level, or rose as no hand does."""
        rise, height = part.rise_newton, part.level_newton - part.base_newton
        need = self.need_newton()
        fell = rise > need and height < _FELL_SHARE * rise
        return fell or (height > need and self.is_step(part, rate_hz, part.level_newton))

    def cut(self, level_newton: float, rate_hz: float) -> list[Part]:
        """Cut the press at its levels that were zero, now that its end is known; the parts."""
        found: list[Part] = []
        base, whole = self.base_newton, None
        for part in [*self.parts, self.part]:
            level, lasted = part.level_newton, part.to_s - part.from_s >= LONG_S
            if whole is None:
                whole = part
                whole.base_newton = base
            else:
                whole.join(part)
            near = level - base < self.sigma_newton or level_newton > (level + base) / 2
            if near and (lasted or self._is_zero(whole, rate_hz)):
                found.append(whole)
                whole, base = None, level
        if whole is not None:
            found.append(whole)
        return found

    def is_left(self, part: Part, rate_hz: float) -> bool:
        """Whether a part just after a release is but what stayed on the head."""
        stay, largest = part.stay_newton, part.largest_newton
        more = largest - stay >= self.need_newton()  # False for one that did not stay
        top = largest if math.isnan(stay) else stay
        low = top - part.base_newton < self.need_newton()
        return not more and (low or self.is_step(part, rate_hz, top))

    def is_touch(self, part: Part, end_s: float, rate_hz: float) -> bool:
        """Whether a part rose too little, or was over too soon, for a press."""
        lasted_s = end_s - self.t_before_s
        if rate_hz:  # readings that come late come together
            lasted_s = max(lasted_s, (part.count - len(self.near)) / rate_hz)
        if part.peak is None or lasted_s < self.settings.shortest_s:
            return True
        if lasted_s < MOMENT_S and self.is_step(part, rate_hz, part.largest_newton):
            return True
        need = self.need_newton()
        shown = sum(force > part.base_newton + need / 2 for force in part.forces)
        return part.rise_newton < (need if shown > 1 else _LONE_NEED * need)

    def is_step(self, part: Part, rate_hz: float, top_newton: float) -> bool:
        """Whether a part rose to a force faster than a hand can: a knock, or a step of zero."""
        most = part.base_newton + _RISE_SHARE * (top_newton - part.base_newton)
        n = next((i for i, force in enumerate(part.forces) if force >= most), 0)
        lost_s = sum(loss.seconds for loss in part.losses if loss.at <= n)
        seen = part.onset_newton + max(2 * self.sigma_newton, self.zero.step_newton)
        return most > seen and n + _ONSET < (HAND_S - lost_s) * rate_hz
