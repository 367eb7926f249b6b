"""How many berries and raters a precision needs, and which forces to pick next.

From expected information under a calibration, measured or guessed.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration
from gauge.errors import InfeasiblePlanError, InvalidValueError

Floats = NDArray[np.float64]
MOST_BERRIES = 100_000  # beyond so many no plan is made


def berry_information(calibration: Calibration, force_newton: ArrayLike) -> Floats:
    """Return the expected information of one scored berry at each force.

    Sum over scores of (dP_k)(dP_k)' / P_k, over the cuts on the model's scale and the spread;
    McCullagh (1980) J. R. Stat. Soc. B 42:109.

    Of shape (forces, cuts + 1, cuts + 1); every cut must be known.
    """
    from scipy.special import expit

    if any(cut.value is None for cut in calibration.cuts):
        raise InvalidValueError("a plan needs every cut point; give a guess for the missing ones")
    cuts = calibration.edges()[1:-1]
    k = len(cuts)
    h = np.atleast_1d(calibration.h(force_newton))
    z = (h[:, None] - cuts) / calibration.spread
    density = expit(z) * expit(-z) / calibration.spread
    # d P(score <= k) by its cut and by the spread; scores are differences of neighbours.
    upto = np.zeros((len(h), k + 2, k + 1))
    index = np.arange(k)
    upto[:, index + 1, index] = -density
    upto[:, 1:-1, k] = -density * z
    slope = np.diff(upto, axis=1)
    p = np.clip(calibration.probabilities_h(h), 1e-300, None)
    return np.asarray(np.einsum("nka,nkb->nab", slope, slope / p[:, :, None]))


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedPanel:
    """The raters that will score: how many, and how they and the berries differ.

    `hand_sd` and `berry_sd` are how far raters differ from each other, and berries of one force to
    the fingers, as shares of force (standard deviations).
    """

    raters: int
    hand_sd: float = 0.0
    berry_sd: float = 0.0

    def __post_init__(self) -> None:
        if self.raters < 1 or self.hand_sd < 0 or self.berry_sd < 0:
            raise InvalidValueError("a panel needs a rater or more, and no spread below zero")


def half_widths(
    calibration: Calibration,
    force_newton: ArrayLike,
    n_berries: int,
    panel: PlannedPanel,
    *,
    level: float = 0.95,
) -> Floats:
    """Expect the half-width, in newtons, of the interval of every cut.

    The variance of a cut is hand_sd^2 c^2 / J for the hands, and the inverse expected information
    of all scores times the design effect 1 + (J - 1) rho for berries that all raters share, where
    rho is the berries' part of the variance of a score (Kish (1965) Survey Sampling, section 5.4).
    Student's t with Satterthwaite's degrees of freedom, the hands having J - 1.

    Parameters
    ----------
    calibration : Calibration
        Its spread is that of one score of one hand, berries' differences included.
    force_newton : array_like
        As they will be picked; only their distribution matters.
    n_berries : int
    panel : PlannedPanel
    level : float

    Returns
    -------
    ndarray, shape (cuts,)
    """
    from scipy.special import stdtrit

    cut_newton = calibration.cut_newton
    information = berry_information(calibration, force_newton).mean(axis=0)
    single = np.diagonal(np.linalg.inv(information))[:-1]
    # To newtons: on the log scale a small step dh is c dh.
    to_n2 = np.ones_like(cut_newton) if calibration.force_scale == "linear" else cut_newton**2
    score_variance = (calibration.spread * math.pi) ** 2 / 3 * to_n2
    rho = np.minimum((panel.berry_sd * cut_newton) ** 2 / score_variance, 1.0)
    design_effect = 1 + (panel.raters - 1) * rho
    fingers = single * to_n2 * design_effect / (n_berries * panel.raters)
    hands = (panel.hand_sd * cut_newton) ** 2 / panel.raters
    total = fingers + hands
    few = np.where(hands > 0, hands**2 / max(panel.raters - 1, 1), 0.0)
    freedom = total**2 / (few + fingers**2 / max(n_berries - len(cut_newton) - 1, 1))
    return np.asarray(stdtrit(freedom, 0.5 + level / 2) * np.sqrt(total))


def berries_needed(
    calibration: Calibration,
    force_newton: ArrayLike,
    panel: PlannedPanel,
    half_width_newton: float,
    *,
    level: float = 0.95,
) -> tuple[int, ...]:
    """Find the least number of berries with which each cut has a half-width, one a cut.

    Raises
    ------
    InvalidValueError
        If the half-width is not above zero.
    InfeasiblePlanError
        If hands differ so much that no number of berries suffices: more raters are needed.
    """
    if half_width_newton <= 0:
        raise InvalidValueError("the half-width must be above zero")

    def width(n: int) -> Floats:
        return half_widths(calibration, force_newton, n, panel, level=level)

    best = width(MOST_BERRIES)
    if (best > half_width_newton).any():
        worst = int(best.argmax())
        name = "/".join(calibration.scale.boundaries[worst])
        raise InfeasiblePlanError(
            f"With {panel.raters} rater{'s' if panel.raters > 1 else ''} no number of berries "
            f"brings boundary {name} below {best[worst]:.2f} N.",
            todo="Plan more raters, or accept a wider interval.",
        )

    def least(index: int) -> int:
        def suffices(n: int) -> bool:
            return bool(width(n)[index] <= half_width_newton)

        return bisect_left(range(MOST_BERRIES), True, lo=len(calibration.cuts) + 3, key=suffices)

    return tuple(least(index) for index in range(len(calibration.cuts)))


@dataclass(frozen=True, kw_only=True, slots=True)
class NextForce:
    """A force to pick next, and by how much it would shrink the cuts' mean variance (per cent)."""

    force_newton: float
    gain_pct: float


def next_forces(
    calibration: Calibration,
    force_newton: ArrayLike,
    choices_newton: Sequence[float],
    *,
    count: int = 3,
) -> tuple[NextForce, ...]:
    """Choose the forces (or lots' mean forces) whose next berries show most about the cuts.

    One berry at a time, by how much the mean variance of the cuts shrinks (A-optimality; Atkinson,
    Donev & Tobias (2007) Optimum Experimental Designs, section 10.1), the berries so far counted.

    Parameters
    ----------
    calibration : Calibration
    force_newton : array_like, shape (n,)
        Scored so far, two or more different ones.
    choices_newton : sequence of float
        What can be picked.
    count : int
    """
    information = berry_information(calibration, force_newton).sum(axis=0)
    options = berry_information(calibration, choices_newton)
    picked = []
    for _ in range(count):
        now = float(np.trace(np.linalg.inv(information)[:-1, :-1]))
        after = [float(np.trace(np.linalg.inv(information + one)[:-1, :-1])) for one in options]
        best = int(np.argmin(after))
        picked.append(
            NextForce(
                force_newton=float(choices_newton[best]), gain_pct=100 * (1 - after[best] / now)
            )
        )
        information = information + options[best]
    return tuple(picked)
