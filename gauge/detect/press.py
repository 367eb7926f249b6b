"""One press under way: the baseline below it, its readings, and the judgement when it ends."""

from __future__ import annotations

import math
from statistics import median

from gauge.detect.baseline import Baseline
from gauge.detect.figures import (
    Loss,
    hidden_newton,
    is_double_rise,
    is_lone_peak,
    measure_ramp,
)
from gauge.detect.settings import DetectorSettings
from gauge.records import Flag, Press, Reading

KEPT = 65_536  # readings of a press that are kept for its figures
NEAR_SHARE = 0.06  # of the rise; a release that comes so near may be over
_BAND_SIGMA = 3.5  # sigma; readings so near the foretold baseline are back at rest
_BAND_SHARE = 0.3  # of the rise; the most of that for small presses
_OFF_SHARE = 0.02  # of the rise; a baseline off by less after a press is of no concern
_ZERO_SHARE = 0.01  # of the usual peak; the same of zero itself
_ZERO_STEPS = 3  # display steps; the same
_KNOCK_S = 0.25  # s; a knock is over sooner
_RISE_S = 0.08  # s; no hand loads a berry to most of its peak faster
_ONSET = 0.8  # readings; a press began so long before the first that shows it, at most
_RISE_SHARE = 0.9  # of the rise; that much is most
FROZEN_S = 2.5  # s; a display that shows nothing else so long holds its peak
_RATED = 0.95  # of the capacity


