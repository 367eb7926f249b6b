"""Tests of the model against R's ordinal and statsmodels, and single berries against refits."""

import csv
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm

from calibrate.commands.diagnose import document
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.model.diagnosis import cook_distance, diagnose, odd_scores
from calibrate.model.modeltests import (
    Rows,
    clustered_covariance,
    covariate_effect,
    lipsitz,
    proportional_odds,
    scale_effect,
)
from calibrate.stats.ordinal import fit_ordinal

REFERENCE = Path(__file__).parents[1] / "reference"


def _wine() -> dict[str, np.ndarray]:
    """Randall (1989) Biometrical J. 31:781: bitterness of 72 glasses, 9 judges."""
    with (REFERENCE / "ordinal_wine.csv").open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return {
        "rank": np.array([int(r["rating"]) - 1 for r in rows]),
        "temp": np.array([float(r["temp"] == "warm") for r in rows]),
        "contact": np.array([float(r["contact"] == "yes") for r in rows]),
        "judge": np.array([int(r["judge"]) for r in rows]),
    }


def _rows(first: str, second: str) -> Rows:
    wine = _wine()
    n = len(wine["rank"])
    return Rows(
        h=wine[first],
        rank=wine["rank"],
        weight=np.ones(n),
        hands=wine[second][:, None],
        berry=np.arange(n),
    )


# R 4.2.2, ordinal 2022.11-16, nominal_test and scale_test on clm(rating ~ temp + contact); the
# nominal tests also stand in the package's vignette (from memory).
@pytest.mark.parametrize(
    ("first", "second", "statistic", "p_value"),
    [
        ("temp", "contact", 3.17497709974728, 0.365425943577536),
        ("contact", "temp", 0.566740268381835, 0.904002389824219),
    ],
)
def test_proportional_odds_is_rs_nominal_test(first, second, statistic, p_value) -> None:
    rows = _rows(first, second)
    test = proportional_odds(rows)
    assert test.df == 3
    assert test.statistic == pytest.approx(statistic, abs=1e-7)
    assert test.p_value == pytest.approx(p_value, abs=1e-7)


@pytest.mark.parametrize(
    ("column", "statistic", "p_value"),
    [("temp", 0.104920972488543, 0.746002334468703), ("contact", 0.273301326440787, 0.6011257628)],
)
def test_scale_effect_is_rs_scale_test(column, statistic, p_value) -> None:
    rows = _rows("temp", "contact")
    test = scale_effect(rows, _wine()[column][:, None], column)
    assert test.statistic == pytest.approx(statistic, abs=1e-6)
    assert test.p_value == pytest.approx(p_value, abs=1e-6)


def test_covariate_is_the_likelihood_ratio_of_two_fits() -> None:
    """Wine: LR 11.0430043 for contact, p 0.0008902248 (R anova of two clm fits)."""
    wine = _wine()
    n = len(wine["rank"])
    rows = Rows(
        h=wine["temp"],
        rank=wine["rank"],
        weight=np.ones(n),
        hands=np.zeros((n, 0)),
        berry=np.arange(n),
    )
    effect = covariate_effect(rows, wine["contact"].tolist(), "contact")
    assert effect.test.statistic == pytest.approx(11.0430043, abs=1e-6)
    assert effect.test.p_value == pytest.approx(0.0008902248, abs=1e-9)
    # The effect in units of temp: -1.527797658 / 2.503102008.
    assert effect.levels[0][1] == pytest.approx(-1.527797658 / 2.503102008, abs=1e-7)


def test_groups_and_numbers_give_the_same_shift_for_two_levels() -> None:
    wine = _wine()
    rows = _rows("temp", "contact")
    bottle = np.arange(len(wine["rank"])) % 2
    number = covariate_effect(rows, bottle.tolist(), "bottle")
    group = covariate_effect(rows, ["b" if b else "a" for b in bottle], "bottle")
    assert group.levels[0] == ("a", 0.0)
    assert group.levels[1][1] == pytest.approx(number.levels[0][1], abs=1e-9)
    assert group.largest == pytest.approx(number.largest, abs=1e-9)
    assert covariate_effect(rows, [1.0] * 72, "constant") is None
    assert covariate_effect(rows, [None] * 72, "empty") is None


