"""Tray plans against scipy's multinomial and against trying every plan."""

import itertools

import numpy as np
import pytest
from scipy.stats import binom, lognorm, multinomial

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.tray import fill_probability, plan_tray, shares_of
from calibrate.cuts.bands import bands
from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from gauge.errors import InfeasiblePlanError, InvalidValueError


def _bands(cuts=(4.5, 3.2, 2.1, 1.2), scale=BLACKBERRY, spread=0.2):
    return bands(
        Calibration(
            scale=scale,
            force_scale="linear",
            cuts=as_cuts(cuts),
            spread=spread,
        )
    )


def _lot(label: str, mean: float, sd: float, available: int) -> Candidate:
    return Candidate(label=label, force_newton=mean, sd_newton=sd, kind="lot", available=available)


def test_fill_probability_is_the_multinomial_sum() -> None:
    """scipy.stats.multinomial, one lot, three bands."""
    shares = np.array([0.5, 0.3, 0.2])
    exact = sum(
        multinomial.pmf([a, b, 9 - a - b], 9, shares)
        for a, b in itertools.product(range(10), repeat=2)
        if a >= 2 and b >= 2 and 9 - a - b >= 2
    )
    assert fill_probability([9], shares[None], 2) == pytest.approx(exact, abs=1e-12)


def test_fill_probability_over_two_lots_is_a_convolution() -> None:
    """Two bands; scipy.stats.binom for each lot."""
    exact = sum(
        binom.pmf(a, 6, 0.8) * binom.pmf(b, 5, 0.3)
        for a, b in itertools.product(range(7), range(6))
        if a + b >= 3 and 11 - a - b >= 3
    )
    shares = np.array([[0.8, 0.2], [0.3, 0.7]])
    assert fill_probability([6, 5], shares, 3) == pytest.approx(exact, abs=1e-12)


def test_shares_of_a_lot_follow_its_mean_and_sd() -> None:
    lot = _lot("A", 2.0, 0.5, 1)
    s = np.sqrt(np.log1p(0.0625))
    force = lognorm(s=s, scale=2.0 / np.sqrt(1.0625))
    assert (force.mean(), force.std()) == pytest.approx((2.0, 0.5))
    assert shares_of(lot, _bands()).sum() == pytest.approx(1)


@pytest.mark.parametrize("per_score", [1, 2, 3])
def test_no_smaller_plan_fills_the_tray(per_score: int) -> None:
    """Every plan with one berry less, over three lots."""
    found = _bands(cuts=(2.0,), scale=RASPBERRY)
    lots = [
        _lot("a", 2.6, 0.8, 12),
        _lot("b", 1.9, 0.6, 12),
        _lot("c", 1.2, 0.5, 12),
    ]
    plan = plan_tray(found, lots, per_score=per_score, probability=0.9)
    shares = np.array([shares_of(lot, found) for lot in lots])
    assert plan.probability == pytest.approx(
        fill_probability(list(plan.pulls.values()), shares, per_score)
    )
    assert plan.probability >= 0.9
    for pulls in itertools.product(range(plan.berries), repeat=3):
        if sum(pulls) == plan.berries - 1:
            assert fill_probability(pulls, shares, per_score) < 0.9


def test_simulated_trays_are_full_as_often_as_said() -> None:
    found = _bands()
    lots = [
        _lot(str(day), mean, 0.25 * mean, 40)
        for day, mean in ((0, 4.8), (4, 3.4), (8, 2.2), (12, 1.1))
    ]
    plan = plan_tray(found, lots, per_score=2, probability=0.9)
    rng = np.random.default_rng(3)
    draws = [(plan.pulls[lot.label], np.append(shares_of(lot, found), 0)) for lot in lots]
    full = 0
    for _ in range(2000):
        counts = sum(rng.multinomial(pulls, shares) for pulls, shares in draws)
        full += bool((counts[:5] >= 2).all())
    assert full / 2000 == pytest.approx(plan.probability, abs=0.025)


def test_too_little_fruit_names_the_scarce_score() -> None:
    lots = [_lot("a", 4.0, 0.5, 30)]
    with pytest.raises(InfeasiblePlanError, match="score 5 is the scarcest"):
        plan_tray(_bands(), lots, per_score=1)


@pytest.mark.parametrize("bad", [{"per_score": 0}, {"probability": 1.0}, {"per_score": 30}])
def test_senseless_wishes_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(InvalidValueError):
        plan_tray(_bands(), [_lot("a", 4.0, 0.5, 30)], **bad)
