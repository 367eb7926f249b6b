"""One finished press in figures: loading ramp, what can have been missed at its peak, its shape.

Works on the forces of the press in order; no state, no detection.

What sampling can have missed
-----------------------------
A linear ramp of R N/s that ends in a sudden break, read every T seconds, shows a largest reading
that falls short by anything between 0 and R T (elementary: the break lies anywhere between two
readings). R is the larger of the mean rate of the ramp and the local rate at its top, so a smooth
top (half-sine: at most 1 - cos(pi f T) of the peak) stays within the same bound. Where readings
were lost, T is as much longer.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

from gauge.detect.baseline import BLOCK, SAME_SIGMA, rough_sigma
from gauge.detect.settings import DetectorSettings
from gauge.records import Flag, Press, Reading

_POINTS = 200  # means that a double rise is looked for in
_LONE = 2.0  # times the largest step upwards elsewhere; a single reading that rises further
_FEW = 6  # steps that tell it
_LONE_SIGMA = 6  # sigma; it stands out by so much at least
HAND_S = 0.08  # s; no hand changes its force much faster
_TOP_SHARE = 0.02  # of the rise; so near the peak the ramp has ended
_FOOT_SHARE = 0.1  # of the rise; the rate of the ramp is taken from there on
_ZERO_SHARE = 0.01  # of the usual peak; zero off by less, before or after, is of no concern,
_ZERO_STEPS = 3  # display steps; nor by less than so many
_RATED = 0.95  # of the capacity


class Ramp(NamedTuple):
    """Figures of a loading ramp: readings on it, mean rate (N/s), largest possible loss (N)."""

    n: int
    rate_newton_s: float
    loss_newton: float


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
    level_newton: float  # level after it, and readings that show it: one or more
    last: list[float]
    step_newton: float
    flags: set[Flag]  # that were raised while it lasted


def measure_ramp(
    forces: list[float], base_newton: float, sigma_newton: float, rate_hz: float
) -> Ramp:
    """Measure the loading ramp of a press, from its readings from the onset on.

    It ends where the force first comes within two sigma or 2 % of the peak, so that a hold at the
    top is no part of it.

    Examples
    --------
    A ramp of 2 N/s read ten times a second can hide 0.2 N.

    >>> ramp = measure_ramp([0.2, 0.4, 0.6, 0.8, 1.0, 0.0], 0.0, 0.001, 10.0)
    >>> ramp.n, round(ramp.rate_newton_s, 6), round(ramp.loss_newton, 6)
    (5, 2.0, 0.2)
    """
    peak = max(forces)
    rise = peak - base_newton
    enough = peak - max(2 * sigma_newton, _TOP_SHARE * rise)
    top = next(i for i, v in enumerate(forces) if v >= enough)
    foot = base_newton + _FOOT_SHARE * rise
    start = next((i for i in range(top, -1, -1) if forces[i] <= foot), -1)
    low = forces[start] if start >= 0 else base_newton
    count = top - start
    mean = (forces[top] - low) / count if count else rise
    back = max(1, round(_FOOT_SHARE * count))
    before = forces[top - back] if top >= back else base_newton
    local = (forces[top] - before) / back
    return Ramp(top + 1, mean * rate_hz, max(mean, local, 0.0))


def hidden_newton(
    forces: list[float], base_newton: float, losses: list[Loss], ramp: Ramp, rate_hz: float
) -> float:
    """Force by which a peak can lie above the largest reading, hidden in readings that were lost.

    Before each loss the force may have gone on rising as fast as it then rose, or as the ramp.
    """
    most, peak = 0.0, max(forces)
    for at, seconds in losses:
        around = forces[max(at - 2, 0) : at + 2]
        before = forces[at - 1] if at else base_newton
        fresh = forces[max(at - 4, 0) : at] if at > 4 else [base_newton, *forces[:at]]
        climb = max((b - a for a, b in pairwise(fresh)), default=0.0)
        rate = max(ramp.rate_newton_s, climb * rate_hz if len(fresh) > 2 else 0.0)
        most = max(most, max([before, *around]) + rate * seconds - peak)
    return most


def is_double_rise(
    forces: list[float], base_newton: float, margin_newton: float, share: float
) -> bool:
    """Whether the force dropped and rose again before the release.

    Drop and second rise must each exceed the margin, `share` of the rise and seven times the noise
    near the top, which often grows with the force: it is taken from second differences of the
    readings above half the rise, where there are enough.
    """
    width = -(-len(forces) // _POINTS)
    if width > 1:
        forces = [sum(forces[i : i + width]) / width for i in range(0, len(forces) - width, width)]
    drop = max(margin_newton, share * (max(forces) - base_newton))
    half = (base_newton + max(forces)) / 2
    top = [force for force in forces if force > half]
    if len(top) > 2 * BLOCK:
        noise = rough_sigma(top)
        drop = max(drop, SAME_SIGMA * noise) + 3 * noise
    rises, rising, turn = 1, True, base_newton
    for force in forces:
        if rising:
            turn = max(turn, force)
            if force < turn - drop:
                rising, turn = False, force
        else:
            turn = min(turn, force)
            if force > turn + drop:
                rises, rising, turn = rises + 1, True, force
    return rises > 1


def is_lone_peak(found: Finished) -> bool:
    """Whether the peak is a single reading that no neighbour supports.

    It exceeds both by more than six sigma and a tenth of their force, besides what stays on the
    head from then on. No hand does that and then holds, or rises by more than `_LONE` times its
    largest step elsewhere, within `HAND_S`. Where readings are missing beside it nothing is known.
    """
    forces, base = found.forces, found.base_newton
    at = forces.index(max(forces))
    steps = [forces[i] - forces[i - 1] for i in range(1, len(forces)) if i != at]
    if len(steps) < _FEW or found.rate_hz * HAND_S < 1:
        return False
    if any(abs(loss.at - at) <= 1 for loss in found.losses):
        return False
    before = forces[at - 1] if at else base
    after = [*forces[at + 1 : at + 4], base, base, base][:3]
    left = max(found.level_newton - base, 0.0)
    height = forces[at] - max(before, after[0]) - left
    if height < max(_LONE_SIGMA * found.sigma_newton, _FOOT_SHARE * (before - base)):
        return False
    holds = min(after) > (base + forces[at]) / 2 and max(after) - min(after) < height / 2
    return holds or forces[at] - before - left > _LONE * max(steps)


def press_of(found: Finished, settings: DetectorSettings, usual_newton: float) -> Press:
    """Put a finished press into figures, with its flags; `usual_newton` is the usual peak."""
    peak, step, level, forces = found.peak, found.step_newton, found.level_newton, found.forces
    base, sigma, rise = found.base_newton, found.sigma_newton, peak.force_newton - found.base_newton
    ramp = measure_ramp(forces, base, sigma, found.rate_hz)
    hidden = hidden_newton(forces, base, found.losses, ramp, found.rate_hz)
    plan = settings.loading_rate_per_s
    rated = _RATED * (settings.capacity_newton or math.inf)
    # What stays on the head came with the last of the force: it is no second rise.
    margin = settings.onset_sigma * found.width * sigma + max(level - base, 0.0)
    most_off = max(_ZERO_SHARE * usual_newton, _ZERO_STEPS * step) + 2 * found.base_error_newton
    # All readings must lie off, as the tail of a release may still be falling.
    off = max(min(found.last) - base, base - max(found.last))
    holds = {
        Flag.FEW_READINGS: ramp.n < settings.few_readings,
        Flag.LOADING_RATE: plan is not None and not plan[0] <= ramp.rate_newton_s / rise <= plan[1],
        Flag.DOUBLE_RISE: is_double_rise(
            loaded(forces, base, level), base, margin, settings.dip_share
        ),
        Flag.LONE_READING: is_lone_peak(found),
        Flag.OVERLOAD: peak.force_newton >= rated,
        Flag.BASELINE_DRIFT: off > max(SAME_SIGMA * sigma, most_off),
        Flag.PEAK_MAY_BE_HIGHER: hidden > max(2 * sigma, step),
        Flag.ZERO_OFF: abs(base) > most_off,
    }
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
        sampling_loss_newton=max(ramp.loss_newton, hidden),
        flags=tuple(flag for flag in Flag if flag in found.flags or holds.get(flag)),
    )


def loaded(forces: list[float], base_newton: float, level_newton: float) -> list[float]:
    """Forces up to the release, where all below the level at its end is that level.

    What swings and lifts after it, or up to what stays on the head, is no second rise.
    """
    half = (base_newton + max(forces)) / 2
    n = len(forces)
    while n > 1 and forces[n - 1] < half:
        n -= 1
    return [max(force, level_newton) for force in forces[:n]]
