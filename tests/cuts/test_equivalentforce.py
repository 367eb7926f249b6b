"""Equivalent mean force: recovery and coverage on simulated clamshells, open sides, the command."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import lognorm

from calibrate.cli import group
from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.equivalentforce import equivalent_force, score_shares, within_cv
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from gauge.errors import CannotCompareError, InvalidValueError, TooFewScoresError

CUTS = (2.6, 1.9, 1.3, 0.8)


def panel(force_scale="linear", spread=0.15, half=0.0, **more):
    return Calibration(
        scale=BLACKBERRY,
        force_scale=force_scale,
        cuts=as_cuts(CUTS, [c - half for c in CUTS], [c + half for c in CUTS]),
        spread=spread,
        **more,
    )


def simulate(rng, mean, cv, n, one):
    sigma = np.sqrt(np.log1p(cv**2))
    force = mean * np.exp(rng.normal(-(sigma**2) / 2, sigma, n))
    p = one.probabilities(force).cumsum(axis=1)
    return np.bincount((rng.random((n, 1)) > p[:, :-1]).sum(axis=1), minlength=5)


@pytest.mark.parametrize("spread", [0.03, 0.15, 0.4])
def test_shares_are_the_integral(spread):
    """Against adaptive quadrature of scipy's own log-normal density."""
    one = panel(spread=spread)
    cv, mean = 0.3, 1.7
    sigma = np.sqrt(np.log1p(cv**2))
    dist = lognorm(sigma, scale=mean * np.exp(-(sigma**2) / 2))
    assert dist.mean() == pytest.approx(mean)
    firm = quad(lambda f: expit((f - 1.3) / spread) * dist.pdf(f), 0, 20, points=[1.3, 1.9])[0]
    shares = score_shares(one, [mean], cv)[0]
    assert shares.sum() == pytest.approx(1)
    assert shares[:3].sum() == pytest.approx(firm, abs=1e-6)


@pytest.mark.parametrize("force_scale", ["linear", "log"])
def test_large_counts_give_the_mean_back(force_scale):
    one = panel(force_scale, 0.15 if force_scale == "linear" else 0.1)
    counts = score_shares(one, [1.62], 0.25)[0] * 10_000
    found = equivalent_force(counts, one, cv=0.25)
    assert found.mean.value == pytest.approx(1.62, rel=1e-5)
    assert found.mean.high - found.mean.low < 0.03
    assert found.fit_p > 0.99


@pytest.mark.parametrize("mean", [0.9, 1.7, 2.4])
def test_interval_holds_its_level(mean):
    rng = np.random.default_rng(11)
    one, held, runs = panel(), 0, 150
    for _ in range(runs):
        found = equivalent_force(simulate(rng, mean, 0.25, 20, one), one, cv=0.25).mean
        low, high = found.low or 0.0, found.high or np.inf
        held += low <= mean <= high
    assert held / runs > 0.90


def test_pooled_clamshells_that_differ_are_less_sure():
    alike = equivalent_force([[2, 6, 8, 4, 0]] * 4, panel(), cv=0.25)
    apart = equivalent_force(
        [[4, 10, 6, 0, 0], [0, 2, 10, 8, 0], [4, 8, 8, 0, 0], [0, 4, 8, 8, 0]], panel(), cv=0.25
    )
    assert alike.mean.value == pytest.approx(apart.mean.value)
    assert apart.mean.high - apart.mean.low > 1.5 * (alike.mean.high - alike.mean.low)


def test_end_scores_leave_a_side_open():
    firm = equivalent_force([20, 0, 0, 0, 0], panel(), cv=0.25).mean
    assert (firm.value, firm.high) == (None, None)
    assert 2.6 < firm.low < 6
    soft = equivalent_force([0, 0, 0, 0, 20], panel(), cv=0.25).mean
    assert (soft.value, soft.low) == (None, None)
    assert 0 < soft.high < 0.8
    # More berries push the known end outwards.
    assert equivalent_force([80, 0, 0, 0, 0], panel(), cv=0.25).mean.low > firm.low


def test_calibration_and_hand_widen():
    counts = [2, 6, 8, 4, 0]
    exact = equivalent_force(counts, panel(), cv=0.25)
    wide = equivalent_force(counts, panel(half=0.2), cv=0.25)
    hand = equivalent_force(counts, panel(hand_sd=0.1), cv=0.25)
    own = equivalent_force(counts, panel(hand_sd=0.1), cv=0.25, hand_sd=0)
    assert wide.mean.low < exact.mean.low < exact.mean.high < wide.mean.high
    assert hand.mean.low < exact.mean.low
    assert own.mean == exact.mean
    assert wide.by_counts == exact.by_counts
    # All cuts known only within 10 %: neither is the mean, however many berries were counted.
    many = equivalent_force([c * 1000 for c in counts], panel(half=0.2), cv=0.25).mean
    assert many.high - many.value > 0.1


def test_counts_of_another_hand_do_not_fit():
    assert equivalent_force([10, 0, 0, 0, 10], panel(), cv=0.2).fit_p < 1e-4


def test_cv_within_clamshells():
    rng = np.random.default_rng(3)
    mean = rng.uniform(1, 3, 400)
    force = mean[:, None] * (1 + 0.2 * rng.normal(size=(400, 10)))
    found = within_cv(
        np.full(400, 10), force.mean(1), ((force - force.mean(1)[:, None]) ** 2).sum(1)
    )
    assert found == pytest.approx(0.2, rel=0.05)
    with pytest.raises(TooFewScoresError):
        within_cv([1], [2.0], [0.0])


def test_impossible_input_is_refused():
    with pytest.raises(InvalidValueError):
        equivalent_force([1, 2], panel(), cv=0.2)
    with pytest.raises(InvalidValueError):
        equivalent_force([1, 2, 3, 4, 5], panel(), cv=-0.2)
    with pytest.raises(TooFewScoresError):
        equivalent_force([0] * 5, panel(), cv=0.2)


def test_command(tmp_path):
    cuts = tmp_path / "cuts.json"
    cuts.write_text(
        json.dumps(
            {"scores": [1, 2, 3, 4, 5], "force_scale": "linear", "spread": 0.15, "n": 300,
             "cuts": [{"between": [k + 1, k + 2], "force_N": c, "low_N": c - 0.05, "high_N": None}
                      for k, c in enumerate(CUTS)]}
        )
    )  # fmt: skip
    sheets = tmp_path / "2019.csv"
    sheets.write_text("sample,selection,s1,s2,s3,s4,s5\nA,R-1,2,6,8,4,0\nB,R-1,20,0,0,0,0\n")
    args = [
        str(a) for a in ("meanforce", sheets, "--cuts", cuts, "--cv", 0.25, "--by", "selection")
    ]
    document = json.loads(CliRunner().invoke(group, [*args, "--json"]).stdout)
    first, second = document["clamshells"]
    assert first["mean_N"]["low"] < first["mean_N"]["value"] < first["mean_N"]["high"]
    assert second["mean_N"]["high"] is None
    assert document["groups"][0]["clamshells"] == 2
    shown = CliRunner().invoke(group, args).stdout
    assert "or more" in shown
    assert max(map(len, shown.splitlines())) <= 80
    sheets.write_text("sample,firm,soft\nA,2,6\n")
    wrong = CliRunner().invoke(group, args)
    assert isinstance(wrong.exception, CannotCompareError)
    assert RASPBERRY.labels[0] in str(wrong.exception)
