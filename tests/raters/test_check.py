"""Checks of hands: known shifts are found at their boundary; every word of a verdict holds."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import binomtest

from calibrate.cli import group
from calibrate.data.pairs import Pairs, load_pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from calibrate.model.ratershift import OTHERS, Gaps, RaterShift
from calibrate.raters.check import check_rater
from calibrate.raters.measures import (
    drift_along,
    power,
    repeatability,
    sale_limit_skill,
    score_agreement,
    sentence,
    verdict,
)
from calibrate.raters.withinlimit import HandLimit, within
from calibrate.stats.estimate import Estimate
from gauge.cli import group as gauge
from gauge.errors import InvalidValueError, TooFewScoresError
from tests.seasons import HANDS, make_season

CUTS = np.array([4.5, 3.2, 2.1, 1.2])


def _scores(rng: np.random.Generator, force: np.ndarray, cuts: np.ndarray) -> np.ndarray:
    felt = force + rng.logistic(scale=0.2, size=len(force))
    return (felt[:, None] < cuts).sum(axis=1)


def _write(path: Path, hands: dict[str, np.ndarray], n: int = 90, seed: int = 4) -> Path:
    """A CSV of one season: every rater's own cut points are stated."""
    rng = np.random.default_rng(seed)
    force = rng.uniform(0.5, 5.5, n).round(3)
    lines = ["berry,rater,score,force_N"]
    for rater, cuts in hands.items():
        for i, rank in enumerate(_scores(rng, force, cuts)):
            lines.append(f"b{i},{rater},{rank + 1},{force[i]}")
    path.write_text("\n".join(lines) + "\n")
    return path


def _check(*words: object) -> dict:
    result = CliRunner().invoke(group, ["check", *map(str, words), "--json"])
    assert result.exit_code == 0, (result.output, result.exception)
    return json.loads(result.stdout)


def test_a_shift_at_one_boundary_is_found_there_and_said(tmp_path: Path) -> None:
    moved = CUTS + np.array([0, 0.6, 0, 0])
    source = _write(
        tmp_path / "s.csv", {"ines": moved, "marek": CUTS, "odile": CUTS, "tove": CUTS}, n=150
    )
    found = _check(source, "--rater", "ines", "--sale-limit", "3")
    at = {tuple(b["between"]): b for b in found["boundaries"]}
    assert at[2, 3]["low_N"] < 0.6 < at[2, 3]["high_N"]
    assert at[2, 3]["low_N"] > 0
    for other in ((1, 2), (3, 4), (4, 5)):
        assert at[other]["low_N"] < 0 < at[other]["high_N"]
    assert found["verdict"] == "drifted"
    assert found["practise"][0] == "2/3"
    assert found["sentences"][0].startswith("You call 3 what the panel calls 2 between 3.")


def test_a_hand_like_the_panels_is_within_the_limit(tmp_path: Path) -> None:
    source = _write(tmp_path / "s.csv", dict.fromkeys(("a", "b", "c"), CUTS), n=200)
    found = _check(source, "--rater", "a")
    assert found["verdict"] == "within limit"
    assert found["shift_N"]["low"] < 0 < found["shift_N"]["high"]
    assert found["kappa_quadratic"]["low"] < found["kappa_quadratic"]["value"] <= 1


def test_few_berries_leave_it_undecided_and_say_how_many_would_do(tmp_path: Path) -> None:
    panel = _write(tmp_path / "panel.csv", dict.fromkeys(("a", "b", "c"), CUTS), n=120)
    today = _write(tmp_path / "today.csv", {"ines": CUTS}, n=18, seed=8)
    found = _check(today, "--rater", "ines", "--against", panel, "--limit", "0.1")
    assert found["n"] == 18
    assert found["verdict"] == "cannot tell yet"
    assert found["power"]["berries_needed"] is None  # the panel itself is less certain than 0.1 N
    wide = _check(today, "--rater", "ines", "--against", panel, "--limit", "0.5")
    assert wide["verdict"] == "cannot tell yet"
    assert wide["power"]["berries_needed"] > 18
    assert "more would show a steady hand within 0.5 N" in " ".join(wide["sentences"])
    share = _check(today, "--rater", "ines", "--against", panel, "--limit-pct", "12")
    assert share["boundaries"][0]["limit_N"] == pytest.approx(0.12 * 4.5, abs=0.06)


