"""A rater's warm-up: known hands are found, the next anchor shows most, and it stops."""

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy.special import expit

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.retirement import replacement, retirement_reason
from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.scale import BLACKBERRY
from calibrate.raters.warmup import (
    Advice,
    Squeeze,
    advise,
    boundary_states,
    next_anchor,
    signed_miss_newton,
)
from gauge.errors import InvalidValueError
from gauge.season.rows import AnchorRow, PressRow

CUTS = (4.5, 3.2, 2.1, 1.2)
PANEL = Calibration(
    scale=BLACKBERRY,
    force_scale="linear",
    cuts=as_cuts(CUTS),
    spread=0.15,
)
ANCHORS = {f"A{i}": f for i, f in enumerate(np.arange(0.6, 5.6, 0.2).round(2))}


def _warm_up(shift_newton: float, n: int, seed: int = 1) -> list[Squeeze]:
    rng = np.random.default_rng(seed)
    squeezes: list[Squeeze] = []
    for _ in range(n):
        label = next_anchor(PANEL, squeezes, ANCHORS, rng=rng)
        force = ANCHORS[label]
        at_most = expit((force - np.array(CUTS) - shift_newton) / 0.15)
        rank = int((rng.random() > at_most).sum())
        squeezes.append(Squeeze(anchor=label, force_newton=force, rank=rank))
    return squeezes


@pytest.mark.parametrize("shift_newton", [-0.3, 0.0, 0.3])
def test_the_shift_of_a_simulated_hand_is_found(shift_newton: float) -> None:
    states = boundary_states(PANEL, _warm_up(shift_newton, 80))
    for state in states:
        assert state.shift_newton == pytest.approx(shift_newton, abs=3 * state.sd_newton)
    assert np.mean([s.shift_newton for s in states]) == pytest.approx(shift_newton, abs=0.12)


def test_before_any_squeeze_the_prior_stands() -> None:
    """A standard normal prior of 15 % of the cut, summed on the grid."""
    for state, cut in zip(boundary_states(PANEL, []), CUTS, strict=True):
        assert state.shift_newton == pytest.approx(0, abs=1e-9)
        assert state.sd_newton == pytest.approx(0.15 * cut, rel=2e-3)


def test_the_next_anchor_lies_at_the_least_certain_boundary() -> None:
    rng = np.random.default_rng(0)
    squeezes = [
        Squeeze(anchor="x", force_newton=cut + side * 0.05, rank=k if side > 0 else k + 1)
        for k, cut in enumerate(CUTS)
        if k != 1
        for side in (1, -1)
        for _ in range(6)
    ]
    assert abs(ANCHORS[next_anchor(PANEL, squeezes, ANCHORS, rng=rng)] - CUTS[1]) < 0.25


def test_no_anchor_comes_twice_before_all_came_once() -> None:
    squeezes = _warm_up(0.0, len(ANCHORS))
    assert len({s.anchor for s in squeezes}) == len(ANCHORS)


def test_a_good_hand_gets_ready_and_a_lost_one_is_told() -> None:
    assert advise(PANEL, _warm_up(0.0, 90), limit_newton=0.25) is Advice.READY
    lost = _warm_up(0.9, 60)
    assert advise(PANEL, lost[:5], limit_newton=0.2) is Advice.GO_ON
    assert any(
        advise(PANEL, lost[:n], limit_newton=0.2) is Advice.NOT_IMPROVING for n in range(24, 60)
    )
    with pytest.raises(InvalidValueError):
        advise(PANEL, lost, limit_newton=0)


def test_misses_are_signed_towards_the_firm_side() -> None:
    assert signed_miss_newton(PANEL, 3.3, 2) == pytest.approx(0.1)
    assert signed_miss_newton(PANEL, 3.1, 1) == pytest.approx(-0.1)
    assert signed_miss_newton(PANEL, 2.5, 2) == 0


MADE = datetime(2026, 7, 1, 8)


def stored(**differs: Any) -> AnchorRow:
    row = AnchorRow(
        anchor_id=1, calibration="july", kind="berry", label="A1", berry_id=None, score="3",
        boundary=None, force_newton=2.0, press_limit=5, valid_days=3.0, since=MADE.date(),
    )  # fmt: skip
    return replace(row, **differs)


@pytest.mark.parametrize(
    ("presses", "hours", "kind", "word"),
    [
        ((), 1, "berry", None),
        ((2.0, 1.85), 1, "berry", None),
        ((2.0, 1.79), 1, "berry", "fell"),
        ((None,) * 5, 1, "berry", "squeezed 5 times"),
        ((), 97, "berry", "pressed 4 days ago"),
        ((None,) * 50, 1000, "pad", None),
        ((None, 1.2) * 20, 50, "lot", None),
        ((), 97, "lot", "pressed 4 days ago"),
        ((1.7,), 1, "pad", "fell"),
    ],
)
def test_anchors_retire_by_rule(presses, hours, kind, word) -> None:
    times = [(MADE + timedelta(minutes=i)).isoformat() for i in range(len(presses))]
    pressed = [
        PressRow(press_id=i, at=at, force_newton=f, by=None)
        for i, (at, f) in enumerate(zip(times, presses, strict=True), 1)
    ]
    row = stored(kind=kind, force_newton=2.0, presses=tuple(pressed))
    reason = retirement_reason(row, (MADE + timedelta(hours=hours)).date())
    assert (reason is None) if word is None else (word in reason)


def test_the_replacement_is_of_the_same_kind() -> None:
    others = [Candidate(label=n, force_newton=f) for n, f in (("a", 2.6), ("b", 1.6), ("c", 2.75))]
    retired = stored(force_newton=2.62)
    assert replacement(PANEL, retired, others).label == "a"
    assert replacement(PANEL, retired, others[1:2]) is None
