"""Storage lines and crossings against statsmodels, brute force and simulation; seasons; cues."""

import numpy as np
import pytest
import statsmodels.api as sm

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.scale import RASPBERRY
from calibrate.stats.dayline import crossing, fit_line, fit_logit_line
from calibrate.tables.cues import cue_effect
from calibrate.tables.samplingunits import berry_units
from calibrate.tables.seasonranks import KeepRule, rank_seasons
from calibrate.tables.softening import half_soft_by_force, half_soft_by_score, loss_per_day
from gauge.errors import InvalidValueError, TooFewScoresError
from tests.tables.pools import pool_of

DAY = np.array([0.0, 0, 0, 5, 5, 10, 10, 10, 14])


def cut(force=1.5, half=0.0):
    return Calibration(
        scale=RASPBERRY, force_scale="linear", spread=0.2,
        cuts=as_cuts((force,), (force - half,), (force + half,)),
    )  # fmt: skip


def test_line_is_statsmodels():
    y = 2.2 - 0.06 * DAY + np.random.default_rng(1).normal(0, 0.1, DAY.size)
    fit = sm.OLS(y, sm.add_constant(DAY)).fit()
    line = fit_line(DAY, y)
    assert (line.intercept, line.slope) == pytest.approx(tuple(fit.params))
    assert line.covariance == pytest.approx(fit.cov_params())
    found = loss_per_day(DAY, y)
    assert (-found.high, -found.low) == pytest.approx(tuple(fit.conf_int()[1]))


def test_logit_line_is_statsmodels():
    rng = np.random.default_rng(2)
    n = np.full(DAY.size, 20)
    soft = rng.binomial(n, 1 / (1 + np.exp(2 - 0.2 * DAY + rng.normal(0, 1.5, DAY.size))))
    fit = sm.GLM(
        np.column_stack([soft, n - soft]), sm.add_constant(DAY), family=sm.families.Binomial()
    ).fit()
    # Its own scale="X2" divides by the berries of a clamshell once too often (0.14.2).
    spread = fit.pearson_chi2 / fit.df_resid
    line = fit_logit_line(DAY, soft, n)
    assert spread > 1
    assert (line.intercept, line.slope) == pytest.approx(tuple(fit.params), rel=1e-6)
    assert line.covariance == pytest.approx(spread * fit.cov_params(), rel=1e-5)


def test_crossing_is_the_set_of_days_that_are_not_excluded():
    """Fieller by brute force: every day tested by itself."""
    y = 2.2 - 0.06 * DAY + np.random.default_rng(3).normal(0, 0.1, DAY.size)
    line = fit_line(DAY, y)
    found = crossing(line, 1.5, target_variance=0.05**2)
    from scipy.stats import t

    days = np.linspace(-10, 60, 70_001)
    at = np.column_stack([np.ones_like(days), days])
    gap = at @ [line.intercept, line.slope] - 1.5
    se = np.sqrt(np.einsum("ij,jk,ik->i", at, line.covariance, at) + 0.05**2)
    inside = days[np.abs(gap / se) <= t.ppf(0.975, line.df)]
    assert (found.low, found.high) == pytest.approx((inside[0], inside[-1]), abs=2e-3)
    assert crossing(line, 1.5).high < found.high


def test_a_slope_that_may_be_none_leaves_the_side_open():
    y = 2.2 - 0.01 * DAY + np.random.default_rng(4).normal(0, 0.2, DAY.size)
    found = half_soft_by_force(DAY, y, cut(1.0))
    assert found.high is None
    assert "open" in found.why


def test_fruit_that_firms_in_storage_never_passes():
    found = half_soft_by_force(DAY, 2 + 0.05 * DAY + 0.01 * (DAY % 3), cut(1.5))
    assert (found.value, found.low, found.high) == (None, None, None)
    assert "no softening" in found.why


def test_fruit_past_the_limit_at_harvest():
    noise = np.random.default_rng(5).normal(0, 0.02, DAY.size)
    found = half_soft_by_force(DAY, 1.2 - 0.05 * DAY + noise, cut(1.5))
    assert found.value == 0
    assert "at day 0" in found.why


def test_crossing_holds_its_level():
    rng = np.random.default_rng(6)
    held, runs, n = 0, 400, np.full(DAY.size, 20)
    for _ in range(runs):
        soft = rng.binomial(n, 1 / (1 + np.exp(2.4 - 0.3 * DAY)))
        found = half_soft_by_score(DAY, soft, n)
        held += (found.low or 0) <= 8 <= (found.high or np.inf)
    assert held / runs > 0.93


def test_too_little_for_a_line_says_so():
    assert "two storage days" in loss_per_day([0, 0, 0], [1, 2, 3]).why
    assert half_soft_by_score([0, 7], [1, 2], [20, 20]).value is None
    assert half_soft_by_score([0, 0, 7, 7], [0, 0, 0, 0], [20] * 4).why
    apart = half_soft_by_score([0, 0, 7, 7, 14, 14], [0, 0, 20, 20, 20, 20], [20] * 6)
    assert (apart.value, apart.why) == (None, "days of firm and of soft berries do not overlap")


