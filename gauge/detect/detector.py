"""The detector: readings one after another -> presses with one peak each.

Pure and incremental: no clock, no line, no file; memory does not grow with the session.

Theory of operation
-------------------
`gauge.detect.baseline` foretells what the gauge would show with nothing on it, and how surely. All
else is compared with that: has the force left it, is it back. A level away from it may be a new
zero or the hold of a berry; nobody knows at once, so the press goes on, and its levels are judged
when its end is known (`gauge.detect.press`).

======== ============================================== ==========================================
state    what is seen                                   what follows
======== ============================================== ==========================================
settling a run of level readings                        rest; reported, if higher before
rest     a reading or block above the baseline          press
rest     a block far below                              the level follows; soon after a release it
                                                        waits until a pull of juice would be over
press    level for half a second                        noted as a level of this press
press    back at the baseline for some readings, or     over: each part between levels that were
         level for the longer, the higher that is       zero is a berry, or a touch, a knock, a
                                                        step of zero, a press seen in part; rest
press    close to the baseline, and rises anew          over, and the next one begins: press
any      gap                                            a press is cut; settling
======== ============================================== ==========================================
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from statistics import fmean, median

from gauge.detect.arrivals import GAP_SILENCES, Arrivals
from gauge.detect.baseline import (
    BLOCK,
    SAME_SIGMA,
    Baseline,
    Block,
    block_of,
    rough_sigma,
)
from gauge.detect.display import Display
from gauge.detect.figures import Finished, Loss, press_of
from gauge.detect.press import (
    MOMENT_S,
    SMALL_SHARE,
    Ending,
    OpenPress,
    Part,
    is_flat,
    least_rise,
)
from gauge.detect.settings import DetectorSettings
from gauge.records import (
    DetectorNotice,
    DetectorView,
    Flag,
    Press,
    Reading,
    Status,
    TruncatedPress,
)
from gauge.units import NEWTON_PER_FLOAT, Unit

Event = Press | TruncatedPress | DetectorNotice

_SETTLING, _REST, _PRESS = "settling", "rest", "press"
_BLOCK_S = 0.1  # s; readings are taken together in blocks of this length
_DWELL_S = 0.06  # s; readings so long at the foretold baseline end a press
_DWELL = 3, 10  # readings; at least and at most
_SETTLE_S, _SETTLE_FAR_S = 0.4, 0.8  # s; level readings so long are a first rest, near zero and far
_LOOKS = 16  # times in a first run, that may be long, it is asked whether it is level
_ROUNDING = 0.4  # display steps; noise of a display that rounds is taken for no less
_STRAY_SIGMA = 14  # sigma; readings of a first rest stray no further, also where noise wanders
_ZERO_SHARE = 0.03  # of the largest reading before; a first rest so low is near zero
_UNSURE_STEP = 0.85  # of the display steps asked for, while few numbers were seen
_SMALL_SHARE = 0.3  # of the usual peak; where the display became coarser, a press rises by it


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
        self._current_newton = math.nan
        self._zero = Baseline(0.0)
        self._unit: Unit | None = None
        self._press: OpenPress | None = None
        self._factor = math.nan
        self._switched = False
        self._confirmed = False
        self._peaks: deque[float] = deque(maxlen=9)
        self._told_rate = False
        self._told_step = 0.0
        self._ended_s = -math.inf
        self._missing = (-math.inf, 0.0)  # when readings were last lost, and for how long
        self._unsettle("the session began in mid-press")

    # --- what callers use -----------------------------------------------------------------------

    def feed(self, readings: Iterable[Reading]) -> list[Event]:
        """Take the readings of one chunk; the presses and notices that became certain with them."""
        batch = readings if isinstance(readings, list | tuple) else list(readings)
        out: list[Event] = []
        arrivals = self._arrivals
        arrivals.coming = arrivals.count + len(batch)
        for reading in batch:
            t_s = reading.t_s
            if reading.unit is not self._unit:
                self._switch(reading)
            if t_s != arrivals.last_s:
                self._tick(reading, out)
            arrivals.count += 1
            if reading.status is Status.OVERLOAD:
                self._overload(t_s)
            force = reading.value * self._factor
            if not math.isfinite(force) or reading.status not in (Status.OK, Status.OVERLOAD):
                continue
            self._current_newton = force
            shown = reading.shown
            if self._display.multiple != 1 or len(shown) - shown.rfind(".") != self._display.tail:
                self._see_digits(reading)
            self._take(reading, t_s, force, out)
        return out

    def unreadable(self, t_s: float, n: int) -> list[Event]:
        """Take that `n` lines came which could not be read: a peak may hide in them."""
        self._arrivals.skip(t_s, n)
        out: list[Event] = []
        self._lose(n, 0, out)
        return out

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
        if press is not None and press.near:
            self._finish(t_s, Ending(median(press.near), len(press.near)), out)
        out += self._cut(t_s, "the session ended in mid-press")
        self._unsettle("")
        return out

    @property
    def view(self) -> DetectorView:
        """Snapshot of the state for screens."""
        press = self._press
        known = self._state is not _SETTLING
        pressed = press is not None and press.part.peak is not None and not press.is_idle
        return DetectorView(
            state=_REST if press and not pressed else self._state,
            baseline_newton=self._zero.level_newton if known else math.nan,
            noise_newton=self._zero.sigma_newton if known else math.nan,
            current_newton=self._current_newton,
            largest_newton=press.largest_newton if press and pressed else math.nan,
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
                self._press.part.flags.add(Flag.UNIT_CHANGED)
        self._unit, self._factor = reading.unit, NEWTON_PER_FLOAT[reading.unit]
        if reading.status is Status.OK:
            self._see_digits(reading)

    def _see_digits(self, reading: Reading) -> None:
        self._display.see(reading.shown, reading.unit)
        step = self._display.step_newton
        if step != self._zero.step_newton:
            self._zero.show(step)
            if self._press:
                self._press.sharpen(step)

    def _tick(self, reading: Reading, out: list[Event]) -> None:
        """Move the clock to a reading; a gap may lie before it, or readings be lost."""
        reason = self._arrivals.tick(reading.t_s)
        if reason is None:
            if self._arrivals.lost:
                self._lose(self._arrivals.lost, self._arrivals.since, out)
            return
        t_s, force = reading.t_s, reading.value * self._factor
        off = abs(force - self._zero.level_newton)
        if self._state is not _REST or off >= SAME_SIGMA * self._zero.sigma_newton:
            out.extend(self.gap(t_s, reason))
        self._arrivals.restart(t_s)

    def _lose(self, n: float, back: int, out: list[Event]) -> None:
        """Note that readings are missing, before the last `back` ones."""
        press, rate_hz = self._press, self._arrivals.rate_hz
        if rate_hz:
            now_s, (then_s, before) = self._arrivals.last_s or 0.0, self._missing
            before = before if now_s - then_s < 2 * _BLOCK_S else 0.0
            self._missing = now_s, before + n / rate_hz
            if press is not None:
                part, at, seconds = press.part, len(press.part.forces) - back, n / rate_hz
                if at < 0 and press.parts:  # a level was found in the meantime
                    part = press.parts[-1]
                    at += len(part.forces)
                at = max(at, 0)
                if part.losses and part.losses[-1].at == at:
                    seconds += part.losses.pop().seconds
                part.losses.append(Loss(at, seconds))
            elif before < MOMENT_S <= self._missing[1]:
                text = f"Nothing could be read for {self._missing[1]:.1f} s: "
                text += "a berry pressed then is not stored."
                out.append(DetectorNotice(t_s=now_s, text=text))

    def _overload(self, t_s: float) -> None:
        """Take the gauge's word that the force is beyond its range."""
        if self._state is _REST:
            self._begin(t_s)
        if self._press is not None:
            self._press.part.flags.add(Flag.OVERLOAD)
            self._press.near.clear()
            self._press.low.clear()
        self._run.clear()

    def _n(self, seconds: float, least: int) -> int:
        """Readings that come in so long a time, or the least that are asked for."""
        return max(least, math.ceil(seconds * self._arrivals.rate_hz))

    # --- settling -------------------------------------------------------------------------------

    def _unsettle(self, reason: str) -> None:
        """Wait for rest; `reason` is what a press seen meanwhile was cut by."""
        self._state = _SETTLING
        self._press = None
        self._run: list[tuple[float, float]] = []
        self._wait, self._silence_s = 0, 0.0
        self._largest_newton = -math.inf
        self._known_newton = self._zero.level_newton if self._confirmed else 0.0
        self._confirmed = False
        self._unseen = reason

    def _take_settling(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        self._largest_newton = max(self._largest_newton, force)
        if self._run:
            silence_s = t_s - self._run[-1][0]
            if silence_s > max(self.settings.gap_s, GAP_SILENCES * self._silence_s):
                self._run.clear()  # the rate is not known yet, but this is no part of one rest
            self._silence_s = max(self._silence_s, silence_s)
        self._run.append((t_s, force))
        self._wait -= 1
        if self._wait > 0:
            return
        run = self._run
        old = sum(t_s - t >= _SETTLE_FAR_S for t, _ in run)
        del run[: max(0, min(old - 1, len(run) - 2 * BLOCK))]
        self._wait = len(run) // _LOOKS
        self._see_digits(reading)
        for seconds in (_SETTLE_S, _SETTLE_FAR_S):
            values = [v for t, v in run if t_s - t <= seconds]
            values = values if len(values) >= 2 * BLOCK else [v for _, v in run[-2 * BLOCK :]]
            if len(values) < 2 * BLOCK or t_s - run[0][0] < seconds:
                return
            if self._is_first_rest(values, t_s - run[0][0] >= _SETTLE_FAR_S):
                break
        else:
            return
        self._zero = Baseline(self._display.step_newton)
        self._zero.start(t_s, values)
        if self._unseen and self._largest_newton - self._zero.level_newton > self._need_newton():
            self._say_cut(out, t_s, self._unseen, self._largest_newton)
        self._to_rest(t_s)

    def _need_newton(self) -> float:
        """Least rise of a press that would begin now."""
        return least_rise(self._zero, self.settings, self._zero.sigma_newton)

    def _is_first_rest(self, values: list[float], long: bool) -> bool:
        """Whether a run is level enough for a first rest, far from zero only if it was long."""
        n, step = len(values), self._display.step_newton
        sigma = max(rough_sigma(values), _ROUNDING * step)
        half = n // 2
        off = abs(fmean(values[half:]) - fmean(values[:half]))
        spread = max(values) - min(values)
        if off > SAME_SIGMA * sigma or spread > _STRAY_SIGMA * sigma:
            return False
        level = fmean(values)
        near = level <= max(2 * SAME_SIGMA * sigma, _ZERO_SHARE * self._largest_newton)
        return long or near or abs(level - self._known_newton) <= 2 * SAME_SIGMA * sigma

    # --- rest -----------------------------------------------------------------------------------

    def _to_rest(self, t_s: float) -> None:
        self._state, self._press = _REST, None
        self._before: list[float] = []
        self._block: list[float] = []
        self._shown: list[Reading] = []  # the readings of the block
        self._block_s = t_s
        self._set_band(t_s)

    def _set_band(self, t_s: float) -> None:
        """Find the force up to which readings of the next block are at rest."""
        self._high = self._zero.high(t_s + _BLOCK_S, self.settings.onset_sigma)
        self._many = self._n(_BLOCK_S, BLOCK)

    def _take_rest(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        if force > self._high:
            self._begin(t_s)
            self._take_press(reading, t_s, force, out)
            return
        self._block.append(force)
        self._shown.append(reading)
        if len(self._block) >= self._many:
            self._end_block(t_s, out)

    def _end_block(self, t_s: float, out: list[Event]) -> None:
        """Learn from a block of readings at rest."""
        block, zero = block_of(t_s, self._block), self._zero
        self._tell_rate(t_s, out)
        self._tell_decimals(t_s, out)
        before = zero.level_newton
        if not self._confirmed and self._is_first(block):
            zero.start(t_s, [*self._before, *self._block])
        elif not zero.learn(block, self.settings.onset_sigma):
            self._begin(self._block_s)
            assert self._press is not None
            for reading, force in zip(self._shown, self._block, strict=True):
                self._press.take(reading, force)
            return
        if not self._confirmed:
            self._tell_unseen(t_s, before, out)
        self._before, self._block, self._block_s = self._block, [], t_s
        self._shown = []
        self._set_band(t_s)

    def _is_first(self, block: Block) -> bool:
        """Whether a block is so much stiller than the first rest that that was none."""
        zero, values = self._zero, [*self._before, *self._block]
        if len(values) < 2 * BLOCK:
            return False
        own = max(rough_sigma(values), _ROUNDING * zero.step_newton)
        off = abs(fmean(values) - zero.foretell(block.t_s)[0])
        far = SAME_SIGMA * own < zero.sigma_newton and off > 2 * SAME_SIGMA * own
        # A display that holds its peak shows one number, but not zero.
        moves = max(values) > min(values) or abs(values[-1]) <= 2 * self._display.step_newton
        return far and moves and is_flat(values, own, self._display.step_newton)

    def _tell_unseen(self, t_s: float, before: float, out: list[Event]) -> None:
        """Tell of a first level that was no rest but a press held, when the force falls from it."""
        level = self._zero.level_newton
        fell = before - level > self._need_newton()
        if self._unseen and fell and abs(level) < abs(before) / 2:
            self._say_cut(out, t_s, self._unseen, before)
            self._unseen = ""
            self._zero.start(t_s, self._block)

    def _tell_decimals(self, t_s: float, out: list[Event]) -> None:
        """Say once that the display has become coarser than it was."""
        step = self._display.step_newton
        if self._told_step < step and self._display.coarser and self._peaks:
            self._told_step = step
            text = f"The display shows steps of {step:g} N now: small presses are lost."
            out.append(DetectorNotice(t_s=t_s, text=text))

    def _tell_rate(self, t_s: float, out: list[Event]) -> None:
        """Say once that the gauge sends too seldom."""
        rate_hz = self._arrivals.rate_hz
        if 0 < rate_hz < self.settings.lowest_hz and not self._told_rate:
            self._told_rate = True
            text = f"The gauge sends too seldom: {rate_hz:.1f} readings a second, "
            text += f"{self.settings.lowest_hz:g} are needed. Presses can be lost."
            out.append(DetectorNotice(t_s=t_s, text=text))

    # --- press ----------------------------------------------------------------------------------

    def _begin(self, t_s: float) -> None:
        zero, rate_hz = self._zero, self._arrivals.rate_hz
        zero.doubt()
        before_s = t_s - 1 / rate_hz if rate_hz else t_s
        self._press = OpenPress(zero, before_s, t_s, self.settings)
        self._press.part.onset_newton = self._high
        if t_s - self._missing[0] < 2 * _BLOCK_S:
            self._press.part.losses.append(Loss(0, self._missing[1]))
        self._state, self._since = _PRESS, 0

    def _take_press(self, reading: Reading, t_s: float, force: float, out: list[Event]) -> None:
        press, arrivals = self._press, self._arrivals
        assert press is not None
        end: Ending | None = None
        if force <= press.watch_newton or press.near:
            press.low.append(force)
            dwell = max(_DWELL[0], min(_DWELL[1], round(_DWELL_S * arrivals.rate_hz)))
            end = press.back(t_s, force, dwell)
            if end and not end.anew and (arrivals.missing or not self._is_sure(press, end)):
                end = None
            if end:
                self._finish(t_s, end, out)
                if end.anew:
                    self._take(reading, t_s, force, out)
                return
        elif press.low:
            press.low.clear()
        press.take(reading, force)
        self._since += 1
        if self._since >= self._many:
            self._since = 0
            end = press.level(t_s, arrivals.rate_hz)
            if end and not arrivals.missing:
                self._finish(t_s, end, out)

    def _is_sure(self, press: OpenPress, end: Ending) -> bool:
        """Whether readings back at the baseline are that, before any press has confirmed it."""
        if self._confirmed:
            return True
        base, sigma, near = press.base_newton, press.sigma_newton, press.near
        rise = press.largest_newton - base
        far = base > 2 * SAME_SIGMA * sigma and base > SMALL_SHARE * rise
        if not far and end.level_newton > base - SAME_SIGMA * sigma:
            return True
        n = self._n(_SETTLE_FAR_S if far else MOMENT_S, BLOCK + 1)
        return len(near) >= n and is_flat(near[-n:], sigma, self._display.step_newton)

    # --- judgement ------------------------------------------------------------------------------

    def _finish(self, t_s: float, end: Ending, out: list[Event]) -> None:
        """Judge a press that ended at a level, and go back to rest."""
        press, rate_hz, level = self._press, self._arrivals.rate_hz, end.level_newton
        assert press is not None
        if self._arrivals.missing:
            self._lose(self._arrivals.missing, self._arrivals.since, out)
        *earlier, last = press.cut(level, rate_hz)
        press.step_share = self._step_share()
        need = press.need_newton()
        found = [
            part
            for part in earlier
            if part.largest_newton - max(part.level_newton, part.base_newton) > need
            and not press.is_step(part, rate_hz, part.largest_newton)
        ]
        for part in found:
            self._judge(press, part, part.level_newton, 1, part.from_s, out)
        base, level_error = press.zero.foretell(t_s)
        touch = self._is_touch(press, last, t_s, level)
        if touch and earlier and not found:  # nothing is left of it: it was one press
            for part in [*earlier[1:], last]:
                earlier[0].join(part)
            last = earlier[0]
            touch = self._is_touch(press, last, t_s, level)
        fell = base - level
        most = max(
            SMALL_SHARE * last.rise_newton, SAME_SIGMA * max(level_error, press.sigma_newton)
        )
        if not self._confirmed and fell > most:
            if not touch or fell > need:
                self._say_cut(out, t_s, self._unseen or "began in mid-press", last.largest_newton)
        elif Flag.OVERLOAD in last.flags and (touch or last.peak is None):
            self._say_cut(out, t_s, "overload without a number", 0.0)
        elif not touch:
            self._judge(press, last, level, end.n, t_s, out)
            self._ended_s = t_s
            press.zero.expect_pull(t_s, SMALL_SHARE * last.rise_newton)
        if touch and end.n < self._many:  # perhaps the swing of a knock: the baseline stands
            level = base
        press.zero.settle(t_s, level, end.n, SAME_SIGMA * press.sigma_newton)
        self._to_rest(t_s)

    def _is_touch(self, press: OpenPress, part: Part, t_s: float, level: float) -> bool:
        """Whether the last part of a press is none: a touch, a knock, or what stays on the head."""
        end_s, rate_hz = press.t_near_s if press.near else t_s, self._arrivals.rate_hz
        if part.largest_newton - level < press.need_newton() / 2:
            return True
        with_it = part.t_start_s - self._ended_s < MOMENT_S / 2  # came with the release before
        if with_it and press.is_left(part, rate_hz):
            return True
        return press.is_touch(part, end_s, rate_hz)

    def _judge(
        self, press: OpenPress, part: Part, level: float, n: int, t_s: float, out: list[Event]
    ) -> None:
        """Make a berry of a part that is a press."""
        if part.largest_newton <= 0:
            text = "No berry: no reading of that press is above zero. Zero the gauge, press again."
            out.append(DetectorNotice(t_s=t_s, text=text, no_berry=True))
            return
        for held in part.stages():
            text = f"The display held {held:.2f} N and was not reset: a berry pressed then is not "
            text += "stored. Reset the display between berries."
            part.flags.add(Flag.DOUBLE_RISE)
            out.append(DetectorNotice(t_s=t_s, text=text, no_berry=True))
        if self._switched:
            part.flags.add(Flag.UNIT_CHANGED)
        self._switched, self._confirmed = False, True
        self._peaks.append(part.largest_newton)
        out.append(
            press_of(self._finished(press, part, level, n, t_s), self.settings, median(self._peaks))
        )

    def _finished(self, press: OpenPress, part: Part, level: float, n: int, t_s: float) -> Finished:
        """Write down a part that is a press."""
        assert part.peak is not None
        return Finished(
            t_start_s=part.t_start_s,
            t_end_s=t_s,
            peak=part.peak,
            forces=part.forces,
            losses=part.losses,
            n_readings=part.count,
            rate_hz=self._arrivals.rate_hz or part.count / max(t_s - part.t_start_s, 1e-3),
            base_newton=part.base_newton,
            base_error_newton=press.base_error_newton,
            sigma_newton=press.sigma_newton,
            width=press.width,
            level_newton=level,
            last=(press.near or press.low)[-n:] or [level],
            step_newton=press.zero.step_newton,
            flags=part.flags,
        )

    def _step_share(self) -> float:
        """Share of the display steps that a press is to rise by."""
        if self._display.coarser and self._peaks:  # no longer what the hand needs, but what it did
            few = _SMALL_SHARE * median(self._peaks) / self._display.step_newton
            return min(1.0, few / self.settings.press_steps)
        return 1.0 if self._display.is_sure else _UNSURE_STEP

    def _say_cut(self, out: list[Event], t_s: float, reason: str, largest: float) -> None:
        """Tell of a press that was seen only in part."""
        out.append(TruncatedPress(t_s=t_s, largest_newton=max(largest, 0.0), reason=reason))

    def _cut(self, t_s: float, reason: str) -> list[Event]:
        """Report a press under way as cut, unless it was a touch so far."""
        press = self._press
        out: list[Event] = []
        if press is None:
            return []
        if press.is_idle:
            level = press.floor_newton
            self._finish(t_s, Ending(level, BLOCK), out)
            return out
        parts = [*press.parts, press.part]
        need = press.need_newton()  # what stayed at less has but crept from there
        slight = all(
            min(part.rise_newton, part.stay_newton - part.base_newton) < need
            if part.stay_newton == part.stay_newton
            else part.rise_newton < need
            for part in parts
        )
        over = any(Flag.OVERLOAD in part.flags for part in parts)
        if over or (not slight and press.largest_newton > 0):
            self._say_cut(out, t_s, reason, press.largest_newton)
        return out