@pytest.mark.slow
def test_a_known_hand_is_covered_by_its_interval(tmp_path: Path) -> None:
    """24 simulated checks of a hand 8 % off: the interval of the common shift holds it mostly."""
    hits = 0
    for seed in range(24):
        source = _write(
            tmp_path / "s.csv", {"ines": CUTS * 1.08, "a": CUTS, "b": CUTS, "c": CUTS}, 60, seed
        )
        shift = _check(source, "--rater", "ines")["boundaries"][1]
        hits += shift["low_N"] <= 0.08 * 3.2 <= shift["high_N"]
    assert hits >= 20  # 95 % of 24 is 22.8; fewer than 20 has a probability of 0.7 %


def test_all_raters_side_by_side_with_pictures(tmp_path: Path) -> None:
    season = make_season(tmp_path / "s.firm", berries=60, twice=20)
    result = CliRunner().invoke(
        group, ["check", str(season), "--all", "--plot", str(tmp_path / "hand.png")]
    )
    assert result.exit_code == 0, result.exception
    for rater in ("ines", "marek", "odile"):
        assert rater in result.output
        assert (tmp_path / f"hand-{rater}.png").stat().st_size > 20_000
    assert CliRunner().invoke(group, ["check", str(season)]).exit_code == 2
    missing = CliRunner().invoke(group, ["check", str(season), "--rater", "nobody"])
    assert "nobody" in str(missing.exception)


def test_repeated_scorings_are_for_repeatability_alone(tmp_path: Path) -> None:
    season = make_season(tmp_path / "s.firm", berries=60, twice=20)
    found = _check(season, "--rater", "ines")
    assert found["n"] == 60
    assert found["repeatability"]["n"] == 20
    assert 0.5 < found["repeatability"]["exact"] <= 1
    own = load_pairs(season).of_raters(["ines"])
    n, exact, kappa = repeatability(own)
    assert (n, exact) == (20, found["repeatability"]["exact"])
    assert kappa.value == pytest.approx(found["repeatability"]["kappa_quadratic"])
    assert repeatability(load_pairs(season).of_raters(["marek"])) is None


def test_a_session_that_uses_few_scores_stays_on_the_panels_scale(tmp_path: Path) -> None:
    panel = _write(tmp_path / "panel.csv", dict.fromkeys(("a", "b", "c"), CUTS), n=120)
    today = tmp_path / "today.csv"
    lines = ["berry,rater,score,force_N"]
    lines += [f"x{i},ines,{2 + (i % 8 > 3)},{3.4 - 0.05 * (i % 8)}" for i in range(24)]
    today.write_text("\n".join(lines) + "\n")
    found = _check(today, "--rater", "ines", "--against", panel)
    assert [tuple(b["between"]) for b in found["boundaries"]] == [(1, 2), (2, 3), (3, 4), (4, 5)]
    assert found["boundaries"][3]["shift_N"] is None
    assert found["sale_limit"]["specificity"] == 1.0


def test_one_rater_alone_needs_a_panel(tmp_path: Path) -> None:
    source = _write(tmp_path / "s.csv", {"ines": CUTS})
    result = CliRunner().invoke(group, ["check", str(source), "--rater", "ines"])
    assert "--against" in str(result.exception)


def test_agreement_counts_and_panel_scores() -> None:
    from calibrate.cuts.calibration import Calibration, as_cuts

    panel = Calibration(
        scale=BLACKBERRY, force_scale="linear", cuts=as_cuts(tuple(CUTS)),
        spread=0.2,
    )  # fmt: skip
    expected = panel.ranks(np.array([5.0, 4.0, 2.5, 1.5, 0.5]))
    assert expected.tolist() == [0, 1, 2, 3, 4]
    found = score_agreement(expected, np.array([0, 2, 2, 3, 2]), 5)
    assert (found.exact, found.within_one, found.table[1, 2]) == (0.6, 0.8, 1)
    with pytest.raises(InvalidValueError):
        score_agreement(expected[:0], expected[:0], 5)


