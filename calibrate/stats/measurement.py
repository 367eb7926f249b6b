"""Two gauges on the same berries, several labs, a gauge with an error: what was measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.estimate import Estimate, t_quantile
from gauge.errors import InvalidValueError, TooFewScoresError

Floats = NDArray[np.float64]
# Of normal differences, 95 % lie within 1.96 SD. The first paper wrote 2 SD; later ones 1.96.
WITHIN = 1.96
# Of the quadrature over true forces.
_NODES = 201
_REACH = 5.0  # standard deviations of log force on either side
_AT_ONCE = 4096


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitsOfAgreement:
    """Bland and Altman's agreement of two gauges on n berries, first minus second.

    `bias` is the mean difference, `sd` the standard deviation of the differences (of single
    readings), `lower` and `upper` are the limits of agreement, bias -/+ 1.96 SD. `slope` is that of
    the differences on the means: away from zero, the limits do not hold for all forces. A gauge has
    a repeatability where it pressed a berry twice or more.
    """

    n: int
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    slope: Estimate
    repeatability: tuple[Repeatability | None, Repeatability | None] = (None, None)


@dataclass(frozen=True, kw_only=True, slots=True)
class Repeatability:
    """How far one gauge differs from itself on the same berry: within-berry standard deviation.

    Two readings of a berry differ by less than the coefficient, 1.96 sqrt(2) sd, 95 % of the time.
    """

    sd: float
    coefficient: float
    df: int

    def to_json(self) -> dict[str, float]:
        """Return it as the commands print it, of readings in newtons."""
        return {"sd_N": self.sd, "coefficient_N": self.coefficient, "df": self.df}


def repeatability(readings: ArrayLike) -> Repeatability:
    """Estimate the repeatability of one gauge from repeated readings.

    Bland, J. M. & Altman, D. G. (1986) Lancet i:307-310, by one-way analysis of variance;
    `readings` is (berries, repeats), NaN where a repeat is missing.
    """
    table = np.asarray(readings, dtype=float)
    table = table[np.isfinite(table).any(axis=1)]
    count = np.isfinite(table).sum(axis=1)
    df = int((count - 1).sum())
    if df < 1:
        raise TooFewScoresError("no berry was pressed twice on the same gauge")
    centre = np.nanmean(table, axis=1, keepdims=True)
    sd = float(np.sqrt(np.nansum((table - centre) ** 2) / df))
    return Repeatability(sd=sd, coefficient=WITHIN * np.sqrt(2) * sd, df=df)


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, *, level: float = 0.95
) -> LimitsOfAgreement:
    """Compare two gauges on the same berries.

    Bland & Altman (1986): mean difference, and the limits within which 95 % of differences lie,
    each with its t interval (standard error of a limit: sqrt(3 s^2 / n)). With repeated readings
    the differences are those of berry means, and the variance of single readings is put back:
    s^2 = s_means^2 + (1 - 1/m1) s1^2 + (1 - 1/m2) s2^2 (Bland & Altman (1999) Stat. Methods Med.
    Res. 8:135-160, section 5.1).

    Row i of `first` and `second`, shape (berries,) or (berries, repeats), is the same berry.
    `level` is that of the intervals; the limits of agreement are always those of 95 %. Fewer than
    three berries pressed on both are a TooFewScoresError.
    """
    a, b = (
        np.asarray(one, dtype=float).reshape(len(np.asarray(one)), -1) for one in (first, second)
    )
    both = np.isfinite(a).any(axis=1) & np.isfinite(b).any(axis=1)
    a, b = a[both], b[both]
    n = a.shape[0]
    if n < 3:
        raise TooFewScoresError(
            f"{n} berries were pressed on both gauges; three are needed at the least"
        )
    mean_a, mean_b = np.nanmean(a, axis=1), np.nanmean(b, axis=1)
    gap = mean_a - mean_b
    repeats = (_repeats(a), _repeats(b))
    variance = float(gap.var(ddof=1))
    for one, table in zip(repeats, (a, b), strict=True):
        if one is not None:
            share = float((1 / np.isfinite(table).sum(axis=1)).mean())
            variance += (1 - share) * one.sd**2
    sd, bias = float(np.sqrt(variance)), float(gap.mean())
    t = t_quantile(n - 1, level)
    half = t * float(np.sqrt(gap.var(ddof=1) / n))
    wide = t * float(np.sqrt(3 * variance / n))
    return LimitsOfAgreement(
        n=n,
        bias=Estimate.around(bias, half),
        sd=sd,
        lower=Estimate.around(bias - WITHIN * sd, wide),
        upper=Estimate.around(bias + WITHIN * sd, wide),
        slope=_slope((mean_a + mean_b) / 2, gap, level),
        repeatability=repeats,
    )


def _repeats(table: Floats) -> Repeatability | None:
    return repeatability(table) if (np.isfinite(table).sum(axis=1) > 1).any() else None


def _slope(x: Floats, y: Floats, level: float) -> Estimate:
    from calibrate.stats.dayline import fit_line

    if np.unique(x).size < 2:
        return Estimate(value=None, why="all berries have the same mean force")
    return fit_line(x, y).slope_estimate(level)


@dataclass(frozen=True, kw_only=True, slots=True)
class Precision:
    """Precision of one level (material, lot) across labs, by the names that it has in JSON.

    `n` readings have the mean. Standard deviations: `s_r` repeatability, `s_L` between labs, `s_R`
    reproducibility. Two readings of one lab differ by less than `r` 95 % of the time, those of two
    labs by less than `R`.
    """

    level: str
    labs: int
    n: int
    mean: float
    s_r: float
    s_L: float  # noqa: N815
    s_R: float  # noqa: N815
    r: float
    R: float


def precision(lab: ArrayLike, value: ArrayLike, *, level: str = "") -> Precision:
    """Estimate repeatability and reproducibility of one level.

    ISO 5725-2:1994, 7.4: s_r^2 pools the variances within labs; s_L^2 = (s_d^2 - s_r^2) / n'' with
    s_d^2 from the weighted lab means and n'' = (sum n - sum n^2 / sum n) / (labs - 1), and zero
    where that falls below; s_R^2 = s_r^2 + s_L^2. The standard rounds 1.96 sqrt(2) = 2.77 to 2.8
    for r and R. ASTM E691 has the same for equal numbers.

    `lab` and `value`, shape (n,), are which lab found which value. Fewer than two labs, or none
    that measured twice, are a TooFewScoresError.
    """
    code = np.unique(np.asarray(lab), return_inverse=True)[1].ravel()
    x = np.asarray(value, dtype=float)
    count = np.bincount(code).astype(float)
    p, total = count.size, float(count.sum())
    where = f" at level {level}" if level else ""
    if p < 2:
        raise TooFewScoresError(f"one lab only{where}: reproducibility needs two or more")
    if total == p:
        raise TooFewScoresError(f"no lab measured twice{where}: repeatability needs it")
    means = np.bincount(code, x) / count
    centre = float(x.mean())
    s_r2 = float(((x - means[code]) ** 2).sum()) / (total - p)
    s_d2 = float((count * (means - centre) ** 2).sum()) / (p - 1)
    size = (total - float((count**2).sum()) / total) / (p - 1)
    s_l2 = max(0.0, (s_d2 - s_r2) / size)
    s_r, s_l, s_big = (math.sqrt(variance) for variance in (s_r2, s_l2, s_r2 + s_l2))
    return Precision(
        level=level,
        labs=p,
        n=int(total),
        mean=centre,
        s_r=s_r,
        s_L=s_l,
        s_R=s_big,
        r=2.8 * s_r,
        R=2.8 * s_big,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class GaugeError:
    """Standard deviation of a shown force about the true one, in newtons and as a share of it."""

    newton: float = 0.0
    share: float = 0.0

    def __post_init__(self) -> None:
        if not (self.newton >= 0.0 and 0.0 <= self.share < 1.0):
            raise InvalidValueError(
                "a gauge's standard deviation is zero or more, and less than all"
            )

    def sd(self, force_newton: Floats) -> Floats:
        """Standard deviation at true forces."""
        return np.asarray(np.hypot(self.newton, self.share * force_newton))


def expected_true(force_newton: Floats, of_berries_newton: Floats, error: GaugeError) -> Floats:
    """Return the expected true force of every shown one.

    Regression calibration (Carroll, R. J., Ruppert, D., Stefanski, L. A. & Crainiceanu, C. M.
    (2006) Measurement Error in Nonlinear Models, 2nd ed., chapter 4): E(F | shown) with true forces
    log-normal, of the mean and variance that the shown ones leave once the error is taken out, by
    quadrature. What is left of the error is an item effect of the berry, and part of the spread.

    `force_newton`, shape (n,), is as shown, `of_berries_newton` the same, once for each berry. An
    error that is no smaller than the forces vary is an InvalidValueError.
    """
    if error.newton == 0.0 and error.share == 0.0:
        return force_newton
    shown = np.unique(force_newton)
    mean = float(of_berries_newton.mean())
    square = float((of_berries_newton**2).mean())
    # E W^2 = E F^2 (1 + share^2) + newton^2.
    variance = (square - error.newton**2) / (1.0 + error.share**2) - mean**2
    if variance <= 0.0 or mean <= 0.0:
        raise InvalidValueError(
            f"a gauge error of {error.newton:g} N and {error.share:.0%} leaves no variation of "
            "force at all.",
            todo="Check --gauge-sd against repeated presses of pads.",
        )
    sigma = np.sqrt(np.log1p(variance / mean**2))
    z = np.linspace(-_REACH, _REACH, _NODES)
    true = mean * np.exp(sigma * z - 0.5 * sigma**2)
    sd = error.sd(true)
    log_prior = -0.5 * z**2 - np.log(sd)
    expected = np.empty_like(shown)
    for begin in range(0, shown.size, _AT_ONCE):
        part = shown[begin : begin + _AT_ONCE, None]
        log_weight = log_prior - 0.5 * ((part - true) / sd) ** 2
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        expected[begin : begin + _AT_ONCE] = weight @ true / weight.sum(axis=1)
    return expected[np.searchsorted(shown, force_newton)]
