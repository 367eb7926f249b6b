"""Proportions against Newcombe's published tables, scipy, and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from calibrate.stats.estimate import difference
from calibrate.stats.proportions import dispersion, mean_proportion, proportion, wilson
from gauge.errors import InvalidValueError


# Newcombe, R. G. (1998) Stat. Med. 17:857-872, Table I, method 3 (score, no continuity correction).
@pytest.mark.parametrize(
    ("x", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_gives_newcombes_table(x, n, low, high):
    found = proportion(x, n)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


# Newcombe, R. G. (1998) Stat. Med. 17:873-890, Table II, method 10 (hybrid score).
@pytest.mark.parametrize(
    ("a", "m", "b", "n", "low", "high"),
    [
        (56, 70, 48, 80, 0.0524, 0.3339),
        (9, 10, 3, 10, 0.1705, 0.8090),
        (5, 56, 0, 29, -0.0381, 0.1926),
    ],
)
def test_difference_gives_newcombes_table(a, m, b, n, low, high):
    found = difference(proportion(b, n), proportion(a, m))
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


@given(st.integers(1, 400), st.data(), st.sampled_from([0.8, 0.95, 0.99]))
def test_wilson_is_scipys(n, data, level):
    x = data.draw(st.integers(0, n))
    low, high = wilson(x, n, level=level)
    other = binomtest(x, n).proportion_ci(level, method="wilson")
    assert (float(low), float(high)) == pytest.approx((other.low, other.high), abs=1e-12)
    assert low <= x / n <= high


def test_impossible_counts_are_refused():
    for x, n in ((-1, 5), (6, 5), (0, 0)):
        with pytest.raises(InvalidValueError):
            wilson(x, n)


def test_dispersion_finds_clamshells_that_differ():
    rng = np.random.default_rng(2)
    n = np.full(300, 20)
    alike = dispersion(rng.binomial(20, 0.3, 300), n)
    assert alike.ratio == pytest.approx(1, abs=0.2)
    # Intra-clamshell correlation r gives 1 + (20 - 1) r.
    p = rng.beta(0.3 * 9, 0.7 * 9, 300)
    apart = dispersion(rng.binomial(20, p), n)
    assert apart.ratio == pytest.approx(1 + 19 * 0.1, rel=0.25)
    assert apart.p < 1e-6
    assert alike.df == 299


def test_mean_of_one_clamshell_says_so():
    found = mean_proportion([3], [20])
    assert "one clamshell" in found.why
    assert (found.low, found.high) == (proportion(3, 20).low, proportion(3, 20).high)


def test_mean_stays_within_0_and_1_and_is_never_sure_of_nothing():
    found = mean_proportion([0, 0, 0, 0], [20] * 4)
    assert found.low == 0
    assert 0.04 < found.high < 0.2


@pytest.mark.parametrize(("m", "p", "rho"), [(4, 0.1, 0.05), (6, 0.3, 0.05), (3, 0.15, 0.0)])
def test_mean_proportion_holds_its_level(m, p, rho):
    rng = np.random.default_rng(5)
    runs, held = 800, 0
    for _ in range(runs):
        each = rng.beta(p * (1 / rho - 1), (1 - p) * (1 / rho - 1), m) if rho else np.full(m, p)
        found = mean_proportion(rng.binomial(20, each), np.full(m, 20))
        held += found.low <= p <= found.high
    assert 0.93 < held / runs <= 1
