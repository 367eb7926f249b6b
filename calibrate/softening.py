"""Firmness lost per storage day, and days until half the berries pass the sale limit.

Straight lines through clamshells; the clamshell is the unit. Both crossings come from one place:
where an estimated line meets a level, with Fieller's interval, whose sides may be open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.calibration import Calibration
from calibrate.estimate import Estimate
from gauge.errors import FirmhandError, TooFewScoresError

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A straight line over days, with the covariance of its intercept and slope.

    Attributes
    ----------
    intercept, slope : float
    covariance : ndarray of float, shape (2, 2)
    df : float
        Of the residual variance.
    last_day : float
        The last day seen; beyond it the line is extrapolated.
    """

    intercept: float
    slope: float
    covariance: Floats
    df: float
    last_day: float

    def slope_estimate(self, level: float = 0.95) -> Estimate:
        """The slope with its t interval.

        Examples
        --------
        >>> line = fit_line([0, 0, 7, 7], [2.0, 2.2, 1.3, 1.5])
        >>> round(line.slope_estimate().value, 3)
        -0.1
        """
        half = _t(self.df, level) * float(np.sqrt(self.covariance[1, 1]))
        return Estimate(value=self.slope, low=self.slope - half, high=self.slope + half)


def _t(df: float, level: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + level) / 2))


def fit_line(day: ArrayLike, y: ArrayLike) -> Line:
    """Fit a straight line by least squares, each clamshell counting alike.

    Parameters
    ----------
    day : array_like of float, shape (m,)
        Storage day of each clamshell.
    y : array_like of float, shape (m,)
        Its mean.

    Raises
    ------
    TooFewScoresError
        If there are fewer than three clamshells or two days.

    Examples
    --------
    >>> round(fit_line([0, 0, 7, 7], [2.0, 2.2, 1.3, 1.5]).intercept, 3)
    2.1
    """
    x, values = np.asarray(day, dtype=float), np.asarray(y, dtype=float)
    if np.unique(x).size < 2 or x.size < 3:
        raise TooFewScoresError(
            "a line over days needs two storage days and three clamshells or more"
        )
    centre = float(x.mean())
    sxx = float(((x - centre) ** 2).sum())
    slope = float(((x - centre) * values).sum()) / sxx
    middle = float(values.mean())
    residual = values - middle - slope * (x - centre)
    variance = float(residual @ residual) / (x.size - 2)
    return Line(
        intercept=middle - slope * centre,
        slope=slope,
        covariance=variance
        * np.array(
            [[1 / x.size + centre**2 / sxx, -centre / sxx], [-centre / sxx, 1 / sxx]],
        ),
        df=x.size - 2,
        last_day=float(x.max()),
    )


def fit_logit_line(day: ArrayLike, hits: ArrayLike, n: ArrayLike) -> Line:
    """Fit the log odds of soft berries as a straight line over days, quasi-binomial.

    The covariance is raised by Pearson's dispersion of clamshells about the line, if above 1
    (McCullagh & Nelder (1989), section 4.5).

    Parameters
    ----------
    day, hits, n : array_like of float, shape (m,)
        Storage day, soft berries and berries of each clamshell.

    Raises
    ------
    TooFewScoresError
        If there are fewer than three clamshells or two days, or all or no berries are soft.
    SeparationError
        If days tell soft from sound berries without overlap.

    Examples
    --------
    >>> line = fit_logit_line([0, 0, 7, 7], [1, 2, 9, 10], [20, 20, 20, 20])
    >>> round(-line.intercept / line.slope, 1)
    7.3
    """
    from calibrate.ordinal import fit_ordinal

    x, soft, total = (np.asarray(one, dtype=float) for one in (day, hits, n))
    if np.unique(x).size < 2 or x.size < 3:
        raise TooFewScoresError(
            "a line over days needs two storage days and three clamshells or more"
        )
    rank = np.repeat([0, 1], x.size)
    weight = np.concatenate([total - soft, soft])
    fit = fit_ordinal(np.tile(x, 2)[:, None], rank, weight, n_ranks=2)
    # logit P(soft) = beta x - theta
    turn = np.diag([-1.0, 1.0])
    intercept, slope = -float(fit.threshold[0]), float(fit.coef[0])
    p = 1 / (1 + np.exp(-(intercept + slope * x)))
    chi2 = float(((soft - total * p) ** 2 / (total * p * (1 - p))).sum())
    return Line(
        intercept=intercept,
        slope=slope,
        covariance=max(1.0, chi2 / (x.size - 2)) * turn @ fit.covariance @ turn,
        df=x.size - 2,
        last_day=float(x.max()),
    )


