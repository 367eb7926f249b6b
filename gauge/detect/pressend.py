"""How a press ends: near the rest level and level again, rising anew, or held.

Each question is asked of a press and of what is known around it (`Look`). A drop that does not come
back near the rest level is a skin break and no end. The stream and its states are no concern here.

Examples
--------
A press of 2 N on a rest level of 0, as it is released, and as the next one begins:

>>> from gauge.records import Reading
>>> from gauge.units import Unit
>>> press = Press(base_newton=0.0, noise_newton=0.01, plain_newton=0.01, step_newton=0.01, drift_newton_s=0.0, n_rest=50,
...               unsure_newton_s=0.001, t_before_s=1.0, t_start_s=1.01, largest_newton=2.0,
...               peak=Reading(2.0, 2.0, "2.00", Unit.N))
>>> look = Look(3.0, 0.05, 0.01, 50.0, 3, 0.2, False, True)
>>> [see_near(press, force, look) for force in (0.08, 0.01, 0.0, 0.01)]
[False, False, False, False]
>>> release_of(press, look)
Release(level_newton=0.01, n=3, is_level=True, t_s=3.0)
>>> see_far(press, 0.4, look), release_before_next(press, look)
(True, Release(level_newton=0.01, n=3, is_level=True, t_s=3.0))

A press that is held for five seconds:

>>> for check in range(10):
...     press.forces += [1.5] * 25
...     found = plateau_of(press, look)
>>> found
Hold(level_newton=1.5)
"""

from __future__ import annotations

import math
from statistics import linear_regression, median
from typing import NamedTuple

from gauge.detect.levelrun import is_level
from gauge.detect.press import KEPT, Press, Release

CHECK_S = 0.5  # how often a press is looked at for a plateau
_HOLD_CHECKS = 10
_CREEP_CHECKS = 25  # 12 s, longer than any ramp
_NEW_ZERO_S = 1.0  # that a press must stay level on a hold that it began on
_LEVEL_S = 0.3  # of a slow or noisy release that must be level
_FEW = 20  # readings at rest
_SLOW_HZ = 15.0  # below that, two readings at rest take long enough


class Look(NamedTuple):
    """What a press is looked at with.

    Attributes
    ----------
    t_s : float
        Now.
    margin_newton : float
        What stands out of the noise at rest.
    step_newton : float
        Display step.
    rate_hz : float
        Readings a second.
    dwell : int
        Readings near the rest level that end a press.
    rest_s : float
        How long readings must be level before they count as rest.
    is_parked : bool
        Whether it began on the hold of another press.
    is_confirmed : bool
        Whether a press has come back to the rest level before.
    slow_newton_s : float
        The most that can be drift (N/s), as far as is known.
    """

    t_s: float
    margin_newton: float
    step_newton: float
    rate_hz: float
    dwell: int
    rest_s: float
    is_parked: bool
    is_confirmed: bool
    slow_newton_s: float = math.inf


class Hold(NamedTuple):
    """A press that stays level far above the rest level, or on a new one."""

    level_newton: float


class Creep(NamedTuple):
    """A rise of a few noises, so slow and steady that it is drift of the rest level."""

    level_newton: float
    slope_newton_s: float
    unsure_newton_s: float


def see_near(press: Press, force_newton: float, look: Look) -> bool:
    """Take a reading near the rest level; whether the force rises anew with it."""
    near, dwell = press.near, look.dwell
    if not near:
        press.t_near_s, press.low_newton, press.is_held = look.t_s, math.inf, None
    near.append(force_newton)
    if len(near) < dwell:
        return False
    last = near[-dwell:]
    recent = median(last)
    if recent < press.low_newton:
        press.low_newton, press.low_spread_newton = recent, max(last) - min(last)
    anew = press.is_next(recent, look.t_s, look.margin_newton)
    anew = anew or press.is_next(force_newton, look.t_s, 1.6 * look.margin_newton)
    return anew and _may_end(press, look)


def see_far(press: Press, force_newton: float, look: Look) -> bool:
    """Take a reading that is not near the rest level; whether the force rises anew with it."""
    near = press.near
    if not near:
        return False
    if len(near) < look.dwell:
        if not (look.rate_hz < _SLOW_HZ and press.is_down(look.t_s)):
            near.clear()
            return False
        press.low_newton = min(press.low_newton, sum(near[-2:]) / 2)
    anew = press.is_next(force_newton, look.t_s, look.margin_newton)
    return anew and _may_end(press, look)


def _may_end(press: Press, look: Look) -> bool:
    """Whether a press that rises anew came down far enough before."""
    if look.is_parked:  # not to the hold that it began on, but below
        return press.is_below(Release(press.low_newton, look.dwell, True, look.t_s))
    return not press.is_held_up(look.t_s, look.dwell)


def release_before_next(press: Press, look: Look) -> Release:
    """Release of a press after which another one begins."""
    off_newton = abs(press.low_newton - press.rest_newton(look.t_s))
    known = off_newton <= look.margin_newton + press.unsure_newton(look.t_s)
    slow = look.dwell >= 0.05 * look.rate_hz  # level for so long is no slow fall
    known = known or (press.low_spread_newton <= 1.2 * look.margin_newton and slow)
    return Release(press.low_newton, look.dwell, known, look.t_s)


