"""The table: one row for each combination of levels, and the comparison of selections.

Berries become units in units; models of comparison are in selections. Nothing is drawn here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.calibration import Calibration
from calibrate.clamshell import Shares, shares
from calibrate.comparisons import Compared, Key, compare_within
from calibrate.estimate import Estimate
from calibrate.pooling import Pool
from calibrate.proportions import mean_proportion
from calibrate.scale import Scale
from calibrate.units import UnitName, Units, berry_units, choose_unit, sheet_units
from gauge.errors import NoSuchRecordError

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
    sd_n, se_n : float or None
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
    sd_n: float | None
    se_n: float | None
    clamshells: int = 0
    n_scored: float = 0.0
    scores: tuple[float, ...] | None = None
    mean_score: Estimate = field(default_factory=lambda: Estimate(value=None))
    shares: Shares | None = None
    predicted: tuple[float, ...] | None = None
    predicted_soft: Estimate | None = None
    letters: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Table:
    """All rows, what was compared, and what the reader must know.

    Attributes
    ----------
    by : tuple of str
    unit : str
    rows : tuple of Row
    compared : tuple of Compared
    scale : Scale or None
    notes : tuple of str
    units, sheets : Units or None
        What the rows were made of, for the statistics that go on from here.
    """

    by: tuple[str, ...]
    unit: str
    rows: tuple[Row, ...]
    compared: tuple[Compared, ...]
    scale: Scale | None
    notes: tuple[str, ...]
    units: Units | None = None
    sheets: Units | None = None


def tabulate(
    pool: Pool,
    *,
    by: Sequence[str] = ("selection",),
    unit: UnitName | None = None,
    calibration: Calibration | None = None,
    compare: str | None = None,
    block: str | None = None,
    level: float = 0.95,
) -> Table:
    """Make the table.

    Parameters
    ----------
    pool : Pool
    by : sequence of str
        Levels that make a row.
    unit : {"clamshell", "replicate", "berry"}, optional
        By default the clamshell or sample, or else the replicate, or else the berry.
    calibration : Calibration, optional
        Predicts scores from force.
    compare : str, optional
        Level to compare, within each combination of the others; by default selection if it is one
        of `by`, or else the first.
    block : str, optional
        Level whose additive effect is taken out when means are compared.
    level : float
        Of intervals; letters are at 1 - level.

    Raises
    ------
    NoSuchRecordError
        If no source has a level that was asked for.

    Examples
    --------
    >>> from calibrate.poolfile import Part
    >>> from calibrate.pooling import join
    >>> part = Part(source="a.csv", force_n=np.array([1.0, 1.2, 1.4, 2.0, 2.2, 2.4]), levels={
    ...     "selection": ["R-114"] * 3 + ["R-120"] * 3, "clamshell": list("123123")})
    >>> for row in tabulate(join([part])).rows:
    ...     print(row.levels["selection"], round(row.force.value, 2), row.letters["force"])
    R-114 1.2 b
    R-120 2.2 a
    """
    notes: list[str] = []
    chosen, why = choose_unit(pool) if unit is None else (unit, "")
    units = None
    if pool.n:
        units = berry_units(pool, chosen, calibration=calibration, extra=by)
        if why:
            notes.append(f"Unit: {why}.")
    sheets = sheet_units(pool.clamshells)
    for name in (*by, *([block] if block else [])):
        if not any(name in one.levels for one in (units, sheets) if one is not None):
            raise NoSuchRecordError(
                f"No source has a level '{name}'.", todo="Give --by a column that is there."
            )
    notes += _mixed(units or sheets, by)
    keys, of_units, of_sheets = _keys(by, units, sheets)
    rows = []
    for index, key in enumerate(keys):
        mine = np.flatnonzero(of_units == index)
        cards = np.flatnonzero(of_sheets == index)
        rows.append(_row(dict(zip(by, key, strict=True)), units, mine, sheets, cards, pool, level))
    what = compare or ("selection" if "selection" in by else (by[0] if by else None))
    if what is not None and what not in by:
        raise NoSuchRecordError(
            f"'{what}' cannot be compared, for the rows do not tell it apart.",
            todo=f"Add --by {what}.",
        )
    compared: list[Compared] = []
    if what is not None:
        place = by.index(what)
        compared = compare_within(
            keys, place, by, units, of_units, sheets, of_sheets, pool.scale, block, level
        )
        rows = _with_letters(rows, compared)
    return Table(
        by=tuple(by),
        unit=chosen if units is not None else "clamshell",
        rows=tuple(rows),
        compared=tuple(compared),
        scale=pool.scale or (calibration.scale if calibration is not None else None),
        notes=tuple(notes),
        units=units,
        sheets=sheets,
    )


def _mixed(units: Units | None, by: Sequence[str]) -> list[str]:
    """Say which conditions are mixed within the rows."""
    notes = []
    for name in ("storage_day", "storage_temp_c", "season"):
        if units is not None and name in units.levels and name not in by:
            found = {int(c) for c in np.unique(units.levels[name].code)} - {-1}
            if len(found) > 1:
                notes.append(f"{len(found)} values of {name} are mixed in each row: --by {name}.")
    return notes


def sort_key(text: str | None) -> tuple[int, float, str]:
    """Order of levels: numbers by size, then texts, then none.

    Examples
    --------
    >>> sorted(["14", "7", None, "late"], key=sort_key)
    ['7', '14', 'late', None]
    """
    if text is None:
        return (2, 0.0, "")
    try:
        return (0, float(text), text)
    except ValueError:
        return (1, 0.0, text)


def _keys(
    by: Sequence[str], units: Units | None, sheets: Units | None
) -> tuple[list[Key], Ints, Ints]:
    """Distinct combinations in order, and for each unit and sheet which one is its own."""
    told: list[list[Key]] = []
    for one in (units, sheets):
        if one is None:
            told.append([])
            continue
        columns = []
        for name in by:
            if name not in one.levels:
                columns.append([None] * one.n.size)
                continue
            labels: list[str | None] = [*one.levels[name].labels, None]
            columns.append([labels[c] for c in one.levels[name].code.tolist()])
        told.append(list(zip(*columns, strict=True)) if by else [()] * one.n.size)
    distinct = set(told[0]) | set(told[1])
    keys = sorted(distinct, key=lambda key: tuple(sort_key(text) for text in key))
    place = {key: index for index, key in enumerate(keys)}
    of_units, of_sheets = (np.array([place[key] for key in one], np.int64) for one in told)
    return keys, of_units, of_sheets


def _row(
    levels: dict[str, str | None],
    units: Units | None,
    mine: Ints,
    sheets: Units | None,
    cards: Ints,
    pool: Pool,
    level: float,
) -> Row:
    force, sd, se, n, used = Estimate(value=None, why="no peak force"), None, None, 0, 0
    predicted = predicted_soft = None
    if units is not None and mine.size:
        pressed = mine[units.n[mine] > 0]
        force, sd, se = mean_force(
            units.n[pressed], units.mean_n[pressed], units.ss_n2[pressed], units.name, level=level
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
        sd_n=sd,
        se_n=se,
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


def _with_letters(rows: list[Row], compared: Sequence[Compared]) -> list[Row]:
    told: dict[tuple[frozenset[tuple[str, str | None]], str], str] = {}
    for one in compared:
        if one.comparison is None:
            continue
        for group, given in zip(one.comparison.groups, one.comparison.letters, strict=True):
            levels = {**one.within, one.level: group}
            told[frozenset(levels.items()), one.outcome] = given
    outcomes = list(dict.fromkeys(one.outcome for one in compared))
    return [
        replace(
            row,
            letters={
                outcome: told[frozenset(row.levels.items()), outcome]
                for outcome in outcomes
                if (frozenset(row.levels.items()), outcome) in told
            },
        )
        for row in rows
    ]
