"""The penalised fit against Firth's closed form, brute force, and simulation."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.optimize import minimize

from calibrate.cli import group
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from calibrate.model.cutmodel import fit_cuts
from calibrate.model.penalised import fit_penalised
from gauge.errors import FirmhandError, WrongDirectionError

CUTS = np.array([4.5, 3.2, 2.1, 1.2])


def _pairs(force, rank, scale: Scale = BLACKBERRY, count=None) -> Pairs:
    zero = np.zeros(len(force), dtype=np.int64)
    return Pairs(
        scale=scale, force_newton=np.array(force, dtype=float), rank=np.array(rank), rater=zero,
        count=np.ones(len(force)) if count is None else np.array(count, dtype=float), berry=zero,
    )  # fmt: skip


def test_two_forces_and_two_scores_have_the_closed_form() -> None:
    """Firth (1993): in a saturated logit the penalty adds one half to every cell.

    With an empty cell, where plain likelihood has no maximum, too.
    """
    for counts in ([5, 6, 1, 2], [5, 6, 0, 2], [5, 6, 0, 0]):
        soft2, firm4, firm2, soft4 = (c + 0.5 for c in counts)
        fit = fit_penalised(_pairs([2, 4, 2, 4], [1, 0, 0, 1], RASPBERRY, np.maximum(counts, 1e-9)))
        low, high = np.log(firm2 / soft2), np.log(firm4 / soft4)
        spread = 2 / (high - low)
        assert fit.spread == pytest.approx(spread, rel=1e-4)
        assert fit.cut[0] == pytest.approx(2 - low * spread, rel=1e-4)


def test_separated_scores_get_finite_cuts_between_them() -> None:
    rng = np.random.default_rng(0)
    force = rng.uniform(0.5, 5.5, 20)
    rank = (force[:, None] < CUTS).sum(axis=1)
    with pytest.raises(FirmhandError, match="--penalised"):
        fit_cuts(_pairs(force, rank))
    fit = fit_penalised(_pairs(force, rank))
    for k, cut in enumerate(fit.cut):
        assert force[rank > k].max() < cut < force[rank <= k].min()
    assert (fit.low < fit.cut).all()
    assert (fit.cut < fit.high).all()


def test_with_many_berries_the_penalty_no_longer_matters() -> None:
    rng = np.random.default_rng(1)
    force = rng.uniform(0.5, 3.5, 1500).round(1)
    rank = (force + rng.logistic(scale=0.3, size=1500) < 2.0).astype(int)
    pairs = _pairs(force, rank, RASPBERRY)
    plain, fit = fit_cuts(pairs), fit_penalised(pairs)
    assert fit.cut == pytest.approx(plain.cut, abs=0.005)
    half = 1.959964 * np.sqrt(np.diagonal(plain.covariance)[:-1])
    assert fit.high - fit.low == pytest.approx(2 * half, rel=0.05)


def test_limits_are_where_the_penalised_profile_has_fallen() -> None:
    """One boundary, by a general optimiser on logit P = (F - c) / s with a grid of c."""
    force = np.linspace(1.0, 3.4, 13)
    rank = np.array([1, 1, 1, 0, 1, 1, 0, 1, 0, 0, 0, 0, 0])
    fit = fit_penalised(_pairs(force, rank, RASPBERRY))

    def loss(theta: float, beta: float) -> float:
        p = 1 / (1 + np.exp(-(theta - beta * force)))
        x = np.column_stack([np.ones(13), -force])
        information = (x.T * (p * (1 - p))) @ x
        likelihood = np.log(np.where(rank == 0, p, 1 - p)).sum()
        return -(likelihood + 0.5 * np.log(np.linalg.det(information)))

    best = minimize(lambda v: loss(v[0], v[1]), [-4, -2], method="Nelder-Mead").fun
    for limit in (fit.low[0], fit.high[0]):
        held = minimize(lambda b, c: loss(c * b[0], b[0]), [-2.0], (limit,), "Nelder-Mead").fun
        assert 2 * (held - best) == pytest.approx(3.841459, abs=0.02)


@pytest.mark.slow
def test_scores_that_change_midway_between_even_forces_have_their_cuts_there() -> None:
    """By symmetry; here the spread is so small that far from a cut p is 1 to the last digit."""
    force = 0.4 + 0.05 * np.arange(90)
    fit = fit_penalised(_pairs(force, 4 - np.arange(90) // 18))
    assert fit.cut == pytest.approx([3.975, 3.075, 2.175, 1.275], abs=1e-4)
    assert fit.high - fit.cut == pytest.approx(fit.cut - fit.low, abs=1e-3)
    assert 0.05 < fit.high[0] - fit.cut[0] < 0.1


def test_wrong_direction_and_unused_scores() -> None:
    rng = np.random.default_rng(2)
    force = rng.uniform(0.5, 5.5, 40)
    with pytest.raises(WrongDirectionError):
        fit_penalised(_pairs(force, 4 - (force[:, None] < CUTS).sum(axis=1)))
    kept = force > 3.0
    fit = fit_penalised(_pairs(force[kept], (force[kept, None] < CUTS).sum(axis=1)))
    assert np.isfinite(fit.cut[:2]).all()
    assert np.isnan(fit.cut[2:]).all()


def test_the_command_offers_it_and_labels_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    force = rng.uniform(0.5, 5.5, 20).round(3)
    rank = (force[:, None] < CUTS).sum(axis=1)
    sheet = tmp_path / "few.csv"
    rows = (f"{f},{k + 1}" for f, k in zip(force, rank, strict=True))
    sheet.write_text("force_N,score\n" + "\n".join(rows) + "\n")
    refused = CliRunner().invoke(group, ["fit", str(sheet), "--json"])
    assert refused.exit_code != 0
    result = CliRunner().invoke(group, ["fit", str(sheet), "--penalised", "--json"])
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["warnings"][0].startswith("penalised fit")
    assert all(cut["low_N"] < cut["force_N"] < cut["high_N"] for cut in found["cuts"])
