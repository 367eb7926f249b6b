"""Cut points that a panel of raters shares, and those of each rater and of the next.

Every rater has a hand (all cut points times ``exp(u)``, tilted and with an offset at each boundary)
and a spread of his or her own; a berry that several raters scored is one of force ``F exp(b)`` to
all of them. Hands, tilts, offsets, spreads and berries are drawn from populations whose standard
deviations are estimated ("random effects").
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.data.scale import Scale
from calibrate.model.cutmodel import ForceScale
from calibrate.model.panellikelihood import FULL, Effort, Prior
from calibrate.model.panelposterior import Posterior, pool
from calibrate.model.panelsetup import Panel, named_raters, prepare, with_growth
from calibrate.stats.estimate import Estimate, t_quantile
from calibrate.stats.forcespread import NO_GROWTH, SpreadGrowth
from gauge.errors import CannotCompareError, InvalidValueError, NotConvergedError

Floats = NDArray[np.float64]

ALL_EFFECTS = "hands+boundaries+spreads+berries"
# Of the posterior of the deviation of hands: equally likely values that stand for it.
HAND_SD_SHARES = (np.arange(9) + 0.5) / 9


@dataclass(frozen=True, kw_only=True, slots=True)
class RaterCuts:
    """One rater of a panel."""

    name: str
    n: int  # scores given
    # How much more force than the panel's centre this hand needs, as a share of force (0.1 is
    # 10 % more), pooled towards the panel.
    shift: Estimate
    spread: float  # in newtons, or log newtons on the log scale
    cuts: tuple[Estimate, ...]  # in newtons, one a boundary of the scale


@dataclass(frozen=True, kw_only=True)
class PanelFit:
    """The scale of a panel; cut points are in newtons, one a boundary of the scale."""

    scale: Scale
    force_scale: ForceScale
    n: int  # scores
    # Of the centre of the population of hands that the raters come from, firmest first. The
    # interval includes what the few raters leave unknown of it.
    cuts: tuple[Estimate, ...]
    # Of the mean hand of these very raters: what they share, where no other hand matters, as
    # when the same raters are compared over seasons.
    these_raters: tuple[Estimate, ...]
    spread: float  # of the usual rater, for one berry: in newtons, or log newtons on the log scale
    growth: SpreadGrowth  # of the spread with force; `spread` is that at its `at_newton`
    # Standard deviations of log hands, of what single boundaries add to them (tilt and offset
    # together, over the boundaries), of log spreads and of log berry effects (about shares: 0.1
    # is 10 %). That of hands is the median of its posterior, the others have the highest
    # restricted likelihood on the grid of panelposterior. None where the model has no such
    # effect.
    hand_sd: float | None
    boundary_sd: float | None
    spread_sd: float | None
    berry_sd: float | None
    # Equally likely deviations of hands: the whole posterior, for what is planned with it.
    hand_sds: tuple[float, ...]
    # Of the test that hands differ by a factor alone, neither tilted nor with offsets: twice
    # the gain in restricted likelihood against a mixture of chi-squares with 0, 1 and 2 degrees
    # of freedom, 1 : 2 : 1 (case 7 of Self, S. G. & Liang, K.-Y. (1987) J. Am. Stat. Assoc.
    # 82:605-610).
    boundary_p: float | None
    raters: tuple[RaterCuts, ...]
    next_rater: tuple[Estimate, ...]  # where the cut points of a rater not yet seen will lie
    # Marginal: berries integrated out by adaptive quadrature, hands and spreads by Laplace's
    # method, at the standard deviations above.
    log_likelihood: float
    parameters: int  # cut points, spread, softening, standard deviations
    warnings: tuple[str, ...]
    # Over all boundaries and, last, the spread, on the model's scale of force; zero where a cut
    # is not known.
    covariance: tuple[tuple[float, ...], ...]
    # Share of the force that a squeeze takes, where the order of squeezes is taken in: cut
    # points are then of the force that the finger felt, which is that of unsqueezed fruit.
    softening: Estimate | None = None
    # The centre's cut points in forces of fruit pressed after it was squeezed; empty without
    # `softening`.
    as_pressed: tuple[Estimate, ...] = ()

    @property
    def aic(self) -> float:
        """Akaike's criterion of the marginal likelihood."""
        return 2.0 * self.parameters - 2.0 * self.log_likelihood

    @property
    def cut_newton(self) -> Floats:
        """The panel's cut points in newtons, NaN where not identified, shape (n_ranks - 1,)."""
        return np.array([np.nan if cut.value is None else cut.value for cut in self.cuts])