def release_of(press: Press, look: Look) -> Release | None:
    """Release of a press whose force, back near the rest level, is level again."""
    near, t_s, margin_newton = press.near, look.t_s, look.margin_newton
    # Some 50 ms, so that a slow release on a coarse display does not look level.
    tail = near[-_readings(look, 0.05, look.dwell) :]
    release = Release(median(tail), len(tail), max(tail) - min(tail) <= 1.2 * margin_newton, t_s)
    waited_s = t_s - press.t_near_s
    high = release.level_newton > press.rest_newton(t_s) + margin_newton + press.unsure_newton(t_s)
    below = press.is_below(release)
    if look.is_parked:
        # Below, the parked press goes on. Else it is a new zero, but only if it stays: a pause of
        # the press may lie at the same force.
        if not below and not _has_stayed(press, look, _NEW_ZERO_S, 8):
            return None
    elif below and not look.is_confirmed:
        # Perhaps the rest level was part of a press: see where the fall ends.
        if waited_s < 5 * look.rest_s:
            return None
    elif high or not release.is_level or press.is_doubtful(release):
        # A slow release that goes on, more noise, or a new rest level? See also the plateau.
        every = max(1, _readings(look, _LEVEL_S, 8) // 8)
        if len(near) % every or not _has_stayed(press, look, _LEVEL_S, 8, whole=True):
            return None
        release = release._replace(is_level=True)
    elif (
        not look.is_confirmed
        and _may_be_hold(press, look.step_newton)
        and not _has_stayed(press, look, 4 * look.rest_s, 4)
    ):
        return None
    # What climbs while it is watched is the foot of the next press.
    low_newton = max(press.low_newton, press.rest_newton(t_s))
    if release.level_newton - low_newton > max(1.5 * look.step_newton, 2 * press.plain_newton):
        release = release._replace(level_newton=low_newton)
    return release


def _readings(look: Look, span_s: float, least: int) -> int:
    """How many readings come in so long a time, or the least that are asked for."""
    return max(least, math.ceil(span_s * look.rate_hz))


def _has_stayed(press: Press, look: Look, span_s: float, n: int, *, whole: bool = False) -> bool:
    """Whether it has been near the rest level for so long, and level (over so many readings)."""
    if look.t_s - press.t_near_s < span_s:
        return False
    long = _readings(look, span_s, n)
    if whole and len(press.near) < long:
        return False
    return is_level(press.near[-long:], look.step_newton)


def _may_be_hold(press: Press, step_newton: float) -> bool:
    """Whether the rest level lies so far off zero that it may have been part of a press."""
    far = (
        press.base_newton > 8 * press.plain_newton or press.n_rest < _FEW
    )  # of few, noise is uncertain
    return far and press.base_newton > max(5 * step_newton, 0.25 * press.rise_newton)


def plateau_of(press: Press, look: Look) -> Release | Hold | Creep | None:
    """Look at a press every `CHECK_S`: whether it is level, near the rest level or held."""
    fresh = press.forces[press.checked :]
    if len(press.forces) > KEPT:
        del press.forces[KEPT // 4 : -KEPT // 4]
    press.checked = len(press.forces)
    if not fresh:
        return None
    press.checks = [*press.checks, median(fresh[:: max(1, len(fresh) // 50)])][-_CREEP_CHECKS:]
    checks, recent, margin_newton = (
        press.checks[-_HOLD_CHECKS:],
        press.checks[-4:],
        look.margin_newton,
    )
    level_newton, last_newton = recent[-1], press.forces[-1]
    near = max(level_newton, last_newton) - press.base_newton <= 0.25 * press.rise_newton
    drifted_newton = min(press.unsure_newton_s * 3 * CHECK_S, margin_newton)
    if len(recent) == 4 and max(recent) - min(recent) <= margin_newton + drifted_newton and near:
        return Release(level_newton, len(fresh), True, look.t_s)
    creep = _creep_of(press, look)
    if creep is not None:
        return creep
    still = (
        max(checks) - min(checks) <= 0.5 * margin_newton
        and abs(last_newton - level_newton) <= 0.5 * margin_newton
    )
    return Hold(level_newton) if len(checks) == _HOLD_CHECKS and still else None


def _creep_of(press: Press, look: Look) -> Creep | None:
    """Drift: medians of half seconds that rise in a straight line for longer than any ramp."""
    checks, n = press.checks, _CREEP_CHECKS
    if len(checks) < n:
        return None
    slope, first_newton = linear_regression(range(n), checks)
    line = [first_newton + slope * i for i in range(n)]
    off_newton = max(abs(level - on) for level, on in zip(checks, line, strict=True))
    if (
        off_newton > max(2 * press.plain_newton, 0.75 * look.step_newton)
        or slope * (n - 1) <= 1.5 * off_newton
    ):
        return None
    if slope / CHECK_S > look.slow_newton_s:
        return None  # a press that is loaded very slowly
    return Creep(line[-1], slope / CHECK_S, 3 * off_newton / ((n - 1) * CHECK_S))
