"""From pairs to a panel that can be fitted: scores in use, raters who skip one, where to start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import CutFit, ForceScale, fit_cuts, force_range, newtons
from calibrate.model.dependence import Dependence, dependence
from calibrate.model.paneldata import PanelData
from calibrate.model.panellikelihood import FULL, Effort, Evaluation, Prior, find_mode
from calibrate.stats.estimate import Estimate
from calibrate.stats.forcespread import NO_GROWTH, SpreadGrowth, highest, spread_growth
from calibrate.stats.ordinal import Separation, force_separation
from gauge.errors import NotConvergedError, SeparationError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Standard deviation of logs that stands for zero.
NO_DEVIATION = 1e-4


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """How far raters may differ in one way: standard deviations of logs.

    While the mode is found it is `usual`, or that of raters `apart` from the panel; the posterior
    takes every value of the `grid`, which are half-normal beforehand with a `scale`: assumed.
    """

    usual: float
    apart: float
    grid: Floats
    scale: float


HANDS = Deviation(usual=0.15, apart=1.0, grid=np.append(0.0, np.geomspace(0.02, 0.9, 8)), scale=0.3)
SPREADS = Deviation(usual=0.3, apart=0.6, grid=np.array([0.0, 0.15, 0.35]), scale=0.3)
TILTS = Deviation(usual=0.1, apart=NO_DEVIATION, grid=np.array([0.0, 0.1, 0.25, 0.45]), scale=0.35)
OFFSETS = Deviation(usual=0.1, apart=0.5, grid=np.array([0.0, 0.05, 0.1, 0.18]), scale=0.15)
DEVIATIONS = (HANDS, SPREADS, TILTS, OFFSETS)
# Standard deviations of log berry effects for which the mode is found.
BERRY_SDS = (0.0, 0.05, 0.1, 0.16, 0.24, 0.36, 0.54, 0.8)
# Probability; a rater skips a score when never to use it by chance is rarer, going by all raters.
_BY_CHANCE = 0.002
# Standard deviations of places, all but free (a factor of twenty), and of those of skipped scores.
_PLACE, _OWN = 3.0, 0.5
# Log-likelihood; berry deviations that lower it by more than this are ruled out.
_FALLEN = 5.0
_HARD = Effort(points=31, wide_points=31)


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A panel ready to be fitted."""

    pairs: Pairs  # only raters with rows
    force_scale: ForceScale
    used: Ints  # (K + 1,), ranks in use
    data: PanelData
    prior: Prior  # under which the modes are found; its centre is where the search starts
    differ: tuple[bool, ...]  # whether raters may differ in each of `DEVIATIONS`
    pooled: Ints  # raters who are not apart from the panel
    # Rater and rank (position in `used`) that this rater never uses, beyond chance; of a rater
    # apart from the panel, all that are never used.
    skipped: tuple[tuple[int, int], ...]
    # Whether some berry was scored more than once, so that its effect can be estimated.
    repeated: bool
    growth: SpreadGrowth  # of spreads with force
    # Of scores given one after another; every score counts as that much less.
    dependence: Dependence

    def precisions(self, deviations: Floats) -> Floats:
        """Precisions of all parameters where pooled raters deviate by these, (g, 4) to (g, p)."""
        out = np.tile(self.prior.precision, (len(deviations), 1))
        for effect, sd in zip(self.data.effects, deviations.T, strict=True):
            out[:, effect[self.pooled].ravel()] = np.maximum(sd, NO_DEVIATION)[:, None] ** -2.0
        return out

    def growing(self, growth: SpreadGrowth) -> Panel:
        """Let spreads grow so with force."""
        widening = growth.factor(self.pairs.force_newton)
        return replace(self, growth=growth, data=replace(self.data, widening=widening))

    @property
    def centre(self) -> Floats:
        """Weights of the parameters in the panel's log cut points, shape (p, K)."""
        return np.eye(self.data.size)[:, : self.data.n_cuts]

    @property
    def spread(self) -> Floats:
        """Weights of the parameters in the panel's log spread, shape (p,)."""
        return np.asarray(np.eye(self.data.size)[self.data.n_places])

    def hand_cuts(self, *, own: bool = False) -> Floats:
        """Weights of the parameters in all raters' log cut points, shape (J, p, K).

        Where a rater skips a score, the panel's centre moved by his or her hand; with `own`, where
        the rater's scores place the boundary that is left.
        """
        shared, place = np.arange(self.data.n_cuts), self.data.place
        place = np.where(own & (place >= shared.size), place, shared)
        return self.data.cut_weights(place).transpose(0, 2, 1)

    def cut_of(self, boundary: int) -> int | None:
        """Find the cut point of a boundary of the scale: two share one around an unused score."""
        cut = int(np.searchsorted(self.used, boundary, side="right")) - 1
        return cut if 0 <= cut < self.data.n_cuts else None

    def at_boundaries(self, of_cuts: Sequence[Estimate]) -> tuple[Estimate, ...]:
        """Place what is known of cut points at the scale's boundaries; none beyond used scores."""
        cuts = [self.cut_of(boundary) for boundary in range(len(self.pairs.scale.boundaries))]
        return tuple(Estimate(value=None) if k is None else of_cuts[k] for k in cuts)

    def in_newton(self, log_cuts: Sequence[Estimate]) -> tuple[Estimate, ...]:
        """Cut points in newtons at all boundaries of the scale."""
        return self.at_boundaries([cut.map(lambda h: newtons(h, "log")) for cut in log_cuts])

    def unused(self, rater: int) -> tuple[str, ...]:
        """Labels that others used and this rater never."""
        own = self.pairs.rank[self.pairs.rater == rater]
        return tuple(self.pairs.scale.labels[k] for k in self.used if not (own == k).any())

    def modes(self, *, berries: bool, effort: Effort = FULL) -> tuple[Evaluation, ...]:
        """Find the mode for each standard deviation of berries that the data do not rule out."""
        found: list[Evaluation] = []
        theta, best = self.prior.centre, -np.inf
        for sd in BERRY_SDS if berries and self.repeated else BERRY_SDS[:1]:
            near = found[-1] if found else None
            try:
                mode = self.mode(theta, self.prior, sd, near, effort)
            except NotConvergedError:
                if near is None:
                    raise
                break
            found.append(mode)
            theta, best = mode.theta, max(best, mode.log_likelihood)
            if mode.log_likelihood < best - _FALLEN:
                break
        return tuple(found)

    def mode(
        self,
        theta: Floats,
        prior: Prior,
        berry_sd: float,
        near: Evaluation | None,
        effort: Effort = FULL,
    ) -> Evaluation:
        """Find the mode for one standard deviation of berries, with more nodes where few fail."""
        try:
            return find_mode(self.data, theta, prior, berry_sd=berry_sd, near=near, effort=effort)
        except NotConvergedError:
            return find_mode(self.data, theta, prior, berry_sd=berry_sd, effort=_HARD)


