"""One rater's hand today against a reference: how far each cut point moved, and the sharpness.

Today's hand has cut points and a spread of its own and is compared, in one model with a panel,
with what the same rater's were in that panel, own offsets included and not pooled either; a rater
who was not in it is compared with the mean of the other raters' hands. These very raters are
meant, not the population that they may be drawn from, whose centre a few raters leave wide open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import ForceScale, fit_cuts
from calibrate.model.dependence import scoring_order
from calibrate.model.panelposterior import Posterior, pool
from calibrate.model.panelsetup import Panel, named_raters, prepare
from calibrate.stats.estimate import Estimate, pointwise_levels
from gauge.csvsheet import name_key
from gauge.errors import CannotCompareError, SeparationError, TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# What a hand can be compared with.
OTHERS, OWN_HISTORY = "the other raters", "the rater's own history"
# How much wider, in standard errors, a single boundary's interval is than that of all together.
_SINGLE = 1.5
# Squeezes; raters whose places in the row differ by less on average had the same fruit.
_SAME_PLACE = 0.2
_NO_ORDER = (
    "the order of squeezes was not recorded: each softens a berry, so a hand that always comes "
    "first or last looks drifted"
)
# Of the chance of a false alarm, what the spread takes (one-sided); the shifts take the rest.
_OF_SPREAD = 0.1


@dataclass(frozen=True, kw_only=True)
class Gaps:
    """How far the logs of a hand's cut points lie from the reference's, where both have one."""

    log_ratio: Floats  # (m,)
    covariance: Floats  # (m, m)
    of_today: Floats  # (m, m), the part of it that more berries of today would lower
    reference_newton: Floats  # (m,)


@dataclass(frozen=True, kw_only=True)
class RaterShift:
    """One rater's own cut points and their distance from the reference."""

    n: int  # scores of the rater today
    reference: str  # against what: `OTHERS` or `OWN_HISTORY`
    panel: tuple[str, ...]  # the raters compared with
    panel_cuts: tuple[Estimate, ...]  # of the panel's mean hand
    reference_cuts: tuple[Estimate, ...]
    # How much more force, in newtons, the rater needs than the reference to call a berry that
    # firm; without a value where the rater has no such boundary.
    boundaries: tuple[Estimate, ...]
    # The mean over all boundaries: evenly against the other raters, whose hands differ in
    # shape; against the rater's own history, as precisely as boundaries that moved together
    # allow. The intervals of all boundaries, of this mean and of the spread hold together at
    # the level.
    shift: Estimate
    shift_error_newton: float  # standard error of that mean
    gaps: Gaps
    # Today's spread over the reference's, at the level of sharpness.
    blunter: Estimate
    blunter_alone: Estimate  # the same, at 2 level - 1 by itself
    spread: float  # in newtons, or log newtons on the log scale
    panel_spread: float
    warnings: tuple[str, ...]
    # Share of the force that a squeeze takes; 0 where the order of squeezes is not taken in.
    softening: float = 0.0
    # Whether the order of squeezes, which never varied, may be all that the shift is.
    confounded: bool = False


def rater_cuts(
    pairs: Pairs,
    rater: str,
    *,
    against: Pairs | None = None,
    force_scale: ForceScale = "linear",
    level: float = 0.95,
    firmest: str = "first",
) -> RaterShift:
    """Compare one rater's cut points in `pairs` with the panel's there, or in `against`.

    Where that, of other berries, names the rater, today's hand is compared with the hand that the
    rater had there.

    Raises
    ------
    NoSuchRaterError
    CannotCompareError
        If there is no other rater, or the scales differ.
    TooFewScoresError
        If the rater used one score only.
    SeparationError, WrongDirectionError, NotConvergedError
        If the rows cannot be fitted; see `calibrate.model.cutmodel.fit_cuts`.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> force = np.tile([1.0, 2, 3, 3, 4, 4, 5, 6], 3)
    >>> soft = [1, 1, 1, 0, 1, 0, 0, 0], [1, 1, 0, 1, 0, 0, 0, 0], [1, 1, 1, 1, 0, 1, 0, 0]
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=force, rank=np.ravel(soft), count=np.ones(24),
    ...               rater=np.repeat([0, 1, 2], 8), berry=np.tile(np.arange(8), 3),
    ...               raters=("ines", "marek", "odile"), berries=tuple("abcdefgh"))
    >>> found = rater_cuts(pairs, "odile")
    >>> found.panel, found.shift.value > 0.5  # odile needs more force
    (('ines', 'marek'), True)
    """
    own = pairs.of_raters([rater])
    if np.unique(own.rank).size < 2:
        raise TooFewScoresError(
            f"{rater} used {'one score only' if own.n else 'no score'} in {pairs.source}, so there "
            "is no cut point to compare.",
            todo="Let the rater score berries from firm to soft.",
        )
    # Scores that run against force are refused; with separation the panel lends its spread.
    with suppress(SeparationError):
        fit_cuts(own, force_scale=force_scale, firmest=firmest)
    pairs, against = pairs.panel(but=rater)[0], against and against.panel()[0]
    joined = named_raters(pairs) if against is None else _join(against, own, rater)
    at = joined.raters.index(rater) if against is None else len(joined.raters) - 1
    others = tuple(name for i, name in enumerate(joined.raters) if i != at)
    if not others:
        raise CannotCompareError(
            f"{pairs.source} has no rater beside {rater}, so there is no panel to compare with.",
            todo="Name a source that holds the panel's scores: --against SOURCE2.",
        )
    same = [i for i, name in enumerate(others) if name_key(name) == name_key(rater)]
    earlier = same[0] if same else None
    apart = [at] if earlier is None else [at, earlier]
    several = len(joined.raters) - len(apart) > 1
    panel = prepare(
        joined,
        force_scale=force_scale,
        firmest=firmest,
        hands=several,
        offsets=several,
        apart=apart,
    )
    return _compare(pool(panel, panel.modes(berries=True)), at, earlier, rater, level)


