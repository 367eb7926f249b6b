"""Two days of one hand, simultaneous intervals and clamshells against R.

The values were computed by tests/reference/r/statistics.R with R 4.2 and its packages ordinal,
multcomp and VGAM, from the two invented tables beside it.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtri

from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.model.ratershift import OWN_HISTORY, rater_cuts
from calibrate.stats.estimate import pointwise_levels
from calibrate.stats.groups import Layout
from calibrate.stats.proportions import fit_shares

FOLDER = Path(__file__).resolve().parents[1] / "reference" / "r"
R = json.loads((FOLDER / "statistics.json").read_text())


def table(name: str) -> dict[str, np.ndarray]:
    with (FOLDER / name).open() as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def day(which: int) -> Pairs:
    two = table("two_days.csv")
    rows = two["day"] == which
    n = int(rows.sum())
    return Pairs(
        scale=BLACKBERRY,
        force_newton=two["force"][rows],
        rank=two["score"][rows].astype(np.int64) - 1,
        rater=np.zeros(n, dtype=np.int64),
        count=np.ones(n),
        berry=np.arange(n),
        raters=("ines",),
        source=f"day {which}",
    )


def test_a_hand_against_its_past_is_the_difference_of_two_fits_by_clm() -> None:
    """clm takes cut points and slope of each day by themselves; here wide priors stand behind."""
    found = rater_cuts(day(2), "ines", against=day(1))
    assert found.reference == OWN_HISTORY
    gap = np.array([one.value for one in found.boundaries])
    assert gap == pytest.approx(R["gap"], abs=0.1 * max(R["gap_se"]))
    per_log = gap / found.gaps.log_ratio
    error = np.sqrt(np.diagonal(found.gaps.covariance)) * per_log
    assert error == pytest.approx(R["gap_se"], rel=0.1)


def test_simultaneous_intervals_are_those_of_multcomp() -> None:
    contrasts = np.vstack([np.eye(4), np.full(4, 0.25)])
    covariance = contrasts @ np.array(R["covariance"]) @ contrasts.T
    levels = pointwise_levels(covariance, 0.95, np.ones(5))
    assert ndtri(0.5 + levels / 2) == pytest.approx(R["critical"], abs=0.015)
    wider = pointwise_levels(covariance, 0.95, np.array([1.3, 1.3, 1.3, 1.3, 1.0]))
    critical = ndtri(0.5 + wider / 2)
    assert critical[-1] < R["critical"] < critical[0]
    draws = np.random.default_rng(8).multivariate_normal(
        np.zeros(4), np.array(R["covariance"]), 40_000
    )
    t = np.abs(draws @ contrasts.T) / np.sqrt(np.diagonal(covariance))
    assert np.mean((t < critical).all(axis=1)) == pytest.approx(0.95, abs=0.004)


def test_correlation_within_clamshells_is_near_the_beta_binomials() -> None:
    """Moments here, maximum likelihood in VGAM: two estimates of one thing."""
    cells = table("clamshells.csv")
    one = Layout.of(np.zeros(cells["n"].size, dtype=int), ["all"], ())
    rho = fit_shares(cells["soft"], cells["n"], one).correlation
    assert rho == pytest.approx(R["betabinomial_rho"], abs=0.01)