def named_raters(pairs: Pairs) -> Pairs:
    """Leave out raters without a row; a source without names has one rater without a name."""
    if not pairs.raters:
        return replace(pairs, raters=("",))
    return pairs.of_raters([pairs.raters[i] for i in np.unique(pairs.rater)])


def prepare(
    pairs: Pairs,
    *,
    force_scale: ForceScale,
    firmest: str = "first",
    hands: bool = True,
    spreads: bool = True,
    offsets: bool = True,
    apart: Sequence[int] = (),
    ordered: bool = True,
) -> Panel:
    """Lay out a panel of two raters or more, as `named_raters` leaves them.

    `hands`, `spreads` and `offsets` (at single boundaries) say whether raters may differ so;
    `apart` are raters who are free of the panel in all of these; where rows are not `ordered` as
    they were scored, scores are taken for independent. Refuses what `fit_cuts` refuses for all
    rows as one hand's, and a panel in which force separates the scores of every single rater.
    """
    pooled = fit_cuts(pairs, force_scale=force_scale, firmest=firmest)
    used, rank = np.unique(pairs.rank, return_inverse=True)
    # With one boundary an offset there is the hand itself.
    offsets = offsets and used.size > 2
    _require_overlap(pairs, rank)
    _, berry = np.unique(pairs.berry, return_inverse=True)
    log_cut = _log_cuts(pooled, pairs)
    skipped = set(_skipped(pairs, rank, used, pooled))
    for rater in apart:
        seen = rank[pairs.rater == rater]
        skipped |= {(rater, k) for k in range(used.size) if k not in seen}
    place, extra = _places(len(pairs.raters), skipped, log_cut)
    order = dependence(pairs, force_scale) if ordered else Dependence()
    force, softening = pairs.force_newton, pairs.softening
    data = PanelData(
        h=np.log(force) if force_scale == "log" else force,
        rank=rank.astype(np.int64),
        rater=pairs.rater,
        berry=berry.astype(np.int64),
        weight=pairs.count / order.inflation,
        place=place,
        direction=_direction(log_cut) if offsets else np.zeros(log_cut.size),
        widening=np.ones(force.size),
        squeezes=None if softening is None else pairs.squeezes,
        log_scale=force_scale == "log",
    )
    differ = (hands, spreads, offsets, offsets)
    start = np.array([*log_cut, *extra, np.log(pooled.spread)])
    return Panel(
        pairs=pairs,
        force_scale=force_scale,
        used=used,
        data=data,
        prior=_prior(data, start, softening, differ, apart),
        differ=differ,
        pooled=np.setdiff1d(np.arange(data.n_raters), apart),
        skipped=tuple(sorted(skipped)),
        repeated=bool(pairs.berries) and bool((np.bincount(berry, pairs.count) > 1).any()),
        growth=NO_GROWTH,
        dependence=order,
    )


