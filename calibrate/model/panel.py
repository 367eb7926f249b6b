"""Cut points that a panel of raters shares, and those of each rater and of the next.

Every rater has a hand (all cut points times ``exp(u)``) and a spread of his or her own; a berry
that several raters scored feels like ``F exp(b)`` to all of them. Hands, spreads and berries are
drawn from populations whose standard deviations are fitted ("random effects"). The likelihood is
in panelmodel, intervals in panelintervals, one rater against the panel in panelshift.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from calibrate.data.pairs import Pairs
from calibrate.data.scale import Scale
from calibrate.model.cutmodel import CutFit, ForceScale, fit_cuts, whole_covariance
from calibrate.model.intervals import cut_intervals
from calibrate.model.panelcovariance import centre_covariance
from calibrate.model.panelfit import NO_DEVIATION, Peak, Prior
from calibrate.model.panelintervals import Mixture, Normals, pool
from calibrate.model.panelscale import PanelFit, RaterCuts
from calibrate.model.panelstart import Panel, named_raters, prepare
from calibrate.stats.estimate import Estimate
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
Effects = frozenset[str]

__all__ = ["PanelFit", "RaterCuts", "fit_panel", "panel_cuts", "widened"]

ALL_EFFECTS = "hands+spreads+berries"


def fit_panel(
    pairs: Pairs,
    *,
    force_scale: Literal["linear", "log", "auto"] = "linear",
    level: float = 0.95,
    random: str = ALL_EFFECTS,
    firmest: str = "first",
) -> PanelFit:
    """Fit the scale of a panel.

    Parameters
    ----------
    pairs : Pairs
        With one rater, or none named, the rows are taken as one hand's and a warning says so.
    force_scale : {'linear', 'log', 'auto'}
        Whether a spread is the same at all forces in newtons or in log newtons; 'auto' takes the
        smaller AIC. Hands and berries multiply force on both.
    level : float
        Between 0 and 1.
    random : str
        Which of hands, spreads and berries differ, joined by plus signs.
    firmest : {'first', 'last'}
        What the user declared; only messages depend on it.

    Returns
    -------
    PanelFit

    Raises
    ------
    InvalidValueError
        If `level` or `random` is none of the above, or a force has no logarithm.
    TooFewScoresError, SeparationError, WrongDirectionError, NotConvergedError
        See `calibrate.stats.verdict`.

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
    if not effects <= {"hands", "spreads", "berries"}:
        raise InvalidValueError(
            f"'{random}' does not say what differs.", todo=f"Write {ALL_EFFECTS}, or parts of it."
        )
    if force_scale == "auto":
        fits = [
            fit_panel(pairs, force_scale=h, level=level, random=random, firmest=firmest)
            for h in (("linear", "log") if (pairs.force_newton > 0).all() else ("linear",))
        ]
        return min(fits, key=lambda fit: fit.aic)
    pairs = named_raters(pairs)
    if len(pairs.raters) == 1:
        return _one_hand(pairs, force_scale=force_scale, level=level, firmest=firmest)
    hands, spreads = "hands" in effects, "spreads" in effects
    panel = prepare(pairs, force_scale=force_scale, firmest=firmest, hands=hands, spreads=spreads)
    peaks = panel.peaks(berries="berries" in effects)
    mixture = pool(panel.data, peaks, panel.prior, hands=hands, spreads=spreads)
    return _report(panel, peaks[mixture.nearest], mixture, effects, level)


