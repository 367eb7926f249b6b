"""Cut points of a finger score in newtons: P(score <= k | F) = logistic((h(F) - c_k) / s).

One force column, one hand. The parameters are the cut points c_k (in newtons, or log newtons when
h is the logarithm) and the spread s. Data that cannot be fitted are refused with what to do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.data.pairs import Pairs
from calibrate.data.scale import Scale
from calibrate.stats.forcespread import NO_GROWTH, SpreadGrowth
from calibrate.stats.likelihood import interval_probability
from calibrate.stats.ordinal import (
    OrdinalFit,
    Separation,
    fit_ordinal,
    force_separation,
    require_two_used,
)
from gauge.errors import (
    InvalidValueError,
    SeparationError,
    TooFewScoresError,
    WrongDirectionError,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
ForceScale = Literal["linear", "log"]


def collapse(pairs: Pairs, *, by_rater: bool = False) -> Pairs:
    """Add up equal rows, exactly, so that a fit costs by distinct ones; by rater, or of one hand.

    Forces ascend within one score of one rater.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> zero = np.zeros(3, dtype=np.int64)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([2.0, 1.0, 2.0]), count=np.ones(3),
    ...               rank=np.array([0, 1, 0]), rater=zero, berry=zero)
    >>> collapse(pairs).force_newton.tolist(), collapse(pairs).count.tolist()
    ([2.0, 1.0], [2.0, 1.0])
    """
    count = None if (pairs.count == 1.0).all() else pairs.count
    forces, ranks, raters, counts = [], [], [], []
    for rater in np.unique(pairs.rater).tolist() if by_rater else [0]:
        for rank in range(len(pairs.scale.labels)):
            mask = pairs.rank == rank
            if by_rater:
                mask &= pairs.rater == rater
            values, often = _runs(pairs.force_newton[mask], None if count is None else count[mask])
            forces.append(values)
            counts.append(often)
            ranks.append(np.full(values.size, rank))
            raters.append(np.full(values.size, rater))
    rater = np.concatenate(raters)
    return Pairs(
        scale=pairs.scale,
        force_newton=np.concatenate(forces),
        rank=np.concatenate(ranks),
        count=np.concatenate(counts),
        rater=rater,
        berry=np.zeros_like(rater),
        source=pairs.source,
    )


def _runs(values: Floats, count: Floats | None) -> tuple[Floats, Floats]:
    """Distinct values, ascending, and the count of each: one sort and one pass."""
    if not values.size:
        return values, np.zeros(0)
    if count is None:
        values = np.sort(values)
    else:
        order = np.argsort(values, kind="stable")
        values, count = values[order], count[order]
    first = np.flatnonzero(np.concatenate(([True], values[1:] != values[:-1])))
    if count is None:
        return values[first], np.diff(np.append(first, values.size)).astype(float)
    return values[first], np.add.reduceat(count, first)


@dataclass(frozen=True, kw_only=True)
class CutFit:
    """Cut points, spread and what is known of them."""

    scale: Scale  # labels firmest first
    force_scale: ForceScale
    # (n_ranks - 1,): c_k in the units of h, firmest boundary first, descending. Equal around an
    # unused score; plus or minus infinity beyond the used ones.
    cut: Floats
    spread: float  # s in the units of h
    # (free + 1, free + 1), of the free cut points and, last, the spread: the inverse of the
    # observed information.
    covariance: Floats
    cells: Pairs  # the rows, equal ones added up
    ordinal: OrdinalFit  # the same fit with theta = -c / s and beta = -1 / s
    # How the spread grows with force, held while the rest was fitted.
    growth: SpreadGrowth = NO_GROWTH

    @property
    def free(self) -> Ints:
        """For each cut point its place in `covariance`; negative where it is infinite."""
        return self.ordinal.free

    @property
    def log_likelihood(self) -> float:
        """At the maximum."""
        return self.ordinal.log_likelihood

    @property
    def cut_newton(self) -> Floats:
        """Cut points in newtons, shape (n_ranks - 1,); NaN where none is identified."""
        finite = np.where(np.isfinite(self.cut), self.cut, np.nan)
        return np.exp(finite) if self.force_scale == "log" else finite

    @property
    def aic(self) -> float:
        """Akaike's criterion; comparable between force scales, as the scores are the same."""
        return self.ordinal.aic + 2.0 * (self.growth.power > 0.0)

    def probability(self, force_newton: ArrayLike) -> Floats:
        """Probability of each score at each force (above zero on the log scale), (..., n_ranks)."""
        return interval_probability(*self.ends(force_newton))

    def ends(self, force_newton: ArrayLike) -> tuple[Floats, Floats]:
        """Both ends of what gives each score at each force, on the logit scale, (..., n_ranks)."""
        force = np.asarray(force_newton, dtype=float)
        h, spread = transform(force, self.force_scale), self.spread * self.growth.factor(force)
        z = (h[..., None] - self.cut) / spread[..., None]
        up = np.concatenate([z, np.full((*h.shape, 1), np.inf)], axis=-1)
        low = np.concatenate([np.full((*h.shape, 1), -np.inf), z], axis=-1)
        return up, low