def fit_panel(
    pairs: Pairs,
    *,
    force_scale: Literal["linear", "log", "auto"] = "linear",
    level: float = 0.95,
    random: str = ALL_EFFECTS,
    firmest: str = "first",
    earlier_hand_sds: Sequence[float] = (),
) -> PanelFit:
    """Fit the scale of a panel of two raters or more.

    Parameters
    ----------
    force_scale : {'linear', 'log', 'auto'}
        Whether a spread is the same at all forces in newtons or in log newtons; 'auto' takes the
        smaller AIC. Hands and berries multiply force on both.
    random : str
        Which of hands, boundaries, spreads and berries differ, joined by plus signs.
    firmest : {'first', 'last'}
        What the user declared; only messages depend on it.
    earlier_hand_sds : sequence of float
        `hand_sds` of an earlier season: how far its raters differed is known beforehand of these.

    Raises
    ------
    CannotCompareError
        If there are fewer than two raters.
    InvalidValueError
        If `level` or `random` is none of the above, or a force has no logarithm.
    TooFewScoresError, SeparationError, WrongDirectionError, NotConvergedError
        If the rows cannot be fitted; see `calibrate.model.cutmodel.fit_cuts`.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> force = np.tile([1.0, 2, 3, 3, 4, 4, 5, 6], 2)
    >>> soft = np.array([1, 1, 1, 0, 1, 0, 0, 0, 1, 1, 0, 1, 0, 0, 0, 0])
    >>> hand = np.repeat([0, 1], 8)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=force, rank=soft, rater=hand, count=np.ones(16),
    ...               berry=np.tile(np.arange(8), 2), raters=("ines", "odile"))
    >>> fit = fit_panel(pairs)
    >>> cut = fit.cuts[0]
    >>> cut.low < cut.value < cut.high, 3 < cut.value < 3.5
    (True, True)
    >>> [rater.shift.value > 0 for rater in fit.raters]  # ines calls soft what odile calls firm
    [True, False]
    """
    if not 0.0 < level < 1.0:
        raise InvalidValueError(f"the level {level:g} lies outside 0 to 1")
    effects = frozenset(part.strip() for part in random.split("+"))
    if not effects <= set(ALL_EFFECTS.split("+")):
        raise InvalidValueError(
            f"'{random}' does not say what differs.", todo=f"Write {ALL_EFFECTS}, or parts of it."
        )
    if force_scale == "auto":
        fitted = partial(
            fit_panel,
            pairs,
            level=level,
            random=random,
            firmest=firmest,
            earlier_hand_sds=earlier_hand_sds,
        )
        linear = fitted(force_scale="linear")
        if not (pairs.force_newton > 0).all():
            return linear
        return min(linear, fitted(force_scale="log"), key=lambda fit: fit.aic)
    pairs = named_raters(pairs)
    if len(pairs.raters) == 1:
        raise CannotCompareError(
            f"{pairs.source} has the scores of one rater, and a panel needs two.",
            todo="Name the raters in a column rater, or fit the rater's own cut points.",
        )
    panel = prepare(
        pairs,
        force_scale=force_scale,
        firmest=firmest,
        hands="hands" in effects,
        spreads="spreads" in effects,
        offsets="boundaries" in effects,
    )
    panel = with_growth(panel)
    modes = panel.modes(berries="berries" in effects)
    return _report(pool(panel, modes, earlier_hand_sds=earlier_hand_sds), effects, level)


def fit_panel_centre(
    pairs: Pairs,
    *,
    force_scale: ForceScale,
    level: float = 0.95,
    growth: SpreadGrowth = NO_GROWTH,
    effort: Effort = FULL,
) -> tuple[Estimate, ...]:
    """Fit only the cut points of the centre, as `fit_panel` does, without its tests."""
    panel = prepare(pairs, force_scale=force_scale, ordered=False).growing(growth)
    posterior = pool(panel, panel.modes(berries=True, effort=effort), centre_only=True)
    return posterior.cuts(panel.centre[: panel.data.n_fixed], level)


