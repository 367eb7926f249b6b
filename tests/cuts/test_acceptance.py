"""Sampling plans of lots against scipy's distributions and published operating curves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, binomtest, hypergeom

from calibrate.cuts.acceptance import SamplingPlan, plan_of, smallest_plan, upper_bound
from gauge.errors import InfeasiblePlanError


def test_the_operating_curve_of_nists_plan() -> None:
    """n = 52, c = 3: NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.3.2 (from memory).

    Its three decimals differ from exact ones by 0.001 at two of the shares.
    """
    curve = SamplingPlan(n=52, acceptance_number=3).accepted(np.arange(1, 13) / 100)
    published = [0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115]
    assert curve == pytest.approx(published, abs=1.2e-3)


def test_the_operating_curve_of_montgomerys_plan() -> None:
    """n = 89, c = 2: Montgomery, Introduction to Statistical Quality Control, 6th ed., table 15.2
    (from memory)."""
    curve = SamplingPlan(n=89, acceptance_number=2).accepted([0.005, 0.01, 0.02, 0.03, 0.05, 0.09])
    assert curve == pytest.approx([0.9897, 0.9397, 0.7366, 0.4985, 0.1721, 0.0109], abs=1e-4)


@pytest.mark.parametrize("lot_size", [60, 200])
def test_a_small_lot_follows_scipys_hypergeometric(lot_size: int) -> None:
    plan = SamplingPlan(n=20, acceptance_number=2, lot_size=lot_size)
    soft = np.arange(lot_size + 1)
    assert plan.accepted(soft / lot_size) == pytest.approx(
        hypergeom.cdf(2, lot_size, soft, 20), abs=1e-10
    )


@pytest.mark.parametrize(("soft", "n"), [(0, 20), (3, 50), (7, 30), (9, 9)])
def test_the_bound_is_clopper_and_pearsons(soft: int, n: int) -> None:
    """scipy.stats.binomtest(...).proportion_ci("exact"), one-sided; the hypergeometric bound of a
    large lot comes close to it, and by scipy's own distribution is the last that is no surprise."""
    exact = binomtest(soft, n, alternative="less").proportion_ci(0.95, "exact").high
    assert upper_bound(soft, n) == pytest.approx(exact, abs=1e-9)
    assert upper_bound(soft, n, lot_size=100_000) == pytest.approx(exact, abs=2e-3)
    bad = round(200 * upper_bound(soft, n, lot_size=200))
    assert hypergeom.cdf(soft, 200, bad, n) > 0.05
    assert bad == 200 - (n - soft) or hypergeom.cdf(soft, 200, bad + 1, n) <= 0.05


@pytest.mark.parametrize("n", [10, 29, 50, 120])
def test_the_acceptance_number_is_where_the_bound_passes_the_share(n: int) -> None:
    c = plan_of(n, 0.10).acceptance_number
    assert c == -1 or upper_bound(c, n) < 0.10
    assert upper_bound(c + 1, n) >= 0.10


def test_the_smallest_plan_is_the_first_that_serves() -> None:
    """Every n and acceptance number, by scipy.stats.binom."""
    found = smallest_plan(0.10, 0.02, level=0.9, assurance=0.95)

    def serves(n: int, c: int) -> bool:
        return bool(binom.cdf(c, n, 0.10) <= 0.1 and binom.cdf(c, n, 0.02) >= 0.95)

    assert serves(found.n, found.acceptance_number)
    assert not any(serves(n, c) for n in range(1, found.n) for c in range(n))
    with pytest.raises(InfeasiblePlanError):
        smallest_plan(0.10, 0.0999)