def test_sale_limit_skill_is_a_count_with_wilson_limits() -> None:
    """scipy.stats.binomtest gives the Wilson interval of a share."""
    panel = np.array([0, 1, 2, 3, 3, 4, 4, 4])
    given = np.array([0, 3, 2, 3, 2, 4, 4, 3])
    skill = sale_limit_skill(panel, given, 2)
    assert skill.sensitivity.value == 4 / 5
    assert skill.specificity.value == pytest.approx(2 / 3)
    wilson = binomtest(4, 5).proportion_ci(method="wilson")
    assert (skill.sensitivity.low, skill.sensitivity.high) == pytest.approx(
        (wilson.low, wilson.high), abs=1e-9
    )
    assert sale_limit_skill(panel, given, None) is None
    assert sale_limit_skill(panel[:3], given[:3], 2).sensitivity is None


def _hand(rng: np.random.Generator, drift_newton: float, n: int = 150) -> tuple[Pairs, list[float]]:
    order = np.linspace(0, 1, n)
    force = rng.uniform(0.5, 5.5, n)
    felt = force - drift_newton * order + rng.logistic(scale=0.2, size=n)
    zero = np.zeros(n, dtype=np.int64)
    pairs = Pairs(
        scale=BLACKBERRY, force_newton=force, rank=(felt[:, None] < CUTS).sum(axis=1),
        count=np.ones(n), rater=zero, berry=np.arange(n),
    )  # fmt: skip
    return pairs, order.tolist()


def test_fatigue_is_found_in_newtons_and_none_is_invented() -> None:
    rng = np.random.default_rng(6)
    tired = drift_along(*_hand(rng, 0.8), "the session", force_scale="linear")
    assert tired.change_newton == pytest.approx(0.8, abs=0.3)
    assert tired.p_value < 0.001
    false_alarms = sum(
        drift_along(*_hand(rng, 0.0), "the session", force_scale="linear").p_value < 0.05
        for _ in range(60)
    )
    assert false_alarms <= 8  # 3 expected; more than 8 has a probability of 0.3 %


def _moved(log_ratio, error, *, of_today=0.5, blunt=(0.9, 1.0, 1.3), found=()) -> RaterShift:
    """One hand whose boundaries moved by stated log ratios, for a judgement."""
    m = len(log_ratio)
    covariance = error**2 * np.eye(m)
    ratio = Estimate(low=blunt[0], value=blunt[1], high=blunt[2])
    boundaries = tuple(Estimate(low=low, value=(low + high) / 2, high=high) for low, high in found)
    return RaterShift(
        n=60, reference=OTHERS, panel=("marek",), panel_cuts=(),
        reference_cuts=(), shift=Estimate(value=0.0, low=-0.1, high=0.1), boundaries=boundaries,
        shift_error_newton=0.05, blunter=ratio, blunter_alone=ratio, spread=0.2, panel_spread=0.2,
        warnings=(),
        gaps=Gaps(
            log_ratio=np.array(log_ratio), covariance=covariance, of_today=of_today * covariance,
            reference_newton=np.full(m, 3.0),
        ),
    )  # fmt: skip


def test_one_boundary_is_judged_as_by_two_one_sided_tests() -> None:
    """With one boundary nothing is pooled: Schuirmann's tests, by their normal distribution."""
    limit = HandLimit(share=0.2)
    reach = np.log(1.2) - 1.644854 * 0.05
    assert within(_moved([reach - 0.002], 0.05).gaps, limit)
    assert not within(_moved([reach + 0.002], 0.05).gaps, limit)
    newton = HandLimit(newton=0.6)  # of 3 N
    assert within(_moved([reach - 0.002], 0.05).gaps, newton)
    with pytest.raises(InvalidValueError):
        HandLimit(newton=-1.0)


def test_a_hand_that_moved_as_a_whole_to_the_limit_is_not_within_it() -> None:
    """At the limit at all four boundaries at most 5 % of such hands are called within it."""
    limit, rng = HandLimit(share=0.2), np.random.default_rng(2)
    at = np.log(1.2) + 0.06 * rng.normal(size=(300, 4))
    assert np.mean([within(_moved(one, 0.06).gaps, limit) for one in at]) <= 0.05