def transform(force_newton: Floats, force_scale: ForceScale) -> Floats:
    """Apply h, the identity or the natural logarithm; a force without one is refused."""
    if force_scale == "linear":
        return force_newton
    if not (force_newton > 0).all():
        raise InvalidValueError(
            f"a force of {float(force_newton.min()):g} N has no logarithm.",
            todo="Use --force-scale linear, or void the row.",
        )
    return np.log(force_newton)


def newtons(h: float, force_scale: ForceScale) -> float:
    """Undo `transform`; NaN, which leaves a side open, where a float cannot hold it."""
    if force_scale == "linear":
        return h
    return math.exp(h) if h < 700.0 else math.nan


def fit_cuts(
    pairs: Pairs,
    *,
    force_scale: ForceScale = "linear",
    firmest: str = "first",
    growth: SpreadGrowth = NO_GROWTH,
) -> CutFit:
    """Fit the cut points of one hand to all rows of `pairs`.

    Only messages depend on `firmest`, what the user declared: ranks are firmest first already. How
    the spread grows with force is not estimated here.

    Raises
    ------
    TooFewScoresError
        If fewer than two scores are used, or all forces are equal.
    WrongDirectionError
        If scores run against force.
    SeparationError
        If force separates the scores completely or quasi-completely.
    NotConvergedError
        If the maximum is not settled in floating point.
    InvalidValueError
        If a force has no logarithm and the scale is log.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> zero = np.zeros(4, dtype=np.int64)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([2.0, 4.0, 2.0, 4.0]), rater=zero,
    ...               rank=np.array([0, 0, 1, 1]), count=np.array([1.0, 3, 3, 1]), berry=zero)
    >>> fit = fit_cuts(pairs)
    >>> round(float(fit.cut_newton[0]), 6), round(fit.spread, 6)
    (3.0, 0.910239)
    """
    cells, source = collapse(pairs), pairs.source
    force = cells.force_newton
    used, lowest, highest = force_range(force, cells.rank)
    require_two_used(used, source)
    labels = [pairs.scale.labels[k] for k in used]
    _require_overlap(lowest, highest, labels, firmest=firmest, source=source)
    fit = fit_ordinal(
        transform(force, force_scale),
        cells.rank,
        cells.count,
        n_ranks=len(pairs.scale.labels),
        spread=growth.factor(force) if growth.power else None,
    )
    beta = float(fit.coef[0])
    require_direction(beta, labels=labels, firmest=firmest, source=source)
    # c = theta / beta and s = -1 / beta. The gradient is zero at the maximum, so the observed
    # information carries over by the Jacobian alone.
    theta = fit.phi[:-1]
    jacobian = np.zeros((fit.phi.size, fit.phi.size))
    np.fill_diagonal(jacobian, 1.0 / beta)
    jacobian[:-1, -1] = -theta / beta**2
    jacobian[-1, -1] = 1.0 / beta**2
    cut = np.append(theta / beta, [-np.inf, np.inf])
    return CutFit(
        scale=pairs.scale,
        force_scale=force_scale,
        cut=cut[fit.free],
        spread=-1.0 / beta,
        covariance=jacobian @ fit.covariance @ jacobian.T,
        cells=cells,
        ordinal=fit,
        growth=growth,
    )


