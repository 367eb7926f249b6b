"""From pairs to a panel that can be fitted: scores in use, raters who skip one, where to start.

Refusals come from verdict; the fit itself is in panelfit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import CutFit, ForceScale, fit_cuts
from calibrate.model.panelfit import NO_DEVIATION, Peak, Prior, climb_panel
from calibrate.model.panelmodel import PanelData, lay_out
from calibrate.stats.verdict import Separation, force_separation
from gauge.errors import NotConvergedError, SeparationError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BERRY_SDS = (0.0, 0.05, 0.1, 0.16, 0.24, 0.36, 0.54, 0.8)
# A rater skips a score when, going by all raters, never to use it by chance is rarer than this.
_BY_CHANCE = 0.002
# Deviations at which hands and spreads are held while the peak is looked for, and how loosely the
# places are: a hand of its own for each rater and cut points anywhere within a factor of twenty.
_HAND, _SPREAD, _PLACE, _OWN = 0.15, 0.3, 3.0, 0.5
# Berry deviations beyond a fall of the log-likelihood by this much are not looked at.
_FALLEN = 5.0
_MANY_POINTS = 31


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A panel ready to be fitted.

    Attributes
    ----------
    pairs : Pairs
        Only raters with rows.
    force_scale : {'linear', 'log'}
    used : ndarray of int, shape (K + 1,)
        Ranks in use.
    data : PanelData
    start : ndarray of float, shape (p,)
    prior : Prior
    skipped : tuple of (int, int)
        Rater and rank (position in `used`) that this rater never uses, beyond chance; of a rater
        apart from the panel, all that are never used.
    berries : bool
        Whether some berry was scored more than once, so that its feel can be told.
    pooled : CutFit
        All rows as if from one hand.
    """

    pairs: Pairs
    force_scale: ForceScale
    used: Ints
    data: PanelData
    start: Floats
    prior: Prior
    skipped: tuple[tuple[int, int], ...]
    berries: bool
    pooled: CutFit

    def column(self, *, place: int | None = None, hand: int | None = None) -> Floats:
        """Weights of the parameters in a place plus a hand, shape (p,)."""
        out = np.zeros(self.data.size)
        if place is not None:
            out[place] = 1.0
        if hand is not None:
            out[self.data.n_places + 1 + hand] = 1.0
        return out

    def spread_column(self, rater: int | None = None) -> Floats:
        """Weights of the parameters in a log spread, shape (p,)."""
        out = np.zeros(self.data.size)
        out[self.data.n_places] = 1.0
        if rater is not None:
            out[self.data.n_places + 1 + self.data.n_raters + rater] = 1.0
        return out

    def peaks(self, *, berries: bool) -> tuple[Peak, ...]:
        """Fit for one standard deviation of berries after the other, until the data say enough.

        Raises
        ------
        NotConvergedError
        """
        found: list[Peak] = []
        theta, best = self.start, -np.inf
        for sd in BERRY_SDS if berries and self.berries else BERRY_SDS[:1]:
            near = found[-1] if found else None
            try:
                peak = self.peak(theta, self.prior, sd, near)
            except NotConvergedError:
                if near is None:
                    raise
                break
            found.append(peak)
            theta, best = peak.theta, max(best, peak.log_likelihood)
            if peak.log_likelihood < best - _FALLEN:
                break
        return tuple(found)

    def peak(self, theta: Floats, prior: Prior, berry_sd: float, near: Peak | None) -> Peak:
        """Fit for one standard deviation of berries, with more nodes where few do not do.

        Raises
        ------
        NotConvergedError
        """
        try:
            return climb_panel(self.data, theta, prior, berry_sd=berry_sd, near=near)
        except NotConvergedError:
            return climb_panel(self.data, theta, prior, berry_sd=berry_sd, points=_MANY_POINTS)


def named_raters(pairs: Pairs) -> Pairs:
    """Leave out raters without a row; a source without names has one rater without a name.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = np.zeros(2, dtype=int)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([1.0, 2.0]), rank=np.array([1, 0]),
    ...               count=np.ones(2), rater=one + 1, berry=one, raters=("ines", "odile"))
    >>> named_raters(pairs).raters
    ('odile',)
    """
    if not pairs.raters:
        return replace(pairs, raters=("",))
    seen = np.unique(pairs.rater)
    return pairs.of_raters([pairs.raters[i] for i in seen])


