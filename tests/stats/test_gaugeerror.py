"""Shown forces put back to the true ones expected: by hand, by simulation, and in a fit."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import lognorm, norm

from calibrate.cuts.fitting import fit
from calibrate.stats.measurement import GaugeError, expected_true
from gauge.errors import InvalidValueError
from tests.bench.handshapes import CUTS_N, Hands, draw_hands, score


def test_the_expected_force_is_scipys_integral() -> None:
    """E(F | W) with F log-normal and W normal about it, by scipy.integrate.quad."""
    case = Hands(gauge_newton=0.4)
    pairs = score(np.random.default_rng(2), case, draw_hands(np.random.default_rng(3), case))
    shown = pairs.force_newton[:80]  # one rater's berries, which all share
    found = expected_true(pairs.force_newton, shown, GaugeError(newton=0.4))
    mean, variance = shown.mean(), (shown**2).mean() - 0.4**2 - shown.mean() ** 2
    sigma = np.sqrt(np.log1p(variance / mean**2))
    force = lognorm(sigma, scale=mean * np.exp(-(sigma**2) / 2))
    for at in (0, 7, 31):

        def joint(f: float, power: int, w: float = float(shown[at])) -> float:
            return f**power * force.pdf(f) * norm.pdf(w, f, 0.4)

        whole, first = (quad(joint, 1e-6, 40, args=(k,), limit=200)[0] for k in (0, 1))
        assert found[at] == pytest.approx(first / whole, rel=1e-3)


def test_no_error_changes_nothing_and_too_large_a_one_is_refused() -> None:
    case = Hands()
    pairs = score(np.random.default_rng(2), case, draw_hands(np.random.default_rng(3), case))
    force = pairs.force_newton
    assert expected_true(force, force, GaugeError()) is force
    with pytest.raises(InvalidValueError, match="no variation"):
        expected_true(force, force, GaugeError(newton=9.0))
    with pytest.raises(InvalidValueError):
        GaugeError(newton=-1.0)


@pytest.mark.slow
def test_cut_points_mean_true_force_once_the_error_is_told() -> None:
    """Large panels, 0.3 N off: outer cuts lean outwards, and with the error told much less."""
    case = Hands(raters=3, berries=1500, hand_sd=0.0, gauge_newton=0.3)
    bias = {None: [], GaugeError(newton=0.3): []}
    for seed in (5, 6, 7):
        pairs = score(np.random.default_rng(seed), case, np.tile(CUTS_N, (3, 1)))
        for error, found in bias.items():
            found.append(fit(pairs, gauge_error=error).cut_newton - CUTS_N)
    plain, told = (np.abs(np.mean(found, axis=0)).max() for found in bias.values())
    assert told < 0.05
    assert plain > 0.06