def _report(panel: Panel, near: Peak, mixture: Mixture, effects: Effects, level: float) -> PanelFit:
    pairs, data, scale = panel.pairs, panel.data, panel.pairs.scale
    cuts = range(data.n_cuts)
    centre = np.column_stack([panel.column(place=k) for k in cuts])
    spreads = np.column_stack(
        [panel.spread_column(), *(panel.spread_column(j) for j in range(data.n_raters))]
    )
    spread = np.exp(mixture.of(spreads).centre)
    hand_sd, spread_sd, berry_sd = mixture.best
    raters, warnings = [], []
    own = [panel.column(place=k, hand=j) for j in range(data.n_raters) for k in cuts]
    shifts = [panel.column(hand=j) for j in range(data.n_raters)]
    hands = mixture.of(np.column_stack(own + shifts))
    value, low, high = (
        (x[: len(own)].reshape(data.n_raters, -1), np.expm1(x[len(own) :]))
        for x in (hands.centre, *hands.interval(level))
    )
    for j, name in enumerate(pairs.raters):
        rows = pairs.rater == j
        used = set(pairs.rank[rows].tolist())
        unused = tuple(scale.labels[k] for k in panel.used if k not in used)
        raters.append(
            RaterCuts(
                name=name,
                n=round(float(pairs.count[rows].sum())),
                shift=Estimate(
                    value=float(value[1][j]), low=float(low[1][j]), high=float(high[1][j])
                ),
                spread=float(spread[1 + j]),
                cuts=_cuts(panel, value[0][j], low[0][j], high[0][j]),
                unused=unused,
            )
        )
        warnings += _of_rater(panel, j, unused, len(used))
    if len(pairs.raters) == 2:
        warnings.append(
            "two raters tell little of how hands differ: the panel's intervals lean on what is "
            "usual (within a factor of two)"
        )
    if "berries" in effects and not panel.berries:
        warnings.append(
            "no berry was scored twice, so what a berry does to all fingers is part of the spread"
        )
    warnings += _unused(scale, panel.used)
    has_berries = "berries" in effects and panel.berries
    found = panel_cuts(panel, mixture.of(centre, centre=True), level)
    mean_hand = np.mean(shifts, axis=0)
    return PanelFit(
        scale=scale,
        force_scale=panel.force_scale,
        level=level,
        n=pairs.n,
        cuts=found,
        these_raters=panel_cuts(panel, mixture.of(centre + mean_hand[:, None]), level),
        spread=float(spread[0]),
        hand_sd=hand_sd if "hands" in effects else None,
        spread_sd=spread_sd if "spreads" in effects else None,
        berry_sd=berry_sd if has_berries else None,
        raters=tuple(raters),
        next_rater=panel_cuts(
            panel, mixture.of(centre, centre=True, extra=mixture.hand_sd**2), level
        ),
        log_likelihood=_marginal(panel, near, mixture),
        parameters=data.n_cuts + 1 + sum(("hands" in effects, "spreads" in effects, has_berries)),
        warnings=tuple(warnings),
        covariance=centre_covariance(panel, mixture, found, float(spread[0]), level),
    )


def _marginal(panel: Panel, near: Peak, mixture: Mixture) -> float:
    """Marginal log-likelihood at the best deviations: Laplace's method for hands and spreads."""
    hand_sd, spread_sd, berry_sd = mixture.best
    data = panel.data
    deviations = np.repeat(np.maximum([hand_sd, spread_sd], NO_DEVIATION), data.n_raters)
    precision = panel.prior.precision.copy()
    precision[data.n_places + 1 :] = deviations**-2.0
    held = Prior(centre=panel.prior.centre, precision=precision)
    peak = panel.peak(near.theta, held, berry_sd, near)
    effect = peak.theta[data.n_places + 1 :]
    inner = peak.information[data.n_places + 1 :, data.n_places + 1 :] + np.diag(deviations**-2.0)
    return float(
        peak.log_likelihood
        - 0.5 * ((effect / deviations) ** 2).sum()
        - np.log(deviations).sum()
        - 0.5 * np.linalg.slogdet(inner)[1]
    )


def panel_cuts(panel: Panel, normals: Normals, level: float) -> tuple[Estimate, ...]:
    """Cut points for all labels: around an unused score both are the same, beyond it none.

    Parameters
    ----------
    panel : Panel
    normals : Normals
        Of the logs of the cut points between scores in use.
    level : float

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> force, rater = np.tile([1.0, 4, 3, 5], 2), np.repeat([0, 1], 4)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=force, rank=np.tile([1, 1, 0, 0], 2), rater=rater,
    ...               count=np.ones(8), berry=np.arange(8), raters=("ines", "odile"))
    >>> mean, variance = np.log([[3.0]]), np.array([[0.01]])
    >>> normals = Normals(weight=np.ones(1), mean=mean, variance=variance)
    >>> [cut] = panel_cuts(prepare(pairs, force_scale="linear"), normals, 0.95)
    >>> round(cut.value, 2), round(cut.low, 2), round(cut.high, 2)
    (3.0, 2.47, 3.65)
    """
    return _cuts(panel, normals.centre, *normals.interval(level))


