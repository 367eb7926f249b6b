"""Panel of raters: derivatives, quadrature, the wine judges, R's clmm, simulated panels.

Wine bitterness: Randall, J. (1989) Biometrical J. 31:781-793; Laplace estimates as printed for R's
ordinal package (3.062997, 1.834885, judge variance 1.279461, log-likelihood -81.56541), quadrature
computed with it (10 nodes).
"""

import csv
import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibrate.cuts.fitting import fit as fit_calibration
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, Scale
from calibrate.model.cutmodel import fit_cuts
from calibrate.model.intervals import cut_intervals
from calibrate.model.panel import fit_panel, fit_panel_centre
from calibrate.model.paneldata import PanelData
from calibrate.model.panellikelihood import FULL, Effort, Nodes, adaptive_nodes, evaluate, find_mode
from calibrate.model.panelposterior import Normals, pool
from calibrate.model.panelsetup import prepare
from calibrate.model.ratershift import rater_cuts
from gauge.errors import (
    CannotCompareError,
    InvalidValueError,
    NoSuchRaterError,
    NotConvergedError,
    SeparationError,
    TooFewScoresError,
    WrongDirectionError,
)
from tests.mixedmodel import fit_mixed

HERE = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(HERE))
from tests.panels import CUTS_N, Scenario, simulate  # noqa: E402


def panel_of(seed: int = 1, **what) -> Pairs:
    return simulate(np.random.default_rng(seed), Scenario(**what))[0]


def rows(force, rank, rater, *, berry=None, scale=BLACKBERRY, raters=("ines", "marek")) -> Pairs:
    n = len(force)
    berries = tuple(f"b{i}" for i in range(n)) if berry is not None else ()
    return Pairs(
        scale=scale,
        force_newton=np.asarray(force, dtype=float),
        rank=np.asarray(rank, dtype=np.int64),
        count=np.ones(n),
        rater=np.asarray(rater, dtype=np.int64),
        berry=np.asarray(berry if berry is not None else np.zeros(n), dtype=np.int64),
        raters=raters,
        berries=berries,
    )


@pytest.mark.parametrize("force_scale", ["linear", "log"])
@pytest.mark.parametrize(("skip", "order"), [("", ""), ("middle", ""), ("", "varied")])
def test_derivatives_against_differences(force_scale, skip, order) -> None:
    data = prepare(
        panel_of(raters=3, berries=60, skip=skip, hand_sd=0.05, order=order),
        force_scale=force_scale,
    ).data
    assert (data.squeezes is not None) == bool(order)
    rng = np.random.default_rng(2)
    log_cut = np.log(CUTS_N)
    extra = [log_cut[1:3].mean()] * (data.n_places - 4)
    spread = np.log(0.5 if force_scale == "linear" else 0.15)
    effects = rng.normal(0, 0.05, data.size - data.n_places - 1)
    theta = np.concatenate([log_cut, extra, [spread], effects])
    nodes = Nodes.start(data.n_berries, 0.15, 9)
    nodes = nodes.moved(evaluate(data, theta, nodes).share)
    here = evaluate(data, theta, nodes)
    for i in range(data.size):
        step = np.zeros(data.size)
        step[i] = 1e-5
        up, down = evaluate(data, theta + step, nodes), evaluate(data, theta - step, nodes)
        assert (up.log_likelihood - down.log_likelihood) / 2e-5 == pytest.approx(
            here.gradient[i], abs=1e-5
        )
        np.testing.assert_allclose(
            (up.gradient - down.gradient) / 2e-5, here.hessian[i], rtol=1e-5, atol=1e-4
        )