def whole_covariance(fit: CutFit) -> tuple[tuple[float, ...], ...]:
    """Covariance over all boundaries and, last, the spread; zero where a cut is not known."""
    size = fit.free.size + 1
    place = np.append(fit.free, fit.covariance.shape[0] - 1)
    known = np.flatnonzero(place >= 0)
    whole = np.zeros((size, size))
    whole[np.ix_(known, known)] = fit.covariance[np.ix_(place[known], place[known])]
    return tuple(tuple(row) for row in whole.tolist())


def force_range(force_newton: Floats, rank: Ints) -> tuple[Ints, Floats, Floats]:
    """Ranks in use, and the smallest and largest force of each."""
    used, place = np.unique(rank, return_inverse=True)
    low, high = np.full(used.size, np.inf), np.full(used.size, -np.inf)
    np.minimum.at(low, place, force_newton)
    np.maximum.at(high, place, force_newton)
    return used, low, high


def _require_overlap(
    lowest: Floats, highest: Floats, labels: Sequence[str], *, firmest: str, source: str
) -> None:
    """Refuse forces from which no cut points can be fitted, and say what to collect.

    `lowest` and `highest` are the smallest and largest force (N) of each used score, firmest first.
    """
    if lowest.min() == highest.max():
        raise TooFewScoresError(
            f"{source}: every force is {lowest[0]:g} N, so there is no cut point to fit.",
            todo="Score berries of different firmness.",
        )
    if force_separation(-highest, -lowest) is not Separation.OVERLAP:
        raise WrongDirectionError(
            f"{source}: force separates the scores the wrong way round: '{labels[0]}', declared "
            f"firmer, was given from {lowest[0]:g} to {highest[0]:g} N and '{labels[-1]}' from "
            f"{lowest[-1]:g} to {highest[-1]:g} N.",
            todo=_other_way(firmest),
        )
    kind = force_separation(lowest, highest)
    if kind is Separation.OVERLAP:
        return
    between = list(zip(labels[:-1], labels[1:], lowest[:-1], highest[1:], strict=True))
    gaps = "; ".join(
        f"no '{hard}' below {low:g} N and no '{soft}' above {high:g} N"
        for hard, soft, low, high in between
    )
    edges = ", ".join(f"{(low + high) / 2:.3g}" for _, _, low, high in between)
    raise SeparationError(
        f"{source}: force separates the scores without overlap ({kind.value} separation: {gaps})"
        ", so no finite spread and no honest interval exists.",
        todo=f"Score more berries of forces around {edges} N, by the same raters, blind to force; "
        "or ask for --penalised, a fit that leans on a penalty and says so.",
    )


def require_direction(slope: float, *, labels: Sequence[str], firmest: str, source: str) -> None:
    """Refuse a slope on force that is not below zero, as it is with ranks from the firmest."""
    if not slope < 0:
        raise WrongDirectionError(
            f"{source}: scores run against force: the higher the force, the more berries are "
            f"scored towards '{labels[-1]}', though '{labels[0]}' is declared firmer.",
            todo=_other_way(firmest),
        )


def _other_way(firmest: str) -> str:
    other = "last" if firmest == "first" else "first"
    return (
        f"If the scale runs the other way, declare it with --firmest {other}; "
        "else check that forces and scores belong to the same berries."
    )