def test_the_berries_that_are_named_show_a_steady_hand_in_80_percent() -> None:
    limit, rng = HandLimit(share=0.2), np.random.default_rng(3)
    found = _moved([0.0] * 4, 0.1, of_today=0.8)
    needed = power(found, limit).berries_needed
    assert needed > 60
    error = 0.1 * np.sqrt(0.2 + 0.8 * 60 / needed)
    steady = error * rng.normal(size=(600, 4))
    assert np.mean([within(_moved(one, error).gaps, limit) for one in steady]) >= 0.76
    assert power(_moved([0.0] * 4, 0.3), limit).berries_needed is None


def test_the_verdict_follows_its_rule() -> None:
    limit, steady = HandLimit(share=0.2), [0.0] * 4
    assert verdict(_moved(steady, 0.03), limit) == "within limit"
    assert verdict(_moved(steady, 0.2), limit) == "cannot tell yet"
    assert verdict(_moved([0.4] * 4, 0.1, found=[(0.1, 2.0)]), limit) == "drifted"
    # It has moved, though by less than the lab minds.
    assert verdict(_moved([0.08] * 4, 0.02, found=[(0.1, 0.5)]), limit) == "drifted"
    assert verdict(_moved(steady, 0.03, blunt=(0.9, 1.9, 2.8)), limit) == "cannot tell yet"
    assert verdict(_moved(steady, 0.03, blunt=(1.4, 2.1, 3.0)), limit) == "drifted"


def test_a_sentence_reads_both_ways() -> None:
    softer = sentence(("2", "3"), 3.2, Estimate(value=0.3, low=0.1, high=0.5), "you called")
    firmer = sentence(("2", "3"), 3.2, Estimate(value=-0.3, low=-0.5, high=-0.1), "the panel calls")
    assert softer == "You call 3 what you called 2 between 3.20 and 3.50 N."
    assert firmer == "You call 2 what the panel calls 3 between 2.90 and 3.20 N."


def test_a_rater_of_the_panel_is_held_against_his_or_her_own_hand(tmp_path: Path) -> None:
    """Ines lay 15 % above the others when the panel was made, and still does: nothing moved."""
    own = {"ines": CUTS * 1.15, "marek": CUTS, "odile": CUTS, "tove": CUTS}
    panel = _write(tmp_path / "panel.csv", own, n=150)
    today = _write(tmp_path / "today.csv", {"ines": CUTS * 1.15}, n=80, seed=20)
    steady = _check(today, "--rater", "ines", "--against", panel)
    assert steady["reference"] == "the rater's own history"
    assert steady["verdict"] != "drifted"
    assert steady["boundaries"][1]["reference_N"] > steady["boundaries"][1]["panel_N"]
    moved = _write(tmp_path / "today.csv", {"ines": CUTS * 1.15 + 0.4}, n=80, seed=20)
    assert _check(moved, "--rater", "ines", "--against", panel)["verdict"] == "drifted"
    assert _check(panel, "--rater", "ines")["reference"] == "the other raters"