def test_berries_are_summed_out_like_a_dense_integral() -> None:
    panel = prepare(panel_of(raters=4, berries=50), force_scale="linear")
    mode = find_mode(panel.data, panel.prior.centre, panel.prior, berry_sd=0.1)
    effect = np.linspace(-0.7, 0.7, 1401)
    log_weight = (
        np.log(effect[1] - effect[0]) - 0.5 * (effect / 0.1) ** 2 - np.log(0.1 * np.sqrt(2 * np.pi))
    )
    tile = (panel.data.n_berries, 1)
    dense = Nodes(effect=np.tile(effect, tile), log_weight=np.tile(log_weight, tile), sigma=0.1)
    assert mode.log_likelihood == pytest.approx(
        evaluate(panel.data, mode.theta, dense).log_likelihood, abs=0.01
    )


@pytest.mark.parametrize(
    ("points", "temp", "contact", "variance", "log_likelihood"),
    [
        (1, 3.062997, 1.834885, 1.279461, -81.565409),
        (10, 3.061891, 1.833433, 1.287733, -81.532461),
    ],
)
def test_wine_judges(points, temp, contact, variance, log_likelihood) -> None:
    with (HERE / "reference" / "ordinal_wine.csv").open() as file:
        table = list(csv.DictReader(line for line in file if line[0] != "#"))
    x = [[row["temp"] == "warm", row["contact"] == "yes"] for row in table]
    rank = [int(row["rating"]) - 1 for row in table]
    judge = [int(row["judge"]) - 1 for row in table]
    fit = fit_mixed(np.array(x, dtype=float), rank, judge, points=points)
    assert fit.coef == pytest.approx([temp, contact], rel=5e-5)
    assert fit.sd**2 == pytest.approx(variance, rel=5e-5)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=5e-5)


def test_hands_on_the_log_scale_are_a_random_intercept() -> None:
    """The same model in two parametrisations; deviations are chosen by REML here, ML there."""
    pairs = panel_of(seed=3, raters=6, berries=60, hand_sd=0.15, berry_sd=0.0, log_scale=True)
    panel = fit_panel(pairs, force_scale="log", random="hands")
    mixed = fit_mixed(np.log(pairs.force_newton)[:, None], pairs.rank, pairs.rater)
    spread = -1.0 / mixed.coef[0]
    assert panel.spread == pytest.approx(spread, rel=0.03)  # mode with hands, not without
    assert np.log(panel.cut_newton) == pytest.approx(-mixed.threshold * spread, abs=0.02)
    assert mixed.log_likelihood - 0.5 < panel.log_likelihood <= mixed.log_likelihood + 1e-3
    assert panel.hand_sd == pytest.approx(mixed.sd * spread * np.sqrt(6 / 5), rel=0.2)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not on this machine")
def test_crossed_effects_against_r(tmp_path) -> None:
    """Random data, hands and berries crossed, against ordinal::clmm (Laplace for both)."""
    pairs = panel_of(
        seed=8, raters=4, berries=40, hand_sd=0.12, berry_sd=0.1, spread_sd=0.0, log_scale=True
    )
    table = tmp_path / "panel.csv"
    lines = ["x,score,rater,berry"]
    for f, k, j, i in zip(pairs.force_newton, pairs.rank, pairs.rater, pairs.berry, strict=True):
        lines.append(f"{float(np.log(f))!r},{k},{j},{i}")
    table.write_text("\n".join(lines))
    script = (
        "if (!requireNamespace('ordinal', quietly=TRUE)) quit(status=9);"
        f"d <- read.csv('{table}'); d$score <- factor(d$score);"
        "m <- ordinal::clmm(score ~ x + (1|rater) + (1|berry), data=d);"
        "s <- sqrt(unlist(ordinal::VarCorr(m)));"
        "cat(sprintf('%.8f', c(logLik(m), coef(m), s['rater'], s['berry'])))"
    )
    done = subprocess.run(
        ["Rscript", "-e", script], capture_output=True, text=True, check=False, timeout=120
    )
    if done.returncode == 9:
        pytest.skip("R has no package ordinal")
    log_likelihood, *theta, slope, hand, berry = (float(x) for x in done.stdout.split())
    fit = fit_panel(pairs, force_scale="log", random="hands+berries")
    spread = -1.0 / slope
    assert fit.spread == pytest.approx(spread, rel=0.03)
    assert np.log(fit.cut_newton) == pytest.approx(-np.array(theta) * spread, abs=0.02)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=0.75)
    assert fit.hand_sd == pytest.approx(hand * spread, rel=0.35)
    assert fit.berry_sd == pytest.approx(berry * spread, abs=0.035)