def test_a_line_is_not_carried_to_the_end_of_time():
    flat = half_soft_by_score([0, 0, 7, 7, 14, 14], [5, 6, 5, 6, 5, 6.01], [20] * 6)
    assert flat.value is None
    assert flat.why.startswith(("far beyond", "no softening"))


# --- seasons ---------------------------------------------------------------------------------


def means_of(*seasons):
    return {
        str(2025 + i): {f"R-{k}": (m, 0.1, 5) for k, m in enumerate(means)}
        for i, means in enumerate(seasons)
    }


def test_ranks_and_decisions():
    found = rank_seasons(means_of([3.0, 2.5, 2.0, 1.0], [3.0, 1.9, 2.4, 1.0]), KeepRule(top=0.5))
    assert found.spearman["2025", "2026"] == pytest.approx(0.8)  # 1 - 6 * 2 / (4 * 15)
    rows = {row.selection: row for row in found.rows}
    assert rows["R-0"].holds
    assert rows["R-3"].holds
    assert not rows["R-1"].holds
    assert (rows["R-1"].kept, rows["R-2"].kept) == ((True, False), (False, True))
    assert rows["R-0"].sure[0] > 0.99
    assert rows["R-3"].sure[0] < 0.01
    assert 0.5 < rows["R-1"].sure[0] < 1


def test_rank_correlation_is_scipys_with_ties_too():
    from scipy.stats import spearmanr

    values = [[3.0, 2.5, 2.5, 1.0, 1.0, 1.0], [1.9, 3.0, 1.9, 2.4, 1.0, 0.5]]
    found = rank_seasons(means_of(*values), KeepRule(top=0.5))
    assert found.spearman["2025", "2026"] == pytest.approx(spearmanr(*values).statistic)
    flat = rank_seasons(means_of([2.0, 2.0], [1.0, 2.0]), KeepRule(top=0.5))
    assert not flat.spearman


def test_probability_of_being_kept_is_students():
    from scipy.stats import t

    found = rank_seasons(means_of([1.6, 1.3], [1.6, 1.3]), KeepRule(above=1.5))
    expected = t.sf((1.5 - 1.6) / 0.1, 4)
    assert found.rows[0].sure[0] == pytest.approx(expected, abs=0.01)


def test_seasons_that_cannot_be_ranked():
    with pytest.raises(TooFewScoresError):
        rank_seasons(means_of([1, 2]), KeepRule(top=0.5))
    with pytest.raises(TooFewScoresError):
        rank_seasons({"a": {"R-1": (1, 0.1, 3)}, "b": {"R-2": (1, 0.1, 3)}}, KeepRule(top=0.5))
    for wrong in ({}, {"top": 0.5, "above": 1.0}, {"top": 1.5}):
        with pytest.raises(InvalidValueError):
            KeepRule(**wrong)


# --- cues ------------------------------------------------------------------------------------


def berries(rng, rain_by_harvest, effect, sd_harvest=0.0, clamshells=6):
    """Clamshells of two selections over some harvests, rain the same all over a harvest."""
    levels = {name: [] for name in ("selection", "harvest_date", "clamshell", "rain", "picker")}
    force = []
    for h, rain in enumerate(rain_by_harvest):
        shift = effect * rain + rng.normal(0, sd_harvest)
        for s in range(2):
            for c in range(clamshells):
                base = 2 + 0.5 * s + shift + rng.normal(0, 0.1) + (0.2 if c % 2 else 0.0)
                for _ in range(5):
                    force.append(base + rng.normal(0, 0.2))
                    for name, value in zip(
                        levels,
                        (f"R-{s}", f"2026-07-{h + 1:02}", str(c), f"{rain:g}", "ab"[c % 2]),
                        strict=True,
                    ):
                        levels[name].append(value)
    return berry_units(pool_of(force, ["rain", "picker"], **levels), "clamshell")


def test_a_cue_of_the_harvest_has_the_harvest_as_its_unit():
    found = cue_effect(berries(np.random.default_rng(7), [0, 2, 5, 9, 12], -0.05), "rain")
    assert (found.unit, found.units) == ("harvest", 5)
    assert found.effects[0][1].value == pytest.approx(-0.05, abs=0.015)
    assert found.adjusted == ("selection",)


def test_harvests_that_differ_do_not_make_rain_significant():
    """No rain effect, but harvests differ: clamshells as the unit would find one far too often."""
    rng = np.random.default_rng(8)
    found_effects, runs = 0, 120
    for _ in range(runs):
        units = berries(rng, [0, 2, 5, 9, 12], 0.0, sd_harvest=0.3, clamshells=4)
        one = cue_effect(units, "rain").effects[0][1]
        found_effects += not one.low < 0 < one.high
    assert found_effects / runs < 0.11


def test_a_cue_in_words():
    found = cue_effect(berries(np.random.default_rng(9), [0, 2, 5], 0.0), "picker")
    ((name, one),) = found.effects
    assert (name, found.reference, found.unit) == ("b", "a", "clamshell")
    assert one.low < 0.2 < one.high


def test_a_cue_that_cannot_be_means_of():
    with pytest.raises(TooFewScoresError, match="one value"):
        cue_effect(berries(np.random.default_rng(10), [3, 3, 3], 0.0), "rain")
    with pytest.raises(TooFewScoresError, match="too few"):
        cue_effect(berries(np.random.default_rng(10), [3, 4], 0.0), "rain")
