"""From pairs to a calibration in one call: choice of force scale, panel or one hand, warnings."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import CutFit, ForceScale, collapse, fit_cuts, whole_covariance
from calibrate.model.intervals import cut_intervals, widened
from calibrate.stats.forcespread import may_grow, spread_growth
from calibrate.stats.measurement import GaugeError, expected_true
from gauge.package import __version__

if TYPE_CHECKING:
    from calibrate.model.panel import PanelFit
    from calibrate.stats.estimate import Estimate

ForceChoice = Literal["linear", "log", "auto"]


def fit(
    pairs: Pairs,
    *,
    force_scale: ForceChoice = "linear",
    level: float = 0.95,
    firmest: str = "first",
    penalised: bool = False,
    these_raters: bool = False,
    gauge_error: GaugeError | None = None,
    earlier_hand_sds: Sequence[float] = (),
) -> Calibration:
    """Fit cut points with intervals to all rows of `pairs`.

    Parameters
    ----------
    pairs : Pairs
        With two or more raters in them the cut points are the panel's.
    force_scale : {'linear', 'log', 'auto'}
        'auto' takes the scale of the smaller AIC (Akaike, H. (1974) IEEE Trans. Autom. Control
        19:716-723): both give probabilities of the same scores, so their likelihoods compare.
    level : float
    firmest : {'first', 'last'}
        As declared, for messages.
    penalised : bool
        Whether sparse data are helped by a penalty; all rows are then taken as one hand's.
    these_raters : bool
        Whether a panel's cut points are those of the mean of its very raters, and not of the
        hands that such raters come from.
    gauge_error : GaugeError, optional
        How far shown forces lie from the true ones, which cut points then mean.
    earlier_hand_sds : sequence of float
        `hand_sds` of an earlier season's calibration, which this one is to carry on.

    Returns
    -------
    Calibration
        Its `cut_newton` is the array of cut points in newtons.

    Raises
    ------
    TooFewScoresError, SeparationError, WrongDirectionError, NotConvergedError
        See `calibrate.model.cutmodel.fit_cuts`.
    """
    pairs, few = pairs.panel()
    if gauge_error is not None:
        pairs = _of_true_force(pairs, gauge_error)
    if penalised:
        found = _penalised(pairs, force_scale, level, firmest)
    elif len(pairs.raters) > 1:
        from calibrate.model.panel import fit_panel

        panel = fit_panel(
            pairs, force_scale=force_scale, level=level, firmest=firmest,
            earlier_hand_sds=earlier_hand_sds,
        )  # fmt: skip
        found = _of_panel(panel, these_raters)
    else:
        one, warnings = _best(pairs, force_scale, firmest)
        # A named rater is a panel of one: few scores are allowed for, as for any panel.
        wide = widened(level, pairs.n, one.ordinal.phi.size) if pairs.raters else level
        cuts = cut_intervals(one, level=wide)
        found = _of_one(pairs, one, cuts, warnings)
    return replace(
        found,
        n=pairs.n,
        level=level,
        warnings=(*found.warnings, *_no_force(found), *few, *pairs.doubts),
        raters=pairs.raters,
        fingerprint=fingerprint(pairs, found.force_scale, level),
        version=__version__,
        source=pairs.source,
    )


def _no_force(found: Calibration) -> list[str]:
    """Say which cut points are no force that a berry could have."""
    below = [
        "/".join(between)
        for between, cut in zip(found.scale.boundaries, found.cuts, strict=True)
        if cut.value is not None and cut.value <= 0
    ]
    if not below:
        return []
    return [
        f"not above 0 N, so no force at all: cut {', '.join(below)}; look for a wrong row, score "
        "more berries, or fit on the log scale"
    ]


def _of_true_force(pairs: Pairs, error: GaugeError) -> Pairs:
    """Put the expected true force of each berry in place of the shown one."""
    force = pairs.force_newton
    each = force[np.unique(pairs.berry, return_index=True)[1]] if pairs.berries else force
    return replace(pairs, force_newton=expected_true(force, each, error))


def _penalised(pairs: Pairs, force_scale: ForceChoice, level: float, firmest: str) -> Calibration:
    from calibrate.model.penalised import LABEL, fit_penalised

    scale: ForceScale = "log" if force_scale == "log" else "linear"
    model = fit_penalised(pairs, force_scale=scale, level=level, firmest=firmest)
    warnings = [LABEL, *_unused_warnings(pairs)]
    if force_scale == "auto":
        warnings.append("AIC does not compare penalised fits, so the linear scale was taken")
    if len(pairs.raters) > 1:
        warnings.append("all raters are taken as one hand in a penalised fit")
    columns = [h if scale == "linear" else np.exp(h) for h in (model.cut, model.low, model.high)]
    return Calibration(
        scale=pairs.scale,
        force_scale=scale,
        cuts=as_cuts(*(column.tolist() for column in columns)),
        spread=model.spread,
        log_likelihood=model.log_likelihood,
        warnings=tuple(warnings),
    )


def _of_panel(model: PanelFit, these_raters: bool) -> Calibration:
    # What a rater of the usual spread makes of berries of one force: the rater's spread, and how
    # berries of one force differ to all fingers, at the middle cut. Probabilities need both.
    middle = float(np.nanmedian(model.cut_newton)) if model.force_scale == "linear" else 1.0
    berries = (model.berry_sd or 0.0) * middle * math.sqrt(3) / math.pi
    own = model.spread * float(model.growth.factor(np.array(middle)))
    widen = math.hypot(own, berries) / own
    factor = np.append(np.ones(len(model.cuts)), widen)
    covariance = np.array(model.covariance) * np.outer(factor, factor)
    return Calibration(
        scale=model.scale,
        force_scale=model.force_scale,
        cuts=model.these_raters if these_raters else model.cuts,
        spread=model.spread * widen,
        growth=model.growth,
        hand_sd=model.hand_sd,
        hand_sds=model.hand_sds,
        softening=model.softening,
        as_pressed=model.as_pressed,
        covariance=tuple(map(tuple, covariance.tolist())),
        log_likelihood=model.log_likelihood,
        warnings=model.warnings,
    )


def _of_one(
    pairs: Pairs, model: CutFit, cuts: tuple[Estimate, ...], warnings: list[str]
) -> Calibration:
    if pairs.raters:
        warnings.append(
            f"a panel of one: these are the cut points of {pairs.raters[0]}, and how other hands "
            "differ is not known"
        )
    warnings += [*_unused_warnings(pairs), *(cut.why for cut in cuts if cut.why)]
    return Calibration(
        scale=pairs.scale,
        force_scale=model.force_scale,
        cuts=cuts,
        spread=model.spread,
        growth=model.growth,
        covariance=whole_covariance(model),
        log_likelihood=model.log_likelihood,
        warnings=tuple(warnings),
    )


def _best(pairs: Pairs, choice: ForceChoice, firmest: str) -> tuple[CutFit, list[str]]:
    """Fit one rater on the chosen force scale, or on the better of the two."""
    cells = collapse(pairs)

    def fitted(force_scale: ForceScale) -> CutFit:
        plain = fit_cuts(cells, force_scale=force_scale, firmest=firmest)
        rows = cells.force_newton, cells.rank, cells.count
        if force_scale == "log" or not may_grow(plain.ordinal, *rows):
            return plain
        growth = spread_growth(*rows, cells.rater, len(pairs.scale.labels))
        if not growth.shown:
            return plain
        return fit_cuts(cells, force_scale=force_scale, firmest=firmest, growth=growth)

    if choice != "auto":
        return fitted(choice), []
    linear = fitted("linear")
    if (pairs.force_newton <= 0).any():
        return linear, ["a force of zero has no logarithm, so the linear scale was taken"]
    log = fitted("log")
    return (log if log.aic < linear.aic else linear), []


def _unused_warnings(pairs: Pairs) -> list[str]:
    """Say what each score that nobody gave does to the cut points."""
    labels = pairs.scale.labels
    used = np.unique(pairs.rank)
    warnings = []
    for rank, label in enumerate(labels):
        if rank in used:
            continue
        if used[0] < rank < used[-1]:
            firmer, softer = labels[rank - 1], labels[rank + 1]
            warnings.append(
                f"score {label} was never given: the cut points {firmer}/{label} and "
                f"{label}/{softer} fall together, where firmer scores turn into softer ones"
            )
        else:
            warnings.append(f"score {label} was never given")
    return warnings


def fingerprint(pairs: Pairs, force_scale: ForceScale, level: float) -> str:
    """Return the SHA-256 of the data and options of a fit, whatever the order of the rows."""
    cells = collapse(pairs, by_rater=True)
    options = [pairs.scale.to_json(), *pairs.raters, force_scale, "profile", repr(level)]
    digest = hashlib.sha256("\x1f".join(options).encode())
    for column in (cells.force_newton, cells.rank, cells.rater, cells.count):
        # Fixed width and byte order, so that every machine gives the same print.
        kept = column.astype("<f8" if column.dtype.kind == "f" else "<i8")
        digest.update(kept.tobytes())
    return digest.hexdigest()
