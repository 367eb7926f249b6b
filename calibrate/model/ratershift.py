"""One rater against a panel: where his or her own cut points lie, and how far from the panel's.

The rater has free cut points and the panel is fitted to the others, in one model, so that berries
scored by both count as such. The panel here is those very raters, the mean of their hands: a hand
is held to the scale that they set, and not to the population that they may be drawn from, whose
centre a few raters leave wide open.
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import ForceScale, fit_cuts
from calibrate.model.panelposterior import Posterior, pool
from calibrate.model.panelsetup import Panel, named_raters, prepare
from calibrate.stats.estimate import Estimate
from gauge.errors import CannotCompareError, SeparationError, TooFewScoresError

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Shift:
    """How much more force a rater needs than the panel, with its interval.

    Attributes
    ----------
    newton : Estimate
        At the panel's cut point; above zero: the rater needs more force to call a berry that firm.
        Without a value where the rater has no such boundary.
    share : Estimate
        The same as a share of the panel's cut point.
    """

    newton: Estimate
    share: Estimate


@dataclass(frozen=True, kw_only=True)
class RaterShift:
    """One rater's own cut points and their distance from the panel's.

    Attributes
    ----------
    name : str
    n : int
        Scores of the rater.
    panel : tuple of str
        The raters compared with.
    cuts : tuple of Estimate
        The rater's own; nothing is pooled towards the panel but the spread.
    panel_cuts : tuple of Estimate
        Of the others.
    boundaries : tuple of Shift
    shift : Shift
        All boundaries together, each by its precision.
    spread, panel_spread : float
        In newtons, or log newtons on the log scale.
    warnings : tuple of str
    """

    name: str
    n: int
    panel: tuple[str, ...]
    cuts: tuple[Estimate, ...]
    panel_cuts: tuple[Estimate, ...]
    boundaries: tuple[Shift, ...]
    shift: Shift
    spread: float
    panel_spread: float
    warnings: tuple[str, ...]


def rater_cuts(
    pairs: Pairs,
    rater: str,
    *,
    against: Pairs | None = None,
    force_scale: ForceScale = "linear",
    level: float = 0.95,
    firmest: str = "first",
) -> RaterShift:
    """Compare one rater's cut points with the panel's.

    Parameters
    ----------
    pairs : Pairs
        With this rater, and the panel unless `against` is given.
    rater : str
    against : Pairs, optional
        The panel, from other berries; all raters in it belong to the panel.
    force_scale : {'linear', 'log'}
    level : float
    firmest : {'first', 'last'}
        For messages.

    Raises
    ------
    NoSuchRaterError
    CannotCompareError
        If there is no other rater, or the scales differ.
    TooFewScoresError
        If the rater used one score only.
    SeparationError, WrongDirectionError, NotConvergedError
        If the rows cannot be fitted; see `calibrate.model.cutmodel.fit_cells`.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> force = np.tile([1.0, 2, 3, 3, 4, 4, 5, 6], 3)
    >>> soft = [1, 1, 1, 0, 1, 0, 0, 0], [1, 1, 0, 1, 0, 0, 0, 0], [1, 1, 1, 1, 0, 1, 0, 0]
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=force, rank=np.ravel(soft), count=np.ones(24),
    ...               rater=np.repeat([0, 1, 2], 8), berry=np.tile(np.arange(8), 3),
    ...               raters=("ines", "marek", "odile"), berries=tuple("abcdefgh"))
    >>> found = rater_cuts(pairs, "odile")
    >>> found.panel, round(found.shift.newton.value, 1)  # odile needs more force
    (('ines', 'marek'), 0.9)
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
    hands = len(others) > 1
    panel = prepare(joined, force_scale=force_scale, firmest=firmest, hands=hands, apart=at)
    posterior = pool(
        panel.data, panel.modes(berries=True), panel.prior, hands=hands, spreads=True, apart=at
    )
    return _compare(panel, posterior, at, rater, level)


def _compare(panel: Panel, posterior: Posterior, at: int, name: str, level: float) -> RaterShift:
    """Hold the cut points of the rater `at` against those of the others' mean hand."""
    pairs, place = panel.pairs, panel.data.place[at]
    others = tuple(other for i, other in enumerate(pairs.raters) if i != at)
    known = place >= 0

    def own_only(estimates: tuple[Estimate, ...]) -> list[Estimate]:
        return [e if own else _UNKNOWN for e, own in zip(estimates, known, strict=True)]

    centre = panel.centre() + panel.mean_hand(but=at)
    mine = np.column_stack([panel.column(place=int(p) if p >= 0 else None) for p in place])
    gap, of_panel = posterior.of(mine - centre), posterior.of(centre)
    # Boundaries together: each by the inverse of its variance.
    variance = gap.weight @ (gap.variance + gap.mean**2) - gap.centre**2
    precision = np.where(known, 1.0 / variance, 0.0)
    weight = precision / precision.sum()
    overall = posterior.of((mine - centre) @ weight[:, None])
    middle = np.exp(of_panel.centre)
    shifts = [
        _shift(log_ratio, float(cut))
        for log_ratio, cut in zip(own_only(gap.estimates(level)), middle, strict=True)
    ]
    cut_of = [panel.cut_of(boundary) for boundary in range(len(pairs.scale.boundaries))]
    spreads = np.column_stack([panel.spread_column(at), panel.spread_column()])
    spread, panel_spread = np.exp(posterior.of(spreads).centre).tolist()
    return RaterShift(
        name=name,
        n=round(float(pairs.count[pairs.rater == at].sum())),
        panel=others,
        cuts=panel.at_boundaries(own_only(posterior.of(mine).estimates(level))),
        panel_cuts=panel.at_boundaries(of_panel.estimates(level)),
        boundaries=tuple(_shift(_UNKNOWN, 1.0) if k is None else shifts[k] for k in cut_of),
        shift=_shift(overall.estimates(level)[0], float(weight @ middle)),
        spread=spread,
        panel_spread=panel_spread,
        warnings=_warnings(name, others, panel.unused(at)),
    )


_UNKNOWN = Estimate(value=None)


def _shift(log_ratio: Estimate, cut_newton: float) -> Shift:
    share = log_ratio.map(math.expm1)
    return Shift(newton=share.times(cut_newton), share=share)


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
    panel = named_raters(against)
    name = rater if rater not in panel.raters else f"{rater} ({own.source})"
    first, first_names = _berries(panel)
    second, second_names = _berries(own)
    return replace(
        panel,
        force_newton=np.concatenate([panel.force_newton, own.force_newton]),
        rank=np.concatenate([panel.rank, own.rank]),
        count=np.concatenate([panel.count, own.count]),
        rater=np.concatenate([panel.rater, np.full(own.rank.size, len(panel.raters))]),
        berry=np.concatenate([first, second + len(first_names)]),
        raters=(*panel.raters, name),
        berries=(*first_names, *second_names),
        extra={},
    )


def _berries(pairs: Pairs) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Berries of a source; where it names none, every row is a berry."""
    if pairs.berries:
        return pairs.berry, pairs.berries
    rows = np.arange(pairs.rank.size)
    return rows, tuple(f"row {i + 1}" for i in rows)