class OpenPress:
    """A press under way, begun at a reading that left a baseline."""

    def __init__(self, zero: Baseline, t_before_s: float, t_start_s: float) -> None:
        self.zero, self.t_before_s, self.t_start_s = zero, t_before_s, t_start_s
        self.sigma_newton = zero.sigma_newton
        self.width = zero.width
        self.base_newton = zero.foretell(t_start_s)[0]
        self.step_share = 1.0  # of the display step, where it may be smaller
        self.onset_newton = -math.inf  # above which it was seen to have begun
        self.largest_newton = -math.inf
        self.watch_newton = math.inf
        self.peak: Reading | None = None
        self.forces: list[float] = []
        self.count = 0
        self.flags: set[Flag] = set()
        self.losses: list[Loss] = []
        self.near: list[float] = []
        self.low: list[float] = []
        self.t_near_s, self.lowest_newton = t_start_s, math.inf
        self.held_newton = math.nan  # level at which it was suspended,
        self.top: tuple[float, Reading | None] = (math.nan, None)  # and its peak till then
        self.frozen_s = math.inf  # since when the display has shown its largest reading alone,
        self.still_s = 0.0  # and for how long it did
        self.stages: list[tuple[float, float]] = []  # earlier peaks that the display held

    @property
    def rise_newton(self) -> float:
        """Rise above the baseline at its onset."""
        return self.largest_newton - self.base_newton

    @property
    def height_newton(self) -> float:
        """Height above the baseline of the level at which it was suspended."""
        return self.held_newton - self.base_newton

    def take(self, reading: Reading, force: float, share: float) -> None:
        """Take a reading; below `share` of the rise it is worth asking whether the press ends."""
        self.count += 1
        self.forces.append(force)
        if force > self.largest_newton:
            if reading.t_s - self.frozen_s >= FROZEN_S:
                self.stages.append((self.frozen_s, self.largest_newton))
            self.largest_newton, self.peak = force, reading
            self.watch_newton = self.base_newton + share * self.rise_newton
            self.frozen_s, self.still_s = reading.t_s, 0.0
        elif force != self.largest_newton and self.frozen_s < math.inf:
            self.still_s, self.frozen_s = reading.t_s - self.frozen_s, math.inf
        if len(self.forces) > KEPT:
            del self.forces[KEPT // 4 : -KEPT // 4]

    def band_newton(self, t_s: float, level: float, unsure: float) -> float:
        """How far above the foretold level readings are back at it."""
        rise = max(self.largest_newton - level, 0.0)
        plain, off = _BAND_SIGMA * self.sigma_newton, min(_BAND_SIGMA * unsure, 0.1 * rise)
        return max(
            min(self.width * math.hypot(plain, off), 0.2 * rise), min(plain, _BAND_SHARE * rise)
        )

    def is_anew(self, force: float, level: float, margin: float) -> bool:
        """Whether the force, back near the baseline, rises anew.

        Noise may grow with the force: 15 % of what is left is five times the noise of 3 %.
        """
        low = max(self.lowest_newton, level)
        return force > low + margin + 0.15 * (low - level)

    def see_near(self, t_s: float, force: float, dwell: int) -> float | None:
        """Take a reading near the baseline; the median of the last few, where there are enough."""
        if not self.near:
            self.t_near_s, self.lowest_newton = t_s, math.inf
        self.near.append(force)
        if len(self.near) < dwell:
            return None
        recent = median(self.near[-dwell:])
        self.lowest_newton = min(self.lowest_newton, recent)
        return recent

    def rebase(self, level_newton: float) -> None:
        """Take another level for the baseline: it began in a pull of juice."""
        share = (self.watch_newton - self.base_newton) / max(self.rise_newton, 1e-12)
        self.base_newton = level_newton
        self.watch_newton = level_newton + share * self.rise_newton

    def merge(self, newer: OpenPress) -> None:
        """Go on with what came while this press was suspended."""
        if newer.largest_newton > self.largest_newton:
            share = (self.watch_newton - self.base_newton) / self.rise_newton
            self.watch_newton = self.base_newton + share * (newer.largest_newton - self.base_newton)
            self.largest_newton, self.peak = newer.largest_newton, newer.peak
            self.frozen_s, self.still_s = newer.frozen_s, newer.still_s
        self.losses += [Loss(at + len(self.forces), s) for at, s in newer.losses]
        self.forces = (self.forces + newer.forces)[: 2 * KEPT]
        self.count += newer.count
        self.flags |= newer.flags
        self.stages += newer.stages

    def need_newton(self, settings: DetectorSettings) -> float:
        """Least rise of a press: it stands out of the noise, and of the display's steps."""
        sigmas, step = settings.press_sigma, self.zero.step_newton
        rounded = sigmas * self.zero.analog_newton + step / 2
        steps = settings.press_steps * self.step_share * step
        return max(min(sigmas * self.sigma_newton, rounded), steps)

    def is_touch(self, end_s: float, rate_hz: float, settings: DetectorSettings) -> bool:
        """Whether it rose too little, or was over too soon, for a press."""
        lasted_s = end_s - self.t_before_s
        if rate_hz:  # readings that come late come together
            lasted_s = max(lasted_s, (self.count - len(self.near)) / rate_hz)
        if self.peak is None or lasted_s < settings.shortest_s:
            return True
        if lasted_s < _KNOCK_S and self.is_step(rate_hz):
            return True
        return self.rise_newton < self.need_newton(settings)

    def is_step(self, rate_hz: float, top_newton: float = math.nan) -> bool:
        """Whether it rose (to a level) faster than a hand can: a knock, or a step of zero."""
        top = self.largest_newton if math.isnan(top_newton) else top_newton
        most = self.base_newton + _RISE_SHARE * (top - self.base_newton)
        n = next((i for i, force in enumerate(self.forces) if force >= most), 0)
        lost_s = sum(loss.seconds for loss in self.losses if loss.at <= n)
        seen = self.onset_newton + max(2 * self.sigma_newton, self.zero.step_newton)
        return most > seen and n + _ONSET < (_RISE_S - lost_s) * rate_hz

    def loaded(self) -> list[float]:
        """Forces up to the release: what swings and lifts after it is no second rise."""
        n = len(self.forces)
        while n > 1 and self.forces[n - 1] < self.watch_newton:
            n -= 1
        return self.forces[:n]

    def sharpen(self, step_newton: float) -> None:
        """Take a display step that became known during the press."""
        self.zero.show(step_newton)
        self.sigma_newton = self.zero.sigma_newton

    def figures(
        self,
        level_newton: float,
        n: int,
        t_s: float,
        rate_hz: float,
        usual_newton: float,
        settings: DetectorSettings,
    ) -> Press:
        """Put the finished press into figures, with its flags."""
        peak, flags, step = self.peak, set(self.flags), self.zero.step_newton
        assert peak is not None
        base, sigma, rise = self.base_newton, self.sigma_newton, self.rise_newton
        rate_hz = rate_hz or self.count / max(t_s - self.t_start_s, 1e-3)
        ramp = measure_ramp(self.forces, base, sigma, rate_hz)
        hidden = hidden_newton(self.forces, base, self.losses, ramp, rate_hz)
        plan = settings.loading_rate_per_s
        rated = _RATED * (settings.capacity_newton or math.inf)
        margin = settings.onset_sigma * self.width * sigma
        zero_off = max(_ZERO_SHARE * usual_newton, _ZERO_STEPS * step) + sigma
        # All readings must lie off, as the tail of a release may still be falling.
        last = (self.near or self.low)[-n:] or [level_newton]
        off = max(min(last) - base, base - max(last))
        found = {
            Flag.FEW_READINGS: ramp.n < settings.few_readings,
            Flag.LOADING_RATE: plan is not None
            and not plan[0] <= ramp.rate_newton_s / max(rise, 1e-9) <= plan[1],
            Flag.DOUBLE_RISE: bool(self.stages)
            or is_double_rise(self.loaded(), base, margin, settings.dip_share),
            Flag.LONE_READING: is_lone_peak(self.forces, base, sigma),
            Flag.OVERLOAD: self.largest_newton >= rated,
            Flag.BASELINE_DRIFT: off > max(4 * sigma, 1.5 * step, _OFF_SHARE * rise),
            Flag.PEAK_MAY_BE_HIGHER: hidden > max(2 * sigma, step),
            Flag.ZERO_OFF: abs(base) > zero_off,
        }
        flags |= {flag for flag, holds in found.items() if holds}
        return Press(
            t_start_s=self.t_start_s,
            t_peak_s=peak.t_s,
            t_end_s=max(t_s, peak.t_s),
            peak_shown=peak.shown,
            peak_unit=peak.unit,
            peak_newton=self.largest_newton,
            baseline_newton=base,
            noise_newton=sigma,
            n_readings=self.count,
            n_ramp=ramp.n,
            rate_hz=rate_hz,
            loading_rate_newton_s=ramp.rate_newton_s,
            sampling_loss_newton=max(ramp.loss_newton, hidden),
            flags=tuple(flag for flag in Flag if flag in flags),
        )
