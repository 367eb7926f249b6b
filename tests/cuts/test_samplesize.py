"""Plans against fits of simulated panels, and expected information against a fit's own."""

import numpy as np
import pytest
from scipy.stats import norm

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.samplesize import (
    PlannedPanel,
    berries_needed,
    berry_information,
    half_widths,
    next_forces,
)
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.model.cutmodel import fit_cuts
from gauge.errors import FirmhandError, InfeasiblePlanError, InvalidValueError

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


def test_one_raters_half_width_is_what_simulated_fits_show() -> None:
    one = _calibration()
    rng = np.random.default_rng(4)
    estimates = []
    for _ in range(300):
        force = rng.uniform(0.5, 5.5, 150)
        rank = _scores(rng, force, np.array(CUTS), 0.35)
        estimates.append(fit_cuts(_pairs(force, rank)).cut_newton)
    seen = norm.ppf(0.975) * np.std(estimates, axis=0)
    planned = half_widths(one, np.linspace(0.5, 5.5, 101), 150, PlannedPanel(raters=1))
    assert planned == pytest.approx(seen, rel=0.15)


def test_a_panels_half_width_is_what_simulated_panels_show() -> None:
    """Four hands that differ by 10 %, berries by 8 % to the fingers, 80 berries scored by all.

    The panel's cut is estimated by the mean of the raters' own fits.
    """
    rng = np.random.default_rng(9)
    estimates = []
    for _ in range(250):
        force = rng.uniform(0.5, 5.5, 80)
        feel = force * np.exp(0.08 * rng.normal(size=80))
        cuts = []
        for _ in range(4):
            rank = _scores(rng, feel, np.array(CUTS) * np.exp(0.1 * rng.normal()), 0.3)
            try:
                cuts.append(fit_cuts(_pairs(force, rank)).cut_newton)
            except FirmhandError:
                break
        if len(cuts) == 4 and np.isfinite(cuts).all():
            estimates.append(np.mean(cuts, axis=0))
    from scipy.stats import t

    panel = PlannedPanel(raters=4, hand_sd=0.1, berry_sd=0.08)
    planned = half_widths(_calibration(spread=0.33), np.linspace(0.5, 5.5, 101), 80, panel)
    sd = np.std(estimates, axis=0)
    # Student's t lies between that of the hands alone (3 df) and the normal's 1.96.
    assert (planned > 0.85 * norm.ppf(0.975) * sd).all()
    assert (planned < 1.15 * t.ppf(0.975, 3) * sd).all()


def test_the_number_of_berries_is_the_least_that_suffices() -> None:
    force = np.linspace(0.5, 5.5, 51)
    panel = PlannedPanel(raters=3, hand_sd=0.02, berry_sd=0.05)
    needed = berries_needed(_calibration(), force, panel, 0.25)
    for index, n in enumerate(needed):
        assert half_widths(_calibration(), force, n, panel)[index] <= 0.25
        assert half_widths(_calibration(), force, n - 1, panel)[index] > 0.25


def test_hands_that_differ_need_raters_not_berries() -> None:
    with pytest.raises(InfeasiblePlanError, match="1/2"):
        berries_needed(_calibration(), [1, 2, 3, 4, 5], PlannedPanel(raters=3, hand_sd=0.2), 0.2)
    with pytest.raises(InvalidValueError):
        berries_needed(_calibration(), [1, 2, 3], PlannedPanel(raters=1), 0)
    with pytest.raises(InvalidValueError):
        PlannedPanel(raters=0)


def test_the_next_berries_are_picked_where_information_is_missing() -> None:
    firm_only = np.linspace(2.8, 5.5, 60)
    picks = next_forces(_calibration(), [*firm_only, 1.2], [1.2, 2.1, 3.2, 4.5, 6.0], count=2)
    assert picks[0].force_newton == 1.2
    assert all(pick.gain_pct > 0 for pick in picks)
    # Brute force: no single choice lowers the mean variance more.
    info = berry_information(_calibration(), [*firm_only, 1.2]).sum(axis=0)
    after = [
        np.trace(np.linalg.inv(info + berry_information(_calibration(), [f])[0])[:-1, :-1])
        for f in (1.2, 2.1, 3.2, 4.5, 6.0)
    ]
    assert int(np.argmin(after)) == 0
