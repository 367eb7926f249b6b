"""Checks of hands: known shifts are found at their boundary; every word of a verdict holds."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import binomtest

from calibrate.cli import group
from calibrate.data.pairs import Pairs, load_pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.model.ratershift import OTHERS, RaterShift, Shift
from calibrate.raters.measures import (
    drift_along,
    power,
    repeatability,
    sale_limit_skill,
    score_agreement,
    sentence,
    verdict,
)
from calibrate.stats.estimate import Estimate
from gauge.errors import InvalidValueError
from tests.seasons import make_season

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
    assert (skill.n_beyond, skill.n_within) == (5, 3)
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


def _moved(shift, boundaries, ratio=(1.0, 0.8, 1.3)) -> RaterShift:
    """One rater against a reference, of stated intervals, for both kinds of tests."""

    def estimate(one) -> Estimate:
        return (
            Estimate(value=None) if one is None else Estimate(**dict(zip(_ENDS, one, strict=True)))
        )

    def shift_of(one) -> Shift:
        return Shift(newton=estimate(one), alone=estimate(one), berries_newton2=0.005)

    return RaterShift(
        name="ines", n=30, reference=OTHERS, panel=("marek",), cuts=(), panel_cuts=(),
        reference_cuts=(), shift=shift_of(shift), boundaries=tuple(map(shift_of, boundaries)),
        blunter=estimate(ratio), blunter_alone=estimate(ratio), spread=0.2, panel_spread=0.2,
        warnings=(),
    )  # fmt: skip


_ENDS = ("value", "low", "high")


def test_power_holds_in_simulation() -> None:
    """A steady hand is shown within the limit in about 80 % of checks with so many berries."""
    rng = np.random.default_rng(3)
    half = 1.644854 * 0.1  # a standard error of 0.1 N, half of its variance that of today's berries
    one = (0.0, -half, half)
    found = power(_moved(one, [one]), 0.24)
    assert found.detectable_newton == pytest.approx(half + 0.841621 * 0.1)
    error = np.sqrt(0.005 + 0.005 * 30 / found.berries_needed)
    seen = error * rng.normal(size=40_000)
    within = np.mean(np.abs(seen) + 1.644854 * error < 0.24)
    assert within == pytest.approx(0.8, abs=0.02)
    assert power(_moved(one, [one]), 0.2).berries_needed is None
    assert power(_moved((0.0, None, 1.0), []), 0.24) is None


@pytest.mark.parametrize(
    ("shift", "boundaries", "expected"),
    [
        ((0.1, -0.05, 0.25), [], "within limit"),
        ((0.1, -0.05, 0.35), [], "cannot tell yet"),
        ((0.4, 0.1, 0.7), [], "drifted"),
        ((0.1, 0.05, 0.15), [(0.5, 0.2, 0.8)], "drifted"),
        ((0.1, 0.05, 0.15), [(0.1, -0.2, 0.25), None], "drifted"),
        ((0.1, -0.05, 0.25), [(0.1, -0.2, 0.25), None], "cannot tell yet"),
        ((0.1, -0.05, 0.25), [(0.1, -0.2, 0.35)], "cannot tell yet"),
    ],
)
def test_the_verdict_follows_its_rule(shift, boundaries, expected) -> None:
    assert verdict(_moved(shift, boundaries), 0.3) == expected


def test_a_blunt_hand_is_not_within_the_limit() -> None:
    steady = (0.0, -0.1, 0.1)
    assert verdict(_moved(steady, [steady], ratio=(1.9, 0.9, 2.8)), 0.3) == "cannot tell yet"
    assert verdict(_moved(steady, [steady], ratio=(2.1, 1.4, 3.0)), 0.3) == "drifted"


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
