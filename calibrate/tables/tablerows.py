"""One row of the table: mean force, scores and shares of one combination of levels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.estimate import Estimate
from calibrate.stats.proportions import mean_proportion
from calibrate.tables.pooling import Pool
from calibrate.tables.shares import Shares, shares
from calibrate.tables.units import Units

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """What is known of one combination of levels.

    Attributes
    ----------
    levels : mapping of str to (str or None)
    n, units : int
        Berries with a peak, and the units that they came in.
    force : Estimate
        Mean force of all berries (N) with a t interval; the unit gives the standard error.
    sd_newton, se_newton : float or None
        Standard deviation of berries; standard error of the mean with the unit as the unit.
    clamshells : int
        Clamshell sheets.
    n_scored : float
        Berries with a finger score, or counted on sheets.
    scores : tuple of float or None
        Share of berries at each score, seen.
    mean_score : Estimate
        Mean position on the scale, 1 the firmest; units count alike.
    shares : Shares or None
        Soft, at the limit, leaky, decayed, marketable: from sheets if there are any, or else soft
        and at the limit from finger scores.
    predicted : tuple of float or None
        Share of berries at each score, predicted from force by the calibration.
    predicted_soft : Estimate or None
    letters : mapping of str to str
        Outcome to letters.
    """

    levels: Mapping[str, str | None]
    n: int
    units: int
    force: Estimate
    sd_newton: float | None
    se_newton: float | None
    clamshells: int = 0
    n_scored: float = 0.0
    scores: tuple[float, ...] | None = None
    mean_score: Estimate = field(default_factory=lambda: Estimate(value=None))
    shares: Shares | None = None
    predicted: tuple[float, ...] | None = None
    predicted_soft: Estimate | None = None
    letters: Mapping[str, str] = field(default_factory=dict)


def make_row(
    levels: dict[str, str | None],
    units: Units | None,
    mine: Ints,
    sheets: Units | None,
    cards: Ints,
    pool: Pool,
    level: float,
) -> Row:
    """Sum up the units and sheets of one combination of levels.

    Parameters
    ----------
    levels : dict of str to (str or None)
    units, sheets : Units or None
    mine, cards : ndarray of int
        Which units and which sheets belong to the row.
    pool : Pool
        For its scale.
    level : float

    Examples
    --------
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.5, 2.0, 2.5]), levels={
    ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
    >>> pooled = join([part])
    >>> from calibrate.tables.units import berry_units
    >>> units, all_units = berry_units(pooled, "clamshell"), np.array([0, 1])
    >>> row = make_row({"selection": "R-114"}, units, all_units, None, all_units[:0], pooled, 0.95)
    >>> row.n, row.units, row.force.value, row.se_newton
    (4, 2, 1.75, 0.5)
    """
    force, sd, se, n, used = Estimate(value=None, why="no peak force"), None, None, 0, 0
    predicted = predicted_soft = None
    if units is not None and mine.size:
        pressed = mine[units.n[mine] > 0]
        force, sd, se = mean_force(
            units.n[pressed],
            units.mean_newton[pressed],
            units.ss_n2[pressed],
            units.name,
            level=level,
        )
        n, used = round(float(units.n[pressed].sum())), int(pressed.size)
        if units.predicted is not None and n:
            predicted = tuple((units.predicted[pressed].sum(axis=0) / n).tolist())
            if units.predicted_soft is not None:
                predicted_soft = _predicted(units, pressed, level)
    row = Row(
        levels=levels,
        n=n,
        units=used,
        force=force,
        sd_newton=sd,
        se_newton=se,
        clamshells=int(cards.size),
        predicted=predicted,
        predicted_soft=predicted_soft,
    )
    if sheets is not None and cards.size:
        found = shares([sheets.sheets[i] for i in cards], level=level)
        return _scored(row, sheets, cards, found, level)
    if units is not None and units.scores is not None and mine.size and pool.scale is not None:
        scored = mine[units.scores[mine].sum(axis=1) > 0]
        if scored.size:
            return _scored(row, units, scored, _finger_shares(units, scored, pool, level), level)
    return row


def mean_force(
    n: Floats, mean: Floats, ss: Floats, unit: str, *, level: float = 0.95
) -> tuple[Estimate, float | None, float | None]:
    """Mean of all berries of some units, their SD, and the SE with the unit as the unit.

    SE^2 = m/(m-1) sum (n_u/N)^2 (mean_u - mean)^2, the ratio estimator over m clusters (Cochran,
    W. G. (1977) Sampling Techniques, 3rd ed., section 9A.2, sampling fraction neglected); for
    units of equal size it is the SD of unit means over the square root of m.

    Parameters
    ----------
    n, mean, ss : ndarray of float, shape (m,)
        Berries of each unit, their mean (N), and their sum of squares about it (N2).
    unit : str
        For the reason when there is no standard error.
    level : float

    Examples
    --------
    >>> force, sd, se = mean_force(np.array([2.0, 2.0]), np.array([1.0, 3.0]),
    ...                            np.array([0.0, 0.0]), "clamshell")
    >>> force.value, round(sd, 4), se
    (2.0, 1.1547, 1.0)
    """
    from scipy.special import stdtrit

    total, m = float(n.sum()), int(n.size)
    if not total:
        return Estimate(value=None, why="no peak force"), None, None
    centre = float((n * mean).sum() / total)
    squares = float((ss + n * (mean - centre) ** 2).sum())
    sd = float(np.sqrt(squares / (total - 1))) if total > 1 else None
    if m < 2:
        return Estimate(value=centre, why=f"one {unit} only: no standard error"), sd, None
    se = float(np.sqrt(m / (m - 1) * ((n / total) ** 2 * (mean - centre) ** 2).sum()))
    half = float(stdtrit(m - 1, (1 + level) / 2)) * se
    return Estimate(value=centre, low=centre - half, high=centre + half), sd, se


def _predicted(units: Units, pressed: Ints, level: float) -> Estimate:
    """Soft berries predicted: spread between units and the interval of the cut, in quadrature."""
    assert units.predicted_soft is not None
    n = units.n[pressed]
    soft = units.predicted_soft[pressed] / n[:, None]
    found = mean_proportion(soft[:, 0] * n, n, level=level)
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    middle, by_low, by_high = soft.mean(axis=0)
    return Estimate(
        value=found.value,
        low=max(0.0, found.value - float(np.hypot(found.value - found.low, middle - by_low))),
        high=min(1.0, found.value + float(np.hypot(found.high - found.value, by_high - middle))),
        why=found.why,
    )


def _scored(row: Row, units: Units, scored: Ints, found: Shares, level: float) -> Row:
    from scipy.special import stdtrit

    assert units.scores is not None
    table = units.scores[scored]
    n = table.sum(axis=1)
    means = table @ np.arange(1, table.shape[1] + 1) / n
    m, centre = means.size, float(means.mean())
    if m > 1:
        half = float(stdtrit(m - 1, (1 + level) / 2) * means.std(ddof=1) / np.sqrt(m))
        mean_score = Estimate(value=centre, low=centre - half, high=centre + half)
    else:
        mean_score = Estimate(value=centre, why=f"one {units.name} only: no interval")
    return replace(
        row,
        n_scored=float(n.sum()),
        scores=tuple((table.sum(axis=0) / n.sum()).tolist()),
        mean_score=mean_score,
        shares=found,
    )


def _finger_shares(units: Units, scored: Ints, pool: Pool, level: float) -> Shares:
    assert units.scores is not None
    assert pool.scale is not None
    limit = pool.scale.sale_limit
    soft = at_limit = None
    if limit is not None:
        table = units.scores[scored]
        n, at = table.sum(axis=1), pool.scale.rank(limit)
        soft = mean_proportion(table[:, at + 1 :].sum(axis=1), n, level=level)
        at_limit = mean_proportion(table[:, at], n, level=level)
    return Shares(
        soft=soft,
        at_limit=at_limit,
        leaky=None,
        decayed=None,
        marketable=None,
        marketable_most=None,
    )
