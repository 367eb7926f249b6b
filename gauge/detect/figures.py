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
from itertools import accumulate, pairwise
from typing import NamedTuple

from gauge.detect.baseline import SAME_SIGMA, rough_sigma
from gauge.detect.settings import DetectorSettings
from gauge.records import Flag, Press, Reading

HAND_S = 0.08  # s; no hand changes its force much faster
_FEW = 6  # steps between readings that tell how fast the force changes
_TOP_SHARE = 0.02  # of the rise; so near the peak the ramp has ended
_FOOT_SHARE = 0.1  # of the rise; the rate of the ramp is taken from there on
_ZERO_SHARE = 0.01  # of the usual peak; zero off by less is of no concern,
_ZERO_STEPS = 3  # display steps; nor by less than so many
_RATED = 0.95  # of the capacity


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


class Finished(NamedTuple):
    """A press that is over, as the detector knows it; forces and levels in newtons."""

    t_start_s: float
    t_end_s: float
    peak: Reading
    forces: list[float]  # its readings in order, from the first that left the baseline
    losses: list[Loss]
    n_readings: int  # of a long press not all of their forces are kept
    rate_hz: float
    base_newton: float  # level before it, its standard error,
    base_error_newton: float
    sigma_newton: float  # the noise of readings there, and the factor for what is unknown of that
    width: float
    level_newton: float  # level after it, standard error of the one foretold for then,
    error_newton: float  # and readings that show it: one or more
    last: list[float]
    step_newton: float
    flags: set[Flag]  # that were raised while it lasted


def measure_ramp(
    forces: Sequence[float],
    base_newton: float,
    sigma_newton: float,
    rate_hz: float,
    losses: Sequence[Loss] = (),
) -> Ramp:
    """Measure the loading ramp of a press, from its readings from the onset on.

    It ends where the force first comes within two sigma or 2 % of the peak, so that a hold at the
    top is no part of it.
    """
    x, peak = [base_newton, *forces], max(forces)
    rise = peak - base_newton
    enough = peak - max(2 * sigma_newton, _TOP_SHARE * rise)
    top = next(i for i, v in enumerate(x) if v >= enough)
    start = max(i for i, v in enumerate(x[: top + 1]) if i == 0 or v - x[0] <= _FOOT_SHARE * rise)
    mean = (x[top] - x[start]) / max(top - start, 1)
    back = max(1, round(_FOOT_SHARE * (top - start)))

    def climb(i: int) -> float:
        """How much more than a reading the next one can be."""
        return max(mean, (x[i] - x[max(i - back, 0)]) / back, 0.0)

    # Of a long press not all forces are kept: losses after those stand at its end.
    lost = [(min(at, len(forces)), s) for at, s in losses]
    highest = [max(x[max(at - 1, 0) : at + 3]) + climb(at) * s * rate_hz for at, s in lost]
    hidden = max(highest, default=-math.inf) + 2 * sigma_newton - peak
    return Ramp(top, mean * rate_hz, climb(top), hidden)


def is_double_rise(found: Finished, margin_newton: float, share: float) -> bool:
    """Whether the force dropped and rose again before the release, by more than the margin each.

    Nor may that be the noise near the top, which often grows with the force, or last less than half
    the time a hand needs. What swings after the release, or below the level at the end, is none.
    """
    forces, base = found.forces, found.base_newton
    half = (base + max(forces)) / 2
    top = [force for force in forces if force > half]
    noise = rough_sigma(top) if len(top) > 2 * _FEW else 0.0
    n = max(i for i, force in enumerate(forces) if force >= half) + 1
    held = [max(force, found.level_newton) for force in forces[:n]]
    width = max(1, round(HAND_S / 2 * found.rate_hz))
    means = [sum(held[i : i + width]) / width for i in range(0, max(n - width, 1), width)]
    later = [*accumulate(reversed(means), max)][::-1]
    drop = max(map(lambda a, b, c: min(a, c) - b, accumulate(means, max), means, later))
    return drop > max(margin_newton, share * (max(means) - base)) + SAME_SIGMA * noise


def is_lone_peak(found: Finished) -> bool:
    """Whether the peak is a single reading that no neighbour supports.

    It exceeds both by more than a tenth of their force, besides what stays on the head from then
    on. No hand does that and then holds for three readings, or rises by more than twice its largest
    step elsewhere, where readings come faster than it. Where they are missing nothing is known.
    """
    x = [0.0, *(force - found.base_newton for force in found.forces), 0.0, 0.0, 0.0]
    at, left = x.index(max(x)), max(found.level_newton - found.base_newton, 0.0)
    steps = [b - a for i, (a, b) in enumerate(pairwise(x[1:-3]), 2) if i != at]
    beside, up = max(x[at - 1], x[at + 1]), x[at] - x[at - 1] - left
    if len(steps) < _FEW or found.rate_hz * HAND_S < 1:
        return False
    if any(abs(loss.at + 1 - at) <= 1 for loss in found.losses):
        return False
    holds = min(x[at + 1 : at + 4]) > (1 - _FOOT_SHARE) * beside
    return x[at] - left > (1 + _FOOT_SHARE) * beside and (holds or up > 2 * max(steps))


def press_of(found: Finished, settings: DetectorSettings, usual_newton: float) -> Press:
    """Put a finished press into figures, with its flags; `usual_newton` is the usual peak."""
    peak, base, sigma, level = found.peak, found.base_newton, found.sigma_newton, found.level_newton
    rise = peak.force_newton - base
    ramp = measure_ramp(found.forces, base, sigma, found.rate_hz, found.losses)
    plan = settings.loading_rate_per_s
    rated = _RATED * (settings.capacity_newton or math.inf)
    # What stays on the head came with the last of the force: it is no second rise.
    margin = settings.onset_sigma * found.width * sigma + max(level - base, 0.0)
    concern = max(_ZERO_SHARE * usual_newton, _ZERO_STEPS * found.step_newton)
    # Zero is off where it was so before and after; else it moved. All readings must show that, as
    # the tail of a release may still be falling.
    off = min(base, level) if base > 0 else min(-base, -level)
    moved = max(min(found.last) - base, base - max(found.last))
    holds = (
        (Flag.FEW_READINGS, ramp.n < settings.few_readings),
        (Flag.LOADING_RATE, plan and not plan[0] <= ramp.rate_newton_s / rise <= plan[1]),
        (Flag.DOUBLE_RISE, is_double_rise(found, margin, settings.dip_share)),
        (Flag.LONE_READING, is_lone_peak(found)),
        (Flag.OVERLOAD, peak.force_newton >= rated),
        (Flag.BASELINE_DRIFT, moved > concern + 2 * (found.error_newton + sigma)),
        (Flag.PEAK_MAY_BE_HIGHER, ramp.hidden_newton > 0),
        (Flag.ZERO_OFF, off > concern + found.base_error_newton),
    )
    flags = found.flags | {flag for flag, is_so in holds if is_so}
    return Press(
        t_start_s=found.t_start_s,
        t_peak_s=peak.t_s,
        t_end_s=max(found.t_end_s, peak.t_s),
        peak_shown=peak.shown,
        peak_unit=peak.unit,
        peak_newton=peak.force_newton,
        baseline_newton=base,
        noise_newton=sigma,
        n_readings=found.n_readings,
        n_ramp=ramp.n,
        rate_hz=found.rate_hz,
        loading_rate_newton_s=ramp.rate_newton_s,
        sampling_loss_newton=max(ramp.loss_newton, ramp.hidden_newton),
        flags=tuple(sorted(flags, key=list(Flag).index)),
    )
