"""Presses suspended at levels away from their baseline, each begun on the level of the one before.

A level may be the hold of a press or a new zero (residue, a tare, drift). This file says which of
the two it looks like, and decides nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from gauge.detect.baseline import Baseline
from gauge.detect.press import NEAR_SHARE, OpenPress
from gauge.detect.settings import DetectorSettings

SAME = 4  # sigma; levels that differ by less may be the same
LOW_SHARE = 0.15  # of the rise; a level so low is hardly a hold,
RELEASE_SHARE = 0.4  # of the rise; and one above this is
FOOT_S = 3.0  # s; a low level that was left sooner is the foot of the press that left it
DEEPEST = 16  # suspended presses, one on another
_FLOOR_SHARE = 0.3  # of the height; a fall by more is no noise


def floor_newton(
    presses: Sequence[OpenPress], zero: Baseline, t_s: float, settings: DetectorSettings
) -> float:
    """Force below which the last suspended press goes on, while its level is taken for `zero`."""
    level, unsure = zero.foretell(t_s)
    off = settings.onset_sigma * zero.width * math.hypot(zero.sigma_newton, unsure)
    off = min(off, _FLOOR_SHARE * presses[-1].height_newton)
    return min(level, zero.level_newton) - max(off, 2 * presses[0].sigma_newton)


def has_sunk(press: OpenPress, zero: Baseline) -> bool:
    """Whether the level of a suspended press has sunk by a good part of its height."""
    return zero.level_newton < press.held_newton - LOW_SHARE * press.height_newton


def are_zeros(presses: Sequence[OpenPress], rate_hz: float, settings: DetectorSettings) -> bool:
    """Whether the levels between presses look like zeros, and not like pauses of one press.

    A tare or what stays on the head is a step, a berry fell to its level, drift is slow.
    """
    for below, above in pairwise(presses):
        need, rise = below.need_newton(settings), below.top[0] - below.base_newton
        fell = rise > need and below.height_newton < (1 - RELEASE_SHARE) * rise
        fell = fell and abs(above.base_newton - below.held_newton) <= below.sigma_newton
        drifted = below.rise_newton < need and above.t_start_s - below.t_near_s >= FOOT_S
        if not (fell or drifted or below.is_step(rate_hz, below.held_newton)):
            return False
    return True


def is_low(first: OpenPress, newer: OpenPress, settings: DetectorSettings) -> bool:
    """Whether the levels below a press are low beside it."""
    if newer.rise_newton < first.need_newton(settings):
        return False
    stands = newer.base_newton - first.base_newton
    return stands <= max(NEAR_SHARE * newer.rise_newton, SAME * first.sigma_newton)
