"""Shifts between seasons, against Newcombe's published intervals and plain arithmetic."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from calibrate.cuts.calibration import Calibration
from calibrate.cuts.seasonprior import carry
from calibrate.cuts.seasonshift import compare_seasons, cut_shifts, pad_check, rescored
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from calibrate.stats.estimate import Estimate, difference, ratio
from gauge.errors import CannotCompareError, InvalidValueError, TooFewScoresError


def _calibration(cuts, half=0.2, scale=BLACKBERRY, level=0.95, force_scale="linear"):
    return Calibration(
        scale=scale,
        force_scale=force_scale,
        cuts=tuple(
            Estimate(value=c) if c is None else Estimate(value=c, low=c - half, high=c + half)
            for c in cuts
        ),
        spread=0.3,
        level=level,
    )


# Newcombe (1998) Stat. Med. 17:873, Table II, method 10: p1 - p2 with both Wilson intervals.
@pytest.mark.parametrize(
    ("one", "two", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((5, 56), (0, 29), -0.0381, 0.1926),
    ],
)
def test_difference_reproduces_newcombe(one, two, low, high) -> None:
    def wilson(x: int, n: int) -> Estimate:
        ci = binomtest(x, n).proportion_ci(method="wilson")
        return Estimate(value=x / n, low=ci.low, high=ci.high)

    found = difference(wilson(*two), wilson(*one))
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


def test_difference_of_symmetric_intervals_is_the_root_of_squares() -> None:
    found = difference(Estimate(value=1, low=0.7, high=1.3), Estimate(value=2, low=1.6, high=2.4))
    assert (found.low, found.high) == pytest.approx((0.5, 1.5))


@pytest.mark.parametrize("margin", [0.0, -0.1, math.nan])
def test_a_margin_that_means_nothing_is_refused(margin) -> None:
    season = _calibration((4.0, 3.0, 2.0, 1.0))
    with pytest.raises(InvalidValueError, match="the margin must be above zero"):
        compare_seasons(season, season, margin_newton=margin)


def test_an_open_side_stays_open() -> None:
    one, two = Estimate(value=1, low=None, high=1.3), Estimate(value=2, low=1.6, high=2.4)
    found = difference(one, two)
    assert found.high is None
    assert found.low is not None
    assert ratio(one, two).high is None


def test_difference_covers_as_it_claims() -> None:
    """20,000 pairs of normal estimates with unequal errors; 95 % within Monte Carlo error."""
    rng = np.random.default_rng(7)
    z = norm.ppf(0.975)
    hits = 0
    for a, b in zip(rng.normal(2, 0.1, 20_000), rng.normal(3, 0.25, 20_000), strict=True):
        found = difference(
            Estimate(value=a, low=a - 0.1 * z, high=a + 0.1 * z),
            Estimate(value=b, low=b - 0.25 * z, high=b + 0.25 * z),
        )
        hits += found.low <= 1 <= found.high
    assert hits / 20_000 == pytest.approx(0.95, abs=0.006)


def test_shifts_in_newtons_and_per_cent_with_equivalence() -> None:
    first, second = _calibration((4, 3, 2, 1)), _calibration((4.1, 3, 2.5, 1))
    tests = (
        _calibration((4, 3, 2, 1), half=0.15, level=0.9),
        _calibration((4.1, 3, 2.5, 1), half=0.15, level=0.9),
    )
    shifts = cut_shifts(first, second, margin_newton=0.4, test=tests)
    assert [round(s.shift_newton.value, 6) for s in shifts] == [0.1, 0, 0.5, 0]
    assert shifts[0].shift_pct.value == pytest.approx(2.5)
    half = math.hypot(0.2, 0.2)
    assert shifts[2].shift_newton.low == pytest.approx(0.5 - half)
    assert [s.equivalent for s in shifts] == [True, True, False, True]
    assert cut_shifts(first, second)[0].equivalent is None


def test_a_cut_that_one_season_lacks_has_no_shift() -> None:
    first, second = _calibration((4, 3, 2, None)), _calibration((4, 3, 2, 1))
    last = cut_shifts(first, second, margin_newton=1, test=(first, second))[-1]
    assert last.shift_newton.value is None
    assert last.equivalent is None


def test_other_scales_are_refused() -> None:
    with pytest.raises(CannotCompareError):
        cut_shifts(_calibration((4, 3, 2, 1)), _calibration((2,), scale=RASPBERRY))


def test_rescored_counts_berries_between_the_cuts() -> None:
    first, second = _calibration((4, 3, 2, 1)), _calibration((4, 3, 2.5, 1))
    forces = [0.5, 1.5, 2.1, 2.2, 2.6, 3.5, 4.5, 5.0]
    found = rescored(first, second, forces)
    assert (found.softer, found.firmer, found.lost, found.gained) == (25, 0, 25, 0)
    assert rescored(second, first, forces).gained == 25
    with pytest.raises(TooFewScoresError):
        rescored(first, second, [])


def test_pads_hold_or_do_not() -> None:
    first = {"A": [3.0], "B": [2.0], "C": [1.0]}
    same = pad_check(first, {"A": [3.01], "B": [1.995], "C": [1.002]})
    assert same.held
    moved = pad_check(first, {"A": [3.3], "B": [2.2], "C": [1.1]})
    assert not moved.held
    assert moved.change_pct.value == pytest.approx(10)
    assert pad_check(first, {"Z": [1.0]}) is None
    assert pad_check(first, {"A": [3.0]}).held is None


def test_carry_over_is_the_prior_alone_before_any_data() -> None:
    last = _calibration((4, 3, 2, 1))
    alone = carry(last, None, season_sd=0.1)
    assert [cut.prior_weight for cut in alone] == [1.0] * 4
    assert alone[1].force_newton.value == pytest.approx(3)
    assert alone[1].force_newton.low < last.cuts[1].low


def test_carry_over_matches_the_conjugate_formula_and_fades() -> None:
    """Normal-normal model, Gelman et al., Bayesian Data Analysis, equation (2.10)."""
    last, now = _calibration((4, 3, 2, 1), half=0.0001), _calibration((4.4, 3, 2, 1), half=0.5)
    cut = carry(last, now, season_sd=0.1)[0]
    error = (math.log(4.4 / 3.9) + math.log(4.9 / 4.4)) / 2 / norm.ppf(0.975)
    weight = (1 / 0.1**2) / (1 / 0.1**2 + 1 / error**2)
    assert cut.prior_weight == pytest.approx(weight, rel=1e-4)
    expected = math.exp(weight * math.log(4) + (1 - weight) * math.log(4.4))
    assert cut.force_newton.value == pytest.approx(expected, rel=1e-4)
    weights = [carry(last, _calibration((4, 3, 2, 1), half=h))[0].prior_weight for h in (1, 0.1)]
    assert weights[0] > weights[1]


def test_carry_over_needs_a_spread_between_seasons() -> None:
    with pytest.raises(InvalidValueError):
        carry(_calibration((4, 3, 2, 1)), None, season_sd=0)
