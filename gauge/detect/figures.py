"""One finished press in figures: loading ramp, what can have been missed at its peak, its shape.

Works on the forces of the press in order; no state, no detection.

What missing time can hide
--------------------------
A linear ramp of R N/s that ends in a sudden break, read every T seconds, shows a largest reading
that falls short by anything between 0 and R T (elementary: the break lies anywhere between two
readings). R is the larger of the mean rate of the ramp and the local rate, so a smooth top
(half-sine: at most 1 - cos(pi f T) of the peak) stays within the same bound. So does the force
while readings are missing, lost or unreadable: it rises above its neighbours by R T at most, with T
the time that is missing, and what the gauge would have shown by the noise of a reading more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate, groupby, pairwise
from operator import sub
from statistics import median
from typing import NamedTuple

from gauge.detect.baseline import SAME_SIGMA, Baseline, rough_sigma
from gauge.detect.settings import DetectorSettings
from gauge.records import Flag, Press, Reading

HAND_S = 0.08  # s; no hand changes its force much faster; tuned
SWAP_S = 2.0  # s; no other berry is under the head sooner; tuned
_FEW = 6  # steps between readings that tell how fast the force changes
_TOP_SHARE = 0.02  # of the rise; so near the peak the ramp has ended
FOOT_SHARE = 0.1  # of the rise; less is its foot, before its ramp
ZERO_SHARE = 0.01  # of the usual peak; zero off by less is of no concern,
_ZERO_STEPS = 3  # display steps; nor by less than so many
_RATED = 0.95  # of the capacity
_FLAGS = list(Flag)  # an enumeration is gone through slowly


class Ramp(NamedTuple):
    """A loading ramp: readings on it, mean rate, by how much its peak can fall short.

    Loss is what the time between two readings can hide, hidden what missing ones can (below 0: no).
    """

    n: int
    rate_newton_s: float
    loss_newton: float
    hidden_newton: float


class Loss(NamedTuple):
    """Readings lost or unreadable: after how many readings of the press, and for how long."""

    at: int
    seconds: float


@dataclass
class Part:
    """What rose and fell between two levels of a press; between two zeros, a berry."""

    t_start_s: float
    base_newton: float  # level before it, and its standard error
    base_error_newton: float
    stay_newton: float = math.nan  # the first of its levels
    level_newton: float = math.nan  # the last, from when on, and till when it was seen
    from_s: float = math.nan
    to_s: float = math.nan
    largest_newton: float = -math.inf
    peak: Reading | None = None
    n_readings: int = 0  # of a long press not all of their forces are kept
    forces: list[float] = field(default_factory=list)
    losses: list[Loss] = field(default_factory=list)
    flags: set[Flag] = field(default_factory=set)

    @property
    def rise_newton(self) -> float:
        """Rise above the level at which it began."""
        return self.largest_newton - self.base_newton

    def end(self, level_newton: float, from_s: float, to_s: float) -> Part:
        """End it at a level; itself."""
        self.stay_newton = self.level_newton = level_newton
        self.from_s, self.to_s = from_s, to_s
        return self

    def join(self, newer: Part) -> Part:
        """Go on with the part after this one."""
        top, at = max(self, newer, key=lambda part: part.largest_newton), len(self.forces)
        return replace(
            newer, t_start_s=self.t_start_s, base_newton=self.base_newton,
            stay_newton=self.stay_newton, largest_newton=top.largest_newton, peak=top.peak,
            n_readings=self.n_readings + newer.n_readings, forces=self.forces + newer.forces,
            losses=[*self.losses, *(Loss(at + loss.at, loss.seconds) for loss in newer.losses)],
            flags=self.flags | newer.flags,
        )  # fmt: skip


def is_fast(rate_hz: float) -> bool:
    """Whether readings come faster than a hand changes its force."""
    return rate_hz * HAND_S > 1


def unreset_peaks(part: Part, rate_hz: float, least_share: float) -> list[float]:
    """Peaks before the last that a display held until another berry was pressed.

    Such a display never falls before it is reset, and holds the last, too; the hold of a hand does
    not. Nor does a hand pause for so long as it takes to put another berry under the head. What is
    lower than a share of the rise is noise that the display held.
    """
    x, least = part.forces, part.base_newton + least_share * part.rise_newton
    at = x.index(max(x))
    if min(x[at : at + math.ceil(rate_hz / 2)]) < part.largest_newton:  # within half a second
        return []
    runs = [(force, len(list(run))) for force, run in groupby(x[:at]) if force >= least]
    found = [force for force, n in runs if n >= SWAP_S * rate_hz]
    falls = any(b < a and found and a >= found[0] for (a, _), (b, _) in pairwise(runs))
    return [] if falls else found


def measure_ramp(part: Part, rate_hz: float, sigma_newton: float, step_newton: float) -> Ramp:
    """Measure the loading ramp of a press, from its readings from the onset on.

    It ends where the force first comes within two sigma or 2 % of the peak, so that a hold at the
    top is no part of it. Where numbers on it are repeated, and yet change by more than two display
    steps at a time, the line is faster than the display: what is repeated is no new reading.
    """
    x, peak = [part.base_newton, *part.forces], max(part.forces)
    rise = peak - part.base_newton
    enough = peak - max(2 * sigma_newton, _TOP_SHARE * rise)
    top = next(i for i, v in enumerate(x) if v >= enough)
    start = next(i for i in range(top, -1, -1) if i == 0 or x[i] - x[0] <= FOOT_SHARE * rise)
    mean = (x[top] - x[start]) / max(top - start, 1)
    runs = [len(list(run)) for _, run in groupby(x[start : top + 1])]
    each = median(runs) if x[top] - x[start] > 2 * step_newton * len(runs) else 1
    back = max(round(each), round(FOOT_SHARE * (top - start)))

    def climb(i: int) -> float:
        """How much more than a reading the next one can be."""
        return max(mean, (x[i] - x[max(i - back, 0)]) / back, 0.0)

    # Of a long press not all forces are kept: losses after those stand at its end.
    lost = [(min(at, len(part.forces)), s) for at, s in part.losses]
    highest = [max(x[max(at - 1, 0) : at + 3]) + climb(at) * s * rate_hz for at, s in lost]
    hidden = max(highest, default=-math.inf) + 2 * sigma_newton - peak
    return Ramp(round(top / each), mean * rate_hz, each * climb(top), hidden)


def is_double_rise(part: Part, rate_hz: float, margin_newton: float, share: float) -> bool:
    """Whether the force dropped and rose again before the release, by more than the margin each.

    Nor may that be the noise near the top, which often grows with the force, or last less than half
    the time a hand needs. What swings after the release, or below the level at the end, is none.
    """
    forces, base, level = part.forces, part.base_newton, part.level_newton
    half, n = (base + max(forces)) / 2, max(1, round(HAND_S / 2 * rate_hz))
    top = [force for force in forces if force > half]
    noise = rough_sigma(top) if len(top) > 2 * _FEW else 0.0
    back = next(i for i, force in enumerate(reversed(forces), 1) if force >= half)
    held = [force if force > level else level for force in forces[:-back]]
    means = [sum(held[i : i + n]) / n for i in range(0, len(held) - n + 1, n)] or [base]
    at = means.index(max(means))
    sides = means[: at + 1], means[:at:-1]  # both towards the top
    least = max(margin_newton, share * (means[at] - base)) + SAME_SIGMA * noise
    return any(drop > least for side in sides for drop in map(sub, accumulate(side, max), side))


def is_lone_peak(part: Part, rate_hz: float, sigma_newton: float) -> bool:
    """Whether the peak is a single reading that no neighbour supports.

    It exceeds both by more than a tenth of their force, besides what stays on the head from then
    on. No hand does that by more than the force changes around it; nor rises by twice as much as in
    any other step, or less where more readings come in the time that it needs. Where readings are
    missing nothing is known; nor where they come slower than it: do not ask.
    """
    x = [0.0, *(force - part.base_newton for force in part.forces), 0.0, 0.0, 0.0]
    at, left, n = x.index(max(x)), max(part.level_newton - part.base_newton, 0.0), rate_hz * HAND_S
    top = x.pop(at) - left
    steps, beside = [b - a for a, b in pairwise(x[1:-3])], max(x[at - 1], x[at])
    if len(steps) < _FEW or any(abs(loss.at + 1 - at) <= 1 for loss in part.losses):
        return False
    change = max(abs(b - a) for a, b in pairwise(x[max(at - 2, 0) : at + 2]))
    above, up = top - beside, top - x[at - 1]
    fast = above > change + SAME_SIGMA * sigma_newton or up > min(2, 1 + 2 / n) * max(steps)
    return above > FOOT_SHARE * beside and fast


def press_of(
    part: Part,
    zero: Baseline,
    rate_hz: float,
    last: Sequence[float],
    settings: DetectorSettings,
    usual_newton: float,
) -> Press:
    """Put a part that is a press into figures, with its flags.

    `last` are readings that show the level at its end: one or more; `usual_newton` is the usual
    peak.
    """
    assert part.peak is not None
    peak, base, level, sigma = part.peak, part.base_newton, part.level_newton, zero.sigma_newton
    ramp = measure_ramp(part, rate_hz, sigma, zero.step_newton)
    plan = settings.loading_rate_per_s
    rated = _RATED * (settings.capacity_newton or math.inf)
    # What stays on the head came with the last of the force: it is no second rise.
    margin = settings.onset_sigma * zero.width * sigma + max(level - base, 0.0)
    concern = max(ZERO_SHARE * usual_newton, _ZERO_STEPS * zero.step_newton)
    # Zero is off where it was so before and one reading after may show it; it moved where all of
    # them show that, as the tail of a release may still be falling.
    off = min(base, max(last)) if base > 0 else min(-base, -min(last))
    moved = max(min(last) - base, base - max(last))
    holds = {
        Flag.FEW_READINGS: ramp.n < settings.few_readings,
        Flag.LOADING_RATE: plan and not plan[0] <= ramp.rate_newton_s / part.rise_newton <= plan[1],
        Flag.DOUBLE_RISE: is_double_rise(part, rate_hz, margin, settings.dip_share),
        Flag.LONE_READING: is_fast(rate_hz) and is_lone_peak(part, rate_hz, sigma),
        Flag.OVERLOAD: part.largest_newton >= rated,
        Flag.BASELINE_DRIFT: moved > concern + 2 * (zero.foretell(part.from_s)[1] + sigma),
        Flag.PEAK_MAY_BE_HIGHER: ramp.hidden_newton > 0 and Flag.OVERLOAD not in part.flags,
        Flag.ZERO_OFF: off > concern + part.base_error_newton,
    }
    return Press(
        t_start_s=part.t_start_s,
        t_peak_s=peak.t_s,
        t_end_s=max(part.from_s, peak.t_s),
        peak_shown=peak.shown,
        peak_unit=peak.unit,
        peak_newton=part.largest_newton,
        baseline_newton=base,
        noise_newton=sigma,
        n_readings=part.n_readings,
        n_ramp=ramp.n,
        rate_hz=rate_hz,
        loading_rate_newton_s=ramp.rate_newton_s,
        sampling_loss_newton=max(ramp.loss_newton, ramp.hidden_newton),
        flags=tuple([flag for flag in _FLAGS if flag in part.flags or holds.get(flag)]),
    )