def test_hands_are_held_against_the_adopted_calibration_by_later_scores(tmp_path: Path) -> None:
    """Ines moves by 0.6 N after the season's calibration; nobody else is called drifted for it."""
    season = make_season(tmp_path / "2026.season", berries=120)
    assert CliRunner().invoke(group, ["adopt", str(season), "july", "--yes"]).exit_code == 0
    early = CliRunner().invoke(group, ["check", str(season), "--rater", "odile", "--json"])
    assert "odile has fewer than 5 scores beside those that calibration july" in early.stderr
    assert "the hand is compared with the other raters: ines, marek\n" in early.stderr
    assert json.loads(early.stdout)["reference"] == "the other raters"

    later, rng = tmp_path / "later.csv", np.random.default_rng(11)
    force = rng.uniform(0.5, 5.5, 100).round(3)
    hands = {name: CUTS * np.exp(hand) for name, hand in HANDS.items()}
    hands["ines"] = hands["ines"] + 0.6
    ranks = {name: _scores(rng, force, cut) for name, cut in hands.items()}
    rows = [f"C90,{f},{','.join(str(ranks[n][i] + 1) for n in hands)}" for i, f in enumerate(force)]
    later.write_text("\n".join([f"sample,force_N,{','.join(hands)}", *rows]) + "\n")
    assert CliRunner().invoke(gauge, ["import", str(season), str(later)]).exit_code == 0

    result = CliRunner().invoke(group, ["check", str(season), "--all", "--json"])
    found = {one["rater"]: one for one in json.loads(result.stdout)}
    assert {one["reference"] for one in found.values()} == {"the adopted calibration"}
    assert {one["n"] for one in found.values()} == {100}
    assert found["ines"]["verdict"] == "drifted"
    assert found["ines"]["shift_N"]["low"] < 0.6 < found["ines"]["shift_N"]["high"]
    assert "you called" in found["ines"]["sentences"][0]

    # A rater who is renamed is the same hand to the calibration that was made before.
    words = ["correct", str(season), "rater", "ines", "--name", "zoe", "--why", "married"]
    assert CliRunner().invoke(gauge, words).exit_code == 0
    renamed = json.loads(
        CliRunner().invoke(group, ["check", str(season), "--all", "--json"]).stdout
    )
    assert {one["rater"] for one in renamed} == {*found, "zoe"} - {"ines"}
    zoe = next(one for one in renamed if one["rater"] == "zoe")
    assert (zoe["reference"], zoe["n"]) == ("the adopted calibration", 100)
    assert zoe["shift_N"] == found["ines"]["shift_N"]
    words[3:] = ["zoe", "--name", "ines", "--why", "and back"]
    assert CliRunner().invoke(gauge, words).exit_code == 0
    assert "drifted" not in {found["marek"]["verdict"], found["odile"]["verdict"]}
    chart = _check(season, "--rater", "ines", "--history")["history"]
    assert (chart["reference"], chart["n"]) == ("the adopted calibration", 100)
    assert chart["points"][-1]["outside"]
    assert 0 < chart["first_outside"] < 60
    named = _check(season, "--rater", "odile", "--calibration", "july")
    assert named["shift_N"] == found["odile"]["shift_N"]
    assert _check(season, "--rater", "odile", "--others")["reference"] == "the other raters"
    # From a sheet of the day, the season's calibration is named.
    today = _write(tmp_path / "today.csv", {"odile": hands["odile"]}, n=70, seed=20)
    of_day = _check(today, "--rater", "odile", "--against", season, "--calibration", "july")
    assert (of_day["reference"], of_day["n"]) == ("the adopted calibration", 70)
    assert of_day["verdict"] != "drifted"


def test_one_boundary_alone_and_none_in_common(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    before, after = (rng.uniform(0.5, 5.5, n) for n in (150, 80))

    def pairs_of(force: np.ndarray, scale: Scale, rank: np.ndarray) -> Pairs:
        zero = np.zeros(force.size, dtype=np.int64)
        return Pairs(
            scale=scale, force_newton=force, rank=rank, count=np.ones(force.size), rater=zero,
            berry=np.arange(force.size), raters=("ines",),
        )  # fmt: skip

    firm = [
        pairs_of(f, RASPBERRY, (_scores(rng, f, CUTS) > 1).astype(int)) for f in (before, after)
    ]
    found = check_rater(firm[1], "ines", against=firm[0])
    assert found.boundaries[0].shift_newton == found.shift_newton
    assert found.verdict == "within limit"
    assert not any("A boundary by itself" in line for line in found.sentences())
    common = Estimate(value=-0.2, low=-0.3, high=-0.1)
    drifted = replace(found, shift_newton=common, verdict="drifted", within_limit=False)
    assert "as a whole, by -0.20 N (-0.30 to -0.10 N)" in drifted.sentences()[0]
    both = replace(drifted, within_limit=True).sentences()[1]
    assert "so it is called drifted; taken together, each boundary is within 20 %" in both
    high = pairs_of(before, BLACKBERRY, _scores(rng, before, np.array([3.0, -9, -9, -9])))
    low = pairs_of(after, BLACKBERRY, _scores(rng, after, np.array([9.0, 9, 9, 2.0])))
    with pytest.raises(TooFewScoresError, match="no boundary is in both"):
        check_rater(low, "ines", against=high)
