"""One row of the table: mean force, scores and shares of one combination of levels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.data.scale import Scale
from calibrate.stats.estimate import Estimate
from calibrate.stats.proportions import mean_proportion
from calibrate.tables.samplingunits import SamplingUnits
from calibrate.tables.shares import Shares, shares

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """What is known of one combination of levels.

    Attributes
    ----------
    n, units : int
        Berries with a peak, and the units that they came in; `clamshells` counts sheets.
    force : Estimate
        Mean of the units' mean forces (N) with a t interval, the unit as the unit.
    sd_newton, se_newton : float or None
        Standard deviation of berries; standard error of the mean with the unit as the unit.
    n_scored : float
        Berries with a finger score, or counted on sheets.
    scores, predicted : tuple of float or None
        Share of berries at each score, seen or predicted from force by the calibration.
    mean_score : Estimate
        Mean position on the scale, 1 the firmest; units count alike.
    shares : Shares or None
        Soft, at the limit, leaky, decayed, marketable: from sheets if there are any, or else soft
        and at the limit from finger scores.
    letters : mapping of str to str
        Outcome to letters.
    """

    levels: Mapping[str, str | None]
    n: int = 0
    units: int = 0
    force: Estimate = field(default_factory=lambda: Estimate(value=None, why="no peak force"))
    sd_newton: float | None = None
    se_newton: float | None = None
    clamshells: int = 0
    n_scored: float = 0.0
    scores: tuple[float, ...] | None = None
    mean_score: Estimate = field(default_factory=lambda: Estimate(value=None))
    shares: Shares | None = None
    predicted: tuple[float, ...] | None = None
    predicted_soft: Estimate | None = None
    letters: Mapping[str, str] = field(default_factory=dict)


def make_row(
    levels: Mapping[str, str | None],
    units: SamplingUnits | None,
    sheets: SamplingUnits | None,
    scale: Scale | None,
    level: float,
) -> Row:
    """Sum up the units and sheets of one combination of levels."""
    row = Row(levels=levels, clamshells=0 if sheets is None else sheets.m)
    if units is not None and units.pressed().m:
        pressed = units.pressed()
        force, sd, se = mean_force(pressed, level=level)
        n, predicted, soft = pressed.n.sum(), pressed.predicted, pressed.predicted_soft
        row = replace(
            row,
            n=round(float(n)),
            units=pressed.m,
            force=force,
            sd_newton=sd,
            se_newton=se,
            predicted=None if predicted is None else tuple((predicted.sum(axis=0) / n).tolist()),
            predicted_soft=None if soft is None else _predicted_soft(soft, pressed.n, level),
        )
    if sheets is not None:
        return _scored(row, sheets, shares(sheets.sheets, level=level), level)
    if units is not None and scale is not None and units.scored().m:
        return _scored(row, units.scored(), _finger_shares(units.scored(), scale, level), level)
    return row


def mean_force(
    units: SamplingUnits, *, level: float = 0.95
) -> tuple[Estimate, float | None, float | None]:
    """Find the mean force of units, each counting alike, the SD of berries, and the mean's SE.

    The unit is what letters compare, so the mean is that of unit means and its standard error
    their SD over the square root of their number, whatever berries each of them has.
    """
    n, mean, m = units.n, units.mean_newton, units.m
    total, centre = float(n.sum()), float(mean.mean())
    of_berries = float((n * mean).sum() / total)
    squares = float((units.ss_n2 + n * (mean - of_berries) ** 2).sum())
    sd = float(np.sqrt(squares / (total - 1))) if total > 1 else None
    if m < 2:
        return Estimate(value=centre, why=f"one {units.name} only: no standard error"), sd, None
    se = float(mean.std(ddof=1) / np.sqrt(m))
    return _t_interval(centre, se, m, level), sd, se


def _t_interval(centre: float, se: float, m: int, level: float) -> Estimate:
    from scipy.special import stdtrit

    return Estimate.around(centre, float(stdtrit(m - 1, (1 + level) / 2)) * se)


def _predicted_soft(expected: Floats, n: Floats, level: float) -> Estimate:
    """Predict soft berries: spread between units and the interval of the cut, in quadrature."""
    found = mean_proportion(expected[:, 0], n, level=level)
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    middle, by_low, by_high = (expected / n[:, None]).mean(axis=0)
    return Estimate(
        value=found.value,
        low=max(0.0, found.value - float(np.hypot(found.value - found.low, middle - by_low))),
        high=min(1.0, found.value + float(np.hypot(found.high - found.value, by_high - middle))),
        why=found.why,
    )


def _scored(row: Row, units: SamplingUnits, found: Shares, level: float) -> Row:
    """Fill in what follows from finger scores."""
    table = units.scores
    assert table is not None
    n = table.sum(axis=1)
    means = table @ np.arange(1, table.shape[1] + 1) / n
    m, centre = units.m, float(means.mean())
    mean_score = Estimate(value=centre, why=f"one {units.name} only: no interval")
    if m > 1:
        mean_score = _t_interval(centre, float(means.std(ddof=1) / np.sqrt(m)), m, level)
    return replace(
        row,
        n_scored=float(n.sum()),
        scores=tuple((table.sum(axis=0) / n.sum()).tolist()),
        mean_score=mean_score,
        shares=found,
    )


def _finger_shares(units: SamplingUnits, scale: Scale, level: float) -> Shares:
    """Find soft berries and those at the limit from finger scores."""
    table = units.scores
    if scale.sale_limit is None or table is None:
        return Shares()
    n, at_limit = table.sum(axis=1), table[:, scale.rank(scale.sale_limit)]
    return Shares(
        soft=mean_proportion(table[:, scale.beyond_limit].sum(axis=1), n, level=level),
        at_limit=mean_proportion(at_limit, n, level=level),
    )
