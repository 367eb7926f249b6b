"""One press under way: where it began, its readings, and the judgement when it ends.

The rest level below a press is known from the readings before it. During a press of many seconds it
may drift; the slope at rest says where to, and how far that may be wrong. All questions about "back
at rest" and "below rest" are asked of that moving level with its uncertainty. The stream and its
states are no concern of this file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from gauge.detect.detectorsettings import DetectorSettings
from gauge.detect.levelrun import deviation
from gauge.detect.presstrace import is_double_rise, is_lone_peak, measure_ramp, smooth_peak
from gauge.detect.restlevel import RestLevel
from gauge.records import Compression, Flag, Reading

KEPT = 65_536  # readings of a press that are kept for its figures
_SHARE = 0.16  # of the rise: the most that drift is allowed for at the end of a press
_START_SHARE = 0.2  # the same where it is asked whether the session began in mid-press
_HELD_SHARE = 0.12  # of the rise: what a skin break leaves at least
_UNSURE_STEP = 0.85  # of the display steps asked for, where the step may be smaller
_STILL = 6  # readings that say how still it is
_SLOWLY = 1.0  # noises a second: drift, or a small press held for a good part of a minute
_RAMP_S = 0.3  # the fastest loading that a hand-lowered stand is used for


class Release(NamedTuple):
    """How a press ended: level after it, of how many readings, whether level, and when."""

    level_n: float
    n: int
    is_level: bool
    t_s: float


@dataclass(kw_only=True, slots=True)
class Press:
    """A press under way; the first fields are what was known at rest before it.

    Examples
    --------
    >>> press = Press(base_n=0.0, noise_n=0.01, plain_n=0.01, step_n=0.01, drift_n_s=0.0,
    ...               unsure_n_s=0.001, n_rest=50, t_before_s=1.0, t_start_s=1.01)
    >>> press.largest_n, press.peak = 2.0, object()
    >>> round(press.end_n(3.0, DetectorSettings()), 3)
    0.12
    """

    base_n: float
    noise_n: float
    plain_n: float
    step_n: float
    drift_n_s: float
    unsure_n_s: float
    n_rest: int
    t_before_s: float
    t_start_s: float
    lag_s: float = 0.5  # from when its level is known
    is_narrow: bool = False
    is_step_sure: bool = True
    is_held: bool | None = None
    tail_n: float = -math.inf
    largest_n: float = -math.inf
    peak: Reading | None = None
    forces: list[float] = field(default_factory=list)
    count: int = 0
    near: list[float] = field(default_factory=list)
    t_near_s: float = 0.0
    low_n: float = math.inf
    low_spread_n: float = math.inf
    given_up_n: float = -math.inf  # below which its hold has ended
    checks: list[float] = field(default_factory=list)
    checked: int = 0
    flags: set[Flag] = field(default_factory=set)

    def sharpen(self, rest: RestLevel) -> None:
        """Take noise and display step as they are known after the press, where smaller."""
        self.noise_n = min(self.noise_n, rest.noise_n)
        self.plain_n = min(self.plain_n, rest.plain_n)
        self.step_n = min(self.step_n, rest.step_n)
        self.is_narrow = self.is_narrow and rest.is_narrow
        self.is_step_sure = rest.step.is_sure

    @property
    def rise_n(self) -> float:
        """Largest reading above the rest level before the press."""
        return self.largest_n - self.base_n

    @property
    def half_n(self) -> float:
        """Force above which no reading is near the rest level, however that drifted."""
        if self.peak is None or self.rise_n < 25 * self.plain_n:
            return math.inf
        return self.base_n + 0.5 * self.rise_n

    def rest_n(self, t_s: float) -> float:
        """Rest level expected at a time."""
        return self.base_n + self.drift_n_s * (t_s - self.t_start_s)

    def unsure_n(self, t_s: float, share: float = _SHARE) -> float:
        """How far the rest level may be off that, at most a share of the rise."""
        if self.peak is None:
            return 0.0
        return min(self.unsure_n_s * (t_s - self.t_start_s + self.lag_s), share * self.rise_n)

    def end_n(self, t_s: float, settings: DetectorSettings) -> float:
        """Force below which the press may be over."""
        close = settings.release_noises * self.plain_n
        if self.is_narrow:
            close = min(close, 1.1 * self.step_n)
        if self.peak is None:
            return self.base_n + close
        rise = self.rise_n
        drifted = min(close + self.unsure_n(t_s), 0.2 * rise)
        return self.rest_n(t_s) + max(drifted, min(close, 0.3 * rise), settings.near_share * rise)

    def is_near(self, force_n: float, t_s: float, settings: DetectorSettings, dwell: int) -> bool:
        """Whether a force is near the rest level; while few are, one more may stray further."""
        end_n = self.end_n(t_s, settings)
        if force_n <= end_n:
            return True
        most_n = min(end_n + 1.5 * self.plain_n, self.rest_n(t_s) + 0.3 * self.rise_n)
        return 0 < len(self.near) < dwell and force_n <= most_n

    def is_down(self, t_s: float) -> bool:
        """Whether the last two readings lie at the rest level, hardly above it."""
        if len(self.near) < 2:
            return False
        highest_n = max(self.near[-2:])
        most_n = 2 * self.plain_n + 0.5 * self.step_n + self.unsure_n(t_s)
        return highest_n - self.rest_n(t_s) <= most_n

    def is_held_up(self, t_s: float, dwell: int) -> bool:
        """Whether it came down to a level clearly above the rest level: a skin break, no end."""
        if self.rise_n < 10 * self.plain_n:
            return False  # a touch has no skin to break
        if self.is_held is None:
            most_n = self.low_n + 2 * self.plain_n
            lows = [force for force in self.near if force <= most_n]
            many = len(lows) >= 8
            low_n, n = (sum(lows) / len(lows), len(lows)) if many else (self.low_n, dwell)
            off_n = low_n - self.rest_n(t_s)
            unsure_n = self.unsure_n(t_s) + self._level_error_n(n)
            self.is_held = off_n > max(unsure_n, _HELD_SHARE * self.rise_n)
        return self.is_held

    def _level_error_n(self, n: int) -> float:
        """How far the level of so many readings may be off that before the press."""
        return 2.5 * self._standard_n(n) + 0.5 * self.step_n

    def _standard_n(self, n: int) -> float:
        """Standard error of the difference between the level of so many readings and rest."""
        return self.plain_n * math.sqrt(1 / max(n, 1) + 1 / max(self.n_rest, 4))

    def is_next(self, force_n: float, t_s: float, margin_n: float) -> bool:
        """Whether the force, back near the rest level, rises anew.

        Noise may grow with the force: 15 % of what is left is five times the noise of 3 %.
        """
        rest_n = self.rest_n(t_s)
        low_n = max(self.low_n, rest_n)
        return force_n > low_n + margin_n + 0.15 * (low_n - rest_n)

    def is_below(self, release: Release) -> bool:
        """Whether it ended below the level that it began on, drift and noise allowed for."""
        allowed = max(self.plain_n, 5 * self._standard_n(release.n)) + 0.5 * self.step_n
        allowed += self.unsure_n(release.t_s, _START_SHARE)
        return self.rest_n(release.t_s) - release.level_n > allowed

    def is_far_below(self, t_s: float) -> bool:
        """Whether it ended below that level and far stiller: what passed for noise was none."""
        last = self.near[-_STILL:]
        if len(last) < _STILL:  # none at all where the press never came near its level again
            return False
        own = max(deviation(last), 0.5 * self.step_n)
        off_n = self.rest_n(t_s) - median(last) - self.unsure_n(t_s, _START_SHARE)
        return own < 0.15 * self.noise_n and off_n > 12 * own

    def level_after_n(self, release: Release) -> float:
        """Level of a few readings after a press, weighed against the one expected from before.

        Each counts by the inverse of its variance; where they contradict, the readings count.
        """
        rest_n, level_n = self.rest_n(release.t_s), release.level_n
        if abs(level_n - rest_n) >= 3.5 * self.plain_n:
            return level_n
        drifted_n = 0.5 * self.unsure_n_s * (release.t_s - self.t_start_s)
        before = self.plain_n**2 / max(self.n_rest, 4) + drifted_n**2
        after = self.plain_n**2 * 1.5 / release.n + self.step_n**2 / 12
        return (level_n * before + rest_n * after) / (before + after)

    def is_doubtful(self, release: Release) -> bool:
        """Whether it ended clearly above the level that it began on: perhaps a skin break."""
        off_n = release.level_n - self.rest_n(release.t_s)
        return off_n > self._level_error_n(release.n)

    def rises(self, noises: float, rate_hz: float, settings: DetectorSettings) -> bool:
        """Whether it rose by so many noises, and enough display steps.

        The rise is that of means over some 30 ms (two or three readings at least), which noise does
        not lift.
        """
        steps = settings.press_steps * (1.0 if self.is_step_sure else _UNSURE_STEP)
        if self.peak is None or self.rise_n < steps * self.step_n:
            return False
        need = noises * self.plain_n
        # Rounding is no normal noise: it is never more than half a step. A level midway between
        # two numbers of a coarse display shows either.
        rounding = 1 / 4 if self.is_narrow else 1 / 12
        other = math.sqrt(max(self.plain_n**2 - rounding * self.step_n**2, 0.0))
        need = min(need, noises * other + 0.5 * self.step_n)
        # Drift that is known does not count.
        base_n = max(self.base_n, self.rest_n(self.peak.t_s))
        plainly = 1.4 if self.count < 9 else 1.6
        if self.rise_n > plainly * need + base_n - self.base_n or not self.forces:
            return self.rise_n >= need
        width = max(3 if self.count >= 9 else 2, round(0.03 * rate_hz))
        return bool(smooth_peak(self.forces, width) - base_n >= need)

    def is_touch(self, end_s: float, rate_hz: float, settings: DetectorSettings) -> bool:
        """Whether it rose too little for its duration, or was over too soon, for a compression."""
        lasted_s = end_s - self.t_before_s
        if self.peak is None or (self.peak.t_s == self.t_start_s and self.largest_n <= self.tail_n):
            return True  # only falls, from what the press before had left
        if lasted_s < settings.shortest_s:
            return True
        # The first part of the ramp passed before the force had left the rest level.
        seen = 1 - settings.onset_noises * self.noise_n / max(self.rise_n, 1e-12)
        noises = settings.press_noises * max(1.0, _RAMP_S / lasted_s * max(seen, 0.5))
        return not self.rises(noises, rate_hz, settings)

    def is_drift(self, t_s: float) -> bool:
        """Whether drift of the rest level alone may have risen so little in so long a time."""
        lasted_s = t_s - self.t_start_s
        most_n = min(self.unsure_n_s * lasted_s, 25 * self.plain_n)
        return self.rise_n < max(most_n, _SLOWLY * self.noise_n * lasted_s)

    def merge(self, newer: Press) -> None:
        """Go on with what came after this press was parked."""
        if newer.largest_n > self.largest_n:
            self.largest_n, self.peak = newer.largest_n, newer.peak
        self.forces = (self.forces + newer.forces)[: 2 * KEPT]
        self.count += newer.count
        self.flags |= newer.flags

    def compression(
        self, release: Release, rate_hz: float, settings: DetectorSettings
    ) -> Compression:
        """Put the finished press into figures, with its flags."""
        peak, flags = self.peak, set(self.flags)
        assert peak is not None
        rate_hz = rate_hz or self.count / max(release.t_s - self.t_start_s, 1e-3)
        ramp = measure_ramp(self.forces, self.base_n, self.noise_n, rate_hz)
        if ramp.n < settings.few_readings:
            flags.add(Flag.FEW_READINGS)
        plan = settings.loading_rate_n_s
        if plan is not None and not plan[0] <= ramp.rate_n_s <= plan[1]:
            flags.add(Flag.LOADING_RATE)
        margin = settings.onset_noises * self.noise_n
        if is_double_rise(self.forces, self.base_n, margin, settings.dip_share):
            flags.add(Flag.DOUBLE_RISE)
        if is_lone_peak(self.forces, self.base_n):
            flags.add(Flag.LONE_READING)
        # Less than 2 % of the rise is of no concern. All readings at the end must lie off, as the
        # tail of a release may still be falling.
        last = self.near[-release.n :] or [release.level_n]
        off = max(min(last) - self.base_n, self.base_n - max(last))
        if release.is_level and off > max(4 * self.noise_n, 1.5 * self.step_n, 0.02 * self.rise_n):
            flags.add(Flag.BASELINE_DRIFT)
        return Compression(
            t_start_s=self.t_start_s,
            t_peak_s=peak.t_s,
            t_end_s=max(release.t_s, peak.t_s),
            peak_shown=peak.shown,
            peak_unit=peak.unit,
            peak_n=self.largest_n,
            baseline_n=self.base_n,
            noise_n=self.noise_n,
            n_readings=self.count,
            n_ramp=ramp.n,
            rate_hz=rate_hz,
            loading_rate_n_s=ramp.rate_n_s,
            sampling_loss_n=ramp.loss_n,
            flags=tuple(flag for flag in Flag if flag in flags),
        )
