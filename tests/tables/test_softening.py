"""Storage lines and crossings against statsmodels, brute force and simulation; seasons; cues."""

import numpy as np
import pytest
import statsmodels.api as sm

from calibrate.stats.dayline import crossing, fit_line, fit_logit_line
from calibrate.stats.groups import Variance
from calibrate.tables.cues import cue_effect
from calibrate.tables.samplingunits import berry_units
from calibrate.tables.seasons import KeepRule, SeasonMeans, rank_seasons
from calibrate.tables.storage import Endpoint, day_reached
from gauge.errors import InvalidValueError, TooFewScoresError
from tests.tables.pools import pool_of

DAY = np.array([0.0, 0, 0, 5, 5, 10, 10, 10, 14])


def test_line_is_statsmodels():
    y = 2.2 - 0.06 * DAY + np.random.default_rng(1).normal(0, 0.1, DAY.size)
    fit = sm.OLS(y, sm.add_constant(DAY)).fit()
    line = fit_line(DAY, y)
    assert (line.intercept, line.slope) == pytest.approx(tuple(fit.params))
    assert line.covariance == pytest.approx(fit.cov_params())
    found = line.slope_estimate()
    assert (found.low, found.high) == pytest.approx(tuple(fit.conf_int()[1]))


def test_three_points_on_a_line_are_no_surer_than_their_berries():
    """1.9, 0.9 and -0.1 N lie on a line to the milli-newton by chance; berries vary by 0.9 N."""
    day, mean = [0.0, 4.0, 8.0], [1.901, 0.9, -0.1]
    alone = fit_line(day, mean).slope_estimate()
    assert alone.high - alone.low < 0.002
    berries = Variance(value=0.9**2 / 20, df=57)
    floored = fit_line(day, mean, berries=berries).slope_estimate()
    se = np.sqrt(0.9**2 / 20 / 32)
    from scipy.stats import t

    assert floored.high - floored.low == pytest.approx(2 * t.ppf(0.975, 57) * se)
    # Lines of other selections tell how clamshells vary about theirs.
    shared = fit_line(day, mean, berries=berries, variance=Variance(value=0.3, df=5))
    assert shared.slope_estimate().high > floored.high


def test_clamshells_that_are_followed_are_the_subjects():
    """Six clamshells on three days, each on its own level: statsmodels' cluster covariance."""
    rng = np.random.default_rng(12)
    day, subject = np.tile([0.0, 4, 8], 6), np.repeat(range(6), 3)
    y = 2 - 0.1 * day + rng.normal(0, 0.5, 6)[subject] + rng.normal(0, 0.05, 18)
    line = fit_line(day, y, subject=subject)
    fit = sm.OLS(y, sm.add_constant(day)).fit(
        cov_type="cluster", cov_kwds={"groups": subject, "use_correction": False}
    )
    assert line.covariance == pytest.approx(fit.cov_params() * 6 / 4)
    assert line.df == 4
    # Their own levels do not blur how they change, and blur the level more than 18 would.
    apart = fit_line(day, y)
    assert line.covariance[1, 1] < 0.2 * apart.covariance[1, 1]


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
    found = crossing(line, 1.5)
    from scipy.stats import t

    days = np.linspace(-10, 60, 70_001)
    at = np.column_stack([np.ones_like(days), days])
    gap = at @ [line.intercept, line.slope] - 1.5
    se = np.sqrt(np.einsum("ij,jk,ik->i", at, line.covariance, at))
    inside = days[np.abs(gap / se) <= t.ppf(0.975, line.df)]
    assert (found.low, found.high) == pytest.approx((inside[0], inside[-1]), abs=2e-3)


def test_a_rise_that_may_be_none_leaves_the_side_open():
    found = day_reached(DAY, [4, 6, 5, 6, 4, 5, 7, 5, 7], [20] * 9)
    assert found.high is None
    assert "open" in found.why


def test_fruit_that_does_not_soften_never_passes():
    found = day_reached(DAY, [8, 7, 8, 6, 6, 5, 4, 5, 3], [20] * 9)
    assert (found.value, found.low, found.high) == (None, None, None)
    assert "did not rise" in found.why


def test_fruit_past_the_endpoint_at_harvest():
    found = day_reached(DAY, [12, 11, 13, 15, 15, 17, 18, 18, 19], [20] * 9)
    assert found.value == 0
    assert "at day 0" in found.why