def test_deviance_and_pearson_of_cheese() -> None:
    """McCullagh & Nelder (1989) p. 175: deviance 20.308192, Pearson 20.937936 on 21 df (R)."""
    with (REFERENCE / "ordinal_cheese.csv").open() as file:
        data = list(csv.DictReader(line for line in file if not line.startswith("#")))
    counts = np.array([float(r["count"]) for r in data]).reshape(4, 9)
    names = [r["additive"] for r in data[::9]]
    dummy = np.array([[float(name == other) for other in "ABC"] for name in names])
    x, rank = np.repeat(dummy, 9, axis=0), np.tile(np.arange(9), 4)
    fit = fit_ordinal(x, rank, counts.ravel())
    upto = 1 / (1 + np.exp(-(fit.threshold - (dummy @ fit.coef)[:, None])))
    p = np.diff(np.column_stack([np.zeros(4), upto, np.ones(4)]), axis=1)
    expected = counts.sum(axis=1, keepdims=True) * p
    seen = counts > 0
    deviance = 2 * (counts[seen] * np.log(counts[seen] / expected[seen])).sum()
    pearson = ((counts - expected) ** 2 / expected).sum()
    assert (deviance, pearson) == pytest.approx((20.308192, 20.937936), abs=1e-5)


def _panel(seed: int = 5, berry_sd: float = 0.5) -> Rows:
    """Invented: 150 berries, 3 raters, berry effects shared by the raters."""
    rng = np.random.default_rng(seed)
    force = rng.uniform(0.5, 5.5, 150)
    feel = force + berry_sd * rng.normal(size=150)
    h, berry, rater = np.tile(force, 3), np.tile(np.arange(150), 3), np.repeat(np.arange(3), 150)
    noise = rng.logistic(scale=0.3, size=450)
    cuts = np.array([4.5, 3.2, 2.1, 1.2])
    rank = (np.tile(feel, 3)[:, None] + noise[:, None] < cuts).sum(axis=1)
    hands = (rater[:, None] == np.arange(1, 3)).astype(float)
    return Rows(h=h, rank=rank, weight=np.ones(450), hands=hands, berry=berry)


def test_contributions_add_up_to_zero_at_the_fit() -> None:
    rows = _panel()
    fit = rows.fit
    gradient = fit.contributions(rows.x, rows.rank)
    assert np.abs(gradient.sum(axis=0)).max() < 1e-6


def test_clustered_covariance_is_statsmodels_for_two_scores() -> None:
    """The two-score limit is logistic regression: statsmodels Logit with cov_type='cluster'."""
    rows = _panel()
    rank = (rows.rank > 1).astype(int)
    fit = fit_ordinal(rows.h[:, None], rank)
    gradient = fit.contributions(rows.h[:, None], rank)
    robust = clustered_covariance(fit.covariance, gradient, rows.berry)
    exog = np.column_stack([np.ones(450), rows.h])
    with_groups = sm.Logit(rank, exog).fit(
        disp=0, cov_type="cluster", cov_kwds={"groups": rows.berry, "df_correction": True}
    )
    # statsmodels adds (n - 1) / (n - k) to m / (m - 1).
    expected = with_groups.cov_params() / (449 / 448)
    # P(rank <= 0): the threshold is the negative intercept, beta the slope.
    assert np.diag(robust) == pytest.approx(np.diag(expected), rel=1e-5)


