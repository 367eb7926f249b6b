"""Whether a hand is shown to lie within the lab's limit, and how many berries that takes.

A few dozen berries leave the single boundaries of a hand wide open. Days change a hand mostly as a
whole and single boundaries less, so the changes of single boundaries are pooled towards their mean
as a panel's are (`calibrate.model.panel`): a boundary that moved alone is believed later than one
that moved with the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calibrate.data.labels import with_unit
from calibrate.model.panelposterior import spans
from calibrate.model.panelsetup import OFFSETS
from calibrate.model.ratershift import Gaps
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
# Deviations of single boundaries' changes, and of the change that all share: all but free.
_SDS = np.array([0.0, 0.02, 0.04, 0.06, 0.08, 0.1, 0.13, 0.17, 0.22, 0.3])
_COMMON_SD = 1.0
# Of each one-sided test; the share of steady hands that are to be shown so; draws for it.
_SIZE, _POWER, _DRAWS = 0.05, 0.8, 400
_MOST_BERRIES = 3000


@dataclass(frozen=True, kw_only=True, slots=True)
class HandLimit:
    """How far a hand's cut points may move: by a share of force, or by `newton` where given."""

    share: float = 0.2
    newton: float | None = None

    def __post_init__(self) -> None:
        if (self.share if self.newton is None else self.newton) <= 0:
            raise InvalidValueError("the limit of a shift must be above zero")

    def __str__(self) -> str:
        share = f"{100 * self.share:g} %"
        return share if self.newton is None else with_unit(self.newton, short=True)

    def newtons(self, reference_newton: float) -> float:
        """The limit at a cut point."""
        return self.share * reference_newton if self.newton is None else self.newton

    def log_ratios(self, reference_newton: Floats) -> tuple[Floats, Floats]:
        """Log ratios of cut points at which the limit is reached below and above."""
        shares = np.array([self.newtons(cut) / cut for cut in reference_newton])
        low = np.log1p(-np.minimum(shares, 1.0 - 1e-9))
        return low, np.log1p(shares)


def within(gaps: Gaps, limit: HandLimit) -> bool:
    """Return whether two one-sided tests at 5 % show every boundary within the limit.

    Schuirmann, D. J. (1987) J. Pharmacokinet. Biopharm. 15:657-680, with the pooled distribution of
    each boundary's change in place of a t.
    """
    return bool(_within(gaps.log_ratio[None], gaps.covariance, gaps.reference_newton, limit)[0])


def berries_needed(gaps: Gaps, n: int, limit: HandLimit) -> int | None:
    """Find the number of today's berries, `n` so far, that show a steady hand to be within.

    By simulation, in steps of a quarter: as many as do so with a power of 0.8. None where no number
    does, the reference being too uncertain.
    """
    draws = np.random.default_rng(1).normal(size=(_DRAWS, gaps.log_ratio.size))
    berries = float(n)
    while berries <= max(_MOST_BERRIES, n):
        covariance = gaps.covariance + (n / berries - 1.0) * gaps.of_today
        root, vectors = np.linalg.eigh(covariance)
        steady = draws @ (vectors * np.sqrt(np.maximum(root, 0.0))).T
        if _within(steady, covariance, gaps.reference_newton, limit).mean() >= _POWER:
            return math.ceil(berries)
        berries *= 1.25
    return None


def _within(
    log_ratio: Floats, covariance: Floats, reference_newton: Floats, limit: HandLimit
) -> NDArray[np.bool_]:
    """Judge changes of a hand, shape (n, m), that have one covariance."""
    m = log_ratio.shape[1]
    low, high = limit.log_ratios(reference_newton)
    beyond = np.zeros((2, _SDS.size, *log_ratio.shape))
    log_weight = np.zeros((_SDS.size, log_ratio.shape[0]))
    for i, sd in enumerate(_SDS):
        between = sd**2 * np.eye(m) + _COMMON_SD**2
        total = covariance + between
        gain = between @ np.linalg.inv(total)
        mean = log_ratio @ gain.T
        error = np.sqrt(np.maximum(np.diagonal(between - gain @ between), 1e-18))
        beyond[:, i] = ndtr((low - mean) / error), ndtr((mean - high) / error)
        fit = (log_ratio @ np.linalg.inv(total) * log_ratio).sum(axis=1)
        log_weight[i] = -0.5 * (fit + np.linalg.slogdet(total)[1] + (sd / OFFSETS.scale) ** 2)
    weight = np.exp(log_weight - log_weight.max(axis=0)) * spans(_SDS)[:, None]
    chance = (beyond * (weight / weight.sum(axis=0))[None, :, :, None]).sum(axis=1)
    return np.asarray((chance < _SIZE).all(axis=(0, 2)))
