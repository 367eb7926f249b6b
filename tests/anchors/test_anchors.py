"""Bands and the choice of anchors, compared with brute force and with scipy's logistic."""

import itertools
import math
import re
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import logistic

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.choice import choose_anchors
from calibrate.cuts.bands import bands
from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from calibrate.plots.card import CardNotes, band_text, draw_card, squeeze_order
from gauge.errors import InfeasiblePlanError, InvalidValueError
from gauge.units import Unit


def _calibration(scale=BLACKBERRY, cuts=(4.5, 3.2, 2.1, 1.2), spread=0.3, force_scale="linear"):
    return Calibration(
        scale=scale,
        force_scale=force_scale,
        cuts=as_cuts(cuts),
        spread=spread,
    )


def test_probabilities_are_scipys_logistic() -> None:
    """scipy.stats.logistic is the reference distribution."""
    one = _calibration()
    force = np.linspace(0.1, 8, 50)
    at_most = np.column_stack([logistic.cdf(force, loc=c, scale=0.3) for c in one.cut_newton])
    expected = np.diff(np.column_stack([np.zeros(50), at_most, np.ones(50)]), axis=1)
    assert one.probabilities(force) == pytest.approx(expected, abs=1e-12)


def test_far_from_a_band_probabilities_neither_cancel_nor_vanish() -> None:
    row = _calibration(spread=0.05).probabilities([12.0])[0]
    assert row[4] == pytest.approx(math.exp(-(12 - 1.2) / 0.05), rel=1e-9)
    assert row.sum() == pytest.approx(1)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.3, 10), min_size=4, max_size=4, unique=True),
    st.floats(0.05, 1.5),
    st.sampled_from(["linear", "log"]),
)
def test_bands_are_where_a_fine_grid_says(
    cuts: list[float], spread: float, force_scale: str
) -> None:
    ordered = sorted(cuts, reverse=True)
    if min(-np.diff(ordered)) < 1e-3:
        return
    one = _calibration(cuts=tuple(ordered), spread=spread, force_scale=force_scale)
    found = bands(one)
    grid = np.linspace(0.01, 20, 4001)
    most_probable = one.probabilities(grid).argmax(axis=1)
    for score, band in enumerate(found):
        forces = grid[most_probable == score]
        if len(forces) > 2:
            assert band.low_newton == pytest.approx(forces[0], abs=0.011)
            if band.high_newton is not None and band.high_newton < 20:
                assert band.high_newton == pytest.approx(forces[-1], abs=0.011)
        if band.core_low_newton is not None:
            assert band.core_low_newton <= band.target_newton
            if band.core_high_newton is not None:
                edge = one.probabilities([band.core_high_newton])[0, score]
                assert edge == pytest.approx(0.8, abs=1e-6)


def _cost(one: Calibration, score: int, force: float) -> float:
    band = bands(one)[score]
    if not band.holds(force):
        return math.inf
    distance = abs(float(one.h(force)) - float(one.h(band.target_newton))) / one.spread
    return distance - math.log(one.probabilities([force])[0, score])


@settings(max_examples=15, deadline=None)
@given(st.lists(st.floats(0.3, 5), min_size=4, max_size=6, unique=True), st.integers(1, 2))
def test_the_choice_is_the_best_of_all_choices(forces: list[float], per_score: int) -> None:
    """Brute force over every assignment of berries to the two scores."""
    one = _calibration(scale=RASPBERRY, cuts=(2.0,), spread=0.25)
    berries = [Candidate(label=str(i), force_newton=f) for i, f in enumerate(forces)]
    cost = [[_cost(one, role, f) for role in (0, 1)] for f in forces]
    best = (0, math.inf)
    for roles in itertools.product((None, 0, 1), repeat=len(forces)):
        if max(roles.count(0), roles.count(1)) > per_score:
            continue
        costs = [of[r] for r, of in zip(roles, cost, strict=True) if r is not None]
        if costs and all(map(math.isfinite, costs)):
            best = min(best, (-len(costs), sum(costs)))
    if best[0] == 0:
        with pytest.raises(InfeasiblePlanError):
            choose_anchors(one, berries, per_score=per_score, straddle=False)
        return
    chosen = choose_anchors(one, berries, per_score=per_score, straddle=False)
    assert len(chosen.anchors) == -best[0]
    assert chosen.cost == pytest.approx(best[1], abs=1e-6)
    assert len(chosen.warnings) == (best[0] > -per_score * 2) * 2 or chosen.warnings


def test_every_boundary_gets_a_pair_on_its_two_sides() -> None:
    one = _calibration()
    berries = [Candidate(label=f"{f:.2f}", force_newton=f) for f in np.arange(0.3, 6.5, 0.08)]
    chosen = choose_anchors(one, berries, per_score=3)
    assert not chosen.warnings
    assert len({a.candidate.label for a in chosen.anchors}) == 5 * 3 + 4 * 2
    for cut, name in zip(one.cut_newton, ("1/2", "2/3", "3/4", "4/5"), strict=True):
        pair = [a for a in chosen.anchors if a.boundary == name]
        assert pair[0].candidate.force_newton > cut > pair[1].candidate.force_newton


def test_a_lot_stands_for_a_score_by_the_mean_of_its_berries_and_for_no_boundary() -> None:
    """Two hundred thousand simulated berries of numpy's log-normal distribution."""
    one = _calibration()
    lot = Candidate(label="lot", force_newton=2.6, sd_newton=0.3, kind="lot")
    wide = Candidate(label="wide", force_newton=2.6, sd_newton=1.5, kind="lot")
    found = choose_anchors(one, [lot, wide], per_score=2)
    assert [(a.candidate.label, a.score, a.boundary) for a in found.anchors] == [("lot", "3", None)]
    variance = np.log1p((0.3 / 2.6) ** 2)
    rng = np.random.default_rng(5)
    force = rng.lognormal(np.log(2.6) - variance / 2, variance**0.5, 200_000)
    simulated = one.probabilities(force)[:, 2].mean()
    assert found.anchors[0].probability == pytest.approx(simulated, abs=2e-3)


