"""Plans against fits of simulated panels, and expected information against a fit's own."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.samplesize import (
    _LADDER,
    PlannedPanel,
    _boundary,
    _Panels,
    _start,
    berry_information,
    next_forces,
    sample_size,
)
from calibrate.cuts.simulatedpanel import Simulation, draw, simulated_half_widths
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.model.cutmodel import fit_cuts
from calibrate.model.panel import fit_panel
from gauge.errors import InfeasiblePlanError, InvalidValueError

CUTS = (4.5, 3.2, 2.1, 1.2)


def _calibration(force_scale: str = "linear", spread: float = 0.35) -> Calibration:
    return Calibration(
        scale=BLACKBERRY, force_scale=force_scale, cuts=as_cuts(CUTS),
        spread=spread,
    )  # fmt: skip


def _pairs(force: np.ndarray, rank: np.ndarray) -> Pairs:
    zero = np.zeros(len(force), dtype=np.int64)
    return Pairs(
        scale=BLACKBERRY, force_newton=force, rank=rank, count=np.ones(len(force)), rater=zero,
        berry=zero,
    )  # fmt: skip


def _scores(rng: np.random.Generator, h: np.ndarray, cuts: np.ndarray, s: float) -> np.ndarray:
    return (h[:, None] + rng.logistic(scale=s, size=len(h))[:, None] < cuts).sum(axis=1)


@pytest.mark.parametrize(("force_scale", "spread"), [("linear", 0.35), ("log", 0.12)])
def test_expected_information_is_that_of_a_large_fit(force_scale: str, spread: float) -> None:
    """With 200,000 berries observed and expected information agree (law of large numbers)."""
    rng = np.random.default_rng(1)
    force = rng.uniform(0.5, 5.5, 200_000).round(2)
    one = _calibration(force_scale, spread)
    rank = _scores(rng, one.h(force), one.h(CUTS), spread)
    fit = fit_cuts(_pairs(force, rank), force_scale=force_scale)
    expected = np.linalg.inv(berry_information(one, force).sum(axis=0))
    assert np.diag(expected) == pytest.approx(np.diag(fit.covariance), rel=0.02)


FORCES = np.linspace(0.5, 5.5, 101)


@pytest.mark.slow
def test_the_answer_reaches_the_half_width_in_the_share_asked_for() -> None:
    """One rater: panels that had no part in the answer are drawn at it, and at half as many."""
    found = sample_size(_calibration(), FORCES, PlannedPanel(raters=1), 0.4, fits=100)
    assert found.reached >= 0.8 > found.reached_with_fewer
    assert max(found.berries_at) <= found.berries

    def share(berries: int) -> float:
        widths = [
            simulated_half_widths(
                Simulation(
                    calibration=_calibration(), force_newton=FORCES,
                    panel=PlannedPanel(raters=1), berries=berries, level=0.95, seed=seed,
                )
            )
            for seed in range(1000, 1200)
        ]  # fmt: skip
        return float(np.mean(np.array(widths).max(axis=1) <= 0.4))

    assert share(found.berries) == pytest.approx(0.8, abs=0.13)  # two samples: 100 and 200
    assert share(found.berries // 2) < 0.3


@pytest.mark.slow
def test_a_narrower_interval_never_needs_fewer_berries() -> None:
    needed = [
        sample_size(_calibration(), FORCES, PlannedPanel(raters=1), width, fits=20).berries
        for width in (0.7, 0.65, 0.6, 0.55, 0.5, 0.45)
    ]
    assert needed == sorted(needed)
    assert needed[0] < needed[-1]


def test_no_order_of_the_search_makes_a_narrower_interval_need_fewer_berries() -> None:
    """Places that reach one by one, in any pattern that noise may draw."""
    rng = np.random.default_rng(3)
    for _ in range(200):
        needed = rng.uniform(0, 1, 12)
        starts = np.sort(rng.integers(0, 13, 9))[::-1]
        found = [
            _boundary(int(start), 12, (needed <= width).__getitem__)
            for start, width in zip(starts, np.linspace(0, 1, 9), strict=True)
        ]
        assert found == sorted(found, reverse=True)
        assert found[0] == 12 > found[-1]


def test_the_largest_panels_are_fitted_no_longer_than_their_answer_is_open() -> None:
    """Two of five miss the half-width; of 50 panels 11 are too many, and the 29th is the 11th."""
    pool = SimpleNamespace(
        map=lambda _, tasks: (np.array([1 + one.seed % 5 // 3]) for one in tasks)
    )
    panel = Simulation(
        calibration=_calibration(), force_newton=FORCES, panel=PlannedPanel(raters=1), berries=0,
        level=0.95, seed=0,
    )  # fmt: skip
    panels = _Panels(
        pool=pool, what=panel, falling=np.zeros(1), fits=100, progress=lambda done, expected: None
    )
    assert _start(panels, 1.0, 0.8)[0] == len(_LADDER)
    assert [len(widths) for widths in panels.seen.values()] == [50, 29]


def test_hands_that_differ_need_raters_not_berries() -> None:
    panel = PlannedPanel(raters=3, hand_sds=(0.2,))
    with pytest.raises(InfeasiblePlanError, match="1/2"):
        sample_size(_calibration(), [1, 2, 3, 4, 5], panel, 0.2, fits=20)
    with pytest.raises(InvalidValueError):
        sample_size(_calibration(), [1, 2, 3], PlannedPanel(raters=1), 0)
    for raters in (0, 100_000):
        with pytest.raises(InvalidValueError):
            PlannedPanel(raters=raters)


def test_confirming_fits_are_as_wide_as_whole_fits() -> None:
    """Their modes are found less exactly, and nothing is tested on the way."""
    compared = 0
    for raters, berries in ((3, 40), (4, 80)):
        for seed in range(4):
            what = Simulation(
                calibration=_calibration(), force_newton=FORCES, berries=berries, level=0.95,
                panel=PlannedPanel(raters=raters, hand_sds=(0.1,), berry_sd=0.08), seed=seed,
            )  # fmt: skip
            whole = fit_panel(draw(what))
            if whole.growth.power == 0.0:
                widths = [(cut.high - cut.low) / 2 for cut in whole.cuts]
                assert simulated_half_widths(what) == pytest.approx(widths, rel=0.01)
                compared += 1
    assert compared >= 6


def test_a_panel_is_drawn_as_planned() -> None:
    """Over many panels hands differ as stated; panels of one seed begin with the same berries."""
    what = Simulation(
        calibration=_calibration(spread=0.02), force_newton=FORCES, berries=400, level=0.95,
        panel=PlannedPanel(raters=2, hand_sds=(0.1,)), seed=0,
    )  # fmt: skip
    gaps = []
    for seed in range(150):
        pairs = draw(replace(what, seed=seed))
        firm = [pairs.force_newton[(pairs.rater == j) & (pairs.rank <= 2)].min() for j in (0, 1)]
        gaps.append(np.log(firm[0] / firm[1]))
    assert np.std(gaps) == pytest.approx(0.1 * np.sqrt(2), rel=0.2)
    few, many = draw(replace(what, berries=30)), draw(what)
    assert (few.rank == many.rank[:60]).all()


def test_the_next_berries_are_picked_where_information_is_missing() -> None:
    firm_only = np.linspace(2.8, 5.5, 60)
    picks = next_forces(_calibration(), [*firm_only, 1.2], [1.2, 2.1, 3.2, 4.5, 6.0])
    assert picks[0].force_newton == 1.2
    assert all(pick.gain_pct > 0 for pick in picks)
    # Brute force: no single choice lowers the mean variance more.
    info = berry_information(_calibration(), [*firm_only, 1.2]).sum(axis=0)
    after = [
        np.trace(np.linalg.inv(info + berry_information(_calibration(), [f])[0])[:-1, :-1])
        for f in (1.2, 2.1, 3.2, 4.5, 6.0)
    ]
    assert int(np.argmin(after)) == 0
