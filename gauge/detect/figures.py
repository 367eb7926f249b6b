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

from itertools import pairwise
from statistics import median
from typing import NamedTuple

_POINTS = 200  # means that a double rise is looked for in
_LONE = 2.0  # times the largest step upwards elsewhere; a single reading that rises further
_FEW = 6  # steps that tell it
_TOP_SHARE = 0.02  # of the rise; so near the peak the ramp has ended
_FOOT_SHARE = 0.1  # of the rise; the rate of the ramp is taken from there on


class Ramp(NamedTuple):
    """Figures of a loading ramp: readings on it, mean rate (N/s), largest possible loss (N)."""

    n: int
    rate_newton_s: float
    loss_newton: float


class Loss(NamedTuple):
    """Readings lost or unreadable: after how many readings of the press, and for how long."""

    at: int
    seconds: float


def measure_ramp(
    forces: list[float], base_newton: float, sigma_newton: float, rate_hz: float
) -> Ramp:
    """Measure the loading ramp of a press.

    Parameters
    ----------
    forces : list of float
        Readings of the press from its onset on (N).
    base_newton, sigma_newton : float
        Level and noise at rest.
    rate_hz : float
        Readings per second.

    Returns
    -------
    Ramp
        The ramp ends where the force first comes within two sigma or 2 % of the peak, so that a
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

    Examples
    --------
    >>> forces = [0.2, 0.4, 0.6, 0.8, 1.0, 0.0]
    >>> ramp = measure_ramp(forces, 0.0, 0.001, 10.0)
    >>> round(hidden_newton(forces, 0.0, [Loss(5, 0.3)], ramp, 10.0), 6)
    0.6
    >>> hidden_newton(forces, 0.0, [Loss(1, 0.1)], ramp, 10.0)
    0.0
    """
    most = 0.0
    for at, seconds in losses:
        around = forces[max(at - 2, 0) : at + 2]
        before = forces[at - 1] if at else base_newton
        fresh = forces[max(at - 4, 0) : at] if at > 4 else [base_newton, *forces[:at]]
        climb = max((b - a for a, b in pairwise(fresh)), default=0.0)
        rate = max(ramp.rate_newton_s, climb * rate_hz if len(fresh) > 2 else 0.0)
        most = max(most, max([before, *around]) + rate * seconds - max(forces))
    return most


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
    half = 0.5 * (base_newton + max(forces))
    second = [
        abs(forces[i - 1] - 2 * forces[i] + forces[i + 1])
        for i in range(1, len(forces) - 1)
        if min(forces[i - 1 : i + 2]) > half
    ]
    if len(second) >= 8:
        noise = 1.4826 * median(second) / 6**0.5
        drop = max(drop, 4 * noise) + 3 * noise
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


def is_lone_peak(forces: list[float], base_newton: float, sigma_newton: float) -> bool:
    """Whether the peak is a single reading that no neighbour supports.

    No press rises so far within one reading and loses it again with the next: such a reading may be
    a line error. It exceeds both neighbours by more than ten sigma, a tenth of their force and,
    unless those are level, `_LONE` times the largest step upwards elsewhere in the press.

    Examples
    --------
    >>> ramp = [0.1 * i for i in range(20)]
    >>> is_lone_peak([*ramp, 9.0, 2.1, 2.2], 0.0, 0.01), is_lone_peak([*ramp, 0.3], 0.0, 0.01)
    (True, False)
    """
    at = forces.index(max(forces))
    before = forces[at - 1] if at else base_newton
    after = forces[at + 1] if at + 1 < len(forces) else base_newton
    steps = [forces[i] - forces[i - 1] for i in range(1, len(forces)) if i != at]
    if len(steps) < _FEW:
        return False
    height = forces[at] - max(before, after)
    around = [*forces[max(at - 2, 0) : at], *forces[at + 1 : at + 3]]
    is_level = len(around) == 4 and max(around) - min(around) < 0.25 * height
    usual = 0.0 if is_level else _LONE * max(steps)
    return height > max(usual, 10 * sigma_newton, _FOOT_SHARE * (before - base_newton))
