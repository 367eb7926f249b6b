"""Firmness lost per storage day, and days until half the berries pass the sale limit.

The clamshell is the unit; lines through clamshells are in dayline.
"""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from calibrate.cuts.calibration import Calibration
from calibrate.stats.dayline import Line, crossing, fit_line, fit_logit_line
from calibrate.stats.estimate import Estimate
from gauge.errors import FirmhandError, SeparationError, TooFewScoresError

# A line is not carried further than this many times the last storage day seen.
_FARTHEST = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Softening:
    """What storage does to one selection.

    Attributes
    ----------
    clamshells : int
    loss_n_day : Estimate
        Newtons lost per storage day (above zero: softer).
    half_soft_day : Estimate
        Day at which half the berries are beyond the sale limit.
    half_from : str
        "scores" (seen), "force" (predicted by the calibration), or empty.
    """

    clamshells: int
    loss_n_day: Estimate
    half_soft_day: Estimate
    half_from: str = ""


def loss_per_day(day: ArrayLike, mean_newton: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Estimate newtons lost per storage day; no value, with the reason, where no line fits.

    Examples
    --------
    >>> loss_per_day([0, 0, 7, 7], [2.0, 2.2, 1.3, 1.5]).value
    0.1...
    """
    try:
        slope = fit_line(day, mean_newton).slope_estimate(level)
    except TooFewScoresError as error:
        return Estimate(value=None, why=str(error))
    assert slope.value is not None
    return Estimate(
        value=-slope.value,
        low=None if slope.high is None else -slope.high,
        high=None if slope.low is None else -slope.low,
    )


def half_soft_by_score(
    day: ArrayLike, hits: ArrayLike, n: ArrayLike, *, level: float = 0.95
) -> Estimate:
    """Day at which half the berries are scored beyond the limit, from the scores seen.

    Examples
    --------
    >>> half = half_soft_by_score([0, 0, 3, 3, 7, 7], [1, 2, 4, 5, 9, 8], [20] * 6)
    >>> round(half.value, 1), half.why
    (7.9, 'beyond the last storage day seen (7)')
    """
    try:
        line = fit_logit_line(day, hits, n)
    except SeparationError:
        return Estimate(value=None, why="days of firm and of soft berries do not overlap")
    except FirmhandError as error:
        return Estimate(value=None, why=error.what.rstrip("."))
    return _to_come(crossing(line, 0.0, level=level), line, softens=line.slope > 0)


def half_soft_by_force(
    day: ArrayLike, mean_h: ArrayLike, calibration: Calibration, *, level: float = 0.95
) -> Estimate:
    """Day at which the mean berry falls to the cut of the sale limit.

    For forces spread evenly to both sides of their mean (on the scale of the calibration) this is
    the day at which half the berries are beyond the limit. The interval of the cut counts too.

    Parameters
    ----------
    day, mean_h : array_like of float, shape (m,)
        Storage day, and mean on the scale of the calibration, of each clamshell.
    calibration : Calibration
    level : float
        Also the level at which the calibration's interval is read.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> cut = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(1.5,), low_newton=(1.4,),
    ...                   high_newton=(1.6,), spread=0.2)
    >>> half = half_soft_by_force([0, 0, 7, 7, 14, 14], [2.1, 2.2, 1.6, 1.5, 0.9, 1.0], cut)
    >>> round(half.value, 2)
    7.58
    """
    from scipy.special import ndtri

    boundary = calibration.scale.sale_boundary
    cut = None if boundary is None else calibration.cuts_newton[boundary]
    if boundary is None or cut is None:
        return Estimate(value=None, why="the calibration knows no cut at the sale limit")
    try:
        line = fit_line(day, mean_h)
    except TooFewScoresError as error:
        return Estimate(value=None, why=str(error))
    ends = calibration.low_newton[boundary], calibration.high_newton[boundary]
    z = float(ndtri((1 + calibration.level) / 2))
    middle = float(calibration.h(cut))
    # An open side of the cut is taken as wide as the other one.
    halves = [abs(float(calibration.h(end)) - middle) for end in ends if end is not None]
    variance = (max(halves, default=0.0) / z) ** 2
    found = crossing(line, middle, target_variance=variance, level=level)
    return _to_come(found, line, softens=line.slope < 0)


def _to_come(found: Estimate, line: Line, *, softens: bool) -> Estimate:
    """Days cannot lie before the harvest, and only softening fruit passes the limit."""
    if not softens:
        return Estimate(value=None, low=None, high=None, why="no softening over the days seen")
    if found.value is None:
        return found
    if found.value > _FARTHEST * line.last_day:
        # As good as no softening: how far beyond is decided by rounding.
        why = f"far beyond the last storage day seen ({line.last_day:g})"
        return Estimate(value=None, low=found.low, why=why)
    reasons = [found.why] if found.why else []
    if found.value < 0:
        reasons.append("more than half were beyond the limit at day 0")
    elif found.value > line.last_day:
        reasons.append(f"beyond the last storage day seen ({line.last_day:g})")
    return Estimate(
        value=max(found.value, 0.0),
        low=None if found.low is None else max(found.low, 0.0),
        high=None if found.high is None else max(found.high, 0.0),
        why="; ".join(reasons),
    )
