"""Last season's calibration as a prior for this season's first days, fading as data come."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibrate.cuts.calibration import Calibration
from calibrate.cuts.seasonshift import check_same_scale
from calibrate.stats.estimate import Estimate, t_quantile
from gauge.errors import InvalidValueError

_NOTHING = (0.0, 0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class CarriedCut:
    """One cut point from last season's and this season's knowledge.

    `force_newton` has no value when neither season knows the cut; `prior_weight` is the share of
    last season in it, 1 before any data and towards 0 as data come.
    """

    between: tuple[str, str]
    force_newton: Estimate
    prior_weight: float


def carry(
    previous: Calibration,
    current: Calibration | None,
    *,
    season_sd: float = 0.10,
    level: float = 0.95,
) -> tuple[CarriedCut, ...]:
    """Combine last season's cuts with what this season shows so far.

    On the log of force, cut by cut: the prior is normal about last season's cut with its standard
    error and, added to it, the way that cuts move from season to season; both estimates are
    weighted by their precision (normal-normal model; Gelman et al., Bayesian Data Analysis,
    chapter 2). `current` is None while there is too little to fit.

    `season_sd` is the standard deviation of a cut's change between seasons, as a share of force.
    The default of 0.10 is assumed, not measured; take it from `calibrate compare` once several
    seasons are at hand.

    Raises
    ------
    CannotCompareError
        If the scales differ.
    InvalidValueError
        If `season_sd` is not above zero.
    """
    if season_sd <= 0:
        raise InvalidValueError("the spread between seasons must be above zero")
    if current is not None:
        check_same_scale(previous, current)
    z = t_quantile(math.inf, level)
    carried = []
    for index, between in enumerate(previous.scale.boundaries):
        prior = _log_estimate(previous.cuts[index], previous.level, extra_sd=season_sd)
        data = _NOTHING if current is None else _log_estimate(current.cuts[index], current.level)
        precision = prior[1] + data[1]
        force = Estimate(value=None)
        if precision:
            mean = (prior[0] * prior[1] + data[0] * data[1]) / precision
            force = Estimate.around(mean, z / math.sqrt(precision)).map(math.exp)
        weight = prior[1] / precision if precision else 0.0
        carried.append(CarriedCut(between=between, force_newton=force, prior_weight=weight))
    return tuple(carried)


def _log_estimate(cut: Estimate, level: float, extra_sd: float = 0.0) -> tuple[float, float]:
    """Return the log of a cut and its precision, from its interval; no precision if not known.

    With one open side the known side serves for both; with two, nothing is known of the error, so
    the cut is left out.
    """
    if cut.value is None or cut.value <= 0:
        return _NOTHING
    ends = [end for end in (cut.low, cut.high) if end is not None and end > 0]
    halves = [abs(math.log(end / cut.value)) for end in ends]
    if not halves:
        return _NOTHING
    error = sum(halves) / len(halves) / t_quantile(math.inf, level)
    return math.log(cut.value), 1 / (error**2 + extra_sd**2)
