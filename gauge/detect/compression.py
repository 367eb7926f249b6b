"""The detector: readings one after another -> compressions, and presses seen only in part.

Pure and incremental: no clock, no line, no file. It holds a few hundred numbers at rest and one
press at a time, whatever the length of the session.

States
------
settling : no rest known (start, after a gap). A run of level readings becomes the first level.
rest : readings within `onset_noises` of the rest level, which follows them (`restlevel`).
    A reading above that margin begins a press; what lies below it is judged in `fall`.
press : the largest reading is kept. How a press ends is told in `gauge.detect.pressend`.

Judgement at the end of a press (`gauge.detect.press`)
-----------------------------------------------
- rise below `press_noises` noises (more, the shorter it lasted) or `press_steps` display steps, or
  over too soon: a touch;
- largest reading not above zero: tension (both are dropped);
- ended below the level it began on, drift allowed for, and no press had come back to that level
  before: the session began in mid-press, so a `CutPress`;
- otherwise a `Compression`. Its peak is the largest reading as shown, never corrected.

A press that stays level for five seconds is parked and its level taken for rest for the time
being: it may be a display that holds its peak, a long hold, a pause of a slow ramp, or a gauge that
was zeroed. If the force falls below that level again, the parked press goes on (one compression);
if a press begins on it and stays on it after, it was a new zero.

No force is fixed anywhere: see `gauge.detect.detectorsettings`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import median

from gauge.detect.detectorsettings import DetectorSettings
from gauge.detect.detectorview import DetectorView, ForceTrace
from gauge.detect.fall import Fall
from gauge.detect.levelrun import is_level
from gauge.detect.pace import Pace
from gauge.detect.press import Press, Release
from gauge.detect.pressend import (
    CHECK_S,
    Creep,
    Hold,
    Look,
    plateau_of,
    release_before_next,
    release_of,
    see_far,
    see_near,
)
from gauge.detect.restlevel import RestLevel
from gauge.detect.settling import Settling
from gauge.records import Compression, CutPress, Flag, Reading, Status
from gauge.units import NEWTON_PER_FLOAT

__all__ = ["Detector", "DetectorSettings", "DetectorView", "Event"]

Event = Compression | CutPress

_SETTLING, _REST, _PRESS = "settling", "rest", "press"
_BLOCK_S = 0.25  # of readings at rest that are taken together
_STILL = 8  # readings: fewer may look still by chance
_COARSE = 10  # digits by which hardly any display counts


class Detector:
    """Finds compressions in the readings of a streaming or polled gauge.

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
        self._rest = RestLevel()
        self._pace = Pace(self.settings.gap_s)
        self._trace = ForceTrace()
        self._unit: object = None
        self._factor = math.nan
        self._switched = False
        self._confirmed = False
        self._unsettle("the session began in mid-press")

    # --- what callers use ---------------------------------------------------------------------

    def feed(self, readings: Iterable[Reading]) -> list[Event]:
        """Take the next readings, in the order in which the gauge said them.

        Parameters
        ----------
        readings : iterable of Reading
            All readings of one chunk should come in one call: many readings after a silence tell a
            late delivery from a gap.

        Returns
        -------
        list of Compression or CutPress
            What became certain with these readings.

        Examples
        --------
        >>> from gauge.units import Unit
        >>> Detector().feed([Reading(0.0, 1.24, "1.24", Unit.N)])  # no rest was seen yet
        []
        """
        batch = readings if isinstance(readings, Sequence) else list(readings)
        out: list[Event] = []
        at = 0
        while at < len(batch):
            if self._state is _REST:
                at = self._run_rest(batch, at, out)
            elif self._state is _PRESS:
                at = self._run_press(batch, at, out)
            else:
                at = self._run_settling(batch, at, out)
        return out

    def gap(self, t_s: float, reason: str) -> list[Event]:
        """Note that bytes may have been lost: a press under way is cut, rest must be seen again.

        Examples
        --------
        >>> from gauge.units import Unit
        >>> forces = [0.0] * 40 + [0.099 * i for i in range(21)]
        >>> detector = Detector()
        >>> detector.feed([Reading(i / 50, f, f"{f:.2f}", Unit.N) for i, f in enumerate(forces)])
        []
        >>> [cut] = detector.gap(1.3, "unplugged")
        >>> round(cut.largest_newton, 2), cut.reason
        (1.98, 'unplugged')
        """
        out = self._cut(t_s, reason)
        self._unsettle("" if out else f"began in mid-press after a gap ({reason})")
        self._pace.restart(None)
        return out

    def close(self) -> list[Event]:
        """End the session: a press whose release was not seen is cut.

        Examples
        --------
        >>> Detector().close()  # no press was under way
        []
        """
        press = self._press
        t_s = self._pace.last_s or 0.0
        out: list[Event] = []
        if press is not None and press.near:
            self._finish(Release(median(press.near), len(press.near), False, t_s), out)
        if self._press is not None or self._parked is not None:
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
            baseline_newton=self._rest.level_newton if known else math.nan,
            noise_newton=self._rest.noise_newton if known else math.nan,
            current_newton=self._trace.current_newton,
            largest_newton=press.largest_newton if press and press.peak else math.nan,
            trace=self._trace.points(),
        )

    # --- common to all states -----------------------------------------------------------------

    def _switch(self, reading: Reading) -> None:
        """Take readings in another unit from now on."""
        if self._unit is not None:
            self._switched = True
            self._rest.step.forget()
        self._unit = reading.unit
        self._factor = NEWTON_PER_FLOAT[reading.unit]
        if reading.status is Status.OK:
            self._rest.show(reading.shown, reading.unit)

    def _tick(self, batch: Sequence[Reading], at: int, out: list[Event]) -> bool:
        """Move the clock to reading `at`; False where a gap lies before it."""
        reason = self._pace.tick(batch, at)
        if reason is None:
            return True
        t_s = batch[at].t_s
        off = abs(batch[at].value * self._factor - self._rest.level_newton)
        if self._state is _REST and self._parked is None and off < self._margin():
            self._pace.restart(t_s)
            return True
        out.extend(self.gap(t_s, reason))
        self._pace.restart(t_s)
        return False

    def _margin(self) -> float:
        return self.settings.onset_noises * self._rest.noise_newton

    def _band(self) -> tuple[float, float]:
        """Forces between which a reading is at rest."""
        level_newton, margin_newton = self._rest.level_newton, self._margin()
        if self._parked is not None:  # below half its height, a hold has ended
            return max(
                level_newton - margin_newton, self._parked.given_up_newton
            ), level_newton + margin_newton
        return level_newton - margin_newton, level_newton + margin_newton

    def _dwell(self) -> int:
        return max(3, min(10, round(self.settings.dwell_s * self._pace.rate_hz())))

    # --- settling -----------------------------------------------------------------------------

    def _unsettle(self, reason: str) -> None:
        """Ask for rest; `reason` is said of a press whose start was not seen ("" says nothing)."""
        self._state = _SETTLING
        self._press: Press | None = None
        self._parked: Press | None = None
        known_newton = self._rest.level_newton if self._confirmed else 0.0
        self._settling = Settling(self.settings.rest_s, known_newton)
        self._confirmed = False  # whether a press has come back to the rest level
        self._unseen = reason

    def _run_settling(self, batch: Sequence[Reading], at: int, out: list[Event]) -> int:
        settling = self._settling
        for i in range(at, len(batch)):
            reading = batch[i]
            if reading.unit is not self._unit:
                self._switch(reading)
            if reading.t_s != self._pace.last_s and not self._tick(batch, i, out):
                settling = self._settling
            self._pace.count += 1
            force = reading.value * self._factor
            if reading.status is Status.OVERLOAD:
                settling.forget()
            if not math.isfinite(force) or reading.status is not Status.OK:
                continue
            self._trace.see(reading.t_s, force, force)
            self._rest.see_digits(reading.shown)
            if not settling.see(reading.t_s, force):
                continue
            self._rest.show(reading.shown, reading.unit)
            run = settling.rest(self._rest.step_newton)
            if run is not None:
                self._start(reading.t_s, run, settling.largest_newton, out)
                return i + 1
        return len(batch)

    def _start(self, t_s: float, run: list[float], largest_newton: float, out: list[Event]) -> None:
        """Take a run of level readings for rest; what was far above it was a press."""
        self._rest.start(t_s, run)
        settings, rest = self.settings, self._rest
        need = max(
            settings.press_noises * rest.plain_newton, settings.press_steps * rest.step_newton
        )
        if not self._confirmed and self._unseen and largest_newton - self._rest.level_newton > need:
            out.append(
                CutPress(t_s=t_s, largest_newton=max(largest_newton, 0.0), reason=self._unseen)
            )
        self._to_rest(t_s)

    # --- rest ---------------------------------------------------------------------------------

    def _to_rest(self, t_s: float) -> None:
        self._state = _REST
        self._press = None
        self._block: list[float] = []
        self._block_s = t_s
        self._floor_newton = math.inf  # down to which the tail of a release may still fall
        self._tail_newton = -math.inf  # up to which what only falls is that tail
        self._fall = Fall()

    def _run_rest(self, batch: Sequence[Reading], at: int, out: list[Event]) -> int:
        rest, pace, trace, parked = self._rest, self._pace, self._trace, self._parked
        low, high = self._band()
        unit, factor, last_s, block = self._unit, self._factor, pace.last_s, self._block
        ok, top = Status.OK, parked.largest_newton if parked else math.inf
        largest, force = -math.inf, math.nan
        for i in range(at, len(batch)):
            t_s, value, shown, of_unit, status = batch[i]
            if of_unit is not unit or t_s != last_s:
                if largest > -math.inf:
                    trace.see(last_s or t_s, largest, force)
                    largest = -math.inf
                if of_unit is not unit:
                    self._switch(batch[i])
                if t_s != last_s and not self._tick(batch, i, out):
                    return i
                if len(block) >= 4 and t_s - self._block_s >= _BLOCK_S:
                    self._end_block(batch[i], last_s or t_s, out)
                    if self._state is not _REST:
                        return i
                    block = self._block
                low, high = self._band()
                unit, factor, last_s = of_unit, self._factor, t_s
            force = value * factor
            if rest.step.multiple != 1 and status is ok:
                still_high = high if rest.step.multiple == 0 else math.inf
                if rest.see_digits(shown):
                    low, high = self._band()
                    if rest.step.multiple >= _COARSE:
                        high = min(high, still_high)  # hardly one step of so coarse a display
            if low < force < high and status is ok:
                pace.count += 1
                block.append(force)
                if force > largest:  # noqa: PLR1730 - faster than max()
                    largest = force
                if force > top and parked is not None:
                    top = parked.largest_newton = force
                    parked.peak = batch[i]
                continue
            if status is Status.OVERLOAD or (status is ok and force >= high):
                self._begin(t_s)
                break
            pace.count += 1
            if status is not ok or not force <= low:
                continue
            largest = max(largest, force)
            if parked is not None:
                pace.count -= 1
                self._unpark(None)
                break
            if not self._fall:
                block.append(force)  # one low reading is noise; many are a fall
            if self._fell(t_s, force, out):
                trace.see(t_s, largest, force)
                return i + 1
        else:
            i = len(batch)
        if largest > -math.inf:
            trace.see(last_s or 0.0, largest, force)
        return i

    def _end_block(self, reading: Reading, t_s: float, out: list[Event]) -> None:
        """Learn from a quarter of a second at rest."""
        rest, block = self._rest, self._block
        if reading.status is Status.OK:
            rest.show(reading.shown, reading.unit)
        few = block[:: len(block) // 32 or 1]
        self._pace.mark(t_s)
        if not self._confirmed and rest.is_below(few):
            if len(few) < _STILL:
                return
            self._start(t_s, block, rest.level_newton, out)
            return
        if is_level(few, rest.step_newton) and not rest.jumps(t_s, few):
            rest.add(t_s, block)  # else perhaps the foot of a ramp
        if self._parked is not None and rest.level_newton < self._parked.given_up_newton:
            self._unpark(None)  # the hold has ended, slowly
            return
        self._block = []
        self._block_s = t_s
        self._floor_newton, self._tail_newton = math.inf, -math.inf
        self._fall.clear()

    def _fell(self, t_s: float, force: float, out: list[Event]) -> bool:
        """Judge a reading below the rest level: a tail, a pull, or a rest level that was none."""
        fall, rest_s = self._fall, self.settings.rest_s
        fall.see(t_s, force, len(self._block))
        tail_newton = fall.tail_newton(self._floor_newton, self._dwell() + 1)
        if tail_newton is not None:  # it still falls towards the level before the press
            self._rest.resume(t_s, tail_newton)
            fall.clear()
            self._block, self._block_s = [], t_s
            return True
        wait_s = rest_s
        if self._confirmed:
            wait_s *= 5 if self._floor_newton < math.inf else 10
        values = fall.settled(t_s, self._block, wait_s, rest_s, self._rest.step_newton)
        if values is None:
            return False
        self._start(t_s, values, self._rest.level_newton, out)
        return True

    # --- press --------------------------------------------------------------------------------

    def _begin(self, t_s: float) -> None:
        rest, before = self._rest, self._pace.last_s
        rest.leave()
        self._press = Press(
            base_newton=rest.level_newton
            + rest.drift.slope_newton_s * max(t_s - rest.level_s, 0.0),
            noise_newton=rest.noise_newton,
            is_narrow=rest.is_narrow,
            plain_newton=rest.plain_newton,
            step_newton=rest.step_newton,
            drift_newton_s=rest.drift.slope_newton_s,
            unsure_newton_s=rest.drift.unsure_newton_s,
            lag_s=max(t_s - rest.level_s, 0.0),
            n_rest=rest.count,
            tail_newton=self._tail_newton,
            t_before_s=max(
                (t_s if before is None else before) - 1 / (self._pace.rate_hz() or 1e9), 0.0
            ),
            t_start_s=t_s,
        )
        self._check_s = t_s + CHECK_S
        self._state = _PRESS

    def _run_press(self, batch: Sequence[Reading], at: int, out: list[Event]) -> int:
        press, pace, trace, rest = self._press, self._pace, self._trace, self._rest
        assert press is not None
        settings, ok, near, keep = self.settings, Status.OK, press.near, press.forces.append
        unit, factor, last_s, dwell = self._unit, self._factor, pace.last_s, self._dwell()
        # Only below half the rise is it worth asking where the press may be over.
        top, half = press.largest_newton, press.half_newton
        largest, force = -math.inf, math.nan
        for i in range(at, len(batch)):
            reading = batch[i]
            t_s, value, shown, of_unit, status = reading
            if of_unit is not unit or t_s != last_s:
                if largest > -math.inf:
                    trace.see(last_s or t_s, largest, force)
                    largest = -math.inf
                if of_unit is not unit:
                    if unit is not None:
                        press.flags.add(Flag.UNIT_CHANGED)
                    self._switch(reading)
                if t_s != last_s and not self._tick(batch, i, out):
                    return i
                if t_s >= self._check_s and self._is_plateau(t_s, out):
                    return i
                unit, factor, last_s = of_unit, self._factor, t_s
            force = value * factor
            if status is not ok:
                if status is Status.OVERLOAD:
                    press.flags.add(Flag.OVERLOAD)
                    near.clear()
                if status is not Status.OVERLOAD or not math.isfinite(force):
                    pace.count += 1
                    continue
            elif rest.step.multiple != 1 and rest.see_digits(shown):
                press.sharpen(rest)
            is_near = force <= half and press.is_near(force, t_s, settings, dwell)
            if is_near or near:
                look = self._look(t_s)
                if (see_near if is_near else see_far)(press, force, look):
                    self._finish(release_before_next(press, look._replace(t_s=last_s or t_s)), out)
                    self._tail_newton = -math.inf  # what rises anew is no tail
                    return i  # the reading is still to be taken
            pace.count += 1
            press.count += 1
            keep(force)
            if force > largest:  # noqa: PLR1730 - faster than max()
                largest = force
            if force > top:
                top = press.largest_newton = force
                press.peak = reading
                half = press.half_newton
            if is_near and len(near) > dwell:
                release = release_of(press, look)
                if release is not None:
                    self._finish(release, out)
                    trace.see(t_s, largest, force)
                    return i + 1
        if largest > -math.inf:
            trace.see(last_s or 0.0, largest, force)
        return len(batch)

    def _look(self, t_s: float) -> Look:
        return Look(
            t_s=t_s,
            margin_newton=self._margin(),
            step_newton=self._rest.step_newton,
            rate_hz=self._pace.rate_hz(),
            dwell=self._dwell(),
            rest_s=self.settings.rest_s,
            is_parked=self._parked is not None,
            is_confirmed=self._confirmed,
            slow_newton_s=self._rest.drift.most_newton_s,
        )

    def _is_plateau(self, t_s: float, out: list[Event]) -> bool:
        """Whether a press has become level: it is over, or parked."""
        press = self._press
        assert press is not None
        self._check_s = t_s + CHECK_S
        found = plateau_of(press, self._look(t_s))
        if isinstance(found, Release):
            self._finish(found, out)
        elif isinstance(found, Hold):
            if self._parked is not None:
                self._parked.merge(press)
            else:
                self._parked = press
            self._parked.given_up_newton = 0.5 * (self._parked.base_newton + found.level_newton)
            self._rest.resume(t_s, found.level_newton, held=True)
            self._to_rest(t_s)
        elif isinstance(found, Creep):
            self._rest.follow(t_s, *found)
            self._to_rest(t_s)
        return found is not None

    def _unpark(self, newer: Press | None) -> None:
        """Let a parked press go on."""
        press = self._parked
        assert press is not None
        if newer is not None:
            press.merge(newer)
        press.checks.clear()
        press.near.clear()
        if newer is not None:
            end_newton = press.end_newton(newer.t_near_s, self.settings)
            press.near += [force for force in newer.near if force <= end_newton]
            press.t_near_s, press.is_held = newer.t_near_s, None
            press.low_newton, press.low_spread_newton = newer.low_newton, newer.low_spread_newton
        press.checked = len(press.forces)
        self._press, self._parked, self._state = press, None, _PRESS
        self._check_s = (self._pace.last_s or 0.0) + CHECK_S

    def _cut(self, t_s: float, reason: str) -> list[Event]:
        """Report a press under way as cut, unless it was a touch or drift so far."""
        press = self._press or self._parked
        if press is None:
            return []
        if self._press and self._parked:
            self._parked.merge(self._press)
            press = self._parked
        rises = press.rises(self.settings.press_noises, self._pace.rate_hz(), self.settings)
        slight = not rises or press.is_drift(t_s)
        if (slight or press.largest_newton <= 0) and Flag.OVERLOAD not in press.flags:
            return []
        return [CutPress(t_s=t_s, largest_newton=max(press.largest_newton, 0.0), reason=reason)]

    def _finish(self, release: Release, out: list[Event]) -> None:
        """Judge a finished press and go back to rest."""
        press, t_s = self._press, release.t_s
        assert press is not None
        if press.peak is not None:
            self._rest.show(press.peak.shown, press.peak.unit)
        aside = self._rest.set_aside()
        press.sharpen(self._rest)
        below = press.is_below(release)
        if not self._confirmed and self._parked is None:
            below = below or press.is_far_below(t_s)
        if below and self._parked is not None:  # the parked press goes on
            self._rest.put_back(aside)
            self._unpark(press)
            return
        rate_hz = self._pace.rate_hz()
        touch = press.is_touch(press.t_near_s or t_s, rate_hz, self.settings)
        # After a pull below the rest level the old one stands, until readings show otherwise.
        rest_newton = press.rest_newton(t_s)
        floor_newton = rest_newton - self._margin() - press.unsure_newton(t_s)
        known = release.is_level and release.level_newton >= floor_newton
        level_newton = press.level_after_newton(release) if known else rest_newton
        if below and not self._confirmed:
            level_newton = release.level_newton
            self._rest.drift.forget()  # the level before was none
            few = max(self.settings.press_noises * press.plain_newton, 5 * press.step_newton)
            if not touch or press.base_newton - level_newton > few:
                reason = self._unseen or "began in mid-press"
                out.append(
                    CutPress(t_s=t_s, largest_newton=max(press.largest_newton, 0.0), reason=reason)
                )
        elif Flag.OVERLOAD in press.flags and (touch or press.peak is None):
            out.append(CutPress(t_s=t_s, largest_newton=0.0, reason="overload without a number"))
        elif not touch and press.largest_newton > 0:
            if self._switched:
                press.flags.add(Flag.UNIT_CHANGED)
            self._switched = False
            out.append(press.compression(release, rate_hz, self.settings))
            self._rest.put_back(aside, usual=True)
            self._rest.see_rise(press.rise_newton)
            self._confirmed = True
        else:  # a touch: the rest level known before it holds, and a parked press goes on
            self._rest.put_back(aside)
            if self._parked is not None:
                self._parked.merge(press)
            elif self._rest.level_newton != press.base_newton:  # its hold had been taken for rest
                self._rest.resume(t_s, level_newton)
            self._to_rest(t_s)
            self._tail_newton = press.tail_newton
            return
        self._parked = None
        self._rest.resume(t_s, level_newton)
        self._to_rest(t_s)
        highest_newton = max(press.near[-release.n :], default=press.largest_newton)
        self._floor_newton = floor_newton
        self._tail_newton = min(
            rest_newton + 0.2 * press.rise_newton, highest_newton + 2 * self._margin()
        )