def test_endpoints_hold_their_level_and_say_where_days_end():
    rng = np.random.default_rng(6)
    held, runs, n = 0, 400, np.full(DAY.size, 20)
    for _ in range(runs):
        soft = rng.binomial(n, 1 / (1 + np.exp(2.4 - 0.3 * DAY)))
        day = day_reached(DAY, soft, n, Endpoint(of="leaky", at=0.2))
        held += (day.low or 0) <= (2.4 - np.log(4)) / 0.3 <= (day.high or np.inf)
    assert held / runs > 0.93
    late = day_reached([0, 0, 4, 4, 8, 8], [0, 1, 5, 6, 14, 13], [50] * 6, Endpoint(at=0.4))
    assert late.value > 8
    assert late.why == "beyond day 8, the last day tested"
    for wrong in ({"of": "blue"}, {"at": 1.0}):
        with pytest.raises(InvalidValueError, match="no endpoint"):
            Endpoint(**wrong)


def test_too_little_for_a_line_says_so():
    with pytest.raises(TooFewScoresError, match="two storage days"):
        fit_line([0, 0, 0], [1, 2, 3])
    assert day_reached([0, 7], [1, 2], [20, 20]).value is None
    assert day_reached([0, 0, 7, 7], [0, 0, 0, 0], [20] * 4).why
    apart = day_reached([0, 0, 7, 7, 14, 14], [0, 0, 20, 20, 20, 20], [20] * 6)
    assert (apart.value, apart.why) == (None, "days without and with soft do not overlap")


def test_a_line_is_not_carried_to_the_end_of_time():
    flat = day_reached([0, 0, 7, 7, 14, 14], [5, 6, 5, 6, 5, 6.01], [20] * 6)
    assert flat.value is None
    assert "far beyond day 14" in flat.why


# --- seasons ---------------------------------------------------------------------------------


def means_of(*seasons, variance=0.01, df=16.0):
    cells = [(s, k, m) for s, one in enumerate(seasons) for k, m in enumerate(one) if m is not None]
    season, selection, mean = (np.array(column) for column in zip(*cells, strict=True))
    return SeasonMeans(
        seasons=tuple(str(2025 + s) for s in range(len(seasons))),
        selections=tuple(f"R-{k}" for k in range(len(seasons[0]))),
        season=season, selection=selection, mean_newton=mean.astype(float),
        variance=np.full(mean.size, variance), df=df,
    )  # fmt: skip


def test_ranks_and_verdicts():
    seasons = [[3.0, 2.5, 2.0, 1.0], [3.0, 1.9, 2.4, 1.0]]
    found = rank_seasons(means_of(*seasons), KeepRule(top=0.5))
    assert found.spearman["2025", "2026"] == pytest.approx(0.8)  # 1 - 6 * 2 / (4 * 15)
    rows = {row.selection: row for row in found.rows}
    assert [rows[f"R-{k}"].verdict for k in range(4)] == ["keep", "undecided", "undecided", "drop"]
    assert [rows[f"R-{k}"].holds for k in range(4)] == [True, False, False, True]
    first = rows["R-1"].seasons
    assert [one["kept"] for one in first] == [True, False]
    assert 0.5 < first[0]["probability_kept"] < 1
    # Drawn towards the mean of all, 2.1 N.
    assert 2.1 < rows["R-0"].value.value < 3.0
    assert 1.0 < rows["R-3"].value.value < 2.1


def test_checks_carry_the_level_of_a_season_over():
    """The second season is 1 N softer throughout; the newcomer of it is as firm as the best."""
    found = rank_seasons(
        means_of([3.0, 2.0, 1.0, None], [2.0, 1.0, 0.1, 2.0], variance=0.001), KeepRule(top=0.5)
    )
    value = {row.selection: row.value.value for row in found.rows}
    assert value["R-3"] == pytest.approx(value["R-0"], abs=0.15)
    assert (found.checks, found.missing) == (("R-0", "R-1", "R-2"), ("R-3",))


def test_rank_correlation_is_scipys_with_ties_too():
    from scipy.stats import spearmanr

    values = [[3.0, 2.5, 2.5, 1.0, 1.0, 1.0], [1.9, 3.0, 1.9, 2.4, 1.0, 0.5]]
    found = rank_seasons(means_of(*values), KeepRule(top=0.5))
    assert found.spearman["2025", "2026"] == pytest.approx(spearmanr(*values).statistic)
    flat = rank_seasons(means_of([2.0, 2.0], [1.0, 2.0]), KeepRule(top=0.5))
    assert not flat.spearman


def test_probability_of_being_kept_in_a_season_is_students():
    from scipy.stats import t

    found = rank_seasons(means_of([1.6, 1.3], [1.6, 1.3], df=4.0), KeepRule(above=1.5))
    expected = t.sf((1.5 - 1.6) / 0.1, 4)
    assert found.rows[0].seasons[0]["probability_kept"] == pytest.approx(expected, abs=0.01)


def test_seasons_that_cannot_be_ranked():
    with pytest.raises(TooFewScoresError):
        rank_seasons(means_of([1, 2]), KeepRule(top=0.5))
    with pytest.raises(TooFewScoresError, match="nothing links"):
        rank_seasons(means_of([1, None], [None, 1]), KeepRule(top=0.5))
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
