"""One finished press in figures: loading ramp, rate, what sampling can have missed, double rise.

Works on the forces of the press in order; no state, no detection.

What sampling can have missed
-----------------------------
A linear ramp of R N/s that ends in a sudden break, read every T seconds, shows a largest reading
that falls short by anything between 0 and R T (elementary: the break lies anywhere between two
readings). R is the larger of the mean rate of the ramp and the local rate at its top, so a smooth
top (half-sine: at most 1 - cos(pi f T) of the peak) stays within the same bound.
"""

from __future__ import annotations

from statistics import median
from typing import NamedTuple

_POINTS = 200


class Ramp(NamedTuple):
    """Figures of a loading ramp: readings on it, mean rate (N/s), largest possible loss (N)."""

    n: int
    rate_newton_s: float
    loss_newton: float


def measure_ramp(
    forces: list[float], base_newton: float, noise_newton: float, rate_hz: float
) -> Ramp:
    """Measure the loading ramp of a press.

    Parameters
    ----------
    forces : list of float
        Readings of the press from its onset on, in newtons.
    base_newton, noise_newton : float
        Level and noise at rest.
    rate_hz : float
        Readings per second.

    Returns
    -------
    Ramp
        The ramp ends where the force first comes within two noises or 2 % of the peak, so that a
        hold at the top is no part of it.

    Examples
    --------
    A ramp of 2 N/s read ten times a second can hide 0.2 N.

    >>> ramp = measure_ramp([0.2, 0.4, 0.6, 0.8, 1.0, 0.0], 0.0, 0.001, 10.0)
    >>> ramp.n, round(ramp.rate_newton_s, 6), round(ramp.loss_newton, 6)
    (5, 2.0, 0.2)
    """
    peak = max(forces)
    rise = peak - base_newton
    enough = peak - max(2 * noise_newton, 0.02 * rise)
    top = next(i for i, v in enumerate(forces) if v >= enough)
    foot = base_newton + 0.1 * rise
    start = next((i for i in range(top, -1, -1) if forces[i] <= foot), -1)
    low = forces[start] if start >= 0 else base_newton
    count = top - start
    mean = (forces[top] - low) / count if count else rise
    back = max(1, round(0.1 * count))
    before = forces[top - back] if top >= back else base_newton
    local = (forces[top] - before) / back
    return Ramp(top + 1, mean * rate_hz, max(mean, local, 0.0))


def is_double_rise(
    forces: list[float], base_newton: float, margin_newton: float, share: float
) -> bool:
    """Whether the force dropped and rose again before the release.

    Drop and second rise must each exceed the margin, `share` of the rise and seven times the noise
    near the top, which often grows with the force: it is taken from second differences of the
    readings above half the rise, where there are enough.

    Examples
    --------
    >>> is_double_rise([0.5, 1.0, 1.5, 0.9, 1.2, 1.8, 0.1], 0.0, 0.05, 0.05)
    True
    >>> is_double_rise([0.5, 1.0, 1.5, 1.4, 1.3, 0.1], 0.0, 0.05, 0.05)
    False
    """
    width = -(-len(forces) // _POINTS)
    if width > 1:
        forces = [sum(forces[i : i + width]) / width for i in range(0, len(forces) - width, width)]
    drop = max(margin_newton, share * (max(forces) - base_newton))
    half = base_newton + 0.5 * (max(forces) - base_newton)
    second = [
        abs(forces[i - 1] - 2 * forces[i] + forces[i + 1])
        for i in range(1, len(forces) - 1)
        if min(forces[i - 1 : i + 2]) > half
    ]
    if len(second) >= 8:
        drop = max(drop, 7 * 1.4826 * median(second) / 6**0.5)
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


def smooth_peak(forces: list[float], width: int) -> float:
    """Largest mean of `width` readings in a row: what noise of single readings does not reach.

    Examples
    --------
    >>> smooth_peak([0.0, 3.0, 0.0, 1.0], 2)
    1.5
    """
    width = min(width, len(forces))
    total = largest = sum(forces[:width])
    for new, old in zip(forces[width:], forces, strict=False):
        total += new - old
        largest = max(largest, total)
    return largest / width


def is_lone_peak(forces: list[float], base_newton: float) -> bool:
    """Whether the peak is a single reading far above both neighbours.

    No press drops and returns within one reading on each side: such a reading may be a line error.
    Far is half the rise and ten times the usual step of the press; needs 16 readings to judge.

    Examples
    --------
    >>> ramp = [0.1 * i for i in range(20)]
    >>> is_lone_peak([*ramp, 9.0, 2.1, 2.2], 0.0), is_lone_peak([*ramp, 0.3], 0.0)
    (True, False)
    """
    if len(forces) < 16:
        return False
    at = forces.index(max(forces))
    before = forces[at - 1] if at else base_newton
    after = forces[at + 1] if at + 1 < len(forces) else base_newton
    usual = median(abs(forces[i] - forces[i - 1]) for i in range(1, len(forces)))
    far = max(10 * usual, 0.25 * (forces[at] - base_newton))
    on_ramp = abs(after - before) <= far  # a skin break leaves the neighbours far apart
    return on_ramp and forces[at] - max(before, after) > far
