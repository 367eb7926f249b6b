"""The detector: readings one after another -> presses with one peak each.

Pure and incremental: no clock, no line, no file; memory does not grow with the session.

Theory of operation
-------------------
`gauge.detect.baseline` foretells what the gauge would show with nothing on it, and how surely. All
questions are asked of that: has the force left it, is it back, does it stand at another level. A
level away from it may be a new zero or the hold of a press; nobody knows at once. So the press is
suspended, and the level is taken for a baseline of its own until it is known which. What is known
late is applied to what came before.

======== ============================================== ==========================================
state    what is seen                                   what follows
======== ============================================== ==========================================
settling a run of level readings                        rest; told, if it had been higher before
rest     a reading or block above the baseline          press on that baseline
rest     a block far below                              the level follows (a pull, residue, tare)
rest     on a suspended press, a reading below it       that press goes on: press
rest     on one that fell by much, still for long       it is over: a berry; rest on that level
press    back at the baseline for some readings, or     over: a berry, or a touch, a knock, a step
         level close to it, or rises anew close to it   of zero, a press seen in part; rest
press    back at the level before a pull of juice       it was the pull's end; rest
press    level anywhere else for half a second          suspended; rest on that level
press    on a suspended one, falls below its level      both are one: press
press    on low levels, as it ends                      they were its foot, or zero; as above
press    on a suspended one, back level on its level,   that level is zero: what was suspended is
         and at least half as high as that level is     judged by what it fell by, then this ends
press    the same, but lower                            a waver of the hold: both are one; rest
any      gap                                            a press is cut; settling
======== ============================================== ==========================================
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from statistics import fmean, median

from gauge.detect.arrivals import Arrivals
from gauge.detect.baseline import Baseline, Block, block_of, rough_sigma
from gauge.detect.detectorview import DetectorView, ForceTrace
from gauge.detect.display import Display
from gauge.detect.figures import Loss
from gauge.detect.press import FROZEN_S, KEPT, NEAR_SHARE, OpenPress
from gauge.detect.settings import DetectorSettings
from gauge.detect.suspended import (
    DEEPEST,
    FOOT_S,
    LOW_SHARE,
    RELEASE_SHARE,
    SAME,
    are_zeros,
    floor_newton,
    has_sunk,
    is_low,
)
from gauge.records import Flag, Press, Reading, Status, TruncatedPress
from gauge.units import NEWTON_PER_FLOAT, Unit

Event = Press | TruncatedPress

_SETTLING, _REST, _PRESS = "settling", "rest", "press"
_GOES_ON, _OVER, _ANEW = "goes on", "over", "anew"  # anew: the reading is still to be taken
_BLOCK_S = 0.1  # s; readings are taken together in blocks of this length,
_BLOCK = 4  # readings; and at least so many
_DWELL_S = 0.06  # s; readings so long at the foretold baseline end a press
_SETTLE_S, _SETTLE_FAR_S = 0.4, 0.8  # s; level readings so long are a first rest, near zero and far
_FLAT = 5  # standard errors by which the halves of level readings may differ at most
_LEVEL_S = 0.25  # s; so long level at a low share of the rise does, too,
_REMAINS_S = 0.6  # s; the same at a higher share,
_CREEP = 0.1  # of the rise a second; a force that rises slowly after a skin break
_LEVELS = [
    (_LEVEL_S, LOW_SHARE),
    *((k * _REMAINS_S, RELEASE_SHARE) for k in (1, 2)),
]
_WATCH_SHARE = 0.5  # of the rise; below it, the end is watched for
_HOLD_S = 0.5  # s; level so long suspends a press
_HOLD_NOISE = 0.03  # of its height; noise that a hold may have,
_HOLD_SLOPE = 0.01  # and how far it may creep meanwhile
_BACK_S = 0.35  # s; so long level again on a suspended level makes it the new zero
_WAVER_SHARE = 0.5  # of the height it stands on; a lower press is a waver of a hold
_START_SHARE = 0.2  # of the rise; what ends lower than it began by more began in mid-press
_PULL_SHARE = 0.2  # of the rise; the most that juice pulls after a release
_RESIDUE_S = 0.25  # s; a step so soon after a release is what is left on the head
_GONE_S = 1.5  # s; a level that a press fell to by much is its end after so long
_UNSURE_STEP = 0.85  # of the display steps asked for, while few numbers were seen


class Detector:
    """Finds presses in the readings of a streaming or polled gauge.

    Parameters
    ----------
    settings : DetectorSettings, optional

    Examples
    --------
    >>> from gauge.units import Unit
    >>> forces = [0.0] * 40 + [0.099 * i for i in range(21)] + [0.0] * 20
    >>> said = [Reading(i / 50, f, f"{f:.2f}", Unit.N) for i, f in enumerate(forces)]
    >>> [berry] = Detector().feed(said)
    >>> berry.peak_shown, berry.n_ramp
    ('1.98', 20)
    """

    def __init__(self, settings: DetectorSettings | None = None) -> None:
        self.settings = settings or DetectorSettings()
        self._arrivals = Arrivals(self.settings.gap_s)
        self._display = Display()
        self._trace = ForceTrace()
        self._zero = Baseline(0.0)
        self._unit: Unit | None = None
        self._press: OpenPress | None = None
        self._stack: list[OpenPress] = []
        self._factor = math.nan
        self._switched = False
        self._confirmed = False
        self._peaks: deque[float] = deque(maxlen=9)
        self._told_rate = False
        self._told_step = 0.0
        self._ended_s = -math.inf
        self._raised = (-math.inf, 0.0, 0.0)  # end, zero and peak of a press that left much
        self._missing = (-math.inf, 0.0)  # when readings were last lost, and for how long
        self._unsettle("the session began in mid-press")

    # --- what callers use -----------------------------------------------------------------------

    def feed(self, readings: Iterable[Reading]) -> list[Event]:
        """Take the next readings, in the order in which the gauge sent them.

        Parameters
        ----------
        readings : iterable of Reading
            All readings of one chunk should come in one call: many readings after a silence tell a
            late delivery from a gap.

        Returns
        -------
        list of Press or TruncatedPress
            What became certain with these readings.
        """
        batch = readings if isinstance(readings, Sequence) else list(readings)
        out: list[Event] = []
        arrivals = self._arrivals
        for at, reading in enumerate(batch):
            t_s = reading.t_s
            if reading.unit is not self._unit:
                self._switch(reading)
            if t_s != arrivals.last_s:
                self._tick(batch, at, out)
            arrivals.count += 1
            if reading.status is Status.OVERLOAD:
                self._overload(t_s)
            force = reading.value * self._factor
            if not math.isfinite(force) or reading.status not in (Status.OK, Status.OVERLOAD):
                continue
            self._trace.see(t_s, force)
            if self._display.multiple != 1:
                self._see_digits(reading)
            self._take(reading, t_s, force, out)
        return out

    def unreadable(self, t_s: float, n: int) -> list[Event]:
        """Take that `n` lines came which could not be read: a peak may hide in them."""
        arrivals = self._arrivals
        arrivals.count += n
        arrivals.last_s = t_s if arrivals.last_s is not None else None
        self._lose(n, 0)
        return []

    def gap(self, t_s: float, reason: str) -> list[Event]:
        """Note that bytes may have been lost: a press under way is cut, rest must be seen again."""
        out = self._cut(t_s, reason)
        self._unsettle("" if out else f"began in mid-press after a gap ({reason})")
        self._arrivals.restart(None)
        return out

    def close(self) -> list[Event]:
        """End the session: a press whose release was not seen is cut."""
        out: list[Event] = []
        t_s, press = self._arrivals.last_s or 0.0, self._press
        if press is not None and press.near and not self._stack:
            self._finish(t_s, median(press.near), len(press.near), out)
        out += self._cut(t_s, "the session ended in mid-press")
        self._unsettle("")
        return out

    @property
    def view(self) -> DetectorView:
        """Snapshot of the state for screens."""
        press = self._press
        known = self._state is not _SETTLING
        return DetectorView(
            state=self._state,
            baseline_newton=self._zero.level_newton if known else math.nan,
            noise_newton=self._zero.sigma_newton if known else math.nan,
            current_newton=self._trace.current_newton,
            largest_newton=press.largest_newton if press and press.peak else math.nan,
            trace=self._trace.points,
        )

    # --- common to all states -------------------------------------------------------------------

    def _take(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        if self._state is _REST:
            self._take_rest(reading, t_s, force, out)
        elif self._state is _PRESS:
            self._take_press(reading, t_s, force, out)
        else:
            self._take_settling(reading, t_s, force, out)

    def _switch(self, reading: Reading) -> None:
        """Take readings in another unit from now on."""
        if self._unit is not None:
            self._switched, self._display = True, Display()
            if self._press is not None:
                self._press.flags.add(Flag.UNIT_CHANGED)
        self._unit, self._factor = reading.unit, NEWTON_PER_FLOAT[reading.unit]
        if reading.status is Status.OK:
            self._see_digits(reading)

    def _see_digits(self, reading: Reading) -> None:
        self._display.see(reading.shown, reading.unit)
        step = self._display.step_newton
        if step != self._zero.step_newton:
            self._zero.show(step)
            for press in [*self._stack, *([self._press] if self._press else [])]:
                press.sharpen(step)

    def _tick(self, batch: Sequence[Reading], at: int, out: list[Event]) -> None:
        """Move the clock to reading `at`; a gap may lie before it, or readings be lost."""
        reason = self._arrivals.tick(batch, at)
        if self._arrivals.lost:
            self._lose(self._arrivals.lost, self._arrivals.got)
        if reason is None:
            return
        t_s, force = batch[at].t_s, batch[at].value * self._factor
        rest = self._state is _REST and not self._stack
        if not (rest and abs(force - self._zero.level_newton) < SAME * self._zero.sigma_newton):
            out.extend(self.gap(t_s, reason))
        self._arrivals.restart(t_s)

    def _lose(self, n: float, back: int) -> None:
        """Note that readings of a press are missing, before the last `back` ones."""
        press, rate_hz = self._press, self._arrivals.rate_hz
        if press is None and self._stack:
            press = self._stack[-1]
        if rate_hz:
            now_s, (then_s, before) = self._arrivals.last_s or 0.0, self._missing
            before = before if now_s - then_s < 2 * _BLOCK_S else 0.0
            self._missing = now_s, before + n / rate_hz
            if press is not None:
                at, seconds = max(len(press.forces) - back, 0), n / rate_hz
                if press.losses and press.losses[-1].at == at:
                    seconds += press.losses.pop().seconds
                press.losses.append(Loss(at, seconds))

    def _overload(self, t_s: float) -> None:
        """Take the gauge's word that the force is beyond its range."""
        if self._state is _REST:
            self._begin(t_s)
        if self._press is not None:
            self._press.flags.add(Flag.OVERLOAD)
            self._press.near.clear()
            self._press.low.clear()
        self._run.clear()

    def _n(self, seconds: float, least: int) -> int:
        """Readings that come in so long a time, or the least that are asked for."""
        return max(least, math.ceil(seconds * self._arrivals.rate_hz))

    def _is_flat(self, values: Sequence[float], sigma: float, creep: float = 0.0) -> bool:
        """Whether readings are level: their halves agree, and they stray no more than at rest."""
        n = len(values)
        half, step = n // 2, self._display.step_newton
        first, last = fmean(values[:half]), fmean(values[half:])
        off = abs(last - first)
        most = _FLAT * sigma / math.sqrt(n) + step / 2 + creep
        return off <= most and max(values) - min(values) <= max(2 * SAME * sigma, 2 * step) + creep

    # --- settling -------------------------------------------------------------------------------

    def _unsettle(self, reason: str) -> None:
        """Wait for rest; `reason` is what a press seen meanwhile was cut by."""
        self._state = _SETTLING
        self._press, self._stack = None, []
        self._run: list[tuple[float, float]] = []
        self._wait = 0
        self._largest_newton = -math.inf
        self._known_newton = self._zero.level_newton if self._confirmed else 0.0
        self._confirmed = False
        self._unseen = reason

    def _take_settling(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        self._largest_newton = max(self._largest_newton, force)
        self._run.append((t_s, force))
        self._wait -= 1
        if self._wait > 0:
            return
        run = self._run
        old = sum(t_s - t >= _SETTLE_FAR_S for t, _ in run)
        del run[: max(0, min(old - 1, len(run) - 2 * _BLOCK))]
        self._wait = len(run) // 16
        self._see_digits(reading)
        for seconds in (_SETTLE_S, _SETTLE_FAR_S):
            values = [v for t, v in run if t_s - t <= seconds]
            values = values if len(values) >= 2 * _BLOCK else [v for _, v in run[-2 * _BLOCK :]]
            if len(values) < 2 * _BLOCK or t_s - run[0][0] < seconds:
                return
            if self._is_first_rest(values, t_s - run[0][0] >= _SETTLE_FAR_S):
                break
        else:
            return
        self._zero = Baseline(self._display.step_newton)
        self._zero.start(t_s, values)
        level = self._zero.level_newton
        press = OpenPress(self._zero, t_s, t_s)
        fell = self._largest_newton - level > press.need_newton(self.settings)
        if self._unseen and fell:
            self._say(out, t_s, self._unseen, self._largest_newton)
        self._to_rest(t_s)

    def _is_first_rest(self, values: list[float], long: bool) -> bool:
        """Whether a run is level enough for a first rest, far from zero only if it was long."""
        n, step = len(values), self._display.step_newton
        sigma = max(rough_sigma(values), 0.4 * step)
        half = n // 2
        off = abs(fmean(values[half:]) - fmean(values[:half]))
        if off > SAME * sigma or max(values) - min(values) > 14 * sigma:
            return False
        level = fmean(values)
        near = level <= max(2 * SAME * sigma, 0.03 * self._largest_newton)
        return long or near or abs(level - self._known_newton) <= 2 * SAME * sigma

    # --- rest -----------------------------------------------------------------------------------

    def _to_rest(self, t_s: float) -> None:
        self._state, self._press = _REST, None
        self._before: list[float] = []
        self._block: list[float] = []
        self._block_s = t_s
        self._set_band(t_s)

    def _set_band(self, t_s: float) -> None:
        """Find the forces between which readings of the next block are at rest."""
        soon_s = t_s + _BLOCK_S
        self._high = self._zero.high(soon_s, self.settings.onset_sigma)
        self._low = (
            floor_newton(self._stack, self._zero, soon_s, self.settings)
            if self._stack
            else -math.inf
        )
        self._many = self._n(_BLOCK_S, _BLOCK)

    def _take_rest(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        if force > self._high:
            self._begin(t_s)
            self._take_press(reading, t_s, force, out)
            return
        if self._stack:
            if force < self._low:
                self._resume()
                self._take_press(reading, t_s, force, out)
                return
            self._stack[-1].take(reading, force, _WATCH_SHARE)
        self._block.append(force)
        if len(self._block) >= self._many:
            self._end_block(reading, t_s, out)

    def _end_block(self, reading: Reading, t_s: float, out: list[Event]) -> None:
        """Learn from a block of readings at rest."""
        block, zero = block_of(t_s, self._block), self._zero
        self._see_digits(reading)
        self._tell_rate(t_s, out)
        self._tell_decimals(t_s, out)
        before = zero.level_newton
        if not (self._confirmed or self._stack) and self._is_first(block):
            zero.start(t_s, [*self._before, *self._block])
        elif not zero.learn(block, self.settings.onset_sigma):
            last = self._block
            self._begin(self._block_s)
            assert self._press is not None
            for force in last:
                self._press.take(reading, force, _WATCH_SHARE)
            return
        if self._stack and has_sunk(self._stack[-1], self._zero):
            self._resume()
            return
        if self._stack and self._is_gone(t_s, out):
            return
        if not self._confirmed and not self._stack:
            self._tell_unseen(t_s, before, out)
        self._before, self._block, self._block_s = self._block, [], t_s
        self._set_band(t_s)

    def _is_gone(self, t_s: float, out: list[Event]) -> bool:
        """Whether a suspended press fell by so much, and is still for so long, that it is over."""
        press, first = self._stack[-1], self._stack[0]
        largest = max(earlier.top[0] for earlier in self._stack)
        level, fell = self._zero.level_newton, largest - press.held_newton
        if t_s - press.t_near_s < _GONE_S or abs(level - press.held_newton) > first.sigma_newton:
            return False
        if fell < max(
            RELEASE_SHARE * (largest - first.base_newton), first.need_newton(self.settings)
        ):
            return False
        if not self._is_flat(press.forces[-self._n(_GONE_S, 2 * _BLOCK) :], first.sigma_newton):
            return False
        self._zero = first.zero
        if self._are_zeros(self._stack):
            for earlier in self._stack[:-1]:
                self._judge_suspended(earlier, t_s, out)
            first = press
        else:
            for newer in self._stack[1:]:
                first.merge(newer)
        out.append(self._berry(first, level, 1, press.t_near_s))
        self._stack = []
        self._zero.jump(t_s, level, 2 * _BLOCK)
        self._to_rest(t_s)
        return True

    def _is_first(self, block: Block) -> bool:
        """Whether a block is so much stiller than the first rest that that was none."""
        zero, values = self._zero, [*self._before, *self._block]
        if len(values) < 2 * _BLOCK:
            return False
        own = max(rough_sigma(values), 0.4 * zero.step_newton)
        off = abs(fmean(values) - zero.foretell(block.t_s)[0])
        far = SAME * own < zero.sigma_newton and off > 2 * SAME * own
        return far and self._is_flat(values, own)

    def _tell_unseen(self, t_s: float, before: float, out: list[Event]) -> None:
        """Tell of a first level that was no rest but a press held, when the force falls from it."""
        level = self._zero.level_newton
        need = OpenPress(self._zero, t_s, t_s).need_newton(self.settings)
        if self._unseen and before - level > need and abs(level) < abs(before) / 2:
            self._say(out, t_s, self._unseen, before)
            self._unseen = ""
            self._zero.start(t_s, self._block)

    def _tell_decimals(self, t_s: float, out: list[Event]) -> None:
        """Say once that the display has become coarser than it was."""
        step = self._display.step_newton
        if self._told_step < step and self._display.coarser and self._peaks:
            self._told_step = step
            self._say(
                out, t_s, f"the display shows steps of {step:g} N now: small presses are lost"
            )

    def _tell_rate(self, t_s: float, out: list[Event]) -> None:
        """Say once that the gauge sends too seldom."""
        rate_hz = self._arrivals.rate_hz
        if 0 < rate_hz < self.settings.lowest_hz and not self._told_rate:
            self._told_rate = True
            reason = f"the gauge sends too seldom: {rate_hz:.1f} readings a second"
            self._say(out, t_s, f"{reason}, {self.settings.lowest_hz:g} are needed")

    # --- press ----------------------------------------------------------------------------------

    def _begin(self, t_s: float) -> None:
        zero, rate_hz = self._zero, self._arrivals.rate_hz
        zero.doubt()
        if self._stack:
            below = self._stack[-1]
            if t_s - below.frozen_s >= FROZEN_S:
                below.stages.append((below.frozen_s, below.largest_newton))
        before_s = t_s - 1 / rate_hz if rate_hz else t_s
        self._press = OpenPress(zero, before_s, t_s)
        self._press.onset_newton = self._high
        if t_s - self._missing[0] < 2 * _BLOCK_S:
            self._press.losses.append(Loss(0, self._missing[1]))
        self._state = _PRESS
        self._block, self._block_s = [], t_s

    def _resume(self) -> None:
        """Let the last suspended press go on."""
        press = self._stack.pop()
        if self._press is not None:
            press.merge(self._press)
            low = self._press.low
            press.low = [v for v in low if v <= press.watch_newton]
            press.near = []
        else:
            press.near, press.low = [], []
        self._press, self._state, self._zero = press, _PRESS, press.zero
        self._block = []

    def _take_press(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        press = self._press
        assert press is not None
        if force <= press.watch_newton or press.near:
            ends = self._ends(press, t_s, force, out)
            if ends is _ANEW:
                self._take(reading, t_s, force, out)
            if ends is not _GOES_ON:
                return
        else:
            press.low.clear()
        self._block.append(force)
        press.take(reading, force, _WATCH_SHARE)
        if len(self._block) >= self._many:
            block, self._block = fmean(self._block), []
            self._see_digits(reading)
            if not self._is_pull_over(press, t_s, block, out):
                self._hold(press, t_s, out)

    def _is_pull_over(self, press: OpenPress, t_s: float, mean: float, out: list[Event]) -> bool:
        """Whether a press is but the return from a pull of juice; if it is more, rebase it."""
        former = press.zero.former_at(press.t_start_s)
        band = SAME * press.sigma_newton
        if self._stack or math.isnan(former) or press.largest_newton < former - band:
            return False
        if press.largest_newton - former > press.need_newton(self.settings):
            press.zero.jump(press.t_start_s, former, 2 * _BLOCK)
            press.zero.former_newton = math.nan
            press.rebase(former)
        elif abs(mean - former) <= band:
            self._finish(t_s, mean, self._many, out)
            return True
        return False

    def _ends(self, press: OpenPress, t_s: float, force: float, out: list[Event]) -> str:
        """Whether the press ends with this reading, or before it."""
        level, unsure = press.zero.foretell(t_s)
        former = press.zero.former_at(press.t_start_s)
        band = press.band_newton(t_s, level, unsure)
        if abs(force - former) <= band:
            level = former
        press.low.append(force)
        for kept in (press.low, press.near, press.losses):
            if len(kept) > KEPT:
                del kept[: KEPT // 2]
        if self._stack and is_low(self._stack[0], press, self.settings):
            press = self._settle_low(press, t_s, out)
            level, unsure = press.zero.foretell(t_s)
            band = press.band_newton(t_s, level, unsure)
        if self._stack:
            return self._ends_above(press, t_s, force, band, out)
        rise = press.largest_newton - level
        dwell = max(3, min(10, round(_DWELL_S * self._arrivals.rate_hz)))
        margin = press.zero.high(t_s, self.settings.onset_sigma) - level
        margin = min(margin, 0.3 * max(rise, 0.0) + 3 * press.sigma_newton)
        near = press.near
        if force > level + max(band, NEAR_SHARE * rise):
            if len(near) >= dwell:
                if press.is_anew(force, level, margin):
                    self._finish(t_s, press.lowest_newton, dwell, out)
                    return _ANEW
            elif force > level + 1.5 * max(band, NEAR_SHARE * rise):
                near.clear()
        else:
            recent = press.see_near(t_s, force, dwell)
            if recent is not None:
                anew = press.is_anew(recent, level, margin)
                if anew or press.is_anew(force, level, 1.6 * margin):
                    self._finish(t_s, press.lowest_newton, dwell, out)
                    return _ANEW
                if self._is_back(press, t_s, level, band, dwell):
                    self._finish(t_s, fmean(near[-dwell:]), dwell, out)
                    return _OVER
        return self._ends_level(press, t_s, level, out)

    def _ends_level(self, press: OpenPress, t_s: float, level: float, out: list[Event]) -> str:
        """Whether the press ends level, somewhat above its baseline: something stays on the head.

        After a skin break the force rises again, perhaps slowly: the higher the level, the longer
        it is watched, until a creep by a tenth of the rise in a second would show.
        """
        rise, sigma = press.largest_newton - level, press.sigma_newton
        for seconds, share in _LEVELS:
            n = self._n(seconds, _BLOCK + 1 if share < RELEASE_SHARE else 3 * _BLOCK)
            if len(press.low) < n or len(press.low) % max(1, n // 4):
                continue
            last = press.low[-n:]
            unsure = _FLAT * sigma / math.sqrt(n) + self._display.step_newton / 2
            shows = share < RELEASE_SHARE or unsure < _CREEP / 2 * rise * seconds
            if shows and fmean(last) <= level + share * rise and self._is_flat(last, sigma):
                if share == RELEASE_SHARE:
                    self._raised = t_s, level, press.largest_newton
                self._finish(t_s, fmean(last), n, out)
                return _OVER
        return _GOES_ON

    def _is_back(self, press: OpenPress, t_s: float, level: float, band: float, dwell: int) -> bool:
        """Whether the last readings are back at the baseline."""
        near = press.near
        if len(near) <= dwell:
            return False
        last = near[-dwell:]
        n, base = self._n(_LEVEL_S, _BLOCK + 1), press.base_newton
        below, far = fmean(last) < level - band, False
        if not self._confirmed:
            sigma = press.sigma_newton
            far = base > 2 * SAME * sigma and base > _START_SHARE * press.rise_newton
            n = self._n(_SETTLE_FAR_S, _BLOCK + 1) if far else n
        if far or (below and not self._confirmed) or self._may_be_same(press):
            return len(near) >= n and self._is_flat(near[-n:], press.sigma_newton)
        return max(last) <= level + band

    def _ends_above(
        self, press: OpenPress, t_s: float, force: float, band: float, out: list[Event]
    ) -> str:
        """Whether a press on a suspended one is over: below its level, or level on it again."""
        if force < floor_newton(self._stack, self._zero, t_s, self.settings):
            press.low.pop()
            self._resume()
            return _ANEW
        first, level = self._stack[0], press.zero.foretell(t_s)[0]
        rise = press.largest_newton - level
        sure = rise * LOW_SHARE > level - first.base_newton or self._are_zeros(
            [*self._stack, press]
        )
        for seconds, share in ((_BACK_S, LOW_SHARE), (_REMAINS_S, RELEASE_SHARE)):
            n = self._n(seconds if sure else _GONE_S, 2 * _BLOCK)
            if len(press.low) < n or len(press.low) % max(1, n // 4):
                continue
            last = press.low[-n:]
            if level - band <= fmean(last) <= level + max(band, share * rise) and self._is_flat(
                last, first.sigma_newton
            ):
                break
        else:
            return _GOES_ON
        below = self._stack[-1]
        height = below.height_newton
        touch = press.is_touch(t_s - _BACK_S, self._arrivals.rate_hz, self.settings)
        if touch or press.rise_newton < _WAVER_SHARE * height:
            below.merge(press)
            self._to_rest(t_s)
            return _OVER
        suspended, self._stack = self._stack, []
        for earlier in suspended:
            self._judge_suspended(earlier, t_s, out)
        main = suspended[0].zero
        main.jump(t_s, fmean(last), n)
        press.zero = main
        self._confirmed = True
        self._finish(t_s, fmean(last), n, out)
        return _OVER

    def _are_zeros(self, presses: list[OpenPress]) -> bool:
        return are_zeros(presses, self._arrivals.rate_hz, self.settings)

    def _settle_low(self, press: OpenPress, t_s: float, out: list[Event]) -> OpenPress:
        """Decide on low levels below a press: the foot of the same press, or zeros; the press."""
        suspended, self._stack = self._stack, []
        first, last = suspended[0], suspended[-1]
        if press.t_start_s - last.t_near_s < FOOT_S and not self._are_zeros([*suspended, press]):
            for newer in [*suspended[1:], press]:
                first.merge(newer)
            first.near, first.low = press.near, press.low
            press = self._press = first
        else:
            for earlier in suspended:
                self._judge_suspended(earlier, t_s, out)
            press.zero = first.zero
            press.zero.jump(press.t_start_s, press.base_newton, 2 * _BLOCK)
        self._zero = press.zero
        return press

    def _judge_suspended(self, press: OpenPress, t_s: float, out: list[Event]) -> None:
        """Judge a suspended press by how far it had fallen when its level turns out to be zero."""
        press.largest_newton, press.peak = press.top
        fell = press.largest_newton - max(press.held_newton, press.base_newton)
        if press.is_step(self._arrivals.rate_hz):
            return
        if fell > press.need_newton(self.settings) and press.largest_newton > 0:
            out.append(self._berry(press, press.held_newton, 1, press.t_near_s))

    def _hold(self, press: OpenPress, t_s: float, out: list[Event]) -> None:
        """Suspend a press that is level away from its baseline."""
        n = self._n(_HOLD_S, 2 * _BLOCK)
        if press.count < n:
            return
        last = press.forces[-n:]
        level = fmean(last)
        height = abs(level - press.base_newton)
        sigma = min(rough_sigma(last), _HOLD_NOISE * height)
        if not self._is_flat(last, max(press.sigma_newton, sigma), _HOLD_SLOPE * height):
            return
        zero, _ = press.zero.foretell(t_s)
        if level <= zero + RELEASE_SHARE * (press.largest_newton - zero):
            return
        press.held_newton, press.t_near_s = level, t_s
        press.top = press.largest_newton, press.peak
        self._stack.append(press)
        if len(self._stack) > DEEPEST:
            self._stack[0].merge(self._stack.pop(1))
        self._zero = press.zero.aside(t_s, last)
        self._to_rest(t_s)

    def _say(self, out: list[Event], t_s: float, reason: str, largest: float = 0.0) -> None:
        """Tell of a press that is no berry, or of what keeps presses from being found."""
        out.append(TruncatedPress(t_s=t_s, largest_newton=max(largest, 0.0), reason=reason))

    # --- judgement ------------------------------------------------------------------------------

    def _berry(self, press: OpenPress, level: float, n: int, t_s: float) -> Press:
        if self._switched:
            press.flags.add(Flag.UNIT_CHANGED)
        self._switched = False
        self._peaks.append(press.largest_newton)
        self._confirmed = True
        return press.figures(
            level, n, t_s, self._arrivals.rate_hz, median(self._peaks), self.settings
        )

    def _finish(self, t_s: float, level: float, n: int, out: list[Event]) -> None:
        """Judge a press that ended at a level, and go back to rest."""
        press, zero = self._press, self._zero
        assert press is not None
        zero = press.zero
        base, unsure = zero.foretell(t_s)
        rise = press.rise_newton
        end_s = press.t_near_s if press.near else t_s
        press.step_share = 1.0 if self._display.is_sure else _UNSURE_STEP
        if self._display.coarser and self._peaks:  # no longer what the hand needs, but what it did
            few = 0.3 * median(self._peaks) / self._display.step_newton
            press.step_share = min(press.step_share, few / self.settings.press_steps)
        touch = press.is_touch(end_s, self._arrivals.rate_hz, self.settings)
        former = zero.former_at(press.t_start_s)
        if abs(level - former) <= SAME * press.sigma_newton:
            touch = touch or press.largest_newton - former < press.need_newton(self.settings)
        if press.t_start_s - self._ended_s < _RESIDUE_S:
            need, held = press.need_newton(self.settings), press.held_newton
            more = press.largest_newton - held >= need  # False for one that was not held
            step = press.is_step(self._arrivals.rate_hz, held) or held - press.base_newton < need
            touch = touch or (step and not more)
        fell = base - level
        most = max(_START_SHARE * rise, SAME * unsure, SAME * press.sigma_newton)
        if not self._confirmed and fell > most:
            need = press.need_newton(self.settings)
            if not touch or fell > need:
                self._say(out, t_s, self._unseen or "began in mid-press", press.largest_newton)
        elif Flag.OVERLOAD in press.flags and (touch or press.peak is None):
            self._say(out, t_s, "overload without a number")
        elif not touch and self._may_be_same(press) and level < (base + self._raised[1]) / 2:
            self._say(
                out,
                t_s,
                "perhaps a second rise of the berry before: press it again if it was another",
            )
        elif not touch and press.largest_newton > 0:
            self._tell_stages(press, t_s, out)
            out.append(self._berry(press, level, n, t_s))
            self._ended_s = t_s
            zero.expect_pull(t_s, press.t_start_s, _PULL_SHARE * rise)
        elif not touch:
            self._say(out, t_s, "no reading of this press is above zero: zero the gauge")
        if touch and n < self._many:  # perhaps the swing of a knock: the baseline stands
            level = base
        self._rest_at(t_s, level, n)

    def _may_be_same(self, press: OpenPress) -> bool:
        """Whether a press may be the second rise of the one before, and its base no zero.

        It began soon, on a level that the one before had left, and rose no higher.
        """
        ended_s, zero, largest = self._raised
        high = press.base_newton - zero > LOW_SHARE * (largest - zero)
        soon = press.t_start_s - ended_s < FOOT_S
        return soon and high and press.largest_newton <= largest

    def _rest_at(self, t_s: float, level: float, n: int) -> None:
        """Go on with a level of `n` readings."""
        press = self._press
        assert press is not None
        zero = self._zero = press.zero
        base, _ = zero.foretell(t_s)
        if abs(level - base) <= SAME * press.sigma_newton:
            zero.correct(t_s, level, n)
        else:
            zero.jump(t_s, level, n)
        self._to_rest(t_s)

    def _tell_stages(self, press: OpenPress, t_s: float, out: list[Event]) -> None:
        """Say which peaks a display has held that was not reset between berries."""
        if press.still_s < FROZEN_S:
            press.stages.clear()
        for _, largest in press.stages:
            self._say(out, t_s, "the display held this peak; reset it between berries", largest)

    def _cut(self, t_s: float, reason: str) -> list[Event]:
        """Report a press under way as cut, unless it was a touch so far."""
        presses = [*self._stack, *([self._press] if self._press else [])]
        if not presses:
            return []
        press = presses[0]
        rises = [p.top[0] - p.base_newton for p in self._stack]
        rises += [self._press.rise_newton] if self._press else []
        slight = max(rises) < press.need_newton(self.settings)
        for newer in presses[1:]:
            press.merge(newer)
        if (slight or press.largest_newton <= 0) and Flag.OVERLOAD not in press.flags:
            return []
        out: list[Event] = []
        self._say(out, t_s, reason, press.largest_newton)
        return out