def _compare(
    posterior: Posterior, at: int, earlier: int | None, name: str, level: float
) -> RaterShift:
    """Compare the cut points of the rater `at` with the same rater's earlier, or the others'."""
    panel, data, pairs = posterior.panel, posterior.panel.data, posterior.panel.pairs
    others = tuple(other for i, other in enumerate(pairs.raters) if i != at)
    known = data.place[at] >= 0
    own_cuts = panel.hand_cuts(own=True)
    of_panel = np.delete(panel.hand_cuts(), at, axis=0).mean(axis=0)
    reference, mine = of_panel, own_cuts[at]
    if earlier is not None:
        known &= data.place[earlier] >= 0
        reference = own_cuts[earlier]
    if not known.any():
        raise TooFewScoresError(
            f"{name} used other scores in {pairs.source} than now, so no boundary is in both.",
            todo="Let the rater score berries from firm to soft.",
        )
    both = mine[:, known], reference[:, known]
    shifts, shift, error = _shifts(posterior, *both, earlier is not None, level)
    reference_spread = panel.spread if earlier is None else data.spread_weights[earlier]
    sharpness = 1.0 - 2.0 * _OF_SPREAD * (1.0 - level)
    ratio = posterior.of((data.spread_weights[at] - reference_spread)[:, None])
    blunter, alone = (ratio.estimates(p)[0].map(math.exp) for p in (sharpness, 2 * level - 1))
    confounded, of_order = _order(panel, at, earlier, name)

    def of_known(estimates: Sequence[Estimate]) -> list[Estimate]:
        by_cut = dict(zip(np.flatnonzero(known).tolist(), estimates, strict=True))
        return [by_cut.get(cut, Estimate(value=None)) for cut in range(data.n_cuts)]

    return RaterShift(
        n=round(float(pairs.count[pairs.rater == at].sum())),
        reference=OTHERS if earlier is None else OWN_HISTORY,
        panel=others,
        panel_cuts=posterior.cuts(of_panel, level),
        reference_cuts=posterior.cuts(reference, level),
        boundaries=panel.at_boundaries(of_known(shifts)),
        shift=shift,
        shift_error_newton=error,
        gaps=_gaps(posterior, *both),
        blunter=blunter,
        blunter_alone=alone,
        spread=math.exp(posterior.middle(data.spread_weights[at])),
        panel_spread=math.exp(posterior.middle(panel.spread)),
        softening=-math.expm1(-posterior.middle(data.softening_weights)),
        confounded=confounded,
        warnings=(
            *panel.dependence.warnings(),
            *_warnings(name, others, panel.unused(at)),
            *of_order,
        ),
    )


def _order(panel: Panel, at: int, earlier: int | None, name: str) -> tuple[bool, list[str]]:
    """Return whether the order of squeezes may be all of a shift, and what to say about it.

    A rater who squeezes as early, on average, as those compared with has nothing to explain.
    """
    pairs = panel.pairs
    if panel.data.squeezes is not None or pairs.squeezes is None:
        return False, []
    mine, theirs = pairs.rater == at, pairs.rater != at
    if earlier is not None:
        theirs = pairs.rater == earlier
    if not pairs.squeeze_recorded.any():
        shared = pairs.squeezes[mine].max() > 1.0 < pairs.squeezes[theirs].max()
        return False, [_NO_ORDER] if shared else []
    apart = abs(pairs.squeezes[mine].mean() - pairs.squeezes[theirs].mean())
    if apart < _SAME_PLACE:
        return False, []
    return True, [
        f"{name} always squeezes at the same place of the row, and each squeeze softens a berry: "
        "hand and order cannot be told apart; take turns, as 'gauge log' and 'gauge sheet' say"
    ]


