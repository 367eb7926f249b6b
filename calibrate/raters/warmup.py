"""A rater's warm-up: what each squeezed anchor shows, which comes next, when to stop; its days."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from calibrate.cuts.calibration import Calibration
from gauge.errors import InvalidValueError
from gauge.season.rows import PracticeRow

# Share of the panel's cut; how far a rater may be off before the first squeeze: the
# spread that raters bring to a season (common practice, no source).
PRIOR_SHARE = 0.15
_PATIENCE = 12  # squeezes
GRID = np.linspace(-4.0, 4.0, 401)  # standard deviations of that prior


class Advice(StrEnum):
    """What the warm-up advises the rater."""

    GO_ON = "go on"
    READY = "ready"
    NOT_IMPROVING = "not improving"


@dataclass(frozen=True, kw_only=True, slots=True)
class Squeeze:
    """One anchor squeezed blind, and the score that the rater gave (rank from 0)."""

    anchor: str
    force_newton: float
    rank: int


@dataclass(frozen=True, kw_only=True, slots=True)
class BoundaryState:
    """What is known of the rater at one boundary: posterior mean and SD of its shift, newtons.

    Above zero: the rater needs more force than the panel to call a berry that firm.
    """

    between: tuple[str, str]
    cut_newton: float
    shift_newton: float
    sd_newton: float


def boundary_states(
    calibration: Calibration, squeezes: Sequence[Squeeze]
) -> tuple[BoundaryState, ...]:
    """Return the posterior of the rater's shift at every boundary that has a cut.

    Each boundary k by itself: a squeeze shows whether the rater called force F "k or firmer", with
    P = logistic((h(F) - c_k - d) / s); the prior of d is normal, and the posterior is summed on a
    grid (Bayes' rule; the model is that of the calibration).
    """
    from scipy.special import log_expit, logsumexp

    force = np.array([s.force_newton for s in squeezes], dtype=float)
    rank = np.array([s.rank for s in squeezes], dtype=int)
    h = calibration.h(force)
    states = []
    for index, cut in enumerate(estimate.value for estimate in calibration.cuts):
        if cut is None:
            continue
        prior_sd = PRIOR_SHARE * (cut if calibration.force_scale == "linear" else 1.0)
        shift = GRID * prior_sd
        z = (h[:, None] - float(calibration.h(cut)) - shift) / calibration.spread_at(force)[:, None]
        firm = (rank <= index)[:, None]
        log_posterior = -(GRID**2) / 2 + np.where(firm, log_expit(z), log_expit(-z)).sum(axis=0)
        weight = np.exp(log_posterior - logsumexp(log_posterior))
        moved = shift if calibration.force_scale == "linear" else cut * np.expm1(shift)  # newtons
        mean = float(weight @ moved)
        states.append(
            BoundaryState(
                between=calibration.scale.boundaries[index],
                cut_newton=cut,
                shift_newton=mean,
                sd_newton=float(np.sqrt(weight @ (moved - mean) ** 2)),
            )
        )
    return tuple(states)


def next_anchor(
    calibration: Calibration,
    squeezes: Sequence[Squeeze],
    anchors: dict[str, float],
    *,
    rng: np.random.Generator,
) -> str:
    """Choose the anchor that shows most about the boundary that is least certain.

    Among anchors squeezed least often in this warm-up, the one with the largest p (1 - p) at the
    boundary whose shift is the least certain as a share of its cut: the Fisher information of one
    answer. Ties are broken at random, so that the order cannot be learned by heart.

    `anchors` holds labels and forces in newtons.

    Raises
    ------
    InvalidValueError
        Without any anchor.
    """
    from scipy.special import expit

    if not anchors:
        raise InvalidValueError("there is no anchor to squeeze")
    states = boundary_states(calibration, squeezes)
    widest = max(states, key=lambda state: state.sd_newton / state.cut_newton)
    times = {label: sum(s.anchor == label for s in squeezes) for label in anchors}
    fewest = min(times.values())
    fresh = [label for label in anchors if times[label] == fewest]
    centre = float(calibration.h(max(widest.cut_newton + widest.shift_newton, 1e-6)))

    def information(label: str) -> float:
        force_newton = anchors[label]
        spread = calibration.spread_at(force_newton)
        p = float(expit((calibration.h(force_newton) - centre) / spread))
        return p * (1 - p)

    best = max(information(label) for label in fresh)
    ties = [label for label in fresh if information(label) > 0.9 * best]
    return str(rng.choice(ties))


def advise(calibration: Calibration, squeezes: Sequence[Squeeze], *, limit_newton: float) -> Advice:
    """Advise by whether the rater is within the limit, still learning, or not improving.

    Ready: at every boundary the shift lies within `limit_newton` with a probability of about 0.9
    (mean and 1.645 SD of its posterior). Not improving: after two dozen squeezes, the last dozen
    are no nearer to the panel's scores than the dozen before.

    Raises
    ------
    InvalidValueError
        If the limit is not above zero.
    """
    if limit_newton <= 0:
        raise InvalidValueError("the limit of a shift must be above zero")
    states = boundary_states(calibration, squeezes)
    if squeezes and all(abs(s.shift_newton) + 1.645 * s.sd_newton <= limit_newton for s in states):
        return Advice.READY
    if len(squeezes) < 2 * _PATIENCE:
        return Advice.GO_ON
    miss = np.abs([signed_miss_newton(calibration, s.force_newton, s.rank) for s in squeezes])
    before, after = miss[-2 * _PATIENCE : -_PATIENCE].mean(), miss[-_PATIENCE:].mean()
    return Advice.NOT_IMPROVING if after >= before and after > 0 else Advice.GO_ON


def signed_miss_newton(calibration: Calibration, force_newton: float, rank: int) -> float:
    """Return the distance in newtons from a force to the cuts of the score that it was given.

    Above zero when the berry was firmer than its score, zero between the score's cuts.
    """
    edges = calibration.edges()
    upper, lower = edges[rank], edges[rank + 1]
    h = float(calibration.h(force_newton))
    if lower <= h < upper:
        return 0.0
    return force_newton - calibration.force(float(upper if h >= upper else lower))


@dataclass(frozen=True, kw_only=True, slots=True)
class PracticeDay:
    """What a rater's squeezes of anchors showed on one day.

    `as_panel` counts scores that were the panel's; `off_newton` is the mean distance of the anchors
    from the panel's band of the score given, above zero where they were firmer than that score.
    """

    rater: str
    day: str
    n: int
    as_panel: int
    off_newton: float


def practice_days(rows: Iterable[PracticeRow]) -> list[PracticeDay]:
    """Sum up practice by rater and day, each in order."""
    found: dict[tuple[str, str], list[float]] = {}
    for row in rows:
        found.setdefault((row.rater, row.at[:10]), []).append(row.off_newton)
    return [
        PracticeDay(
            rater=rater,
            day=day,
            n=len(off),
            as_panel=off.count(0.0),
            off_newton=sum(off) / len(off),
        )
        for (rater, day), off in sorted(found.items())
    ]
