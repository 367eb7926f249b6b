"""Each squeeze softens a berry: what it takes, told from hands where the order of raters varies.

The simulated hands are identical and squeeze one after another; the gauge presses last.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from calibrate.cuts.calibration import Calibration
from calibrate.cuts.fitting import fit
from calibrate.cuts.seasonshift import compare_seasons
from calibrate.data.squeezes import press_only, squeezes_to_press
from calibrate.model.diagnosis import diagnose
from calibrate.model.panel import fit_panel
from calibrate.model.ratershift import OTHERS, OWN_HISTORY, rater_cuts
from calibrate.raters.check import check_rater
from tests.panels import CUTS_N, Scenario, simulate


def panel_of(seed: int, order: str, **more):
    case = Scenario(raters=3, berries=120, hand_sd=0.0, spread_sd=0.0, order=order, **more)
    return simulate(np.random.default_rng(seed), case)[0]


def without_order(pairs):
    return replace(pairs, extra={}, squeezes=None)


@pytest.mark.parametrize("force_scale", ["linear", "log"])
def test_varied_order_gives_the_true_cut_points(force_scale) -> None:
    pairs = panel_of(5, "varied", log_scale=force_scale == "log")
    panel = fit_panel(pairs, force_scale=force_scale)
    assert panel.softening.low < 0.05 < panel.softening.high
    assert all(c.low < true < c.high for c, true in zip(panel.cuts, CUTS_N, strict=True))
    # As pressed: after two squeezes more, in the middle. That is what a model without order finds.
    pressed = [cut.value for cut in panel.as_pressed]
    assert pressed == pytest.approx(panel.cut_newton * (1 - panel.softening.value) ** 2, rel=0.01)
    before = fit_panel(without_order(pairs), force_scale=force_scale)
    assert before.softening is None
    assert before.cut_newton == pytest.approx(pressed, rel=0.02)


@pytest.mark.slow
def test_over_panels_cut_points_and_softening_are_the_true_ones() -> None:
    """Of twelve panels, two of the 95 % intervals may miss: more is rarer than 1 in 50."""
    panels = [fit_panel(panel_of(seed, "varied")) for seed in range(20, 32)]
    missed = sum(not p.softening.low < 0.05 < p.softening.high for p in panels)
    assert missed <= 2
    assert np.mean([p.softening.value for p in panels]) == pytest.approx(0.05, abs=0.01)
    mean = np.mean([p.cut_newton for p in panels], axis=0)
    assert mean == pytest.approx(CUTS_N, rel=0.03)


def test_hands_that_never_change_places_are_not_called_drifted() -> None:
    pairs = panel_of(2, "fixed", softening=0.08)
    checks = {name: check_rater(pairs, name) for name in pairs.raters}
    for first_or_last in (pairs.raters[0], pairs.raters[2]):
        check = checks[first_or_last]
        assert check.shift_newton.excludes_zero()
        assert (check.verdict, check.confounded) == ("cannot tell yet", True)
        assert any("cannot be told apart" in line for line in check.warnings)
        assert check.sentences() == ["Hand and order of squeezes cannot be told apart: take turns."]
    # In the middle of the row, on average, is the panel as well.
    assert not checks[pairs.raters[1]].confounded
    assert "cannot be told" not in " ".join(checks[pairs.raters[1]].warnings)
    # What was not recorded cannot be known to have been constant: a warning, and the old verdict.
    nothing = squeezes_to_press(pairs.berry, np.full(pairs.n, np.nan), True)
    unknown = replace(pairs, extra={}, squeezes=nothing)
    check = check_rater(unknown, pairs.raters[0], limit_share=0.05)
    assert check.verdict == "drifted"
    assert any("was not recorded" in line for line in check.warnings)


def test_the_same_place_as_before_has_no_order_to_explain_a_shift() -> None:
    then, now = panel_of(3, "fixed", softening=0.08), panel_of(4, "fixed", softening=0.08)
    found = rater_cuts(now, now.raters[0], against=then)
    assert (found.reference, found.confounded) == (OWN_HISTORY, False)
    assert rater_cuts(now, now.raters[0]).reference == OTHERS


def test_varied_order_calls_no_identical_hand_drifted() -> None:
    pairs = panel_of(6, "varied", softening=0.08)
    for name in pairs.raters:
        check = check_rater(pairs, name)
        assert check.verdict != "drifted"
        assert not check.confounded
        # Forces are those that the finger felt: scores agree with the panel's cuts evenly.
        assert np.mean(check.rank - check.panel.ranks(check.force_newton)) == pytest.approx(
            0, abs=0.1
        )


def test_berries_pressed_only_against_ordinary_least_squares() -> None:
    """Within-sample difference of log force, held against statsmodels' OLS with a mean a sample."""
    rng = np.random.default_rng(1)
    sample = np.repeat([f"B-{i}" for i in range(6)], 15)
    squeezes = np.where(rng.random(90) < 0.2, 0.0, 3.0)
    level = np.repeat(rng.normal(1.2, 0.3, 6), 15)
    force = np.exp(level + rng.normal(0, 0.2, 90) - 0.05 * squeezes)
    found = press_only(sample, force, squeezes)
    means = (sample[:, None] == np.unique(sample)).astype(float)
    ols = sm.OLS(np.log(force), np.column_stack([squeezes > 0, means])).fit()
    assert found.value == pytest.approx(math.exp(ols.params[0]), rel=1e-9)
    assert [found.low, found.high] == pytest.approx(np.exp(ols.conf_int()[0]), rel=1e-9)
    assert (found.n, found.n_mates) == ((squeezes == 0).sum(), (squeezes == 3).sum())
    assert press_only(["a", "b"], np.array([1.0, 2.0]), np.array([0.0, 1.0])) is None