def _cuts(panel: Panel, value: Floats, low: Floats, high: Floats) -> tuple[Estimate, ...]:
    """Cut points for all labels: around an unused score both are the same, beyond it none."""
    out = []
    for boundary in range(len(panel.pairs.scale.boundaries)):
        at = int(np.searchsorted(panel.used, boundary, side="right")) - 1
        if not 0 <= at < value.size:
            out.append(Estimate(value=None))
            continue
        force, least, most = (math.exp(float(x[at])) for x in (value, low, high))
        out.append(Estimate(value=force, low=least, high=most))
    return tuple(out)


def _of_rater(panel: Panel, rater: int, unused: tuple[str, ...], used: int) -> list[str]:
    name = panel.pairs.raters[rater]
    out = []
    if used < 2:
        out.append(f"{name} used one score only: the cut points given are the panel's")
    if used > 1 and _against_force(panel, rater):
        out.append(
            f"the scores of {name} run against force; check that forces and scores belong to the "
            "same berries, or leave this rater out"
        )
    if used > 1 and unused:
        beyond = any(who == rater for who, _ in panel.skipped)
        out.append(
            f"{name} never used {_list(unused)}"
            + (" though there were berries for it" if beyond else "")
            + ": the cut points there come from the panel and this rater's hand elsewhere"
        )
    return out


def _against_force(panel: Panel, rater: int) -> bool:
    rows = panel.pairs.rater == rater
    force, rank = panel.pairs.force_newton[rows], panel.pairs.rank[rows]
    return bool((force - force.mean()) @ (rank - rank.mean()) > 0.0)


def _unused(scale: Scale, used: Iterable[int]) -> list[str]:
    missing = tuple(scale.labels[k] for k in range(len(scale.labels)) if k not in set(used))
    return [f"nobody used {_list(missing)}: no cut point is known there"] if missing else []


def _list(labels: tuple[str, ...]) -> str:
    return ("scores " if len(labels) > 1 else "score ") + ", ".join(labels)


def panel_of_one(name: str) -> str:
    """Say what the cut points of a single named rater are, and are not."""
    return (
        f"a panel of one: these are the cut points of {name}, and how other hands differ is not "
        "known"
    )


def widened(level: float, n: float, parameters: int) -> float:
    """Level at which a profile interval of few scores holds the truth as often as `level` says.

    The deviance is held against its limit as if divided by n - p in place of n, as a normal model's
    residual variance is. No theorem for ordinal scores: measured by tests/bench/coverage.py, where
    plain profile intervals of 25 scores hold the truth 91 to 92 % of the time.

    Parameters
    ----------
    level : float
    n : float
        Scores.
    parameters : int
        Free ones.

    Examples
    --------
    >>> round(widened(0.95, 25, 5), 4), round(widened(0.95, 300, 5), 4)
    (0.9716, 0.9519)
    """
    z = float(ndtri(0.5 + level / 2.0)) * math.sqrt(n / max(n - parameters, 1.0))
    return min(float(2.0 * ndtr(z) - 1.0), 1.0 - 1e-12)


def _one_hand(pairs: Pairs, *, force_scale: ForceScale, level: float, firmest: str) -> PanelFit:
    """Fit a panel of one: its cut points are this hand's and say nothing of other hands."""
    fit: CutFit = fit_cuts(pairs, force_scale=force_scale, firmest=firmest)
    cuts = cut_intervals(fit, level=widened(level, pairs.n, fit.ordinal.phi.size))
    name = pairs.raters[0]
    warnings = [
        panel_of_one(name) if name else "no raters are named: all rows are taken as one hand's"
    ]
    warnings += [cut.why for cut in cuts if cut.why]
    warnings += _unused(pairs.scale, np.unique(pairs.rank))
    return PanelFit(
        scale=pairs.scale,
        force_scale=force_scale,
        level=level,
        n=pairs.n,
        cuts=cuts,
        these_raters=cuts,
        spread=fit.spread,
        hand_sd=None,
        spread_sd=None,
        berry_sd=None,
        raters=(),
        next_rater=(),
        log_likelihood=fit.log_likelihood,
        parameters=fit.ordinal.phi.size,
        warnings=tuple(warnings),
        covariance=whole_covariance(fit),
    )