def test_order_of_cut_points() -> None:
    one = np.zeros(3, dtype=int)
    data = PanelData(
        h=np.array([1.0, 2.0, 3.0]),
        rank=np.array([2, 1, 0]),
        rater=one,
        berry=one,
        weight=np.ones(3),
        place=np.array([[0, 1]]),
        direction=np.zeros(2),
        widening=np.ones(3),
        squeezes=None,
        log_scale=False,
    )
    effects = np.zeros(data.size - 3)
    assert data.in_order(np.append(np.log([2.5, 1.5, 1.0]), effects))
    assert not data.in_order(np.append(np.log([1.5, 2.5, 1.0]), effects))
    effects[-1] = 0.6  # one hand's offset at the softest boundary
    assert not data.in_order(np.append(np.log([2.5, 1.5, 1.0]), effects))


def test_nodes_integrate_a_normal_effect() -> None:
    effect, log_weight = adaptive_nodes(np.array([0.3]), np.array([0.9]), 1.0, 20)
    assert (np.exp(log_weight) * effect**2).sum() == pytest.approx(1.0, abs=1e-6)


def test_a_likelihood_that_is_not_concave_stays_flat() -> None:
    """Bent the wrong way for one hand, by less than the narrowest guess is bent the right way."""
    panel = prepare(simulate(np.random.default_rng(2), Scenario(raters=4))[0], force_scale="linear")
    (mode, *_), hand = panel.modes(berries=False), panel.data.effects[0][0]
    assert mode.information == pytest.approx(-mode.hessian)
    apart = np.eye(panel.data.size)[hand]
    bent = mode.hessian + (1.5 - mode.hessian[hand, hand]) * np.outer(apart, apart)
    odd = replace(mode, hessian=bent)
    assert np.linalg.eigvalsh(odd.information)[0] > -1e-6
    posterior = pool(panel, [odd])
    assert np.isfinite(posterior.weight).all()
    assert np.abs(posterior.mean).max() < 5.0


def test_a_mode_at_the_edge_of_crossing_cut_points_is_reported() -> None:
    """14 berries by five raters: one of them hardly used a score between two others."""
    for seed in (5, 36):
        fit = fit_panel(simulate(np.random.default_rng(seed), Scenario(raters=5, berries=14))[0])
        assert (fit.cut_newton[:-1] > fit.cut_newton[1:]).all()
        assert all(cut.low < cut.value < cut.high < 30 for cut in fit.cuts)


def test_berries_that_differ_much_are_integrated_finely() -> None:
    """Half-widths within 3 % of those with twice the nodes, where berries differ by 25 %."""
    pairs = simulate(np.random.default_rng(8), Scenario(raters=4, berries=80, berry_sd=0.25))[0]
    fine = Effort(points=41, wide_points=41)
    usual, finer = (
        [cut.high - cut.low for cut in fit_panel_centre(pairs, force_scale="linear", effort=one)]
        for one in (FULL, fine)
    )
    assert usual == pytest.approx(finer, rel=0.03)


def test_interval_of_one_normal() -> None:
    one = np.array([[2.0]])
    low, high = Normals(weight=np.ones(1), mean=one, variance=one * 2).interval(0.9)
    assert [low[0], high[0]] == pytest.approx([2 - 1.6448536 * 2, 2 + 1.6448536 * 2], abs=1e-6)


