"""The score test that rules out a growing spread, against the likelihood ratio that finds it."""

import numpy as np

from calibrate.stats.forcespread import may_grow, spread_growth
from calibrate.stats.ordinal import fit_ordinal

CUTS_N = np.array([4.2, 3.0, 2.0, 1.2])


def _scored(rng: np.random.Generator, n: int, power: float) -> tuple[np.ndarray, np.ndarray]:
    force = np.exp(rng.normal(np.log(2.3), 0.55, n))
    felt = force + rng.logistic(size=n) * 0.35 * (force / 2.5) ** power
    return force, (felt[:, None] < CUTS_N).sum(axis=1)


def test_nothing_is_ruled_out_that_the_likelihood_ratio_shows() -> None:
    rng, one = np.random.default_rng(11), np.ones(60)
    ruled_out, shown = {0.0: 0, 0.5: 0}, {0.0: 0, 0.5: 0}
    for power in ruled_out:
        for _ in range(60):
            force, rank = _scored(rng, 60, power)
            grows = spread_growth(force, rank, one, 0 * one, 5).shown
            maybe = may_grow(fit_ordinal(force, rank, n_ranks=5), force, rank, one)
            assert maybe or not grows
            ruled_out[power] += not maybe
            shown[power] += grows
    assert ruled_out[0.0] > 40  # worth its while
    assert shown[0.5] > 12


def test_counts_and_rows_are_ruled_out_alike() -> None:
    """A force that is not above zero has no logarithm; counts stand for so many rows."""
    for seed in range(6):
        force, rank = _scored(np.random.default_rng(seed), 80, 0.3)
        twice = np.repeat(force, 2), np.repeat(rank, 2)
        answers = {
            may_grow(fit_ordinal(force, rank, 2.0 * np.ones(80), n_ranks=5), force, rank,
                     2.0 * np.ones(80)),
            may_grow(fit_ordinal(*twice, n_ranks=5), *twice, np.ones(160)),
        }  # fmt: skip
        assert len(answers) == 1
    assert not may_grow(fit_ordinal(force, rank, n_ranks=5), force - force.min(), rank, np.ones(80))