@pytest.mark.parametrize(("off_spreads", "chosen"), [(0.4, "pad"), (0.9, "berry")])
def test_a_pressed_berry_is_chosen_where_a_pad_is_far_off(off_spreads, chosen) -> None:
    one = _calibration(cuts=(2.0,), scale=RASPBERRY)
    target = bands(one)[0].target_newton
    pad = Candidate(label="pad", force_newton=target + off_spreads * one.spread, kind="pad")
    berry = Candidate(label="berry", force_newton=target)
    found = choose_anchors(one, [berry, pad], per_score=1, straddle=False)
    assert [anchor.candidate.label for anchor in found.anchors] == [chosen]


def test_a_missing_score_is_named_with_the_force_to_look_for() -> None:
    one = _calibration()
    berries = [Candidate(label=str(f), force_newton=f) for f in (3.8, 3.9, 5.5, 5.4)]
    chosen = choose_anchors(one, berries, per_score=2, straddle=False)
    assert any("score 5" in text and "0.54 N" in text for text in chosen.warnings)


def test_a_score_between_close_cuts_has_no_band() -> None:
    found = bands(_calibration(cuts=(3.0, 2.9, 2.8, 2.7), spread=0.5))
    assert [band.reachable for band in found] == [True, False, False, False, True]


def test_unused_scores_get_no_room_and_are_not_renumbered() -> None:
    one = _calibration(cuts=(4.5, 3.2, 2.1, None))
    assert one.probabilities([0.5])[0, 4] == 0
    assert not bands(one)[4].reachable
    assert bands(one)[3].score == "4"


@pytest.mark.parametrize(
    "change",
    [{"cuts": (3, 4, 2, 1)}, {"spread": 0}, {"cuts": (3, 2)}, {"cuts": (None,) * 4}],
)
def test_impossible_calibrations_are_refused(change: dict[str, object]) -> None:
    with pytest.raises(InvalidValueError):
        _calibration(**change)


def test_a_calibration_survives_its_document() -> None:
    one = _calibration(cuts=(4.5, 3.2, None, None))
    assert Calibration.from_document(one.to_document()).to_document() == one.to_document()
    with pytest.raises(InvalidValueError):
        Calibration.from_document({"cuts_n": [1]})


@pytest.mark.parametrize("per_score", [2, 5])
def test_no_anchor_of_the_card_covers_another_or_is_cut_off(per_score) -> None:
    """Compared with the extents that the drawing library itself measures."""
    one = _calibration()
    berries = [Candidate(label=f"B26-{i:02}-17", force_newton=0.3 + 0.06 * i) for i in range(100)]
    chosen = choose_anchors(one, berries, per_score=per_score)
    day = date(2026, 7, 14)
    notes = CardNotes(
        season="2026", pressed=["8 mm head"], made_on=day, valid_until=day, press_limit=5
    )
    figure = draw_card(one, chosen, notes)
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in figure.axes[0].texts if "B26-" in text.get_text()]
    assert len(boxes) == len(chosen.anchors)
    assert all(box.x1 < figure.bbox.x1 for box in boxes)
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))


def test_the_anchors_of_the_card_are_codes_that_give_no_score_away() -> None:
    one = _calibration()
    berries = [Candidate(label=f"B26-{i:02}-17", force_newton=0.3 + 0.06 * i) for i in range(100)]
    chosen = choose_anchors(one, berries, per_score=3)
    day = date(2026, 7, 14)
    notes = CardNotes(
        season="2026", crop="blackberry", lab="north lab", digest="5a01", made_on=day,
        valid_until=day, press_limit=5, anchors="3 pads, 14 pressed berries",
        pressed=["lowered at 2 mm/s", "to 5 mm", "fruit at 20 °C", "berries as they lie"],
    )  # fmt: skip
    figure = draw_card(one, chosen, notes)
    figure.draw_without_rendering()
    for text in figure.axes[0].texts:
        box = text.get_window_extent()
        assert box.x1 < figure.bbox.x1, text.get_text()
        assert box.y0 > 0, text.get_text()
    words = [text.get_text().replace("\N{NO-BREAK SPACE}", " ") for text in figure.axes[0].texts]
    codes = [word for word in words if "B26-" in word]
    assert all(re.fullmatch(r"\d+\. B26-\d\d-17", code) for code in codes), codes
    forces = [anchor.candidate.force_newton for anchor in squeeze_order(chosen.anchors)]
    assert forces not in (sorted(forces), sorted(forces, reverse=True))
    said = " ".join(words)
    assert "blackberry" in said
    assert "north lab" in said
    assert "5a01" in said
    assert "calyx" not in said  # nobody stated it
    assert "head" not in said


def test_a_band_is_written_in_the_units_of_the_trade() -> None:
    """1 lbf is 4.4482216152605 N and 1 kgf 9.80665 N (BIPM, SI Brochure; NIST SP 811)."""
    first, middle, *_, last = bands(_calibration())
    assert band_text(first, Unit.N) == f"from {first.low_newton:.2f} N up"
    low, high = (x / 4.4482216152605 for x in (middle.low_newton, middle.high_newton))
    assert band_text(middle, Unit.LBF) == f"{low:.3f} to {high:.3f} lbf"
    assert band_text(last, Unit.KGF) == f"below {last.high_newton / 9.80665:.3f} kgf"