def test_press_only_berries_tell_hands_from_a_constant_order() -> None:
    pairs = panel_of(7, "fixed")
    rng = np.random.default_rng(8)
    squeezes = np.repeat([0.0, 3.0], [150, 600])
    force = np.exp(rng.normal(1.2, 0.25, 750)) * 0.95**squeezes
    known = press_only(["one"] * 750, force, squeezes)
    both = replace(pairs, press_only=known)
    panel = fit_panel(both)
    assert panel.softening.value == pytest.approx(1 - known.value ** (1 / 3), abs=0.01)
    assert panel.cut_newton == pytest.approx(CUTS_N, rel=0.08)
    assert not any(check_rater(both, name).confounded for name in pairs.raters)


def test_diagnose_does_not_take_a_constant_order_for_one_scale() -> None:
    fixed = diagnose(panel_of(12, "fixed")).warnings
    assert any("whether one scale serves cannot be seen" in line for line in fixed)
    varied = diagnose(panel_of(12, "varied", softening=0.08)).warnings
    assert any("takes the order in" in line for line in varied)


@pytest.mark.slow
def test_seasons_are_compared_at_one_level() -> None:
    """Of one season the order was not recorded: both are compared as fruit that was squeezed."""
    first, second = panel_of(10, "varied", softening=0.08), panel_of(11, "varied", softening=0.08)
    assert not compare_seasons(first, second).as_pressed
    neither = compare_seasons(without_order(first), without_order(second))
    for one, two in ((without_order(first), second), (without_order(first), fit(second))):
        mixed = compare_seasons(one, two)
        assert mixed.as_pressed
        assert mixed.second.softening is None
        for shift, other in zip(mixed.shifts, neither.shifts, strict=True):
            assert shift.shift_pct.value == pytest.approx(other.shift_pct.value, abs=3)


def test_a_calibration_keeps_what_a_squeeze_takes() -> None:
    made = fit(panel_of(9, "varied"))
    kept = Calibration.from_document(made.to_document())
    assert kept.softening == made.softening
    assert kept.as_pressed == made.as_pressed
    old = {k: v for k, v in made.to_document().items() if k not in {"softening", "as_pressed"}}
    assert Calibration.from_document(old).softening is None
