"""Cut points against published fits, a reference library, and what must not change them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from calibrate.model.cutmodel import collapse, fit_cuts
from calibrate.stats.likelihood import log_interval, make_terms
from calibrate.stats.newton import maximise
from calibrate.stats.ordinal import fit_ordinal
from gauge.errors import InvalidValueError, TooFewScoresError
from gauge.units import NEWTON_PER_FLOAT, Unit
from tests import ordinal_reference as ref
from tests.pairsof import pairs_of

FIVE_FIRMEST = Scale(labels=("5", "4", "3", "2", "1"))


def synthetic(unit_newton: float = 1.0):
    force = ref.numbers("synthetic_force_score", "force_N") / unit_newton
    rank = 5 - ref.numbers("synthetic_force_score", "score").astype(int)
    return fit_cuts(pairs_of(force, rank, FIVE_FIRMEST))


def made_up(n: int, seed: int = 0, spread: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    """Forces at 0.01 N and ranks of five scores, from the model itself."""
    rng = np.random.default_rng(seed)
    force = np.round(rng.gamma(6.0, 0.6, n) + 0.01, 2)
    latent = force + rng.logistic(scale=spread, size=n)
    return force, 4 - np.digitize(latent, [2.0, 3.0, 4.2, 5.5])


# --- published fits -------------------------------------------------------------------------------
# Figures of R 4.2.2 with ordinal 2022.11-16 (clm, gradTol 1e-10), observed information; where a
# book or manual prints them too, it is named.


def test_synthetic_set_in_newtons() -> None:
    fit = synthetic()
    assert fit.cut_newton[::-1] == pytest.approx(
        [3.28299065, 5.40757047, 7.74102069, 9.68448746], abs=1e-8
    )
    assert np.sqrt(np.diagonal(fit.covariance)[:-1])[::-1] == pytest.approx(
        [0.40772548, 0.38332452, 0.37694348, 0.39471276], abs=1e-8
    )
    assert 1.0 / fit.spread == pytest.approx(1.302205653, abs=1e-9)
    assert fit.log_likelihood == pytest.approx(-45.156314490, abs=1e-9)
    assert fit.cells.count.sum() == 60


def test_synthetic_set_in_pound_force() -> None:
    newton, pound = synthetic(), synthetic(NEWTON_PER_FLOAT[Unit.LBF])
    assert pound.log_likelihood == pytest.approx(newton.log_likelihood, abs=1e-10)
    assert 1.0 / pound.spread == pytest.approx(5.792499333, abs=1e-9)
    assert pound.cut_newton[-1] == pytest.approx(0.738045659, abs=1e-9)
    assert pound.cut_newton * 4.4482216152605 == pytest.approx(newton.cut_newton, rel=1e-11)


def test_fair_marriage_ratings_fall_with_years() -> None:
    # Fair (1978); fit by R ordinal.
    data = {k: ref.numbers("fair_rating_by_years", k) for k in ("yrs_married", "count")}
    rank = ref.numbers("fair_rating_by_years", "rate_marriage").astype(int) - 1
    fit = fit_cuts(pairs_of(data["yrs_married"], rank, BLACKBERRY, data["count"]))
    assert fit.cells.count.sum() == 6366
    assert -1.0 / fit.spread == pytest.approx(-0.0298990590, abs=1e-9)
    assert fit.cut_newton == pytest.approx([148.456061, 95.972161, 50.375732, -1.844618], abs=1e-5)
    assert np.sqrt(np.diagonal(fit.covariance)[:-1]) == pytest.approx(
        [15.300997, 9.427623, 4.526606, 1.422055], abs=1e-5
    )
    assert fit.log_likelihood == pytest.approx(-7883.3772759, abs=1e-6)


def test_budworm_lethal_dose_is_the_two_class_limit() -> None:
    # Venables & Ripley (2002) section 7.2: LD50 of females at log2 dose 3.263587 (0.2297539);
    # a slope common to both sexes, so sex is a covariate.
    dose, dead = ref.numbers("budworm", "ldose"), ref.numbers("budworm", "numdead")
    male = ref.dummies("budworm", "sex", "M")
    x = np.tile(np.column_stack([male, dose]), (2, 1))
    fit = fit_ordinal(x, np.repeat([0, 1], dose.size), np.concatenate([20 - dead, dead]))
    theta, slope = fit.threshold[0], fit.coef[1]
    ld50 = theta / slope
    gradient = np.array([1 / slope, 0.0, -ld50 / slope])
    assert ld50 == pytest.approx(3.263587404, abs=1e-8)
    assert np.sqrt(gradient @ fit.covariance @ gradient) == pytest.approx(0.229753893, abs=1e-8)


def test_pneumoconiosis_on_the_log_scale() -> None:
    # McCullagh & Nelder (1989) p. 179; slope 2.5968 printed there. Worse lungs after longer
    # exposure, so the worst class takes the place of the firmest.
    years = np.tile(ref.numbers("pneumo", "exposure.time"), 3)
    rank = np.repeat([2, 1, 0], 8)
    count = np.concatenate([ref.numbers("pneumo", c) for c in ("normal", "mild", "severe")])
    kept = count > 0
    scale = Scale(labels=("severe", "mild", "normal"))
    fit = fit_cuts(pairs_of(years[kept], rank[kept], scale, count[kept]), force_scale="log")
    assert 1.0 / fit.spread == pytest.approx(2.59680647, abs=1e-8)
    assert fit.cut[::-1] == pytest.approx([3.7261508464, 4.0748994054], abs=1e-9)
    assert np.sqrt(np.diagonal(fit.covariance)[:-1])[::-1] == pytest.approx(
        [0.0676691464, 0.1073994676], abs=1e-9
    )
    assert fit.cut_newton == pytest.approx(np.exp(fit.cut))


@pytest.mark.parametrize(
    ("name", "rank", "x", "weight", "phi", "se", "value"),
    [
        pytest.param(  # Randall (1989); printed in the manual of R ordinal: 2.503, 1.528, -86.49
            "wine",
            lambda: ref.numbers("wine", "rating").astype(int) - 1,
            lambda: np.column_stack(
                [ref.dummies("wine", "temp", "warm"), ref.dummies("wine", "contact", "yes")]
            ),
            None,
            [-1.344383411, 1.250808798, 3.466886926, 5.006404204, 2.503102008, 1.527797658],
            [0.517102045, 0.437880203, 0.597760425, 0.730906344, 0.528680101, 0.476622630],
            -86.491923366,
            id="wine",
        ),
        pytest.param(  # McCullagh & Nelder (1989) p. 175
            "cheese",
            lambda: ref.numbers("cheese", "rating").astype(int) - 1,
            lambda: ref.dummies("cheese", "additive", "A", "B", "C"),
            lambda: ref.numbers("cheese", "count"),
            [-7.080166101, -6.024980036, -4.925415537, -3.856801369, -2.520551623, -1.568538188,
             -0.066875200, 1.492974345, -1.612790905, -4.964639958, -3.322682774],
            [0.564010084, 0.476431105, 0.425651278, 0.388021565, 0.345268201, 0.312207732,
             0.273819109, 0.335695605, 0.380543677, 0.476720541, 0.421830161],
            -355.673952411,
            id="cheese",
        ),
        pytest.param(  # Agresti (2002) Table 7.5; prints -0.2819, 1.2128, 2.2094, 1.1112, -0.3189
            "mental",
            lambda: ref.numbers("mental", "impair").astype(int) - 1,
            lambda: np.column_stack([ref.numbers("mental", c) for c in ("ses", "life")]),
            None,
            [-0.281905409, 1.212789180, 2.209368461, -1.111233926, 0.318861110],
            [0.642266480, 0.660654078, 0.720970064, 0.610878636, 0.120992050],
            -49.548948097,
            id="mental",
        ),
        pytest.param(  # Venables & Ripley (2002) section 7.3, residual deviance 3479.149
            "housing",
            lambda: np.array(
                [["Low", "Medium", "High"].index(c) for c in ref.columns("housing")["Sat"]]
            ),
            lambda: np.column_stack(
                [
                    ref.dummies("housing", "Infl", "Medium", "High"),
                    ref.dummies("housing", "Type", "Apartment", "Atrium", "Terrace"),
                    ref.dummies("housing", "Cont", "High"),
                ]
            ),
            lambda: ref.numbers("housing", "Freq"),
            [-0.496135138, 0.690708259, 0.566393738, 1.288819110, -0.572350002, -0.366186371,
             -1.091014659, 0.360284005],
            [0.124847243, 0.125471938, 0.104652781, 0.127156145, 0.119238009, 0.155173332,
             0.151486019, 0.095535795],
            -1739.574649529,
            id="housing",
        ),
    ],
)  # fmt: skip
def test_published_covariate_fits(name, rank, x, weight, phi, se, value) -> None:
    fit = fit_ordinal(x(), rank(), None if weight is None else weight())
    assert fit.phi == pytest.approx(phi, abs=1e-8)
    assert np.sqrt(np.diagonal(fit.covariance)) == pytest.approx(se, abs=1e-8)
    assert fit.log_likelihood == pytest.approx(value, abs=1e-8)


def test_effects_that_differ_between_thresholds() -> None:
    # R ordinal, nominal_test on the wine data: log-likelihoods -84.904435 and -86.208553.
    rank = ref.numbers("wine", "rating").astype(int) - 1
    temp, contact = (
        ref.dummies("wine", column, level).reshape(-1, 1)
        for column, level in (("temp", "warm"), ("contact", "yes"))
    )
    # No warm wine was rated 1, so an effect of temp runs off; the likelihood has its limit.
    for x, varying, value in ((temp, contact, -86.208553), (contact, temp, -84.904435)):
        terms = make_terms(x, rank, np.ones(rank.size), 5, varying)
        best = maximise(terms, np.append([-2.0, -1.0, 1.0, 2.0], np.zeros(5)))
        assert best.converged
        assert best.value == pytest.approx(value, abs=1e-6)


# --- a reference library ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_statsmodels_agrees_on_random_data(seed: int) -> None:
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    force, rank = made_up(250, seed)
    ours = fit_cuts(pairs_of(force, rank))
    model = OrderedModel(rank, force[:, None], distr="logit")
    theirs = model.fit(method="bfgs", disp=0, gtol=1e-9, maxiter=500)
    theta = model.transform_threshold_params(theirs.params)[1:-1]
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-8)
    assert ours.cut_newton == pytest.approx(theta / theirs.params[0], abs=1e-5)


# --- the likelihood itself ------------------------------------------------------------------------


def test_log_interval_against_exact_arithmetic() -> None:
    from fractions import Fraction
    from math import exp, log

    for upper, lower in [(0.5, -0.3), (3.0, 2.999), (-6.0, -7.0)]:
        a, b = Fraction(exp(-upper)), Fraction(exp(-lower))
        exact = (b - a) / ((1 + a) * (1 + b))
        value = log_interval(np.array([upper]), np.array([lower]))[0][0]
        assert value == pytest.approx(log(exact), rel=1e-12)


def test_tails_are_exact_and_outer_cuts_infinite() -> None:
    value, up, low, *_ = log_interval(np.array([-800.0, np.inf]), np.array([-np.inf, 800.0]))
    assert value.tolist() == [-800.0, -800.0]
    assert up.tolist() == [1.0, 0.0]
    assert low.tolist() == [0.0, -1.0]


def test_derivatives_agree_with_differences() -> None:
    force, rank = made_up(60, 5)
    wide = np.sin(force)[:, None]
    for varying in (None, wide):
        terms = make_terms(force[:, None], rank, np.ones(60), 5, varying)
        q = 0 if varying is None else 1
        phi = np.concatenate([[-5.0, -4.0, -2.5, -1.0], [0.01, 0.02, 0.0, -0.01] * q, [-1.2]])
        value, gradient, hessian = terms(phi)
        eye = 1e-5 * np.eye(phi.size)
        numeric = [(terms(phi + e)[0] - terms(phi - e)[0]) / 2e-5 for e in eye]
        curved = [(terms(phi + e)[1] - terms(phi - e)[1]) / 2e-5 for e in eye]
        assert gradient == pytest.approx(numeric, rel=1e-6, abs=1e-6)
        assert hessian == pytest.approx(np.array(curved), rel=1e-6, abs=1e-6)
        assert np.linalg.eigvalsh(hessian).max() < 0
        z = value - terms(phi * 1.0)[0]
        assert z == 0.0


def test_covariance_is_the_inverse_of_the_observed_information_of_the_cuts() -> None:
    fit = synthetic()
    cells = fit.cells

    def value(parameters: np.ndarray) -> float:
        cut = np.concatenate([[np.inf], parameters[:-1], [-np.inf]])
        upper = (cells.force_newton - cut[cells.rank + 1]) / parameters[-1]
        lower = (cells.force_newton - cut[cells.rank]) / parameters[-1]
        return float(cells.count @ log_interval(upper, lower)[0])

    at = np.append(fit.cut, fit.spread)
    assert value(at) == pytest.approx(fit.log_likelihood, abs=1e-10)
    eye = 1e-4 * np.eye(5)
    hessian = [
        [(value(at + a + b) - value(at + a - b) - value(at - a + b) + value(at - a - b)) / 4e-8
         for b in eye]
        for a in eye
    ]  # fmt: skip
    assert np.linalg.inv(-np.array(hessian)) == pytest.approx(fit.covariance, rel=1e-4)


def test_probabilities_add_up_and_keep_their_tails() -> None:
    fit = synthetic()
    forces = np.linspace(0.0, 20.0, 41)
    table = fit.probability(forces)
    assert table.sum(axis=1) == pytest.approx(np.ones(41))
    assert fit.probability(fit.cut_newton)[:, :].cumsum(axis=1)[
        range(4), range(4)
    ] == pytest.approx([0.5] * 4)
    far = fit.probability(40.0)
    exact = np.exp(-(40.0 - fit.cut[2]) / fit.spread) - np.exp(-(40.0 - fit.cut[1]) / fit.spread)
    assert far[2] == pytest.approx(abs(exact), rel=1e-9)


# --- what must not change the answer --------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.sampled_from([1e-3, 0.2248, 9.80665, 1000.0]))
def test_change_of_unit(seed: int, factor: float) -> None:
    force, rank = made_up(80, seed)
    one = fit_cuts(pairs_of(force, rank))
    two = fit_cuts(pairs_of(force * factor, rank))
    assert two.cut_newton == pytest.approx(one.cut_newton * factor, rel=1e-8)
    assert np.sqrt(np.diagonal(two.covariance)[:-1]) == pytest.approx(
        np.sqrt(np.diagonal(one.covariance)[:-1]) * factor, rel=1e-6
    )
    assert two.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-8)
    logs = [fit_cuts(pairs_of(force * k, rank), force_scale="log") for k in (1, factor)]
    assert logs[1].cut_newton == pytest.approx(logs[0].cut_newton * factor, rel=1e-8)
    assert logs[1].spread == pytest.approx(logs[0].spread, rel=1e-8)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_reversing_the_scale_mirrors_the_cuts(seed: int) -> None:
    force, rank = made_up(80, seed)
    one = fit_cuts(pairs_of(force, rank))
    two = fit_cuts(pairs_of(20.0 - force, 4 - rank))
    assert two.cut_newton == pytest.approx(20.0 - one.cut_newton[::-1], rel=1e-8)
    assert two.spread == pytest.approx(one.spread, rel=1e-8)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), data=st.data())
def test_order_of_rows_and_counts(seed: int, data: st.DataObject) -> None:
    force, rank = made_up(80, seed)
    count = np.array(data.draw(st.lists(st.integers(1, 4), min_size=80, max_size=80)))
    order = np.random.default_rng(seed).permutation(count.sum())
    one = fit_cuts(pairs_of(force, rank, BLACKBERRY, count.astype(float)))
    two = fit_cuts(pairs_of(np.repeat(force, count)[order], np.repeat(rank, count)[order]))
    assert two.cut_newton.tolist() == one.cut_newton.tolist()
    assert two.log_likelihood == one.log_likelihood


@settings(max_examples=30, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.sampled_from([1.0, 1.1, 2.0, 2.5]), st.integers(0, 2), st.integers(0, 1),
                  st.integers(1, 5)),
        min_size=1, max_size=40,
    )
)  # fmt: skip
def test_collapse_is_an_exact_tally(rows: list[tuple[float, int, int, int]]) -> None:
    from collections import Counter

    tally: Counter[tuple[float, int, int]] = Counter()
    for force, rank, group, count in rows:
        tally[force, rank, group] += count
    force, rank, group, count = (np.array(c) for c in zip(*rows, strict=True))
    cells = collapse(pairs_of(force, rank, count=count, rater=group), by_rater=True)
    found = zip(cells.force_newton, cells.rank, cells.rater, cells.count, strict=True)
    assert {(f, k, g): w for f, k, g, w in found} == dict(tally)


# --- scores that nobody gave ------------------------------------------------------------------


def test_an_unused_inner_score_is_not_renumbered() -> None:
    force, rank = made_up(200, 9)
    kept = rank != 2
    fit = fit_cuts(pairs_of(force[kept], rank[kept]))
    assert fit.cut.shape == (4,)
    assert fit.cut[1] == fit.cut[2]
    # The maximum of the likelihood with all five scores: score 3 has no room, as here.
    merged = np.where(rank > 2, rank - 1, rank)[kept]
    four = fit_cuts(pairs_of(force[kept], merged, Scale(labels=("1", "2", "4", "5"))))
    assert fit.cut[[0, 1, 3]].tolist() == four.cut.tolist()
    assert fit.probability([3.0])[0, 2] == 0.0


def test_unused_outer_scores_have_no_cut_point() -> None:
    force, rank = made_up(200, 9)
    kept = (rank > 0) & (rank < 4)
    fit = fit_cuts(pairs_of(force[kept], rank[kept]))
    assert fit.cut[0] == np.inf
    assert fit.cut[3] == -np.inf
    assert np.isnan(fit.cut_newton[[0, 3]]).all()
    assert np.isfinite(fit.covariance).all()
    assert fit.probability([3.0])[0].sum() == pytest.approx(1.0)


# --- bad input ----------------------------------------------------------------------------------


def test_bad_input_is_refused() -> None:
    with pytest.raises(InvalidValueError, match="not finite"):
        fit_ordinal([[np.nan], [1.0]], [0, 1])
    with pytest.raises(InvalidValueError, match="outside"):
        fit_ordinal([[1.0], [2.0]], [0, 7], n_ranks=3)
    with pytest.raises(InvalidValueError, match="one value a row"):
        fit_ordinal([[1.0], [2.0]], [0, 1], [1.0])
    with pytest.raises(InvalidValueError, match="below zero"):
        fit_ordinal([[1.0], [2.0]], [0, 1], [1.0, -1.0])
    with pytest.raises(TooFewScoresError):
        fit_ordinal([[1.0], [2.0]], [1, 1])


def test_zero_force_has_no_logarithm() -> None:
    zero = np.zeros(4, dtype=np.int64)
    pairs = Pairs(
        scale=RASPBERRY,
        force_newton=np.array([0.0, 2.0, 1.0, 3.0]),
        rank=np.array([1, 1, 0, 0]),
        count=np.ones(4),
        rater=zero,
        berry=zero,
    )
    with pytest.raises(InvalidValueError, match="no logarithm"):
        fit_cuts(pairs, force_scale="log")
