"""What one rater's scores show: agreement, drift, repeatability, power and the verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.labels import format_newton, unit
from calibrate.data.pairs import Pairs
from calibrate.model.modeltests import covariate_effect, rows_of
from calibrate.model.ratershift import RaterShift
from calibrate.raters.withinlimit import HandLimit, berries_needed, within
from calibrate.stats.agreement import cross_table, kappa_of_table
from calibrate.stats.estimate import Estimate
from calibrate.stats.proportions import proportion
from gauge.errors import FirmhandError, InvalidValueError

Ints = NDArray[np.int64]
# Standard errors: power 0.8.
Z_POWER = 0.841621
# Ratio; a spread of this many times the reference's is no longer the same sharpness.
BLUNT = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class ScoreAgreement:
    """How a rater's scores agree with the scores that force and the panel's cuts give."""

    n: int
    exact: float  # as a share
    within_one: float  # as a share
    kappa: Estimate  # quadratic weights, on the whole declared scale
    table: NDArray[np.float64]  # (scores, scores), panel's score in rows, the rater's in columns


def score_agreement(panel: Ints, given: Ints, n_scores: int) -> ScoreAgreement:
    """Compare two columns of ranks."""
    table = cross_table(panel, given, n_scores)
    n = int(table.sum())
    if n == 0:
        raise InvalidValueError("there is no score to compare")
    step = np.abs(np.subtract.outer(np.arange(n_scores), np.arange(n_scores)))
    return ScoreAgreement(
        n=n,
        exact=float(table[step == 0].sum()) / n,
        within_one=float(table[step <= 1].sum()) / n,
        kappa=kappa_of_table(table, "quadratic"),
        table=table,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class SaleLimitSkill:
    """How well the rater finds what must not be sold.

    `sensitivity`: share of berries beyond the limit by force that the rater called beyond it;
    `specificity`: share of berries within the limit that it called within. None without any.
    """

    sensitivity: Estimate | None
    specificity: Estimate | None


def sale_limit_skill(
    panel: Ints, given: Ints, boundary: int | None, level: float = 0.95
) -> SaleLimitSkill | None:
    """Estimate sensitivity and specificity at the sale limit, with Wilson intervals."""
    if boundary is None:
        return None
    beyond, called = panel > boundary, given > boundary

    def share(of: NDArray[np.bool_], right: NDArray[np.bool_]) -> Estimate | None:
        n = int(of.sum())
        return proportion(int((of & right).sum()), n, level=level) if n else None

    return SaleLimitSkill(
        sensitivity=share(beyond, called),
        specificity=share(~beyond, ~called),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Drift:
    """Change of the rater along an order: newtons from its start to its end, and its p-value.

    Above zero: by the end the rater needs more force for the same score.
    """

    along: str
    change_newton: float
    p_value: float


def drift_along(
    pairs: Pairs, order: Sequence[object], along: str, *, force_scale: str
) -> Drift | None:
    """Ask whether the cuts of one rater move along an order: within a session, or over dates.

    The order enters the rater's own fit as a column of its own (likelihood ratio). None where it
    cannot be fitted, or nothing changes along the order.
    """
    try:
        effect = covariate_effect(rows_of(pairs, force_scale), order, along)
    except FirmhandError:
        return None
    if effect is None or effect.test.p_value is None:
        return None
    first = float(effect.levels[0][1])
    numbers = np.array(order, dtype=float)
    change = first * float(np.ptp(numbers))
    if force_scale == "log":
        change = float(np.median(pairs.force_newton)) * math.expm1(change)
    return Drift(along=along, change_newton=change, p_value=effect.test.p_value)


@dataclass(frozen=True, kw_only=True, slots=True)
class Power:
    """What the number of berries can show.

    `detectable_newton` is the smallest shift of all boundaries that would be found with a power of
    0.8; with `berries_needed` a hand that has not moved is shown to be within the limit at every
    boundary as often. None where no number of berries does that, the reference being too uncertain.
    """

    detectable_newton: float
    berries_needed: int | None


def power(found: RaterShift, limit: HandLimit) -> Power | None:
    """Work out the power of a check, from the intervals that it reached."""
    shift = found.shift
    if shift.low is None or shift.high is None:
        return None
    half = (shift.high - shift.low) / 2
    return Power(
        detectable_newton=half + Z_POWER * found.shift_error_newton,
        berries_needed=berries_needed(found.gaps, found.n, limit),
    )


def verdict(found: RaterShift, limit: HandLimit) -> str:
    """Judge a rater.

    Drifted: the interval of a boundary, or of all together, leaves out zero (and not by the order
    of squeezes), or the spread is shown to be larger than the reference's; these intervals hold
    together. Within limit: not that, and shown to be within the lab's limit at every boundary
    (`withinlimit.within`), and of a spread below twice the reference's. Else more berries are
    needed.
    """
    apart, blunt = not found.confounded, found.blunter_alone.high
    moved = apart and any(one.excludes_zero() for one in (found.shift, *found.boundaries))
    if moved or is_blunt(found.blunter):
        return "drifted"
    steady = apart and blunt is not None and blunt < BLUNT and within(found.gaps, limit)
    return "within limit" if steady else "cannot tell yet"


def is_blunt(blunter: Estimate) -> bool:
    """Return whether a ratio of spreads is shown to be above one."""
    return blunter.low is not None and blunter.low > 1.0


def sentence(
    between: tuple[str, str], reference_newton: float, shift: Estimate, theirs: str
) -> str:
    """Say a boundary's shift as a rater can use it; `theirs` is who calls it so, or called it."""
    firm, soft = between
    ends = sorted((reference_newton, reference_newton + shift.known))
    here, there = (soft, firm) if shift.known > 0 else (firm, soft)
    low, high = map(format_newton, ends)
    return f"You call {here} what {theirs} {there} between {low} and {high} {unit()}."


def repeatability(pairs: Pairs) -> tuple[int, float, Estimate] | None:
    """Compare a rater's first and second scoring of the same berries.

    Gives berries, the share of equal scores and the quadratic kappa; None where no berry was
    scored twice.
    """
    occasions = pairs.extra.get("occasion")
    if occasions is None or not pairs.berries:
        return None
    scored: dict[int, dict[float, int]] = {}
    for berry, occasion, rank in zip(pairs.berry, occasions, pairs.rank, strict=True):
        if occasion is not None:
            scored.setdefault(int(berry), {})[float(occasion)] = int(rank)
    twice = [
        [ranks[key] for key in sorted(ranks)[:2]] for ranks in scored.values() if len(ranks) > 1
    ]
    if not twice:
        return None
    first, second = np.array(twice).T
    table = cross_table(first, second, len(pairs.scale.labels))
    return len(twice), float(np.mean(first == second)), kappa_of_table(table, "quadratic")
