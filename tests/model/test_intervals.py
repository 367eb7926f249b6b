"""Intervals of cut points against published limits, and each side on its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibrate.data.scale import BLACKBERRY, Scale
from calibrate.model.cutmodel import fit_cuts
from calibrate.model.intervals import critical, cut_intervals
from calibrate.stats.likelihood import log_interval
from gauge.errors import InvalidValueError
from gauge.units import NEWTON_PER_FLOAT, Unit
from tests import ordinal_reference as ref
from tests.pairsof import pairs_of

FIVE_FIRMEST = Scale(labels=("5", "4", "3", "2", "1"))


def fieller_limits(fit, boundary):
    """All c for which theta - c beta does not differ from zero; both None where no interval.

    Fieller, E. C. (1954) J. R. Stat. Soc. B 16:175-185: a check on the other intervals.
    """
    at, z2 = int(fit.free[boundary]), critical(0.95) ** 2
    v, theta, beta = fit.ordinal.covariance, fit.ordinal.phi[at], fit.ordinal.phi[-1]
    a = beta**2 - z2 * v[-1, -1]
    b = theta * beta - z2 * v[at, -1]
    c = theta**2 - z2 * v[at, at]
    if a <= 0:
        return None, None
    root = math.sqrt(b * b - a * c)
    return float((b - root) / a), float((b + root) / a)


def synthetic(unit_newton: float = 1.0):
    force = ref.numbers("synthetic_force_score", "force_N") / unit_newton
    rank = 5 - ref.numbers("synthetic_force_score", "score").astype(int)
    return fit_cuts(pairs_of(force, rank, FIVE_FIRMEST))


def fair():
    years, count = (ref.numbers("fair_rating_by_years", c) for c in ("yrs_married", "count"))
    rank = ref.numbers("fair_rating_by_years", "rate_marriage").astype(int) - 1
    return fit_cuts(pairs_of(years, rank, BLACKBERRY, count))


# Limits from R 4.2.2 (ordinal 2022.11-16 and a root finder on its likelihood); the profile ones
# also by Nelder-Mead in another parametrisation, to 2e-9.
PROFILE = [(2.4390106, 4.0641265), (4.6498676, 6.1604722), (6.9946450, 8.4796354),
           (8.9223042, 10.4842855)]  # fmt: skip
WALD = [(2.483863, 4.082118), (4.656268, 6.158873), (7.002225, 8.479816), (8.910865, 10.458110)]
FIELLER = [(2.406662, 4.087524), (4.612407, 6.191274), (6.960670, 8.513235), (8.898203, 10.524833)]


def wald_limits(fit) -> list[tuple[float, float]]:
    """Cut points less and plus their standard errors: a check on the covariance."""
    half = critical(0.95) * np.sqrt(np.diagonal(fit.covariance)[:-1])
    return list(zip(fit.cut - half, fit.cut + half, strict=True))


def test_synthetic_set() -> None:
    found = [(i.low, i.high) for i in cut_intervals(synthetic())][::-1]
    assert found == [pytest.approx(pair, abs=1e-6) for pair in PROFILE]
    assert wald_limits(synthetic())[::-1] == [pytest.approx(pair, abs=1e-6) for pair in WALD]


def test_synthetic_set_in_pound_force() -> None:
    factor = NEWTON_PER_FLOAT[Unit.LBF]
    found = cut_intervals(synthetic(factor))
    for one, other in zip(cut_intervals(synthetic()), found, strict=True):
        assert other.low * factor == pytest.approx(one.low, rel=1e-9)
        assert other.high * factor == pytest.approx(one.high, rel=1e-9)


def test_fieller_limits() -> None:
    fit = synthetic()
    found = [fieller_limits(fit, boundary) for boundary in range(4)][::-1]
    assert found == [pytest.approx(pair, abs=1e-6) for pair in FIELLER]


def test_fair_profile_limits() -> None:
    # Fair (1978): a weak slope over 6,366 rows, so profile and Wald limits part. The limits from
    # R's BFGS stop short of the maximum for cut 1: at 186.22588 the deviance is 3.8318 by an
    # independent optimiser, not 3.8415; ours are compared with that optimiser instead.
    fit = fair()
    found = [(i.low, i.high) for i in cut_intervals(fit)]
    assert found[0] == pytest.approx((123.58902, 186.22588), abs=0.1)
    assert found[1] == pytest.approx((80.67301, 119.32827), abs=2e-4)
    assert found[2] == pytest.approx((43.01581, 61.56936), abs=2e-5)
    assert found[3] == pytest.approx((-5.23083, 0.55644), abs=1e-5)
    deviance = 2 * (fit.log_likelihood - constrained(fit, 0, found[0][1]))
    assert deviance == pytest.approx(3.841458821, abs=1e-6)


def constrained(fit, boundary: int, c: float) -> float:
    """Maximum of the likelihood with one cut point held, by a general optimiser."""
    from scipy.optimize import minimize

    cells, theta = fit.cells, fit.ordinal.threshold

    def loss(p: np.ndarray) -> float:
        steps = np.cumsum(np.concatenate([[0.0], np.exp(p[1:])]))
        spread = math.exp(p[0])
        edges = np.concatenate([[-np.inf], steps - steps[boundary] - c / spread, [np.inf]])
        z = cells.force_newton / spread
        return -float(
            cells.count @ log_interval(edges[cells.rank + 1] + z, edges[cells.rank] + z)[0]
        )

    p = np.append(math.log(fit.spread), np.log(np.diff(theta)))
    options = {"xatol": 1e-7, "fatol": 1e-10, "maxiter": 5000, "maxfev": 5000}
    for _ in range(2):
        p = minimize(loss, p, method="Nelder-Mead", options=options).x
    return -loss(p)


def test_pneumoconiosis_profile_limits_on_the_log_scale() -> None:
    # McCullagh & Nelder (1989) p. 179, profile limits in log years from R.
    years = np.tile(ref.numbers("pneumo", "exposure.time"), 3)
    rank = np.repeat([2, 1, 0], 8)
    count = np.concatenate([ref.numbers("pneumo", c) for c in ("normal", "mild", "severe")])
    kept = count > 0
    scale = Scale(labels=("severe", "mild", "normal"))
    fit = fit_cuts(pairs_of(years[kept], rank[kept], scale, count[kept]), force_scale="log")
    found = [(math.log(i.low), math.log(i.high)) for i in cut_intervals(fit)][::-1]
    assert found[0] == pytest.approx((3.6103153072, 3.8890735946), abs=1e-7)
    assert found[1] == pytest.approx((3.9008131968, 4.3415922140), abs=1e-7)


def test_weak_slope_opens_sides_and_says_so() -> None:
    # Dose trial of Chuang-Stein & Agresti (1997), cut to its first rows' weight: force hardly
    # matters, so a likelihood ratio test of the slope fails and cut points run off.
    dose, count = ref.numbers("trauma", "dose"), ref.numbers("trauma", "count")
    rank = 5 - ref.numbers("trauma", "outcome").astype(int)
    full = fit_cuts(pairs_of(dose, rank, FIVE_FIRMEST, count))
    assert all(i.low is not None and i.high is not None for i in cut_intervals(full))
    # Its published Wald limits of the first cut: -8.312 to 0.116; Fieller's -15.417 to -1.478.
    assert wald_limits(full)[-1] == pytest.approx((-8.312111, 0.115834), abs=1e-5)
    assert fieller_limits(full, 3) == pytest.approx((-15.4165953, -1.47804716), abs=1e-6)
    weak = fit_cuts(pairs_of(dose, rank, FIVE_FIRMEST, count / 8.0))
    sides = cut_intervals(weak)
    assert any(i.low is None or i.high is None for i in sides)
    for interval in sides:
        assert ("the interval is open" in interval.why) == (None in (interval.low, interval.high))
        assert ("below" in interval.why) == (interval.low is None)
        assert ("above" in interval.why) == (interval.high is None)
    assert fieller_limits(weak, 3) == (None, None)


@pytest.mark.parametrize("level", [0.5, 0.99])
def test_limits_meet_the_deviance_that_the_level_asks(level: float) -> None:
    from scipy.stats import chi2

    fit = synthetic()
    interval = cut_intervals(fit, level=level)[1]
    for side in (interval.low, interval.high):
        deviance = 2 * (fit.log_likelihood - constrained(fit, 1, side))
        assert deviance == pytest.approx(chi2.ppf(level, 1), abs=1e-6)


def test_an_outer_unused_score_has_no_interval_and_an_inner_one_shares() -> None:
    force = np.array([6.0, 5, 4, 3, 4.5, 3.5, 3, 2, 2.5, 1, 3.2, 1.5])
    rank = np.array([1, 1, 1, 1, 3, 3, 3, 3, 3, 3, 1, 1])
    fit = fit_cuts(pairs_of(force, rank))
    found = cut_intervals(fit)
    assert [i.value is None for i in found] == [True, False, False, True]
    assert (found[1].low, found[1].high) == (
        found[2].low,
        found[2].high,
    )
    assert "no berry was scored beyond it" in found[0].why
    assert "cut point 4/5" in found[3].why


def test_levels_that_make_no_sense() -> None:
    with pytest.raises(InvalidValueError, match="level"):
        critical(1.0)