def crossing(
    line: Line, target: float, *, target_variance: float = 0.0, level: float = 0.95
) -> Estimate:
    """Day at which a line meets a target, with Fieller's interval.

    The interval holds all days d at which (intercept + slope d - target)^2 is no more than t^2
    times its variance (Fieller, E. C. (1954) J. R. Stat. Soc. B 16:175-185). Where the slope is
    not told from zero the set has no upper end, or no end at all: that side is None.

    Parameters
    ----------
    line : Line
    target : float
    target_variance : float
        When the target is itself an estimate, independent of the line.
    level : float

    Examples
    --------
    >>> line = fit_line([0, 0, 7, 7, 14, 14], [2.1, 2.2, 1.6, 1.5, 0.9, 1.0])
    >>> day = crossing(line, 1.5)
    >>> round(day.value, 2), round(day.low, 2), round(day.high, 2)
    (7.58, 6.77, 8.42)
    """
    a, b = line.intercept - target, line.slope
    var = line.covariance
    t2 = _t(line.df, level) ** 2
    value = -a / b if b else None
    # Quadratic A d^2 + B d + C <= 0 of the days that the data do not exclude.
    qa = b * b - t2 * var[1, 1]
    qb = 2 * (a * b - t2 * var[0, 1])
    qc = a * a - t2 * (var[0, 0] + target_variance)
    root = qb * qb - 4 * qa * qc
    low = high = None
    why = ""
    if qa > 0 and root >= 0:
        low, high = sorted((-qb + sign * np.sqrt(root)) / (2 * qa) for sign in (-1, 1))
    else:
        why = "the change per day is not told from none, so the interval is open"
        if root > 0 and value is not None:
            ends = sorted((-qb + sign * np.sqrt(root)) / (2 * qa) for sign in (-1, 1))
            low = float(ends[1]) if value >= ends[1] else None
    return Estimate(
        value=value,
        low=None if low is None else float(low),
        high=None if high is None else float(high),
        why=why,
    )


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


def loss_per_day(day: ArrayLike, mean_n: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Estimate newtons lost per storage day; no value, with the reason, where no line fits.

    Examples
    --------
    >>> loss_per_day([0, 0, 7, 7], [2.0, 2.2, 1.3, 1.5]).value
    0.1...
    """
    try:
        slope = fit_line(day, mean_n).slope_estimate(level)
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
    except FirmhandError as error:
        return Estimate(value=None, why=str(error))
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
    >>> from calibrate.scale import RASPBERRY
    >>> cut = Calibration(scale=RASPBERRY, force_scale="linear", cuts_n=(1.5,), low_n=(1.4,),
    ...                   high_n=(1.6,), spread=0.2)
    >>> half = half_soft_by_force([0, 0, 7, 7, 14, 14], [2.1, 2.2, 1.6, 1.5, 0.9, 1.0], cut)
    >>> round(half.value, 2)
    7.58
    """
    from scipy.special import ndtri

    boundary = calibration.scale.sale_boundary
    cut = None if boundary is None else calibration.cuts_n[boundary]
    if boundary is None or cut is None:
        return Estimate(value=None, why="the calibration knows no cut at the sale limit")
    try:
        line = fit_line(day, mean_h)
    except TooFewScoresError as error:
        return Estimate(value=None, why=str(error))
    ends = calibration.low_n[boundary], calibration.high_n[boundary]
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
    why = [found.why] if found.why else []
    if found.value < 0:
        why.append("more than half were beyond the limit at day 0")
    elif found.value > line.last_day:
        why.append(f"beyond the last storage day seen ({line.last_day:g})")
    return Estimate(
        value=max(found.value, 0.0),
        low=None if found.low is None else max(found.low, 0.0),
        high=None if found.high is None else max(found.high, 0.0),
        why="; ".join(why),
    )