def _prior(
    data: PanelData,
    start: Floats,
    softening: tuple[float, float] | None,
    differ: Sequence[bool],
    apart: Sequence[int],
) -> Prior:
    """Say where the search starts, and how far from there each parameter may be."""
    centre, width = np.zeros(data.size), np.full(data.size, _PLACE)
    centre[: start.size] = start
    width[data.n_cuts : data.n_places] = _OWN
    if softening is not None:
        centre[start.size], width[start.size] = softening
    for kind, effect, differs in zip(DEVIATIONS, data.effects, differ, strict=True):
        width[effect] = kind.usual if differs else NO_DEVIATION
        # With one boundary an offset there is the hand itself.
        alone = kind is OFFSETS and data.n_cuts == 1
        width[effect[list(apart)]] = NO_DEVIATION if alone else kind.apart
    return Prior(centre=centre, precision=width**-2.0)


def with_growth(panel: Panel) -> Panel:
    """Let spreads grow with force as scores show it, apart from berries that differ in proportion.

    Only on the linear scale; where berries were scored once there is nothing to tell them apart by.
    """
    if panel.force_scale == "log":
        return panel
    pairs, ranks = panel.pairs, len(panel.pairs.scale.labels)
    found = spread_growth(pairs.force_newton, pairs.rank, pairs.count, pairs.rater, ranks)
    if found.shown and panel.repeated:
        modes = panel.modes(berries=True)
        top = int(np.argmax([mode.log_likelihood for mode in modes]))
        near = modes[max(top - 1, 0) : top + 2]

        def evidence(power: float) -> float:
            grown = panel.growing(replace(found, power=power))
            return max(
                grown.mode(mode.theta, panel.prior, mode.nodes.sigma, mode).evidence(panel.prior)
                for mode in near
            )

        found = highest(evidence, found.at_newton, (0.0, found.power / 2.0, found.power))
    return panel.growing(found if found.shown else replace(found, power=0.0))


def _log_cuts(pooled: CutFit, pairs: Pairs) -> Floats:
    """Logs of the pooled cut points between used scores, kept apart where they near zero."""
    cut = np.unique(pooled.cut[np.isfinite(pooled.cut)])[::-1]
    if pooled.force_scale == "log":
        return cut
    floor = 0.02 * float(np.abs(pairs.force_newton).max())
    return np.asarray(np.log(np.maximum(cut, floor * np.arange(cut.size, 0, -1))))


def _direction(log_cut: Floats) -> Floats:
    """Direction of a hand that adds newtons, beside one that multiplies force."""
    inverse = np.exp(-log_cut)
    return np.asarray(inverse / inverse.mean() - 1.0)


def _places(raters: int, skipped: set[tuple[int, int]], log_cut: Floats) -> tuple[Ints, Floats]:
    """Give each cut point of each rater its place, and each additional place its start.

    A rater who never uses the firmest scores has those cut points at infinity; one who skips a
    score between two others has one boundary there in place of two, at a place of its own.
    """
    cuts = log_cut.size
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


def _skipped(pairs: Pairs, rank: Ints, used: Ints, pooled: CutFit) -> list[tuple[int, int]]:
    """List each rater and rank that is never used though by chance it would have been."""
    found = []
    probability = pooled.probability(pairs.force_newton)[:, used]
    for rater in range(len(pairs.raters)):
        rows = pairs.rater == rater
        for k in range(used.size):
            if not (rank[rows] == k).any():
                never = pairs.count[rows] @ np.log1p(-np.minimum(probability[rows, k], 1 - 1e-12))
                if never < np.log(_BY_CHANCE):
                    found.append((rater, k))
    return found


def _require_overlap(pairs: Pairs, rank: Ints) -> None:
    """Refuse a panel in which force separates the scores of every single rater."""
    for rater in range(len(pairs.raters)):
        rows = pairs.rater == rater
        _, lowest, highest = force_range(pairs.force_newton[rows], rank[rows])
        if force_separation(lowest, highest) is Separation.OVERLAP:
            return
    raise SeparationError(
        f"{pairs.source}: within every rater force separates the scores without overlap, so no "
        "finite spread and no honest interval exists.",
        todo="Score more berries of forces near the boundaries, blind to force.",
    )