def _report(posterior: Posterior, effects: frozenset[str], level: float) -> PanelFit:
    panel, data = posterior.panel, posterior.panel.data
    spread = math.exp(posterior.middle(panel.spread))
    # A deviation stands in the report only where the model has the effect and the data show it.
    shown = (*panel.differ[:3], "berries" in effects and panel.repeated)
    _, spread_sd, tilt_sd, offset_sd, berry_sd = posterior.best
    tilted = data.direction**2
    boundary_sd = math.sqrt(tilt_sd**2 * float(tilted.mean()) + offset_sd**2)
    cuts = posterior.cuts(panel.centre, level)
    hand, _, tilt, offset = posterior.deviations.T[:, :, None] ** 2
    return PanelFit(
        scale=panel.pairs.scale,
        force_scale=panel.force_scale,
        n=panel.pairs.n,
        cuts=cuts,
        these_raters=posterior.cuts(panel.hand_cuts().mean(axis=0), level),
        spread=spread,
        growth=panel.growth,
        hand_sd=float(posterior.hand_quantiles(np.array([0.5]))[0]) if shown[0] else None,
        hand_sds=tuple(posterior.hand_quantiles(HAND_SD_SHARES).tolist()) if shown[0] else (),
        boundary_sd=boundary_sd if shown[2] else None,
        boundary_p=_boundary_p(posterior.shape_evidence) if shown[2] else None,
        spread_sd=spread_sd if shown[1] else None,
        berry_sd=berry_sd if shown[3] else None,
        raters=_raters(posterior, level),
        next_rater=posterior.cuts(panel.centre, level, extra=hand + tilt * tilted + offset),
        log_likelihood=_marginal(posterior),
        parameters=data.n_cuts
        + data.n_fixed
        - data.n_places
        + sum(shown)
        + (panel.growth.power > 0.0),
        warnings=tuple(_warnings(panel, effects)),
        covariance=_covariance(posterior, cuts, spread, level),
        **_squeezing(posterior, level),
    )


def _squeezing(posterior: Posterior, level: float) -> dict[str, Any]:
    """Estimate the share of force that a squeeze takes, and the cut points of squeezed fruit."""
    panel, data = posterior.panel, posterior.panel.data
    if data.squeezes is None:
        return {}
    each = data.softening_weights[:, None]
    usual = float(np.average(data.squeezes, weights=data.weight))
    (log_force,) = posterior.of(each).estimates(level)
    return {
        "softening": log_force.map(lambda lost: -math.expm1(-lost)),
        "as_pressed": posterior.cuts(panel.centre - usual * each, level),
    }


def _boundary_p(statistic: float) -> float:
    """P-value of two deviations that are both zero, each on the edge of what it can be."""
    at = max(statistic, 0.0)
    if at == 0.0:
        return 1.0
    return 0.5 * math.erfc(math.sqrt(at / 2.0)) + 0.25 * math.exp(-at / 2.0)


def _raters(posterior: Posterior, level: float) -> tuple[RaterCuts, ...]:
    panel, data, pairs = posterior.panel, posterior.panel.data, posterior.panel.pairs
    found = []
    for j, (name, cuts) in enumerate(zip(pairs.raters, panel.hand_cuts(), strict=True)):
        (log_shift,) = posterior.of(np.eye(data.size)[:, data.effects[0][[j]]]).estimates(level)
        found.append(
            RaterCuts(
                name=name,
                n=round(float(pairs.count[pairs.rater == j].sum())),
                shift=log_shift.map(math.expm1),
                spread=math.exp(posterior.middle(data.spread_weights[j])),
                cuts=posterior.cuts(cuts, level),
            )
        )
    return tuple(found)


