"""The detector: readings one after another -> compressions, and presses seen only in part.

Pure and incremental: no clock, no line, no file. It holds a few hundred numbers at rest and one
press at a time, whatever the length of the session.

States
------
settling : no rest known (start, after a gap). A run of level readings becomes the first rest level.
rest : readings within `onset_noises` of the rest level, which follows them (`gauge.restlevel`).
    A reading above that margin begins a press.
press : the largest reading is kept. The press is over when the force is back near the rest level
    for a few readings and level again, or rises anew after those few readings (the next press).
    A drop that does not come back near the rest level (skin break) is no end.

Judgement at the end of a press
-------------------------------
- rise below `press_noises` noises or `press_steps` display steps, or over too soon: a touch;
- largest reading not above zero: tension (both are dropped);
- ended far below the level it began on, and that level had never been seen after a release: the
  session began in mid-press, so a `CutPress`;
- otherwise a `Compression`. Its peak is the largest reading as shown, never corrected.

A press that stays level for five seconds is parked and its level taken for rest for the time
being: it may be a display that holds its peak, a long hold, or a gauge that was zeroed. If the
force falls below that level again, the parked press goes on (one compression); if a press begins
and ends on it, it was a new zero.

No force is fixed anywhere: see `gauge.detectorsettings`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from gauge.detectorsettings import DetectorSettings
from gauge.presstrace import is_double_rise, is_lone_peak, measure_ramp
from gauge.records import Compression, CutPress, Flag, Reading, Status
from gauge.restlevel import RestLevel, is_level
from gauge.units import NEWTON_PER_FLOAT

__all__ = ["Detector", "DetectorSettings", "DetectorView", "Event"]

Event = Compression | CutPress

_SETTLING, _REST, _PRESS = "settling", "rest", "press"
_BIN_S = 0.05  # the trace for screens keeps the largest reading of each bin
_BINS = 300
_BLOCK_S = 0.25
_CHECK_S = 0.5  # how often a press is looked at for a plateau
_PARK_CHECKS = 10
_KEPT = 65_536  # readings of a press that are kept for its figures


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorView:
    """Snapshot for screens: forces in newtons, trace as (t_s, force_n) pairs, oldest first.

    `state` is "settling" (waiting for rest), "rest" or "press".
    """

    state: str
    baseline_n: float
    noise_n: float
    current_n: float
    largest_n: float
    trace: tuple[tuple[float, float], ...]


class _Release(NamedTuple):
    """How a press ended: level after it, whether that is known well, and time."""

    level_n: float
    is_level: bool
    t_s: float


@dataclass(slots=True)
class _Press:
    """A press under way."""

    base_n: float
    noise_n: float
    plain_n: float
    t_before_s: float
    t_start_s: float
    largest_n: float = -math.inf
    peak: Reading | None = None
    forces: list[float] = field(default_factory=list)
    count: int = 0
    near: list[float] = field(default_factory=list)
    t_near_s: float = 0.0
    checks: list[float] = field(default_factory=list)
    checked: int = 0
    flags: set[Flag] = field(default_factory=set)


def _together(batch: Sequence[Reading], at: int) -> int:
    """How many readings from `at` on came at the same time."""
    t_s = batch[at].t_s
    return next((i for i in range(at, len(batch)) if batch[i].t_s != t_s), len(batch)) - at


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
    ('1.98', 17)
    """

    def __init__(self, settings: DetectorSettings | None = None) -> None:
        self.settings = settings or DetectorSettings()
        self._rest = RestLevel()
        self._state = _SETTLING
        self._last_t: float | None = None
        self._current_n = math.nan
        self._unit: object = None
        self._factor = math.nan
        self._switched = False
        self._count = 0
        self._marks: deque[tuple[float, int]] = deque(maxlen=12)
        self._longest_dt = 0.0
        self._gaps: deque[float] = deque(maxlen=8)
        self._gap_s = 2.0
        self._trace: deque[tuple[float, float]] = deque(maxlen=_BINS)
        self._bin_t = -math.inf
        self._bin_n = -math.inf
        self._press: _Press | None = None
        self._parked: _Press | None = None
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
        """Note that bytes may have been lost: a press under way is cut, rest must be seen again."""
        out = self._cut(t_s, reason)
        self._unsettle("" if out else f"began in mid-press after a gap ({reason})")
        self._last_t = None
        self._marks.clear()
        return out

    def close(self) -> list[Event]:
        """End the session: a press whose release was not seen is cut."""
        press = self._press
        t_s = self._last_t or 0.0
        out: list[Event] = []
        if press is not None and press.near:
            self._finish(_Release(median(press.near), False, t_s), out)
        else:
            out = self._cut(t_s, "the session ended in mid-press")
        self._unsettle("")
        return out

    @property
    def view(self) -> DetectorView:
        """Snapshot of the state for screens."""
        press = self._press
        known = self._state is not _SETTLING
        return DetectorView(
            state=self._state,
            baseline_n=self._rest.level_n if known else math.nan,
            noise_n=self._rest.noise_n if known else math.nan,
            current_n=self._current_n,
            largest_n=press.largest_n if press and press.peak else math.nan,
            trace=(*self._trace, (self._bin_t, self._bin_n))
            if self._bin_n > -math.inf
            else tuple(self._trace),
        )

    # --- time, unit, rate ---------------------------------------------------------------------

    def _switch(self, reading: Reading) -> None:
        if self._unit is not None:
            self._switched = True
            self._rest.switch_unit()
            if self._press:
                self._press.flags.add(Flag.UNIT_CHANGED)
        self._unit = reading.unit
        self._factor = NEWTON_PER_FLOAT[reading.unit]
        if reading.status is Status.OK:
            self._rest.show(reading.shown, reading.unit)

    def _tick(self, batch: Sequence[Reading], at: int, out: list[Event]) -> bool:
        """Move the clock to reading `at`; False where a gap lies before it."""
        t_s = batch[at].t_s
        last, self._last_t = self._last_t, t_s
        if last is None:
            self._marks.append((t_s, self._count + _together(batch, at)))
            return True
        dt = t_s - last
        if self._bin_n > -math.inf and t_s - self._bin_t >= _BIN_S:
            self._trace.append((self._bin_t, self._bin_n))
            self._bin_n = -math.inf
        if 0 <= dt <= self._gap_s:
            self._longest_dt = max(self._longest_dt, dt)
            return True
        if dt > 0:
            if _together(batch, at) >= 0.7 * dt * self._rate_hz():
                return True  # delivered late, not lost
        elif dt > -1e-9:
            return True
        reason = f"no readings for {dt:.2f} s" if dt > 0 else "the clock went back"
        if self._state is _REST and dt > 0 and self._press is None and self._parked is None:
            inside = abs(batch[at].value * self._factor - self._rest.level_n) < self._margin()
            if inside:
                self._marks.clear()
                self._marks.append((t_s, self._count))
                return True
        out.extend(self.gap(t_s, reason))
        self._last_t = t_s
        self._marks.append((t_s, self._count))
        return False

    def _mark(self, t_s: float) -> None:
        """Note time and count, from which rate and longest ordinary silence follow."""
        self._marks.append((t_s, self._count))
        self._gaps.append(self._longest_dt)
        self._longest_dt = 0.0
        rate_hz = self._rate_hz()
        if rate_hz > 0:
            self._gap_s = max(self.settings.gap_s, 6 / rate_hz, 4 * median(self._gaps))

    def _rate_hz(self) -> float:
        if not self._marks or self._last_t is None:
            return 0.0
        t_s, count = self._marks[0]
        return (self._count - count) / (self._last_t - t_s) if self._last_t > t_s else 0.0

    def _margin(self, noises: float | None = None) -> float:
        return (noises or self.settings.onset_noises) * self._rest.noise_n

    # --- settling -----------------------------------------------------------------------------

    def _unsettle(self, reason: str) -> None:
        """Ask for rest; `reason` is said of a press whose start was not seen ("" says nothing)."""
        self._state = _SETTLING
        self._press = self._parked = None
        self._confirmed = False
        self._unseen = reason
        self._early: list[tuple[float, float]] = []
        self._early_largest = (-math.inf, -math.inf)
        self._next_look = 0

    def _run_settling(self, batch: Sequence[Reading], at: int, out: list[Event]) -> int:
        for i in range(at, len(batch)):
            reading = batch[i]
            if reading.unit is not self._unit:
                self._switch(reading)
            if reading.t_s != self._last_t:
                self._tick(batch, i, out)
            self._count += 1
            force = reading.value * self._factor
            if reading.status is Status.OVERLOAD:
                self._early.clear()
            if not math.isfinite(force) or reading.status in (
                Status.UNDERLOAD,
                Status.NOT_A_NUMBER,
            ):
                continue
            self._look(reading.t_s, force)
            if reading.status is Status.OVERLOAD:
                continue
            self._rest.see_digits(reading.shown)
            first, second = self._early_largest
            if force > second:
                self._early_largest = (max(first, force), min(first, force))
            self._early.append((reading.t_s, force))
            self._next_look -= 1
            if self._next_look <= 0 and self._settle(reading, out):
                return i + 1
        return len(batch)

    def _settle(self, reading: Reading, out: list[Event]) -> bool:
        early, t_s = self._early, reading.t_s
        span = t_s - early[0][0]
        if len(early) < 4 or span < 2 * self.settings.rest_s:
            return False
        while len(early) > 4 and t_s - early[1][0] >= 2 * self.settings.rest_s:
            del early[: max(1, len(early) // 16) if len(early) > 64 else 1]
        self._next_look = len(early) // 8
        self._rest.show(reading.shown, reading.unit)
        values = [force for _, force in early]
        if not is_level(values, self._rest.step_n):
            return False
        self._rest.start(t_s, values)
        first, second = self._early_largest
        largest = second if self._count > 16 else first
        need = self.settings.press_noises * self._rest.noise_n
        need = max(need, 3 * (max(values) - min(values)))
        if self._unseen and largest - self._rest.level_n > need:
            out.append(CutPress(t_s=t_s, largest_n=first, reason=self._unseen))
        self._early = []
        self._to_rest(t_s)
        return True

    def _to_rest(self, t_s: float) -> None:
        self._state = _REST
        self._press = None
        self._block: list[float] = []
        self._block_t = t_s
        self._t_settled = t_s
        self._provisional = False
        self._low_t = t_s
        self._lows: deque[tuple[float, float]] = deque()
        self._next_look = 0

    def _look(self, t_s: float, force: float) -> None:
        """Keep what screens show."""
        self._current_n = force
        if self._bin_n == -math.inf:
            self._bin_t = t_s
        self._bin_n = max(self._bin_n, force)

    # --- rest ---------------------------------------------------------------------------------

    def _run_rest(self, batch: Sequence[Reading], at: int, out: list[Event]) -> int:
        rest = self._rest
        margin = self._margin()
        low, high = rest.level_n - margin, rest.level_n + margin
        unit, factor, last_t, block = self._unit, self._factor, self._last_t, self._block
        ok, count, bin_n, force = Status.OK, self._count, self._bin_n, self._current_n
        for i in range(at, len(batch)):
            t_s, value, shown, of_unit, status = batch[i]
            if of_unit is not unit or t_s != last_t:
                self._count, self._current_n = count, force
                if bin_n > self._bin_n:
                    self._look(t_s if last_t is None else last_t, bin_n)
                if of_unit is not unit:
                    self._switch(batch[i])
                if t_s != last_t and not self._tick(batch, i, out):
                    return i
                if len(block) >= 4 and t_s - self._block_t >= _BLOCK_S:
                    self._end_block(batch[i], last_t or t_s)
                    block = self._block
                margin = self._margin()
                low, high = rest.level_n - margin, rest.level_n + margin
                unit, factor, last_t, bin_n = of_unit, self._factor, t_s, self._bin_n
            force = value * factor
            if low < force < high and status is ok:
                count += 1
                block.append(force)
                if rest.multiple > 1:
                    rest.see_digits(shown)
                if force > bin_n:  # noqa: PLR1730 - faster than max()
                    bin_n = force
                continue
            self._count, self._current_n = count, force
            if status is Status.OVERLOAD or (status is ok and force >= high):
                self._begin(t_s)
                return i
            count += 1
            if status is not ok or not force <= low:
                continue
            if self._parked is not None:
                self._press, self._parked = self._parked, None
                self._press.checks.clear()
                self._state = _PRESS
                return i
            if self._fell(t_s, force, out):
                return i + 1
        self._count, self._current_n = count, force
        if bin_n > self._bin_n:
            self._look(last_t or 0.0, bin_n)
            self._current_n = force
        return len(batch)

    def _end_block(self, reading: Reading, t_s: float) -> None:
        if reading.status is Status.OK:
            self._rest.show(reading.shown, reading.unit)
        if is_level(self._block[:: len(self._block) // 32 or 1], self._rest.step_n):
            self._rest.add(t_s, self._block)  # else perhaps the foot of a ramp
        self._block = []
        self._block_t = t_s
        self._provisional = False
        self._lows.clear()
        self._mark(t_s)
        if t_s - self._t_settled > 8:
            self._confirmed = True

    def _fell(self, t_s: float, force: float, out: list[Event]) -> bool:
        """Judge a reading below the rest level: a pull, or a rest level that was none."""
        lows = self._lows
        if not lows:
            self._low_t = t_s
        lows.append((t_s, force))
        wait_s = self.settings.rest_s
        if self._confirmed:
            wait_s *= 5 if self._provisional else 10
        if len(lows) < 4 or t_s - self._low_t < wait_s:
            return False
        while len(lows) > 4 and t_s - lows[1][0] >= self.settings.rest_s:
            lows.popleft()
        self._next_look -= 1
        if self._next_look > 0:
            return False
        self._next_look = len(lows) // 8
        values = [low for _, low in lows]
        if not is_level(values, self._rest.step_n):
            return False
        was = self._rest.level_n
        self._rest.start(t_s, values)
        need = self.settings.press_noises * self._rest.noise_n
        if not self._confirmed and self._unseen and was - self._rest.level_n > need:
            out.append(CutPress(t_s=t_s, largest_n=was, reason=self._unseen))
        self._to_rest(t_s)
        return True

    # --- press --------------------------------------------------------------------------------

    def _begin(self, t_s: float) -> None:
        before = self._last_t if self._last_t is not None else t_s
        self._press = _Press(
            base_n=self._rest.level_n,
            noise_n=self._rest.noise_n,
            plain_n=self._rest.plain_n,
            t_before_s=max(before - 1 / (self._rate_hz() or 1e9), 0.0),
            t_start_s=t_s,
        )
        self._check_t = t_s + _CHECK_S
        self._state = _PRESS

    def _run_press(self, batch: Sequence[Reading], at: int, out: list[Event]) -> int:
        press = self._press
        assert press is not None
        share, base = self.settings.near_share, press.base_n
        close = self._margin(self.settings.release_noises)
        end = base + max(close, share * (press.largest_n - base)) if press.peak else base + close
        unit, factor, last_t = self._unit, self._factor, self._last_t
        ok, largest, bin_n, near = Status.OK, press.largest_n, self._bin_n, press.near
        keep, rest, dwell = press.forces.append, self._rest, self._dwell()
        for i in range(at, len(batch)):
            reading = batch[i]
            t_s, value, shown, of_unit, status = reading
            if of_unit is not unit or t_s != last_t:
                self._bin_n = bin_n
                if of_unit is not unit:
                    self._switch(reading)
                    close = self._margin(self.settings.release_noises)
                    end = base + max(close, share * (largest - base))
                if t_s != last_t and not self._tick(batch, i, out):
                    return i
                if t_s >= self._check_t and self._is_plateau(t_s, out):
                    return i
                unit, factor, last_t, bin_n = of_unit, self._factor, t_s, self._bin_n
                if bin_n == -math.inf:
                    self._bin_t = t_s
            force = value * factor
            if status is not ok:
                if status is Status.OVERLOAD:
                    press.flags.add(Flag.OVERLOAD)
                    near.clear()
                if status is not Status.OVERLOAD or not math.isfinite(force):
                    self._count += 1
                    continue
            elif rest.multiple > 1:
                rest.see_digits(shown)
            if force <= end:
                if not near:
                    press.t_near_s = t_s
                near.append(force)
            elif len(near) >= dwell:
                low = median(near[-dwell:])
                if force > low + self._margin():  # the next press
                    self._finish(_Release(low, False, last_t or t_s), out)
                    return i
            else:
                near.clear()
            self._count += 1
            press.count += 1
            keep(force)
            self._current_n = force
            if force > bin_n:  # noqa: PLR1730 - faster than max()
                bin_n = force
            if force > largest:
                largest = press.largest_n = force
                press.peak = reading
                end = base + max(close, share * (largest - base))
            if force <= end and len(near) >= dwell and self._is_over(t_s, dwell, out):
                self._bin_n = bin_n
                return i + 1
        self._bin_n = bin_n
        return len(batch)

    def _dwell(self) -> int:
        return max(1, min(10, round(self.settings.dwell_s * self._rate_hz())))

    def _is_over(self, t_s: float, dwell: int, out: list[Event]) -> bool:
        """Whether the force, back near the rest level, is level again (or has been long enough)."""
        press = self._press
        assert press is not None
        # Some 50 ms, so that a slow release on a coarse display does not look level.
        tail = press.near[-max(dwell, 2, math.ceil(0.05 * self._rate_hz())) :]
        waited = t_s - press.t_near_s
        if len(press.near) < max(dwell + 1, 2):
            return False
        if median(tail) > press.base_n + self._margin():
            # A slow release that goes on, or a new rest level? See also the plateau.
            long = max(4, math.ceil(0.3 * self._rate_hz()))
            look = len(press.near) % max(1, long // 8) == 0
            if not (look and waited >= 0.3 and is_level(press.near[-long:], self._rest.step_n)):
                return False
        level = max(tail) - min(tail) <= self._margin() * 1.2
        below = median(tail) < press.base_n - self._margin()
        if self._confirmed or not below:
            sure = level or waited >= 0.25
        else:  # perhaps the rest level was part of a press: see where the fall ends
            sure = (level and waited >= 0.1) or waited >= 2
        if sure:
            self._finish(_Release(median(tail), level, t_s), out)
        return sure

    def _is_plateau(self, t_s: float, out: list[Event]) -> bool:
        """Look at a long press twice a second: level near the rest level, or parked."""
        press = self._press
        assert press is not None
        fresh = press.forces[press.checked :]
        if len(press.forces) > _KEPT:
            del press.forces[_KEPT // 4 : -_KEPT // 4]
        press.checked = len(press.forces)
        self._check_t = t_s + _CHECK_S
        if not fresh:
            return False
        press.checks = [*press.checks, median(fresh[:: max(1, len(fresh) // 50)])][-_PARK_CHECKS:]
        recent = press.checks[-4:]
        level = recent[-1]
        rise = press.largest_n - press.base_n
        margin = self._margin()
        if (
            len(recent) == 4
            and max(recent) - min(recent) <= margin
            and (level - press.base_n <= 0.25 * rise)
        ):
            self._finish(_Release(level, True, t_s), out)
            return True
        checks = press.checks
        if len(checks) == _PARK_CHECKS and max(checks) - min(checks) <= 0.5 * margin:
            self._park(press, level, t_s)
            return True
        return False

    def _park(self, press: _Press, level: float, t_s: float) -> None:
        trifle = press.largest_n - press.base_n < self._need(press)
        if self._parked is not None:
            self._merge(self._parked, press)
        elif not trifle:
            self._parked = press
        self._rest.resume(level)
        self._to_rest(t_s)

    @staticmethod
    def _merge(older: _Press, newer: _Press) -> None:
        """Let a parked press go on with what came after it."""
        if newer.largest_n > older.largest_n:
            older.largest_n, older.peak = newer.largest_n, newer.peak
        older.forces = (older.forces + newer.forces)[: 2 * _KEPT]
        older.count += newer.count
        older.flags |= newer.flags

    def _cut(self, t_s: float, reason: str) -> list[Event]:
        press = self._press or self._parked
        if press is None:
            return []
        largest = press.largest_n
        if self._press and self._parked:
            largest = max(largest, self._parked.largest_n)
        slight = largest - press.base_n < self._need(press) or largest <= self._margin()
        if slight and Flag.OVERLOAD not in press.flags:
            return []
        return [CutPress(t_s=t_s, largest_n=max(largest, 0.0), reason=reason)]

    def _need(self, press: _Press) -> float:
        # One or two readings may be noise that a small sample understated; five together are not.
        noise_n = press.plain_n if press.count >= 5 else press.noise_n
        steps_n = self.settings.press_steps * self._rest.step_n
        return max(self.settings.press_noises * noise_n, steps_n)

    def _finish(self, release: _Release, out: list[Event]) -> None:
        """Judge a finished press and go back to rest."""
        press, parked = self._press, self._parked
        assert press is not None
        if press.peak is not None:
            self._rest.show(press.peak.shown, press.peak.unit)
        need = self._need(press)
        rise = press.largest_n - press.base_n
        # A level seen for so long was no ramp: a pull of the berry on the head may go below it.
        share = 0.25 if press.t_start_s - self._t_settled > 0.5 else 0.1
        fell = press.base_n - release.level_n > max(need, share * rise)
        if fell and parked is not None:
            self._merge(parked, press)
            press, rise = parked, parked.largest_n - parked.base_n
            fell = False
        self._parked = None
        # After a pull below the rest level the old one stands, until readings show otherwise.
        pulled = release.level_n < press.base_n - self._margin()
        level = release.level_n if fell or (release.is_level and not pulled) else press.base_n
        near_end = press.t_near_s or release.t_s
        brief = near_end - press.t_before_s < self.settings.shortest_s
        if fell and not self._confirmed and rise >= need:
            out.append(
                CutPress(t_s=release.t_s, largest_n=press.largest_n, reason=self._unseen or "cut")
            )
        elif press.peak is None or (Flag.OVERLOAD in press.flags and rise < need):
            out.append(CutPress(t_s=release.t_s, largest_n=0.0, reason="overload without a number"))
        elif rise >= need and press.largest_n > self._margin() and not brief:
            out.append(self._compression(press, release))
            self._confirmed = True
        else:  # a touch: the rest level known before it holds
            self._to_rest(release.t_s)
            return
        self._rest.resume(level)
        self._to_rest(release.t_s)
        self._provisional = True

    def _compression(self, press: _Press, release: _Release) -> Compression:
        settings, peak, flags = self.settings, press.peak, press.flags
        assert peak is not None
        rate_hz = self._rate_hz() or press.count / max(release.t_s - press.t_start_s, 1e-3)
        ramp = measure_ramp(press.forces, press.base_n, press.noise_n, rate_hz)
        margin = self._margin()
        if ramp.n < settings.few_readings:
            flags.add(Flag.FEW_READINGS)
        plan = settings.loading_rate_n_s
        if plan is not None and not plan[0] <= ramp.rate_n_s <= plan[1]:
            flags.add(Flag.LOADING_RATE)
        if is_double_rise(press.forces, press.base_n, margin, settings.dip_share):
            flags.add(Flag.DOUBLE_RISE)
        if is_lone_peak(press.forces, press.base_n):
            flags.add(Flag.LONE_READING)
        drift = abs(release.level_n - press.base_n)
        if release.is_level and drift > max(3 * press.noise_n, 1.5 * self._rest.step_n):
            flags.add(Flag.BASELINE_DRIFT)
        if self._switched:
            flags.add(Flag.UNIT_CHANGED)
        self._switched = False
        return Compression(
            t_start_s=press.t_start_s,
            t_peak_s=peak.t_s,
            t_end_s=max(release.t_s, peak.t_s),
            peak_shown=peak.shown,
            peak_unit=peak.unit,
            peak_n=press.largest_n,
            baseline_n=press.base_n,
            noise_n=press.noise_n,
            n_readings=press.count,
            n_ramp=ramp.n,
            rate_hz=rate_hz,
            loading_rate_n_s=ramp.rate_n_s,
            sampling_loss_n=ramp.loss_n,
            flags=tuple(flag for flag in Flag if flag in flags),
        )
