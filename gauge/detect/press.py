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

    level_newton: float
    n: int
    is_level: bool
    t_s: float


@dataclass(kw_only=True, slots=True)
class Press:
    """A press under way; the first fields are what was known at rest before it.

    Examples
    --------
    >>> press = Press(base_newton=0.0, noise_newton=0.01, plain_newton=0.01, step_newton=0.01, drift_newton_s=0.0,
    ...               unsure_newton_s=0.001, n_rest=50, t_before_s=1.0, t_start_s=1.01)
    >>> press.largest_newton, press.peak = 2.0, object()
    >>> round(press.end_newton(3.0, DetectorSettings()), 3)
    0.12
    """

    base_newton: float
    noise_newton: float
    plain_newton: float
    step_newton: float
    drift_newton_s: float
    unsure_newton_s: float
    n_rest: int
    t_before_s: float
    t_start_s: float
    lag_s: float = 0.5  # from when its level is known
    is_narrow: bool = False
    is_step_sure: bool = True
    is_held: bool | None = None
    tail_newton: float = -math.inf
    largest_newton: float = -math.inf
    peak: Reading | None = None
    forces: list[float] = field(default_factory=list)
    count: int = 0
    near: list[float] = field(default_factory=list)
    t_near_s: float = 0.0
    low_newton: float = math.inf
    low_spread_newton: float = math.inf
    given_up_newton: float = -math.inf  # below which its hold has ended
    checks: list[float] = field(default_factory=list)
    checked: int = 0
    flags: set[Flag] = field(default_factory=set)

    def sharpen(self, rest: RestLevel) -> None:
        """Take noise and display step as they are known after the press, where smaller."""
        self.noise_newton = min(self.noise_newton, rest.noise_newton)
        self.plain_newton = min(self.plain_newton, rest.plain_newton)
        self.step_newton = min(self.step_newton, rest.step_newton)
        self.is_narrow = self.is_narrow and rest.is_narrow
        self.is_step_sure = rest.step.is_sure

    @property
    def rise_newton(self) -> float:
        """Largest reading above the rest level before the press."""
        return self.largest_newton - self.base_newton

    @property
    def half_newton(self) -> float:
        """Force above which no reading is near the rest level, however that drifted."""
        if self.peak is None or self.rise_newton < 25 * self.plain_newton:
            return math.inf
        return self.base_newton + 0.5 * self.rise_newton

    def rest_newton(self, t_s: float) -> float:
        """Rest level expected at a time."""
        return self.base_newton + self.drift_newton_s * (t_s - self.t_start_s)

    def unsure_newton(self, t_s: float, share: float = _SHARE) -> float:
        """How far the rest level may be off that, at most a share of the rise."""
        if self.peak is None:
            return 0.0
        return min(
            self.unsure_newton_s * (t_s - self.t_start_s + self.lag_s), share * self.rise_newton
        )

    def end_newton(self, t_s: float, settings: DetectorSettings) -> float:
        """Force below which the press may be over."""
        close = settings.release_noises * self.plain_newton
        if self.is_narrow:
            close = min(close, 1.1 * self.step_newton)
        if self.peak is None:
            return self.base_newton + close
        rise = self.rise_newton
        drifted = min(close + self.unsure_newton(t_s), 0.2 * rise)
        return self.rest_newton(t_s) + max(
            drifted, min(close, 0.3 * rise), settings.near_share * rise
        )

    def is_near(
        self, force_newton: float, t_s: float, settings: DetectorSettings, dwell: int
    ) -> bool:
        """Whether a force is near the rest level; while few are, one more may stray further."""
        end_newton = self.end_newton(t_s, settings)
        if force_newton <= end_newton:
            return True
        most_newton = min(
            end_newton + 1.5 * self.plain_newton, self.rest_newton(t_s) + 0.3 * self.rise_newton
        )
        return 0 < len(self.near) < dwell and force_newton <= most_newton

    def is_down(self, t_s: float) -> bool:
        """Whether the last two readings lie at the rest level, hardly above it."""
        if len(self.near) < 2:
            return False
        highest_newton = max(self.near[-2:])
        most_newton = 2 * self.plain_newton + 0.5 * self.step_newton + self.unsure_newton(t_s)
        return highest_newton - self.rest_newton(t_s) <= most_newton

    def is_held_up(self, t_s: float, dwell: int) -> bool:
        """Whether it came down to a level clearly above the rest level: a skin break, no end."""
        if self.rise_newton < 10 * self.plain_newton:
            return False  # a touch has no skin to break
        if self.is_held is None:
            most_newton = self.low_newton + 2 * self.plain_newton
            lows = [force for force in self.near if force <= most_newton]
            many = len(lows) >= 8
            low_newton, n = (sum(lows) / len(lows), len(lows)) if many else (self.low_newton, dwell)
            off_newton = low_newton - self.rest_newton(t_s)
            unsure_newton = self.unsure_newton(t_s) + self._level_error_newton(n)
            self.is_held = off_newton > max(unsure_newton, _HELD_SHARE * self.rise_newton)
        return self.is_held

    def _level_error_newton(self, n: int) -> float:
        """How far the level of so many readings may be off that before the press."""
        return 2.5 * self._standard_newton(n) + 0.5 * self.step_newton

    def _standard_newton(self, n: int) -> float:
        """Standard error of the difference between the level of so many readings and rest."""
        return self.plain_newton * math.sqrt(1 / max(n, 1) + 1 / max(self.n_rest, 4))

    def is_next(self, force_newton: float, t_s: float, margin_newton: float) -> bool:
        """Whether the force, back near the rest level, rises anew.

        Noise may grow with the force: 15 % of what is left is five times the noise of 3 %.
        """
        rest_newton = self.rest_newton(t_s)
        low_newton = max(self.low_newton, rest_newton)
        return force_newton > low_newton + margin_newton + 0.15 * (low_newton - rest_newton)

    def is_below(self, release: Release) -> bool:
        """Whether it ended below the level that it began on, drift and noise allowed for."""
        allowed = (
            max(self.plain_newton, 5 * self._standard_newton(release.n)) + 0.5 * self.step_newton
        )
        allowed += self.unsure_newton(release.t_s, _START_SHARE)
        return self.rest_newton(release.t_s) - release.level_newton > allowed

    def is_far_below(self, t_s: float) -> bool:
        """Whether it ended below that level and far stiller: what passed for noise was none."""
        last = self.near[-_STILL:]
        if len(last) < _STILL:  # none at all where the press never came near its level again
            return False
        own = max(deviation(last), 0.5 * self.step_newton)
        off_newton = self.rest_newton(t_s) - median(last) - self.unsure_newton(t_s, _START_SHARE)
        return own < 0.15 * self.noise_newton and off_newton > 12 * own

    def level_after_newton(self, release: Release) -> float:
        """Level of a few readings after a press, weighed against the one expected from before.

        Each counts by the inverse of its variance; where they contradict, the readings count.
        """
        rest_newton, level_newton = self.rest_newton(release.t_s), release.level_newton
        if abs(level_newton - rest_newton) >= 3.5 * self.plain_newton:
            return level_newton
        drifted_newton = 0.5 * self.unsure_newton_s * (release.t_s - self.t_start_s)
        before = self.plain_newton**2 / max(self.n_rest, 4) + drifted_newton**2
        after = self.plain_newton**2 * 1.5 / release.n + self.step_newton**2 / 12
        return (level_newton * before + rest_newton * after) / (before + after)

    def is_doubtful(self, release: Release) -> bool:
        """Whether it ended clearly above the level that it began on: perhaps a skin break."""
        off_newton = release.level_newton - self.rest_newton(release.t_s)
        return off_newton > self._level_error_newton(release.n)

    def rises(self, noises: float, rate_hz: float, settings: DetectorSettings) -> bool:
        """Whether it rose by so many noises, and enough display steps.

        The rise is that of means over some 30 ms (two or three readings at least), which noise does
        not lift.
        """
        steps = settings.press_steps * (1.0 if self.is_step_sure else _UNSURE_STEP)
        if self.peak is None or self.rise_newton < steps * self.step_newton:
            return False
        need = noises * self.plain_newton
        # Rounding is no normal noise: it is never more than half a step. A level midway between
        # two numbers of a coarse display shows either.
        rounding = 1 / 4 if self.is_narrow else 1 / 12
        other = math.sqrt(max(self.plain_newton**2 - rounding * self.step_newton**2, 0.0))
        need = min(need, noises * other + 0.5 * self.step_newton)
        # Drift that is known does not count.
        base_newton = max(self.base_newton, self.rest_newton(self.peak.t_s))
        plainly = 1.4 if self.count < 9 else 1.6
        if self.rise_newton > plainly * need + base_newton - self.base_newton or not self.forces:
            return self.rise_newton >= need
        width = max(3 if self.count >= 9 else 2, round(0.03 * rate_hz))
        return bool(smooth_peak(self.forces, width) - base_newton >= need)

    def is_touch(self, end_s: float, rate_hz: float, settings: DetectorSettings) -> bool:
        """Whether it rose too little for its duration, or was over too soon, for a compression."""
        lasted_s = end_s - self.t_before_s
        if self.peak is None or (
            self.peak.t_s == self.t_start_s and self.largest_newton <= self.tail_newton
        ):
            return True  # only falls, from what the press before had left
        if lasted_s < settings.shortest_s:
            return True
        # The first part of the ramp passed before the force had left the rest level.
        seen = 1 - settings.onset_noises * self.noise_newton / max(self.rise_newton, 1e-12)
        noises = settings.press_noises * max(1.0, _RAMP_S / lasted_s * max(seen, 0.5))
        return not self.rises(noises, rate_hz, settings)

    def is_drift(self, t_s: float) -> bool:
        """Whether drift of the rest level alone may have risen so little in so long a time."""
        lasted_s = t_s - self.t_start_s
        most_newton = min(self.unsure_newton_s * lasted_s, 25 * self.plain_newton)
        return self.rise_newton < max(most_newton, _SLOWLY * self.noise_newton * lasted_s)

    def merge(self, newer: Press) -> None:
        """Go on with what came after this press was parked."""
        if newer.largest_newton > self.largest_newton:
            self.largest_newton, self.peak = newer.largest_newton, newer.peak
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
        ramp = measure_ramp(self.forces, self.base_newton, self.noise_newton, rate_hz)
        if ramp.n < settings.few_readings:
            flags.add(Flag.FEW_READINGS)
        plan = settings.loading_rate_newton_s
        if plan is not None and not plan[0] <= ramp.rate_newton_s <= plan[1]:
            flags.add(Flag.LOADING_RATE)
        margin = settings.onset_noises * self.noise_newton
        if is_double_rise(self.forces, self.base_newton, margin, settings.dip_share):
            flags.add(Flag.DOUBLE_RISE)
        if is_lone_peak(self.forces, self.base_newton):
            flags.add(Flag.LONE_READING)
        # Less than 2 % of the rise is of no concern. All readings at the end must lie off, as the
        # tail of a release may still be falling.
        last = self.near[-release.n :] or [release.level_newton]
        off = max(min(last) - self.base_newton, self.base_newton - max(last))
        if release.is_level and off > max(
            4 * self.noise_newton, 1.5 * self.step_newton, 0.02 * self.rise_newton
        ):
            flags.add(Flag.BASELINE_DRIFT)
        return Compression(
            t_start_s=self.t_start_s,
            t_peak_s=peak.t_s,
            t_end_s=max(release.t_s, peak.t_s),
            peak_shown=peak.shown,
            peak_unit=peak.unit,
            peak_newton=self.largest_newton,
            baseline_newton=self.base_newton,
            noise_newton=self.noise_newton,
            n_readings=self.count,
            n_ramp=ramp.n,
            rate_hz=rate_hz,
            loading_rate_newton_s=ramp.rate_newton_s,
            sampling_loss_newton=ramp.loss_newton,
            flags=tuple(flag for flag in Flag if flag in flags),
        )
