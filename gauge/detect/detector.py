"""The detector: readings one after another -> presses with one peak each.

Pure and incremental: no clock, no line, no file; memory does not grow with the session.

Theory of operation
-------------------
`gauge.detect.baseline` foretells what the gauge would show with nothing on it, and how surely. All
else is compared with that: has the force left it, is it back. A level away from it may be a new
zero or the hold of a berry; nobody knows at once, so the press goes on, and its levels are judged
when its end is known (`gauge.detect.press`). A session, and what follows a gap, begins as a press
from a zero that nobody knows.

======== ============================================== ==========================================
state    what is seen                                   what follows
======== ============================================== ==========================================
settling a run of level readings, or a longer one that  rest; a press, if higher before, is reported
         swings about a level, as hum does
rest     a reading or block above the baseline          press
rest     a block far below                              the level follows, soon after a release
                                                        only if that lasts; a first rest that no
                                                        press came back to was a hold: press
rest     far stiller blocks, lower than a first rest    settling
press    level for half a second                        noted as a level of this press
press    level: for some readings at the baseline, or   over: each part between levels that were
         for the longer, the higher that is             zero is a berry, or a touch, a knock
                                                        (reported where as high as a berry), a step
                                                        of zero, a press seen in part; rest
press    the same, far below such a first rest          the hold is reported cut; settling
press    close to the baseline, and rises anew          over, and the next one begins: press
any      readings lost or unreadable                    a berry they are part of may be higher;
                                                        with none, they are reported in rest
any      gap                                            a press is cut, and reported, what may have
                                                        been a hold once rest is lower; settling
======== ============================================== ==========================================
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from statistics import fmean, geometric_mean, median

from gauge.detect.arrivals import CHUNK_S, Arrivals
from gauge.detect.baseline import BLOCK, LONG_S, SAME_SIGMA, Baseline, rough_sigma
from gauge.detect.display import Display
from gauge.detect.figures import SWAP_S, Part, unreset_peaks
from gauge.detect.press import MOMENT_S, SMALL_SHARE, Ending, OpenPress
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
_OK = Status.OK  # a member of an enumeration is looked up slowly

_USUAL = 9  # berries; the usual peak is the geometric mean of the last so many


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
        self._out: list[Event] = []
        self._display, self._zero = Display(), Baseline(0.0)
        self._unit: Unit | None = None
        self._press: OpenPress | None = None
        self._factor = self._current_newton = math.nan
        self._block: list[float] = []  # forces since the last block, and the readings
        self._shown: list[Reading] = []
        self._peaks: deque[float] = deque(maxlen=_USUAL)
        self._switched, self._warned_rate, self._warned_step = False, False, 0.0
        self._missing_s = 0.0  # for so long since the last block or berry, nothing could be read
        self._tapped_s = -math.inf  # when a tap was reported last
        self._unsettle("the session began in mid-press")

    # --- what callers use -----------------------------------------------------------------------

    def feed(self, readings: Iterable[Reading]) -> list[Event]:
        """Take the readings of one chunk; the presses and notices that became certain with them."""
        batch, arrivals = list(readings), self._arrivals
        self._out = []
        arrivals.coming = arrivals.count + len(batch)
        for reading in batch:
            t_s, shown = reading.t_s, reading.shown
            if reading.unit is not self._unit:
                self._switch(reading)
            if t_s != arrivals.last_s:
                reason = arrivals.tick(t_s)
                if reason or arrivals.lost:
                    self._fall_silent(reading, reason)
            arrivals.count += 1
            if reading.status is not _OK:
                if reading.status is not Status.OVERLOAD:
                    self._lose(1, 0)
                    continue
                self._overload(t_s)
            force = reading.value * self._factor
            if not math.isfinite(force):
                self._lose(1, 0)
                continue
            self._current_newton = force
            if self._display.multiple != 1 or len(shown.partition(".")[2]) != self._display.tail:
                self._see_digits(reading)
            self._take(reading, t_s, force)
        return self._out

    def unreadable(self, t_s: float, n: int) -> list[Event]:
        """Take that `n` lines came which could not be read: a peak may hide in them."""
        self._arrivals.skip(t_s, n)
        self._lose(n, 0)
        return []

    def gap(self, t_s: float, reason: str) -> list[Event]:
        """Note that bytes may have been lost: a press under way is cut, rest must be seen again."""
        self._out = []
        self._break(t_s, reason)
        self._arrivals.restart(None)
        return self._out

    def close(self) -> list[Event]:
        """End the session: a press whose release was not seen is cut."""
        self._out, t_s, press = list[Event](), self._arrivals.last_s or 0.0, self._press
        if press is not None and press.n_near and press.low:
            last = press.low[-press.n_near :]
            self._finish(t_s, press, Ending(median(last), len(last)))
        self._break(t_s, "the session ended in mid-press")
        return self._out

    @property
    def view(self) -> DetectorView:
        """Snapshot of the state for screens."""
        press = self._press
        known = self._zero.is_known
        pressed = known and press is not None and not (press.is_idle or press.is_slight)
        return DetectorView(
            state="settling" if not known else "press" if pressed else "rest",
            baseline_newton=self._zero.level_newton if known else math.nan,
            noise_newton=self._zero.sigma_newton if known else math.nan,
            current_newton=self._current_newton,
            largest_newton=press.largest_newton if press and pressed else math.nan,
        )

    # --- common to all states -------------------------------------------------------------------

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
        finer = self._display.see(reading.shown, reading.unit)
        step = self._display.step_newton
        if finer and self._press is None:  # the noise was hidden by coarse steps
            self._unsettle("began as the display changed its decimals")
        elif step != self._zero.step_newton:
            self._zero.show(step)
            if self._press is not None:
                self._press.ask()

    def _fall_silent(self, reading: Reading, reason: str | None) -> None:
        """Take that readings were lost before this one, or that for a reason a gap lies there."""
        if reason is None:
            self._lose(self._arrivals.lost, self._arrivals.since)
            return
        t_s, force = reading.t_s, reading.value * self._factor
        off = abs(force - self._zero.level_newton)
        if self._press is not None or off >= SAME_SIGMA * self._zero.sigma_newton:
            self._break(t_s, reason)
        self._arrivals.restart(t_s)

    def _lose(self, n: float, back: int) -> None:
        """Note that readings are missing, before the last `back` ones."""
        if rate_hz := self._arrivals.rate_hz:
            self._missing_s += n / rate_hz
            if self._press is not None:
                self._press.lose(back, n / rate_hz)

    def _overload(self, t_s: float) -> None:
        """Take the gauge's word that the force is beyond its range."""
        press = self._press or self._begin(t_s)
        press.part.flags.add(Flag.OVERLOAD)
        press.n_near, press.lowest_newton = 0, math.inf
        press.low.clear()

    # --- settling and rest ----------------------------------------------------------------------

    def _unsettle(self, reason: str, largest_newton: float = -math.inf) -> None:
        """Wait for rest; `reason` is what a press seen meanwhile, or before, was cut by."""
        old, t_s = self._zero, self._arrivals.last_s or 0.0
        guess_newton = old.level_newton if old.is_sure else old.guess_newton
        self._zero = Baseline(self._display.step_newton, guess_newton)
        self._press = OpenPress(self._zero, self._arrivals, self.settings, t_s, BLOCK)
        self._press.part.largest_newton = largest_newton
        self._unseen = reason

    def _rest(self, t_s: float) -> None:
        """Wait for a press: readings up to `_high` are at rest, `_full` of them a block."""
        zero, self._before = self._zero, self._block
        self._press, self._block, self._shown = None, [], []
        self._high = zero.high(t_s + CHUNK_S, self.settings.onset_sigma)
        self._low = 2 * zero.level_newton - self._high  # below it, `_many` are one
        self._many = self._full = max(BLOCK, math.ceil(CHUNK_S * self._arrivals.rate_hz))
        if zero.is_sure and not zero.drift_newton_s and t_s - zero.rest_s > LONG_S:
            self._full = max(BLOCK**2, self._many)  # it is asked less often

    def _take(self, reading: Reading, t_s: float, force: float) -> None:
        press, arrivals = self._press, self._arrivals
        if press is None:
            if force <= self._high:
                self._block.append(force)
                self._shown.append(reading)
                if len(self._block) >= (self._full if force > self._low else self._many):
                    self._learn(t_s)
                return
            for i in range(self._many, len(self._block) + 1, self._many):
                block, last = self._block[i - self._many : i], self._shown[i - 1]
                self._zero.learn(last.t_s, block, self.settings.onset_sigma)
            press = self._begin(t_s)
            lowest = min(self._before + self._block, default=math.inf)
            if self._zero.is_pull(t_s, lowest, 1):
                self._zero.let_go(t_s)
            else:
                press.dip_newton = press.floor.level_newton - lowest
                press.ask()
        end = press.take(reading, t_s, force)
        if end and not self._zero.is_known:
            self._start(t_s, press, end)
        elif end and (end.anew or not arrivals.missing):
            self._finish(t_s, press, end)
            if end.anew:
                self._take(reading, t_s, force)

    def _start(self, t_s: float, press: OpenPress, end: Ending) -> None:
        """Take the first rest."""
        self._zero.start(t_s, press.low[-end.n :])
        press.ask()
        if self._unseen and press.largest_newton - end.level_newton > press.need_newton:
            self._say_cut(t_s, self._unseen, press.largest_newton)
        self._rest(t_s)

    def _learn(self, t_s: float) -> None:
        """Learn from a block of readings at rest."""
        block, zero = self._block, self._zero
        if self._before and not zero.is_sure:  # perhaps that was no rest, as this is far stiller
            last = self._before + block
            own = max(rough_sigma(last), zero.step_newton)
            lower = fmean(last) < zero.level_newton - 2 * SAME_SIGMA * own
            if lower and self.settings.press_sigma * own < zero.sigma_newton:
                self._unsettle(self._unseen, zero.level_newton)
                return
        if zero.learn(t_s, block, self.settings.onset_sigma):
            self._tell(t_s)
            self._rest(t_s)
            return
        press = self._begin(self._shown[0].t_s)
        for reading, force in zip(self._shown, block, strict=True):
            press.take(reading, reading.t_s, force)

    def _tell(self, t_s: float) -> None:
        """Say what may have been missed at rest: once, if the gauge or its display is the cause."""
        if self._missing_s >= MOMENT_S:
            text = f"Nothing could be read for {self._missing_s:.1f} s: "
            self._say(t_s, text + "a berry pressed then is not stored.")
        self._missing_s = 0.0
        rate_hz, least_hz = self._arrivals.rate_hz, self.settings.lowest_hz
        if 0 < rate_hz < least_hz and not self._warned_rate:
            self._warned_rate = True
            text = f"The gauge sends too seldom: {rate_hz:.1f} readings a second, "
            self._say(t_s, text + f"{least_hz:g} are needed. Presses can be lost.")
        step = self._zero.step_newton
        if self._display.coarser and self._peaks and self._warned_step < step:
            self._warned_step = step
            self._say(t_s, f"The display shows steps of {step:g} N now: small presses are lost.")

    def _say(self, t_s: float, text: str, *, no_berry: bool = False) -> None:
        self._out.append(DetectorNotice(t_s=t_s, text=text, no_berry=no_berry))

    # --- press ----------------------------------------------------------------------------------

    def _begin(self, t_s: float) -> OpenPress:
        self._zero.doubt()
        self._press = press = OpenPress(self._zero, self._arrivals, self.settings, t_s, self._many)
        if self._missing_s:
            press.lose(0, self._missing_s)
        return press

    def _finish(self, t_s: float, press: OpenPress, end: Ending) -> None:
        """Judge a press that ended at a level, and go back to rest."""
        zero, level, same = self._zero, end.level_newton, SAME_SIGMA * self._zero.sigma_newton
        if self._arrivals.missing:
            self._lose(self._arrivals.missing, self._arrivals.since)
        firm_newton = sorted([0.0, 0.0, *self._peaks])[-2]  # the largest may be a false one
        press.ask(self._step_share(), firm_newton)
        base, error = zero.foretell(t_s)
        last, found = press.cut(level, t_s)
        fell = base - level
        most = max(SMALL_SHARE * last.rise_newton, SAME_SIGMA * error, press.need_newton)
        if not zero.is_sure and fell > most:  # it was the hold of a berry
            if found or self._unseen:
                largest = max(base, press.largest_newton)
                self._say_cut(t_s, self._unseen or "began in mid-press", largest)
            self._unsettle("")
            return
        if Flag.OVERLOAD in last.flags and last not in found:
            self._say_cut(t_s, "overload without a number", 0.0)
        for part in found:
            self._judge(press, part, end.n if part is last else 1)
        if last in found:
            zero.expect_pull(t_s, base, SMALL_SHARE * last.rise_newton)
        if not found:  # what is no press is rest; but what rises somewhat higher stays a press
            if not end.anew:  # else a berry was touched before it was pressed
                self._say_tap(t_s, press, last, level)
            most = min(last.rise_newton, press.need_newton) / SAME_SIGMA
            zero.admit(last.forces, level, most, self._many)
        knocked = last not in found and end.n < self._many  # the swing of a knock is no level
        says = end.n and not knocked and not zero.is_pull(t_s, level, end.n)
        zero.settle(t_s, level if says else math.nan, end.n, same)
        self._rest(t_s)

    def _judge(self, press: OpenPress, part: Part, n: int) -> None:
        """Make a berry of a part that is a press."""
        t_s = part.from_s
        if part.largest_newton <= 0:
            text = "No berry: no reading of that press is above zero. Zero the gauge, press again."
            self._say(t_s, text, no_berry=True)
            return
        rate_hz = self._arrivals.rate_hz or part.n_readings / max(t_s - part.t_start_s, 1e-3)
        for held in unreset_peaks(part, rate_hz, self.settings.dip_share):
            text = f"The display held {held:.2f} N and was not reset: a berry pressed then is not "
            text += "stored. Reset the display between berries."
            part.flags.add(Flag.DOUBLE_RISE)
            self._say(t_s, text, no_berry=True)
        if self._switched:
            part.flags.add(Flag.UNIT_CHANGED)
        self._switched, self._zero.is_sure, self._missing_s = False, True, 0.0
        self._peaks.append(part.largest_newton)
        self._out.append(press.press_of(part, rate_hz, n, geometric_mean(self._peaks)))

    def _say_tap(self, t_s: float, press: OpenPress, tap: Part, level_newton: float) -> None:
        """Report a knock as high as a berry, unless it came soon after one, or after another."""
        height, zero_newton = press.floor.height_newton, press.floor.level_newton
        least = SAME_SIGMA * press.need_newton
        if self._peaks:
            least = max(press.need_newton, SMALL_SHARE * max(self._peaks))
        alone = t_s - max(self._zero.ended_s, self._tapped_s) > SWAP_S
        fell = level_newton - zero_newton < height / 2 and Flag.OVERLOAD not in tap.flags
        if height > least and fell and alone and tap.peak:
            self._tapped_s = t_s
            text = f"{tap.peak.shown} {tap.peak.unit} came and went too fast for a press: no berry."
            self._say(t_s, text, no_berry=True)

    def _step_share(self) -> float:
        """Share of the display steps that a press is to rise by."""
        coarser = self._display.coarser and self._display.step_newton > 0
        if coarser and self._peaks:  # no longer what the hand needs, but what it did
            few = SMALL_SHARE * median(self._peaks) / self._display.step_newton
            return min(1.0, few / self.settings.press_steps)
        return 1.0

    def _say_cut(self, t_s: float, reason: str, largest: float) -> None:
        """Tell of a press that was seen only in part."""
        self._missing_s = 0.0
        self._out.append(TruncatedPress(t_s=t_s, largest_newton=max(largest, 0.0), reason=reason))

    def _break(self, t_s: float, reason: str) -> None:
        """Report a press under way as cut, unless it was a touch so far, and wait for rest.

        What may have been a hold is reported once a lower rest is seen.
        """
        zero, press, before, seen = self._zero, self._press, len(self._out), -math.inf
        if press is None:
            seen = -math.inf if zero.is_sure else zero.level_newton  # perhaps of a hold
        elif not zero.is_known:
            seen = press.largest_newton
        elif press.is_idle:
            self._finish(t_s, press, Ending(press.floor.level_newton, BLOCK))
        else:
            flags = press.part.flags.union(*(part.flags for part in press.parts))
            if Flag.OVERLOAD in flags or (not press.is_slight and press.largest_newton > 0):
                self._say_cut(t_s, reason, press.largest_newton)
        began = f"began in mid-press after a gap ({reason})"
        self._unsettle("" if len(self._out) > before else began, seen)