def test_shared_berries_inflate_a_plain_test_and_are_allowed_for() -> None:
    """Under no effect, p below 0.05 in about 5 % of 120 panels, not in a quarter of them."""
    plain = adjusted = 0
    rng = np.random.default_rng(11)
    for seed in range(120):
        rows = _panel(seed)
        lot = rng.integers(0, 2, 150)[rows.berry].astype(float).tolist()
        adjusted += covariate_effect(rows, lot, "lot").test.p_value < 0.05
        alone = Rows(
            h=rows.h,
            rank=rows.rank,
            weight=rows.weight,
            hands=rows.hands,
            berry=np.arange(len(rows.h)),
        )
        plain += covariate_effect(alone, lot, "lot").test.p_value < 0.05
    assert adjusted <= 14
    assert plain >= 2 * adjusted


def test_lipsitz_accepts_the_model_and_rejects_a_wrong_one() -> None:
    rows = _panel(berry_sd=0.0)
    assert lipsitz(rows).p_value > 0.01
    bent = Rows(
        h=(rows.h - 3) ** 3,
        rank=rows.rank,
        weight=rows.weight,
        hands=rows.hands,
        berry=np.arange(len(rows.h)),
    )
    assert lipsitz(bent).p_value < 1e-4


def test_cook_distance_finds_the_slip_of_the_key() -> None:
    rows = _panel(berry_sd=0.0)
    rank = rows.rank.copy()
    firm = int(np.argmax(rows.h))
    rank[firm] = 4
    slipped = Rows(
        h=rows.h, rank=rank, weight=rows.weight, hands=rows.hands, berry=np.arange(len(rank))
    )
    fit = slipped.fit
    distance = cook_distance(fit.contributions(slipped.x, rank), fit.covariance)
    assert int(np.argmax(distance)) == firm
    # To first order it is the change of the estimates when the row is left out.
    keep = np.arange(len(rank)) != firm
    without = fit_ordinal(slipped.x[keep], rank[keep])
    moved = without.phi - fit.phi
    exact = float(moved @ np.linalg.inv(fit.covariance) @ moved) / fit.phi.size
    assert distance[firm] == pytest.approx(exact, rel=0.5)


def test_a_slip_of_the_key_is_named_with_the_keys_of_old() -> None:
    rows = _panel(berry_sd=0.0)
    rank = rows.rank.copy()
    firm = int(np.argmax(rows.h))
    rank[firm] = 4
    pairs = Pairs(
        scale=BLACKBERRY, force_newton=rows.h, rank=rank, count=rows.weight,
        rater=np.repeat(np.arange(3), 150), berry=rows.berry, raters=("ines", "marek", "odile"),
        berries=tuple(f"b{i}" for i in range(150)),
    )  # fmt: skip
    (found,) = document(diagnose(pairs))["look_again"]
    tail = found.pop("tail")
    assert 0 < tail < 0.05 / 450  # one false alarm in twenty seasons
    assert found == {
        "berry": f"b{rows.berry[firm]}", "force_n": rows.h[firm], "score": "5", "rater": "ines"
    }  # fmt: skip


def test_odd_scores_are_listed_the_least_likely_first() -> None:
    p = np.array([[0.9, 0.0995, 0.0005], [0.0004, 0.1, 0.8996], [0.3, 0.4, 0.3]])
    # The second is scored far firmer than its force says, the first far softer.
    odd = odd_scores(p, np.array([2, 0, 1]))
    assert [row for row, _ in odd] == [1, 0]
    assert [tail for _, tail in odd] == pytest.approx([0.0004, 0.0005])


def test_goodness_of_fit_does_not_depend_on_the_order_of_tied_rows() -> None:
    rng = np.random.default_rng(8)
    force = np.repeat([1.0, 2.0, 3.0, 4.0], 30)
    rank = (force[:, None] + rng.logistic(scale=0.6, size=(120, 1)) < [3.2, 1.9]).sum(axis=1)
    found = set()
    for order in (np.argsort(rank), np.argsort(-rank), rng.permutation(120)):
        rows = Rows(
            h=force[order],
            rank=rank[order],
            weight=np.ones(120),
            hands=np.zeros((120, 0)),
            berry=np.arange(120),
        )
        found.add(round(lipsitz(rows).statistic, 6))
    assert len(found) == 1