def test_newtons_to_another_unit() -> None:
    pairs = panel_of(raters=3, berries=50)
    once = fit_panel(pairs)
    again = fit_panel(replace(pairs, force_newton=pairs.force_newton / 4.4482216152605))
    assert again.cut_newton * 4.4482216152605 == pytest.approx(once.cut_newton, rel=1e-4)
    assert again.log_likelihood == pytest.approx(once.log_likelihood, abs=1e-3)
    assert again.cuts[1].low * 4.4482216152605 == pytest.approx(once.cuts[1].low, rel=1e-3)


def test_order_of_rows_and_names_of_raters_do_not_matter() -> None:
    pairs = panel_of(raters=3, berries=50, balanced=False)
    once = fit_panel(pairs)
    order = np.random.default_rng(0).permutation(pairs.rank.size)
    shuffled = replace(
        pairs,
        force_newton=pairs.force_newton[order],
        rank=pairs.rank[order],
        rater=2 - pairs.rater[order],
        berry=pairs.berry[order],
        raters=pairs.raters[::-1],
    )
    again = fit_panel(shuffled)
    assert again.cut_newton == pytest.approx(once.cut_newton, rel=1e-5)
    assert [r.name for r in again.raters] == [r.name for r in once.raters][::-1]
    assert again.raters[0].shift.value == pytest.approx(once.raters[-1].shift.value, abs=1e-5)


@pytest.mark.slow
def test_coverage_where_pooling_fails() -> None:
    """Forty panels of four, nominal 95 %: the band is wide, and pooling still falls out of it."""
    rng, ours, pooled, hands = np.random.default_rng(11), [], [], []
    for _ in range(40):
        pairs, truth = simulate(rng, Scenario(raters=4, berries=40, hand_sd=0.1, berry_sd=0.1))
        fit = fit_panel(pairs)
        ours.append([c.low < t < c.high for c, t in zip(fit.cuts, CUTS_N, strict=True)])
        flat = fit_cuts(pairs)
        pooled.append(
            np.abs(flat.cut_newton - CUTS_N) < 1.96 * np.sqrt(np.diagonal(flat.covariance)[:-1])
        )
        hands += [
            c.low < t < c.high
            for rater, cuts in zip(fit.raters, truth.rater_cuts_newton, strict=True)
            for c, t in zip(rater.cuts, cuts, strict=True)
        ]
    assert np.mean(ours) > 0.86
    assert np.mean(pooled) < 0.82
    assert 0.9 < np.mean(hands) < 0.99


def test_an_interval_for_the_next_rater_is_wider_than_the_panels() -> None:
    fit = fit_panel(panel_of(raters=5, berries=60, hand_sd=0.15))
    for panel, new in zip(fit.cuts, fit.next_rater, strict=True):
        assert new.low < panel.low < panel.value < panel.high < new.high


def test_a_rater_with_few_berries_is_pooled_towards_the_panel() -> None:
    pairs, truth = simulate(
        np.random.default_rng(5), Scenario(raters=4, berries=120, hand_sd=0.15, balanced=False)
    )
    fit = fit_panel(pairs)
    few = fit.raters[0]
    assert few.n == 15
    for cut, true, other in zip(
        few.cuts, truth.rater_cuts_newton[0], fit.raters[1].cuts, strict=True
    ):
        assert cut.low < true < cut.high
        assert cut.high / cut.low > other.high / other.low


@pytest.mark.parametrize(("skip", "label"), [("firmest", "1"), ("middle", "3")])
def test_a_skipped_score_is_said_and_does_not_bend_the_panel(skip, label) -> None:
    case = {"seed": 7, "raters": 4, "berries": 100, "hand_sd": 0.05}
    whole, skipped = fit_panel(panel_of(**case)), fit_panel(panel_of(**case, skip=skip))
    assert skipped.cut_newton == pytest.approx(whole.cut_newton, rel=0.04)
    assert any(f"tamsin never used score {label}" in text for text in skipped.warnings)
    assert all(cut.value is not None for cut in skipped.raters[3].cuts)