def prepare(
    pairs: Pairs,
    *,
    force_scale: ForceScale,
    firmest: str = "first",
    hands: bool = True,
    spreads: bool = True,
    apart: int | None = None,
) -> Panel:
    """Lay out a panel of two raters or more.

    Parameters
    ----------
    pairs : Pairs
        As `named_raters` leaves them.
    force_scale : {'linear', 'log'}
    firmest : {'first', 'last'}
        For messages.
    hands, spreads : bool
        Whether raters may differ so.
    apart : int, optional
        A rater whose cut points are free of the panel's.

    Raises
    ------
    TooFewScoresError, SeparationError, WrongDirectionError, NotConvergedError

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> force = np.tile([1.0, 2, 3, 3, 4, 4, 5, 6], 2)
    >>> soft = np.array([1, 1, 1, 0, 1, 0, 0, 0, 1, 1, 0, 1, 0, 0, 0, 0])
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=force, rank=soft, rater=np.repeat([0, 1], 8),
    ...               count=np.ones(16), berry=np.tile(np.arange(8), 2), raters=("ines", "odile"))
    >>> panel = prepare(pairs, force_scale="linear")
    >>> panel.data.n_raters, panel.skipped, round(float(np.exp(panel.start[0])), 1)
    (2, (), 3.2)
    """
    pooled = fit_cuts(pairs, force_scale=force_scale, firmest=firmest)
    used, rank = np.unique(pairs.rank, return_inverse=True)
    _require_overlap(pairs, rank, used.size)
    _, berry = np.unique(pairs.berry, return_inverse=True)
    log_cut = pooled.cut[np.isfinite(pooled.cut)]
    log_cut = np.unique(log_cut)[::-1]
    if force_scale == "linear":
        floor = 0.02 * float(np.abs(pairs.force_newton).max())
        log_cut = np.log(np.maximum(log_cut, floor * np.arange(log_cut.size, 0, -1)))
    skipped = _skipped(pairs, rank, used, pooled)
    if apart is not None:
        seen = set(rank[pairs.rater == apart].tolist())
        unused = {(apart, k) for k in range(used.size) if k not in seen}
        skipped = tuple(sorted({*skipped, *unused}))
    place, extra = _places(len(pairs.raters), used.size - 1, skipped, log_cut)
    if apart is not None:
        own = np.unique(place[apart, place[apart] >= 0])
        extra = np.concatenate([extra, np.concatenate([log_cut, extra])[own]])
        at = np.searchsorted(own, place[apart])
        place[apart] = np.where(place[apart] < 0, place[apart], place.max() + 1 + at)
    data = lay_out(
        pairs.force_newton,
        rank.astype(np.int64),
        pairs.rater,
        berry.astype(np.int64),
        pairs.count,
        log_scale=force_scale == "log",
        place=place,
    )
    raters = data.n_raters
    start = np.concatenate([log_cut, extra, [np.log(pooled.spread)], np.zeros(2 * raters)])
    width = np.concatenate(
        [
            np.full(log_cut.size, _PLACE),
            np.full(extra.size, _OWN if apart is None else _PLACE),
            [_PLACE],
            np.full(raters, _HAND if hands else NO_DEVIATION),
            np.full(raters, _SPREAD if spreads else NO_DEVIATION),
        ]
    )
    counted = np.bincount(berry, pairs.count)
    return Panel(
        pairs=pairs,
        force_scale=force_scale,
        used=used,
        data=data,
        start=start,
        prior=Prior(centre=start, precision=width**-2.0),
        skipped=skipped,
        berries=bool(pairs.berries) and bool((counted > 1).any()),
        pooled=pooled,
    )


def _places(
    raters: int, cuts: int, skipped: Sequence[tuple[int, int]], log_cut: Floats
) -> tuple[Ints, Floats]:
    """Which place each cut point of each rater is, and where the additional places start.

    A rater who never uses the firmest scores has those cut points at infinity; one who skips a
    score between two others has one boundary there in place of two, at a place of its own.
    """
    place = np.tile(np.arange(cuts), (raters, 1))
    extra: list[float] = []
    for rater in sorted({rater for rater, _ in skipped}):
        gone = {rank for who, rank in skipped if who == rater}
        kept = [rank for rank in range(cuts + 1) if rank not in gone]
        place[rater, : kept[0]] = -1
        place[rater, kept[-1] :] = -2
        for hard, soft in pairwise(kept):
            if soft - hard > 1:
                place[rater, hard:soft] = cuts + len(extra)
                extra.append(float(log_cut[hard:soft].mean()))
    return place, np.array(extra)


def _skipped(pairs: Pairs, rank: Ints, used: Ints, pooled: CutFit) -> tuple[tuple[int, int], ...]:
    found = []
    probability = pooled.probability(pairs.force_newton)[:, used]
    for rater in range(len(pairs.raters)):
        rows = pairs.rater == rater
        for k in range(used.size):
            if not (rank[rows] == k).any():
                never = pairs.count[rows] @ np.log1p(-np.minimum(probability[rows, k], 1 - 1e-12))
                if never < np.log(_BY_CHANCE):
                    found.append((rater, k))
    return tuple(found)


def _require_overlap(pairs: Pairs, rank: Ints, ranks: int) -> None:
    """Refuse a panel in which force tells the scores of every single rater apart."""
    for rater in range(len(pairs.raters)):
        rows = pairs.rater == rater
        seen = np.unique(rank[rows])
        if seen.size < 2:
            continue
        force, scores = pairs.force_newton[rows], rank[rows]
        lowest = np.array([force[scores == k].min() for k in seen])
        highest = np.array([force[scores == k].max() for k in seen])
        if force_separation(lowest, highest) is Separation.OVERLAP:
            return
    raise SeparationError(
        f"{pairs.source}: within every rater force tells the scores apart without overlap, so no "
        "finite spread and no honest interval exists.",
        todo="Score more berries of forces near the boundaries, blind to force.",
    )
