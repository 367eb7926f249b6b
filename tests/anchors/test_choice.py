"""The choice of anchors compared with an integer programme and with brute force, ties too."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.choice import choose_anchors
from calibrate.cuts.bands import bands
from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from gauge.errors import InfeasiblePlanError

OFFSET = math.log(3)  # spreads; the logit of 3 hands in 4


def _calibration(cuts=(4.5, 3.2, 2.1, 1.2), spread=0.3, force_scale="linear") -> Calibration:
    scale = {4: BLACKBERRY, 1: RASPBERRY}.get(
        len(cuts), Scale(labels=tuple(map(str, range(len(cuts) + 1))))
    )
    return Calibration(
        scale=scale, force_scale=force_scale, cuts=as_cuts(cuts),
        spread=spread,
    )  # fmt: skip


def _places(
    one: Calibration, forces: np.ndarray, per_score: int, straddle: bool
) -> list[tuple[str, str | None, int, np.ndarray]]:
    """Score, boundary, how many, and the cost of each force, straight from the criterion."""
    labels, h, s = one.scale.labels, one.h(forces), one.spread
    places = []
    for k, band in enumerate(bands(one)):
        if band.target_newton is None:
            continue
        cost = np.abs(h - one.h(band.target_newton)) / s - np.log(one.probabilities(forces)[:, k])
        fits = np.array([band.holds(force) for force in forces], dtype=bool)
        places.append((labels[k], None, per_score, np.where(fits, cost, math.inf)))
    if straddle:
        for k, cut in enumerate(one.cut_newton):
            for score, z in ((k, (h - one.h(cut)) / s), (k + 1, (one.h(cut) - h) / s)):
                cost = np.where((z > 0) & (z < 2 * OFFSET), np.abs(z - OFFSET), math.inf)
                places.append((labels[score], f"{labels[k]}/{labels[k + 1]}", 1, cost))
    return places


def _by_integer_programme(places, n_candidates: int) -> set[tuple[str, str, str | None]]:
    """Choose as the project first did: as many as can be filled, at the least cost."""
    pairs = [
        (p, i) for p, place in enumerate(places) for i in np.flatnonzero(np.isfinite(place[3]))
    ]
    if not pairs:
        return set()
    costs = np.array([places[p][3][i] for p, i in pairs])
    reward = 2 * (costs.max() + 1) * sum(place[2] for place in places)
    matrix = np.zeros((len(places) + n_candidates, len(pairs)))
    for column, (p, i) in enumerate(pairs):
        matrix[p, column] = matrix[len(places) + i, column] = 1
    limits = np.array([place[2] for place in places] + [1] * n_candidates, dtype=float)
    result = milp(
        costs - reward,
        constraints=LinearConstraint(matrix, -np.inf, limits),
        bounds=Bounds(0, 1),
        integrality=np.ones(len(pairs)),
        options={"mip_rel_gap": 0.0},
    )
    assert result.success, result.message
    return {
        (str(i), places[p][0], places[p][1])
        for (p, i), taken in zip(pairs, result.x > 0.5, strict=True)
        if taken
    }


def _chosen(one: Calibration, forces, **options) -> set[tuple[str, str, str | None]]:
    berries = [Candidate(label=str(i), force_newton=f) for i, f in enumerate(forces)]
    try:
        found = choose_anchors(one, berries, **options)
    except InfeasiblePlanError:
        return set()
    return {(a.candidate.label, a.score, a.boundary) for a in found.anchors}


@pytest.mark.parametrize("block", range(8))
def test_the_set_is_that_of_an_integer_programme(block: int) -> None:
    """30 random cases in each block; the reference is scipy.optimize.milp (HiGHS)."""
    rng = np.random.default_rng(block)
    for _ in range(30):
        n_cuts = int(rng.integers(1, 6))
        cuts = tuple(np.sort(rng.uniform(0.4, 5.0, n_cuts))[::-1].tolist())
        scale = str(rng.choice(["linear", "log"]))
        one = _calibration(cuts, float(rng.uniform(0.05, 0.5)), scale)
        forces = rng.uniform(0.2, 6.5, int(rng.integers(1, 60)))
        per_score, straddle = int(rng.integers(1, 5)), bool(rng.random() < 0.7)
        places = _places(one, forces, per_score, straddle)
        expected = _by_integer_programme(places, len(forces))
        found = _chosen(one, forces, per_score=per_score, straddle=straddle)
        # The programme has no rule for ties: two berries may have changed places at no cost.
        assert {berry for berry, *_ in found} == {berry for berry, *_ in expected}
        assert Counter((score, at) for _, score, at in found) == Counter(
            (score, at) for _, score, at in expected
        )
        cost = {place[:2]: place[3] for place in places}
        assert math.fsum(cost[score, at][int(i)] for i, score, at in found) == pytest.approx(
            math.fsum(cost[score, at][int(i)] for i, score, at in expected), abs=1e-6
        )


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(12, 28), min_size=1, max_size=5), st.booleans(), st.randoms())
def test_of_equally_good_sets_the_stated_one_is_chosen(tenths, straddle, random) -> None:
    """Brute force over every assignment, on forces of whole tenths around one cut: full of ties."""
    one = _calibration((2.0,), 0.2)
    forces = np.array(tenths) / 10
    places = _places(one, forces, 1, straddle)
    rank = np.argsort(np.argsort(-forces, kind="stable"))
    best = None
    for taken in itertools.permutations([*range(len(forces)), *[None] * len(places)], len(places)):
        of = [(p, i) for p, i in enumerate(taken) if i is not None]
        cost = sum(round(float(places[p][3][i]), 6) for p, i in of)
        tie = sum((len(places) - p) * int(rank[i]) for p, i in of)
        if math.isfinite(cost):
            key = (-len(of), round(cost, 6), tie)
            best = min(best, (key, of)) if best else (key, of)
    expected = {(str(i), places[p][0], places[p][1]) for p, i in best[1]}
    assert _chosen(one, forces, per_score=1, straddle=straddle) == expected


def test_ties_go_to_the_firmer_and_then_to_the_first_listed() -> None:
    """2.4 and 2.8 N lie equally far from the middle of a score, and each berry stands twice."""
    one = _calibration((3.2, 2.0), 0.1)
    assert ("1", "1", None) in _chosen(one, [2.4, 2.8, 2.8, 2.4], per_score=1, straddle=False)
    assert ("0", "1", None) in _chosen(one, [2.8, 2.4, 2.8, 2.4], per_score=1, straddle=False)


def test_the_order_of_different_forces_does_not_matter() -> None:
    one = _calibration()
    forces = np.round(np.linspace(0.4, 6.0, 57), 1)
    expected = {(forces[int(i)], *rest) for i, *rest in _chosen(one, forces)}
    for seed in range(5):
        shuffled = np.random.default_rng(seed).permutation(forces)
        assert {(shuffled[int(i)], *rest) for i, *rest in _chosen(one, shuffled)} == expected