@pytest.mark.parametrize(("raters", "seed"), [(2, 4), (3, 71), (4, 37)])
def test_a_panel_of_too_few_berries_says_so_and_blames_no_rater(raters: int, seed: int) -> None:
    case = Scenario(raters=raters, berries=14, hand_sd=0.1)
    pairs, _ = simulate(np.random.default_rng(seed), case)
    why = r"too few scores lie between them\. Score more berries near the boundaries.*--penalised"
    with pytest.raises(NotConvergedError, match=why):
        fit_calibration(pairs)
    assert np.isfinite(fit_calibration(pairs, penalised=True).cut_newton).all()


def test_a_panel_of_one_is_fitted_alone_and_says_so() -> None:
    pairs = panel_of(raters=3, berries=80).of_raters(["marek"])
    alone = fit_calibration(pairs)
    assert [cut.value for cut in alone.cuts] == pytest.approx(fit_cuts(pairs).cut_newton)
    for cut, profile in zip(alone.cuts, cut_intervals(fit_cuts(pairs)), strict=True):
        # 80 scores, 5 parameters: z grows by sqrt(80 / 75), about 3 %.
        widening = (cut.high - cut.low) / (profile.high - profile.low)
        assert 1.02 < widening < 1.06
    assert alone.hand_sd is None
    assert "a panel of one" in alone.warnings[0]
    assert "marek" in alone.warnings[0]
    with pytest.raises(CannotCompareError, match="a panel needs two"):
        fit_panel(pairs)


def test_scores_that_nobody_used() -> None:
    pairs = panel_of(raters=3, berries=80)
    pairs = replace(pairs, rank=np.where(pairs.rank == 0, 1, pairs.rank))
    fit = fit_panel(pairs)
    assert fit.cuts[0].value is None
    assert fit.cuts[1].value is not None
    assert "nobody used score 1: no cut point is known there" in fit.warnings


def test_auto_takes_the_smaller_aic() -> None:
    pairs = panel_of(seed=2, raters=4, berries=80, log_scale=True)
    fits = [fit_panel(pairs, force_scale=h) for h in ("linear", "log")]
    chosen = fit_panel(pairs, force_scale="auto")
    assert chosen.aic == min(fit.aic for fit in fits)


def test_a_rater_whose_scores_run_against_force_is_named() -> None:
    pairs = panel_of(raters=4, berries=60)
    turned = np.where(pairs.rater == 2, 4 - pairs.rank, pairs.rank)
    fit = fit_panel(replace(pairs, rank=turned))
    assert any("scores of odile run against force" in text for text in fit.warnings)


def test_rows_with_counts_are_rows() -> None:
    once = panel_of(raters=3, berries=40)
    twice = replace(once, count=np.full(once.rank.size, 2.0))
    doubled = replace(
        once,
        **{
            name: np.tile(getattr(once, name), 2)
            for name in ("force_newton", "rank", "rater", "berry", "count")
        },
    )
    a, b = fit_panel(twice), fit_panel(doubled)
    assert a.n == b.n == 240
    assert a.cut_newton == pytest.approx(b.cut_newton, rel=1e-6)
    assert a.log_likelihood == pytest.approx(b.log_likelihood, rel=1e-6)


def test_a_panel_whose_raters_have_no_effects_of_their_own() -> None:
    """Large berry deviations leave the likelihood of free raters' effects without a maximum."""
    pairs = panel_of(seed=140, raters=5, berries=60, balanced=False)
    fit = fit_panel(pairs, random="berries")
    assert fit.hand_sd is None
    assert fit.cut_newton == pytest.approx(CUTS_N, rel=0.15)
    assert all(cut.low < cut.value < cut.high for cut in fit.cuts)