def _shifts(
    posterior: Posterior, mine: Floats, reference: Floats, as_one: bool, level: float
) -> tuple[list[Estimate], Estimate, float]:
    """Estimate the shift of each boundary and their mean, together, and the mean's error.

    `as_one` weighs the boundaries as if they moved together.
    """
    gaps, middle = mine - reference, np.exp(posterior.of(reference).centre)
    share = np.full(middle.size, 1.0 / middle.size)
    if as_one:
        share = _sharpest(posterior.joint(gaps) * np.outer(middle, middle), _single(gaps))
    middle_of_all = float(share @ middle)
    contrasts = np.column_stack([gaps, gaps @ (share * middle / middle_of_all)])
    # A hand mostly moves as a whole: the interval of all boundaries together is the narrower one.
    ease = np.append(np.full(middle.size, _SINGLE if middle.size > 1 else 1.0), 1.0)
    covariance = posterior.joint(contrasts)
    levels = pointwise_levels(covariance, 1.0 - (1.0 - _OF_SPREAD) * (1.0 - level), ease)
    gap = posterior.of(contrasts)
    each = gap.estimates(levels[0])[:-1]
    shifts = [_newton(one, size) for one, size in zip(each, middle.tolist(), strict=True)]
    whole = _newton(gap.estimates(levels[-1])[-1], middle_of_all)
    return shifts, whole, math.sqrt(covariance[-1, -1]) * middle_of_all


def _single(gaps: Floats) -> Ints:
    """Leave out boundaries that lie together on both sides of a skipped score, but for one."""
    return np.sort(np.unique(gaps, axis=1, return_index=True)[1])


def _gaps(posterior: Posterior, mine: Floats, reference: Floats) -> Gaps:
    """Gather what a judgement against a limit needs."""
    single = _single(mine - reference)
    mine, reference = mine[:, single], reference[:, single]
    covariance = posterior.joint(mine - reference)
    fixed = posterior.joint(reference)
    # Nearly all of it is of today where both scored the same berries.
    share = min(1.0, float((0.8 * np.diagonal(covariance) / np.diagonal(fixed)).min()))
    return Gaps(
        log_ratio=posterior.of(mine - reference).centre,
        covariance=covariance,
        of_today=covariance - share * fixed,
        reference_newton=np.exp(posterior.of(reference).centre),
    )


def _newton(log_ratio: Estimate, reference_newton: float) -> Estimate:
    """Turn a log ratio of cut points into newtons, with ends in proportion to it.

    A difference over its logarithm is the logarithmic mean, held where the estimate is.
    """
    middle = log_ratio.known
    slope = math.expm1(middle) / middle if abs(middle) > 1e-9 else 1.0
    return log_ratio.times(reference_newton * slope)


def _sharpest(covariance_newton2: Floats, kept: Ints) -> Floats:
    """Weights of boundaries in their mean with the smallest variance, none of them below zero."""
    while True:
        weight = np.linalg.solve(covariance_newton2[np.ix_(kept, kept)], np.ones(kept.size))
        if (weight >= 0.0).all():
            share = np.zeros(len(covariance_newton2))
            share[kept] = weight / weight.sum()
            return share
        kept = kept[weight > 0.0]


def _warnings(rater: str, others: tuple[str, ...], unused: tuple[str, ...]) -> tuple[str, ...]:
    out = []
    if len(others) == 1:
        out.append(f"the panel is {others[0] or 'one hand'} alone: the shift is between two hands")
    if unused:
        out.append(f"{rater} never used {', '.join(unused)}: no boundary of {rater}'s own there")
    return tuple(out)


def _join(against: Pairs, own: Pairs, rater: str) -> Pairs:
    """Put the rater beside a panel of other berries, as its last member."""
    if against.scale.labels != own.scale.labels:
        raise CannotCompareError(
            f"{own.source} is scored {', '.join(own.scale.labels)} and {against.source} "
            f"{', '.join(against.scale.labels)}, firmest first.",
            todo="Compare sources of one scale.",
        )
    panel, own = named_raters(against), own.rows(scoring_order(own))
    panel = panel.rows(scoring_order(panel))
    name = rater if rater not in panel.raters else f"{rater} ({own.source})"
    first, first_names = _berries(panel)
    second, second_names = _berries(own)
    squeezes = [one.squeezes for one in (panel, own) if one.squeezes is not None]
    return replace(
        panel,
        force_newton=np.append(panel.force_newton, own.force_newton),
        rank=np.append(panel.rank, own.rank),
        count=np.append(panel.count, own.count),
        rater=np.append(panel.rater, np.full(own.rank.size, len(panel.raters))),
        berry=np.append(first, second + len(first_names)),
        raters=(*panel.raters, name),
        berries=(*first_names, *second_names),
        squeezes=np.concatenate(squeezes) if len(squeezes) == 2 else None,
        extra={"squeeze_order": np.append(panel.squeeze_order, own.squeeze_order).astype(object)},
    )


def _berries(pairs: Pairs) -> tuple[Ints, tuple[str, ...]]:
    """Berries of a source; where it names none, every row is a berry."""
    if pairs.berries:
        return pairs.berry, pairs.berries
    rows = np.arange(pairs.rank.size)
    return rows, tuple(f"row {i + 1}" for i in rows)
