"""Straight lines over storage days, and the day at which one meets a level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.estimate import Estimate, t_quantile
from calibrate.stats.groups import Variance
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
_TOO_FEW = "too few clamshells for an interval"


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A straight line over days, with the covariance, shape (2, 2), of its intercept and slope.

    `df` are those of the covariance, `own` is the variance of the points about the line; beyond
    `last_day`, the last day seen, the line is extrapolated.
    """

    intercept: float
    slope: float
    covariance: Floats
    df: float
    last_day: float
    own: Variance

    def slope_estimate(self, level: float = 0.95) -> Estimate:
        """Estimate the slope with its t interval; open without degrees of freedom."""
        if self.df < 1:
            return Estimate(value=self.slope, why=_TOO_FEW)
        half = t_quantile(self.df, level) * float(np.sqrt(self.covariance[1, 1]))
        return Estimate.around(self.slope, half)


def _days(day: ArrayLike) -> Floats:
    x = np.asarray(day, dtype=float)
    if np.unique(x).size < 2 or x.size < 3:
        raise TooFewScoresError(
            "a line over days needs two storage days and three clamshells or more"
        )
    return x


def _line(
    x: Floats, intercept: float, slope: float, own: Variance, known: list[tuple[Floats, float]]
) -> Line:
    """Take the wider of what clamshells say, first, and what berries do; none without the first."""
    covariance, df = np.full((2, 2), np.nan), 0.0
    if known[0][1] >= 1:
        covariance, df = max(
            known, key=lambda one: t_quantile(one[1], 0.95) * math.sqrt(one[0][1, 1])
        )
    return Line(
        intercept=intercept,
        slope=slope,
        covariance=covariance,
        df=df,
        last_day=float(x.max()),
        own=own,
    )


def _followed(unit: Floats, pull: Floats, subject: ArrayLike | None) -> list[tuple[Floats, float]]:
    """Find the covariance from clamshells' sums; nothing where no clamshell has several points.

    Liang, K.-Y. & Zeger, S. L. (1986) Biometrika 73:13-22, raised for few clamshells by m over
    m - 2, the degrees of freedom; `pull`, shape (points, 2), is what each point adds to the score.
    """
    of = np.arange(len(pull)) if subject is None else np.asarray(subject)
    code = np.unique(of, return_inverse=True)[1].ravel()
    if code.max(initial=0) + 1 == code.size:
        return []
    sums = np.column_stack([np.bincount(code, column) for column in pull.T])
    m = sums.shape[0]
    if m < 3:
        return [(unit, 0.0)]
    return [(unit @ (sums.T @ sums) @ unit * (m / (m - 2)), m - 2)]


def fit_line(
    day: ArrayLike,
    y: ArrayLike,
    *,
    subject: ArrayLike | None = None,
    variance: Variance | None = None,
    berries: Variance | None = None,
) -> Line:
    """Fit a straight line by least squares, each clamshell counting alike.

    Parameters
    ----------
    day, y : array_like of float, shape (m,)
        Storage day of each clamshell, and its mean.
    subject : array_like of int, shape (m,), optional
        Which clamshell a point is of, where one is followed over several days.
    variance : Variance, optional
        About the lines of several selections, instead of about this one.
    berries : Variance, optional
        Of a clamshell's mean, from its berries: the interval is never narrower than they allow,
        for points that by chance lie on a line are known no better than the berries in them.

    Raises
    ------
    TooFewScoresError
        If there are fewer than three clamshells or two days.
    """
    x, values = _days(day), np.asarray(y, dtype=float)
    centre = float(x.mean())
    sxx = float(((x - centre) ** 2).sum())
    slope = float(((x - centre) * values).sum()) / sxx
    middle = float(values.mean())
    residual = values - middle - slope * (x - centre)
    own = Variance(value=float(residual @ residual) / (x.size - 2), df=x.size - 2)
    unit = np.array([[1 / x.size + centre**2 / sxx, -centre / sxx], [-centre / sxx, 1 / sxx]])
    between = variance or own
    known = _followed(unit, np.column_stack([residual, residual * x]), subject)
    known = known or [(unit * between.value, between.df)]
    if berries is not None and berries.df >= 1:
        known.append((unit * berries.value, berries.df))
    return _line(x, middle - slope * centre, slope, own, known)


def fit_logit_line(
    day: ArrayLike, hits: ArrayLike, n: ArrayLike, *, subject: ArrayLike | None = None
) -> Line:
    """Fit the log odds of soft berries as a straight line over days, quasi-binomial.

    The covariance is raised by Pearson's dispersion of clamshells about the line, if above 1
    (McCullagh & Nelder (1989), section 4.5). `hits` of `n` berries of each clamshell are soft;
    others as for `fit_line`. All or no berries soft is a TooFewScoresError too; days that separate
    soft from sound berries without overlap are a SeparationError.
    """
    from calibrate.stats.ordinal import fit_ordinal

    x, soft, total = _days(day), np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    rank = np.repeat([0, 1], x.size)
    weight = np.concatenate([total - soft, soft])
    fit = fit_ordinal(np.tile(x, 2)[:, None], rank, weight, n_ranks=2)
    # logit P(soft) = beta x - theta
    turn = np.diag([-1.0, 1.0])
    intercept, slope = -float(fit.threshold[0]), float(fit.coef[0])
    p = 1 / (1 + np.exp(-(intercept + slope * x)))
    own = Variance(
        value=float(((soft - total * p) ** 2 / (total * p * (1 - p))).sum()) / (x.size - 2),
        df=x.size - 2,
    )
    unit = turn @ fit.covariance @ turn
    pull = (soft - total * p)[:, None] * np.column_stack([np.ones(x.size), x])
    followed = _followed(unit, pull, subject)
    alone = [(unit * max(1.0, own.value), own.df)]
    known = [*followed, (unit, math.inf)] if followed else alone
    return _line(x, intercept, slope, own, known)


def crossing(line: Line, target: float, *, level: float = 0.95) -> Estimate:
    """Day at which a line meets a target, with Fieller's interval.

    The interval holds all days d at which (intercept + slope d - target)^2 is no more than t^2
    times its variance (Fieller, E. C. (1954) J. R. Stat. Soc. B 16:175-185). Where the slope is
    not shown to differ from zero, the set has no upper end, or no end at all: that side is None.
    Without degrees of freedom both sides are None.
    """
    a, b = line.intercept - target, line.slope
    var = line.covariance
    value = -a / b if b else None
    if line.df < 1:
        return Estimate(value=value, why=_TOO_FEW)
    t2 = t_quantile(line.df, level) ** 2
    # Quadratic A d^2 + B d + C <= 0 of the days that the data do not exclude.
    qa = b * b - t2 * var[1, 1]
    qb = 2 * (a * b - t2 * var[0, 1])
    qc = a * a - t2 * var[0, 0]
    root = qb * qb - 4 * qa * qc
    first = last = None
    if root >= 0 and qa != 0:
        first, last = sorted(float((-qb + s * np.sqrt(root)) / (2 * qa)) for s in (-1, 1))
    if qa > 0 and root >= 0:
        return Estimate(value=value, low=first, high=last)
    beyond = root > 0 and value is not None and last is not None and value >= last
    why = "the change per day is not shown to differ from none, so the interval is open"
    return Estimate(value=value, low=last if beyond else None, why=why)
