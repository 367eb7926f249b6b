"""Scores that go together in time are found and counted as fewer; others are left alone."""

from dataclasses import replace

import numpy as np

from calibrate.model.dependence import dependence
from tests.bench.handshapes import Hands, draw_hands, score


def _found(correlation: float, seeds: range) -> list:
    found = []
    for seed in seeds:
        rng, case = np.random.default_rng(seed), Hands(correlation=correlation)
        found.append(dependence(score(rng, case, draw_hands(rng, case)), "linear"))
    return found


def test_independent_scores_count_in_full() -> None:
    assert sum(one.inflation > 1 for one in _found(0.0, range(40))) <= 3  # level 1 %: 0.4 expected


def test_correlated_scores_are_found() -> None:
    """At 0.8 the mean of 80 errors has about six times the variance of independent ones."""
    found = _found(0.8, range(30))
    assert all(one.p_value < 0.01 for one in found)
    assert 3.0 < np.median([one.inflation for one in found]) < 9.0
    assert "count as one" in found[0].warnings()[0]


def test_rows_without_an_order_say_nothing() -> None:
    rng, case = np.random.default_rng(1), Hands(correlation=0.8)
    pairs = score(rng, case, draw_hands(rng, case))
    by_score = np.lexsort([pairs.rank, pairs.rater])
    columns = ("force_newton", "rank", "rater", "berry")
    sorted_rows = replace(pairs, **{name: getattr(pairs, name)[by_score] for name in columns})
    assert dependence(sorted_rows, "linear").inflation == 1.0
    assert dependence(replace(pairs, count=2 * pairs.count), "linear").inflation == 1.0
