"""Two days of one hand, simultaneous intervals and clamshells against R.

The values were computed by tests/reference/r/statistics.R with R 4.2 and its packages ordinal,
multcomp and VGAM, from the two invented tables beside it.
"""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import chi2

from calibrate.cuts.bands import bands
from calibrate.cuts.calibration import Calibration
from calibrate.cuts.fitting import fit
from calibrate.cuts.salelimit import limit_force
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.model.cutmodel import fit_cuts
from calibrate.model.ratershift import OWN_HISTORY, rater_cuts
from calibrate.stats.estimate import pointwise_levels
from calibrate.stats.forcespread import spread_growth
from calibrate.stats.groups import Layout
from calibrate.stats.proportions import fit_shares
from tests.bench.handshapes import Hands, draw_hands, score
from tests.pairsof import pairs_of

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


def test_a_spread_that_grows_with_force_is_that_of_clm() -> None:
    """clm(score ~ force, scale = ~ log(force)): the same model, with zeta for the power."""
    rows = table("growing.csv")
    force, rank = rows["force"], rows["score"].astype(np.int64) - 1
    one = np.ones(rank.size)
    found = spread_growth(force, rank, one, np.zeros(rank.size), 5)
    assert found.power == pytest.approx(R["grown_power"][0], abs=0.01)
    assert found.error == pytest.approx(R["grown_power_se"][0], rel=0.1)
    gain = 2 * (R["grown_log_likelihood"][1] - R["grown_log_likelihood"][0])
    assert found.p_value == pytest.approx(chi2.sf(gain, 1) / 2, rel=0.05)
    growth = replace(found, power=R["grown_power"][0])
    fit = fit_cuts(pairs_of(force, rank), growth=growth)
    assert fit.cut_newton == pytest.approx(R["grown_cuts"], abs=1e-5)
    assert fit.log_likelihood == pytest.approx(R["grown_log_likelihood"][1], abs=1e-6)
    alone = fit_cuts(pairs_of(force, rank))
    assert alone.log_likelihood == pytest.approx(R["grown_log_likelihood"][0], abs=1e-6)


def test_a_growing_spread_is_found_used_and_kept() -> None:
    """Spread in proportion to force: the limit for sale at 95 % lies where it truly does."""
    rng, case = np.random.default_rng(5), Hands(proportional=True)
    made = fit(score(rng, case, draw_hands(rng, case)))
    assert made.growth.power > 0.7
    found = limit_force(made)
    truth = 2.0 / (1 - np.log(19) * 0.35 / 2.5)
    assert found.low < truth < found.high
    assert Calibration.from_document(made.to_document()) == made
    within = made.probabilities([found.value])[0, :3].sum()
    assert within == pytest.approx(0.95, abs=1e-6)
    # Firmest to softest, each band ends where the next begins, near a cut point.
    found = bands(made)
    for firmer, softer, cut in zip(found, found[1:], made.cut_newton, strict=False):
        assert firmer.low_newton == pytest.approx(softer.high_newton, abs=1e-9)
        assert firmer.low_newton == pytest.approx(cut, abs=0.5)
    steady = fit(score(rng, Hands(), draw_hands(rng, Hands())))
    assert steady.growth.power == 0.0


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
