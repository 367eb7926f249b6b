"""The sale limit and what thresholds cost, against published LD values and simulation."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.salelimit import (
    cheapest_threshold,
    limit_force,
    threshold_costs,
    within_any_hand,
    within_curve,
)
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from gauge.errors import InvalidValueError

ONE = Calibration(
    scale=RASPBERRY,
    force_scale="linear",
    cuts=as_cuts((2.0,), (1.8,), (2.2,)),
    spread=0.25,
    covariance=((0.01, -0.001), (-0.001, 0.0004)),
)


def test_limit_force_is_the_published_dose_at_other_responses() -> None:
    """Budworm females (Venables & Ripley, dose.p): log2 doses 2.231265 (0.2499089) at p = 0.25,
    3.263587 (0.2297539) at 0.50, 4.295910 (0.2746874) at 0.75.

    The three dose standard errors determine the covariance of (cut, spread), which then must give
    the published error back at each p.
    """
    cut, spread = 3.263587, (4.295910 - 2.231265) / (2 * math.log(3))
    cut_variance = 0.2297539**2
    spread_variance = ((0.2499089**2 + 0.2746874**2) / 2 - cut_variance) / math.log(3) ** 2
    covariance = (0.2746874**2 - 0.2499089**2) / (4 * math.log(3))
    dose = Calibration(
        scale=Scale(labels=("a", "b"), sale_limit="a"),
        force_scale="linear",
        cuts=as_cuts((cut,)),
        spread=spread,
        covariance=((cut_variance, covariance), (covariance, spread_variance)),
    )
    for share, value, error in ((0.25, 2.231265, 0.2499089), (0.75, 4.295910, 0.2746874)):
        found = limit_force(dose, share=share)
        assert found.value == pytest.approx(value, abs=1e-5)
        assert (found.high - found.low) / 2 / 1.959964 == pytest.approx(error, abs=1e-6)


def test_the_curve_is_half_at_the_cut_and_its_limits_hold_the_cuts_interval() -> None:
    curve = within_curve(ONE, [2.0, 2 + 1.959964 * 0.1])
    assert curve.probability[0] == pytest.approx(0.5)
    half = 1.959964 * 0.1 / 0.25
    assert (curve.low[0], curve.high[0]) == pytest.approx((expit(-half), expit(half)))
    assert ((curve.low < curve.probability) & (curve.probability < curve.high)).all()


def test_costs_are_what_simulated_fingers_do() -> None:
    rng = np.random.default_rng(2)
    force = rng.uniform(1, 3, 200)
    cost = threshold_costs(ONE, force, [1.9], ship_cost=5)[0]
    sound = rng.random((4000, 200)) < expit((force - 2.0) / 0.25)
    kept = force >= 1.9
    assert cost.sound_discarded == pytest.approx(100 * sound[:, ~kept].sum() / 800_000, abs=0.1)
    assert cost.soft_shipped == pytest.approx(100 * (~sound[:, kept]).sum() / 800_000, abs=0.1)
    assert cost.cost == pytest.approx(cost.sound_discarded + 5 * cost.soft_shipped)


def test_no_threshold_costs_less_than_the_cheapest() -> None:
    force = np.linspace(0.5, 4, 701)
    grid = np.linspace(1, 3, 401)
    costs = [c.cost for c in threshold_costs(ONE, force, grid, ship_cost=4, discard_cost=1)]
    best = cheapest_threshold(ONE, ship_cost=4, discard_cost=1)
    assert grid[int(np.argmin(costs))] == pytest.approx(best, abs=0.01)


def test_over_all_hands_fewer_are_within_the_limit_than_by_the_middle_one() -> None:
    """Two million simulated fingers of hands that differ by 10 or by 20 %."""
    rng = np.random.default_rng(4)
    force, n = limit_force(ONE, share=0.95).known, 2_000_000
    cut = 2.0 * np.exp(rng.choice([0.1, 0.2], n) * rng.standard_normal(n))
    simulated = np.mean(force - cut > rng.logistic(scale=0.25, size=n))
    panel = replace(ONE, hand_sd=0.15, hand_sds=(0.1, 0.2))
    assert within_any_hand(panel, force) == pytest.approx(simulated, abs=1e-3)
    assert within_any_hand(ONE, force) == pytest.approx(0.95)


def test_log_scale_keeps_the_limit_above_zero() -> None:
    log = Calibration(
        scale=RASPBERRY,
        force_scale="log",
        cuts=as_cuts((2.0,), (1.5,), (2.5,)),
        spread=0.3,
        covariance=((0.02, 0.0), (0.0, 0.002)),
    )
    found = limit_force(log, share=0.95)
    assert found.value == pytest.approx(2 * math.exp(0.3 * math.log(19)))
    assert 0 < found.low < found.value < found.high


def test_without_a_limit_or_its_cut_it_is_refused() -> None:
    scale = Scale(labels=BLACKBERRY.labels)
    unlimited = Calibration(
        scale=scale,
        force_scale="linear",
        cuts=as_cuts((4, 3, 2, 1)),
        spread=0.3,
    )
    with pytest.raises(InvalidValueError, match="no sale limit"):
        limit_force(unlimited)
    unknown = Calibration(
        scale=BLACKBERRY,
        force_scale="linear",
        cuts=as_cuts((4, 3, None, None)),
        spread=0.3,
    )
    with pytest.raises(InvalidValueError, match="not known"):
        limit_force(unknown)
    with pytest.raises(InvalidValueError):
        threshold_costs(ONE, [], [1.0])
