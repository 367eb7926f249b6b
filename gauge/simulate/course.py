"""The course of one simulated sitting: berries pressed or check weights hung, one after another.

What a press is, is in berrymodel; how the gauge shows it, in virtualgauge.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

from gauge.mass import expected_newton, parse_mass
from gauge.simulate.berrymodel import Press, Selection, Track, berry_track, weight_track
from gauge.units import STANDARD_GRAVITY_M_S2


def course(
    rng: Random,
    *,
    selection: Selection,
    berries: int,
    day: float = 0.0,
    masses: Sequence[str] = (),
    overload_newton: float | None = None,
    cut: bool = False,
) -> Track:
    """Draw what happens at the head.

    Parameters
    ----------
    rng : Random
    selection : Selection
        Whose berries are pressed.
    berries : int
        How many.
    day : float, optional
        Day of storage.
    masses : sequence of str, optional
        Such as "500g": hang these at standard gravity, and press no berries.
    overload_newton : float, optional
        Peak in newtons of the berry in the middle.
    cut : bool, optional
        End two thirds up the rise of the last press.

    Raises
    ------
    InvalidValueError
        If a mass cannot be read.

    Examples
    --------
    >>> berry = Selection(code="R-114", mean_newton=4.0)
    >>> len(course(Random(1), selection=berry, berries=3).presses())
    3
    """
    if masses:
        gravity = float(STANDARD_GRAVITY_M_S2)
        return weight_track(expected_newton(parse_mass(mass), gravity) for mass in masses)
    peaks_newton = selection.peaks_newton(rng, berries, day=day)
    if overload_newton is not None:
        peaks_newton[berries // 2] = overload_newton
    track = berry_track(rng, peaks_newton)
    if not cut:
        return track
    last = track.acts[-2]
    assert isinstance(last, Press)
    cut_s = track.duration_s - track.acts[-1].duration_s - last.duration_s
    return Track(track.acts[:-1], until_s=cut_s + last.rise_s * 2 / 3)