def test_refusals() -> None:
    pairs = panel_of(raters=3, berries=50)
    with pytest.raises(InvalidValueError, match="does not say what differs"):
        fit_panel(pairs, random="hands+feet")
    with pytest.raises(InvalidValueError, match="level"):
        fit_panel(pairs, level=95)
    with pytest.raises(WrongDirectionError):
        fit_panel(replace(pairs, rank=4 - pairs.rank))
    with pytest.raises(TooFewScoresError):
        fit_panel(replace(pairs, rank=np.zeros_like(pairs.rank)))
    two = Scale(labels=("firm", "soft"))
    with pytest.raises(SeparationError, match="within every rater"):
        fit_panel(
            rows([5, 6, 1, 2, 4, 5.5, 7, 8], [0, 0, 1, 1, 1, 1, 0, 0], [0] * 4 + [1] * 4, scale=two)
        )


def test_one_rater_against_the_panel() -> None:
    pairs, _ = simulate(
        np.random.default_rng(6), Scenario(raters=5, berries=120, hand_sd=0.0, berry_sd=0.1)
    )
    # marek presses as before, but on a gauge whose berries read a fifth higher: he needs more.
    force = np.where(pairs.rater == 1, pairs.force_newton * 1.2, pairs.force_newton)
    shift = rater_cuts(replace(pairs, force_newton=force), "marek")
    assert shift.panel == ("ines", "odile", "tamsin", "jorun")
    assert shift.shift.low > 0
    mean = 0.2 * CUTS_N.mean()
    assert shift.shift.low < mean < shift.shift.high
    for at, cut in zip(shift.boundaries, CUTS_N, strict=True):
        assert at.low < 0.2 * cut < at.high


def test_one_rater_against_another_source() -> None:
    panel = panel_of(seed=1, raters=4, berries=80, hand_sd=0.03)
    later = panel_of(seed=2, raters=2, berries=60, hand_sd=0.0)
    shift = rater_cuts(later, "ines", against=panel)
    assert shift.panel == panel.raters
    assert shift.n == 60
    assert shift.shift.low < 0.0 < shift.shift.high
    with pytest.raises(CannotCompareError):
        rater_cuts(later.of_raters(["ines"]), "ines")
    with pytest.raises(NoSuchRaterError):
        rater_cuts(later, "nobody")
    alone = rater_cuts(later, "ines")
    assert "marek alone" in alone.warnings[0]


def test_a_hand_that_skips_a_score_is_compared_with_itself() -> None:
    """The boundaries around that score lie together, then and now, and count as one."""
    then, now = (
        panel_of(seed=seed, berries=60, hand_sd=0.0, spread_sd=0.0, skip="middle")
        for seed in (3, 13)
    )
    found = rater_cuts(now, "tamsin", against=then)
    assert found.boundaries[1] == found.boundaries[2]
    assert found.gaps.log_ratio.size == 3
    assert found.shift.low < 0.0 < found.shift.high


def test_how_far_hands_differ_is_carried_on_from_earlier_seasons(tmp_path: Path) -> None:
    """Three raters hardly show it; a season of eight does, and its posterior enters the next."""
    from click.testing import CliRunner

    from calibrate.cli import group
    from tests.seasons import make_season

    few = make_season(tmp_path / "few.season", berries=60)
    rng = np.random.default_rng(2)
    many = {f"rater {i}": float(rng.normal(0, 0.02)) for i in range(8)}
    earlier = make_season(tmp_path / "many.season", berries=60, hands=many, seed=9)

    def fitted(*more: str) -> dict[str, Any]:
        result = CliRunner().invoke(group, ["fit", str(few), "--json", *more])
        return json.loads(result.stdout)

    alone, carried = fitted(), fitted("--earlier", str(earlier))
    widths = [
        np.mean([cut["high_N"] - cut["low_N"] for cut in found["cuts"]])
        for found in (alone, carried)
    ]
    assert widths[1] < 0.9 * widths[0]