def _marginal(posterior: Posterior) -> float:
    """Compute the marginal log-likelihood by Laplace's method for all that raters differ in."""
    panel, first = posterior.panel, posterior.panel.data.n_fixed
    *deviations, berry_sd = posterior.best
    held = Prior(centre=panel.prior.centre, precision=panel.precisions(np.array([deviations]))[0])
    near = posterior.nearest
    try:
        mode = panel.mode(near.theta, held, berry_sd, near)
    except NotConvergedError:
        # Few scores may have their highest point where a hand's cut points would cross.
        mode = near.under(held)
    effect, precision = mode.theta[first:], held.precision[first:]
    inner = np.diag(precision) - mode.hessian[first:, first:]
    return panel.dependence.inflation * float(
        mode.log_likelihood
        - 0.5 * (effect**2 @ precision - np.log(precision).sum())
        - 0.5 * np.linalg.slogdet(inner)[1]
    )


def _covariance(
    posterior: Posterior, cuts: tuple[Estimate, ...], spread: float, level: float
) -> tuple[tuple[float, ...], ...]:
    """Covariance over all boundaries and, last, the spread, on the model's scale of force.

    The deviation of each cut is that of the normal distribution whose interval is the panel's own,
    so that what follows from it is as wide as the panel allows; correlations are those of the
    posterior. Rows and columns of an unknown cut are zero.
    """
    panel = posterior.panel
    joint = posterior.joint(np.column_stack([panel.centre, panel.spread]))
    deviation = np.sqrt(np.diagonal(joint))
    z = t_quantile(math.inf, level)
    place, scale = np.full(len(cuts) + 1, -1), np.zeros(len(cuts) + 1)
    for boundary, cut in enumerate(cuts):
        if cut.value is not None and cut.low is not None and cut.high is not None:
            place[boundary] = panel.cut_of(boundary)
            in_log = math.log(cut.high / cut.low) / (2 * z)
            scale[boundary] = in_log * (cut.value if panel.force_scale == "linear" else 1.0)
    place[-1], scale[-1] = panel.data.n_cuts, deviation[-1] * spread
    correlation = joint / np.outer(deviation, deviation)
    known = place >= 0
    whole = np.where(np.outer(known, known), correlation[np.ix_(place, place)], 0.0)
    return tuple(tuple(row) for row in (whole * np.outer(scale, scale)).tolist())


def _warnings(panel: Panel, effects: frozenset[str]) -> list[str]:
    out = panel.dependence.warnings()
    for rater in range(panel.data.n_raters):
        out += _of_rater(panel, rater)
    if panel.data.n_raters == 2:
        out.append(
            "two raters show little of how hands differ: the panel's intervals lean on what is "
            "usual (within a factor of two)"
        )
    if "berries" in effects and not panel.repeated:
        out.append(
            "no berry was scored twice, so what a berry does to all fingers is part of the spread"
        )
    if panel.pairs.order_is_constant:
        out.append(
            "each rater always squeezed at the same place of the row, so what a squeeze takes is "
            "not known: cut points are of fruit pressed after it was squeezed"
        )
    labels = panel.pairs.scale.labels
    missing = tuple(label for k, label in enumerate(labels) if k not in panel.used)
    if missing:
        out.append(f"nobody used {_list(missing)}: no cut point is known there")
    return out


def _of_rater(panel: Panel, rater: int) -> list[str]:
    name, unused = panel.pairs.raters[rater], panel.unused(rater)
    if panel.used.size - len(unused) < 2:
        return [f"{name} used one score only: the cut points given are the panel's"]
    out = []
    rows = panel.pairs.rater == rater
    force, rank = panel.pairs.force_newton[rows], panel.pairs.rank[rows]
    if (force - force.mean()) @ (rank - rank.mean()) > 0.0:
        out.append(
            f"the scores of {name} run against force; check that forces and scores belong to the "
            "same berries, or leave this rater out"
        )
    if unused:
        beyond = any(who == rater for who, _ in panel.skipped)
        out.append(
            f"{name} never used {_list(unused)}"
            + (" though there were berries for it" if beyond else "")
            + ": the cut points there come from the panel and this rater's hand elsewhere"
        )
    return out


def _list(labels: tuple[str, ...]) -> str:
    return ("scores " if len(labels) > 1 else "score ") + ", ".join(labels)
