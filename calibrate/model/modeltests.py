"""Tests of the model behind the cut points: whether one scale serves these scores.

Each test says what it asks, its statistic and what its answer means to the lab. Single berries are
in influence; the panel's own model is in raters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import transform
from calibrate.model.influence import clustered_covariance, contributions
from calibrate.model.scaleeffects import fit_scaled
from calibrate.stats.newton import climb
from calibrate.stats.ordinal import OrdinalFit, fit_ordinal, make_terms
from gauge.errors import FirmhandError, InvalidValueError, TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Rows to test: force on the model's scale, rank, count, other hands as columns, berries.

    Attributes
    ----------
    h : ndarray, shape (n,)
        Force or log force.
    rank : ndarray of int, shape (n,)
        All ranks from 0 to the largest used.
    weight : ndarray, shape (n,)
    hands : ndarray, shape (n, raters - 1)
        One column for every rater but the first: each hand has its own shift in every test.
    berry : ndarray of int, shape (n,)
        Rows of one berry go together.
    """

    h: Floats
    rank: Ints
    weight: Floats
    hands: Floats
    berry: Ints

    def __post_init__(self) -> None:
        n = len(self.h)
        if not len(self.rank) == len(self.weight) == len(self.hands) == len(self.berry) == n:
            raise InvalidValueError("every column needs one value a row")

    @property
    def x(self) -> Floats:
        """Design of the plain model, shape (n, raters): force first, then the hands."""
        return np.column_stack([self.h, self.hands])

    @property
    def repeated(self) -> bool:
        """Whether a berry has more than one row."""
        return len(np.unique(self.berry)) < len(self.berry)


def rows_of(pairs: Pairs, force_scale: str) -> Rows:
    """Lay out pairs for the tests: ranks without gaps, one column a further rater.

    Raises
    ------
    InvalidValueError
        If a force has no logarithm and the scale is log.

    Examples
    --------
    >>> from calibrate.data.scale import BLACKBERRY
    >>> two = np.arange(2)
    >>> pairs = Pairs(scale=BLACKBERRY, force_newton=np.array([2.5, 1.5]), rank=np.array([1, 3]),
    ...               rater=two, berry=two, raters=("ines", "marek"), count=np.ones(2))
    >>> rows_of(pairs, "linear").rank.tolist(), rows_of(pairs, "linear").x.tolist()
    ([0, 1], [[2.5, 0.0], [1.5, 1.0]])
    """
    _, rank = np.unique(pairs.rank, return_inverse=True)
    hands = (pairs.rater[:, None] == np.arange(1, max(len(pairs.raters), 1))).astype(float)
    named = len(pairs.berries) > 0
    return Rows(
        h=transform(pairs.force_newton, "log" if force_scale == "log" else "linear"),
        rank=rank.astype(np.int64),
        weight=pairs.count,
        hands=hands,
        berry=pairs.berry if named else np.arange(len(rank)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Test:
    """A likelihood ratio test, or why it could not be done.

    Attributes
    ----------
    name : str
    statistic, p_value : float or None
        Chi-square; None where the larger model has no finite fit.
    df : int
    note : str
        What was done about repeated berries, or why there is no answer.
    """

    __test__ = False  # not a test class for pytest

    name: str
    statistic: float | None
    df: int
    p_value: float | None
    note: str = ""


def lr_test(name: str, small: float, large: float, df: int, *, inflation: float = 1.0) -> Test:
    """Likelihood ratio test of nested fits.

    Parameters
    ----------
    name : str
    small, large : float
        Log-likelihoods.
    df : int
        Parameters that the larger model has more.
    inflation : float
        Design effect that the statistic is divided by: Rao & Scott (1984) Ann. Stat. 12:46.

    Examples
    --------
    >>> round(lr_test("contact", -92.013425, -86.491923, 1).p_value, 5)
    0.00089
    """
    from scipy.stats import chi2

    statistic = max(2 * (large - small), 0.0) / inflation
    note = "" if inflation == 1.0 else f"divided by {inflation:.2f}: raters shared berries"
    return Test(
        name=name, statistic=statistic, df=df, p_value=float(chi2.sf(statistic, df)), note=note
    )


def fit_rows(rows: Rows) -> OrdinalFit:
    """Fit the plain model: one scale, each hand with its own shift.

    Examples
    --------
    >>> rows = Rows(h=np.repeat([1.0, 2.0, 3.0], 3), rank=np.tile([0, 1, 2], 3), berry=np.arange(9),
    ...             weight=np.array([1.0, 3, 8, 3, 5, 4, 8, 3, 1]), hands=np.empty((9, 0)))
    >>> round(float(fit_rows(rows).coef[0]), 3)
    -1.561
    """
    return fit_ordinal(rows.x, rows.rank, rows.weight)


def _inflation(rows: Rows, fit: OrdinalFit, x: Floats, tested: Ints) -> float:
    """Mean design effect of the tested parameters, 1 without repeated berries and never below."""
    if not rows.repeated:
        return 1.0
    gradient = rows.weight[:, None] * contributions(fit, x, rows.rank)
    robust = clustered_covariance(fit.covariance, gradient, rows.berry)
    plain = fit.covariance[np.ix_(tested, tested)]
    ratio = np.linalg.solve(plain, robust[np.ix_(tested, tested)])
    return max(float(np.trace(ratio)) / len(tested), 1.0)


def proportional_odds(rows: Rows, fit: OrdinalFit) -> Test:
    """Test whether force tells every pair of neighbouring scores apart equally sharply.

    The slope on force becomes free at each boundary (nominal effects) and the likelihood ratio
    is tested on (cuts - 1) degrees of freedom: Peterson & Harrell (1990) Appl. Stat. 39:205.

    Examples
    --------
    >>> rows = Rows(h=np.repeat([1.0, 2.0, 3.0], 3), rank=np.tile([0, 1, 2], 3), berry=np.arange(9),
    ...             weight=np.array([1.0, 3, 8, 3, 5, 4, 8, 3, 1]), hands=np.empty((9, 0)))
    >>> round(proportional_odds(rows, fit_rows(rows)).p_value, 3)
    0.914
    """
    name = "proportional odds (equal sharpness at every boundary)"
    cuts = int(rows.rank.max())
    if cuts < 2:
        return Test(name=name, statistic=None, df=0, p_value=None, note="only one boundary")
    start = np.concatenate([fit.phi[:cuts], np.full(cuts, fit.coef[0]), fit.coef[1:]])
    limit = _largest_likelihood(rows, rows.hands, start, varying=rows.h[:, None])
    if limit is None:
        return Test(name=name, statistic=None, df=cuts - 1, p_value=None, note=_NO_MAXIMUM)
    tested = np.arange(cuts + 1)  # thresholds and slope carry the design effect of the force
    inflation = _inflation(rows, fit, rows.x, tested)
    return lr_test(name, fit.log_likelihood, limit, cuts - 1, inflation=inflation)


def scale_effect(rows: Rows, fit: OrdinalFit, columns: Floats, name: str) -> Test:
    """Test whether the spread of the fingers changes with columns (force, rater, temperature).

    Parameters
    ----------
    rows : Rows
    fit : OrdinalFit
        From `fit_rows`.
    columns : ndarray, shape (n, q)
    name : str

    Examples
    --------
    >>> rows = Rows(h=np.repeat([1.0, 2.0, 3.0], 3), rank=np.tile([0, 1, 2], 3), berry=np.arange(9),
    ...             weight=np.array([1.0, 3, 8, 3, 5, 4, 8, 3, 1]), hands=np.empty((9, 0)))
    >>> round(scale_effect(rows, fit_rows(rows), rows.h[:, None], "force").p_value, 3)
    0.894
    """
    centred = columns - np.average(columns, axis=0, weights=rows.weight)
    try:
        large = fit_scaled(fit, rows.x, rows.rank, rows.weight, centred)
    except FirmhandError as error:
        return Test(name=name, statistic=None, df=columns.shape[1], p_value=None, note=str(error))
    return lr_test(name, fit.log_likelihood, large.log_likelihood, columns.shape[1])


def lipsitz(rows: Rows, fit: OrdinalFit, *, groups: int = 10) -> Test:
    """Test the goodness of fit: whether groups of like berries are scored as the model says.

    Berries are grouped by their expected score, an indicator of each group but the first is added,
    and the likelihood ratio is tested: Lipsitz, Fitzmaurice & Molenberghs (1996) Appl. Stat.
    45:175.

    Raises
    ------
    TooFewScoresError
        With fewer rows than twice the groups.

    Examples
    --------
    >>> rows = Rows(h=np.repeat([1.0, 2.0, 3.0], 3), rank=np.tile([0, 1, 2], 3), berry=np.arange(9),
    ...             weight=np.array([1.0, 3, 8, 3, 5, 4, 8, 3, 1]), hands=np.empty((9, 0)))
    >>> round(lipsitz(rows, fit_rows(rows), groups=3).p_value, 3)
    0.958
    """
    if len(rows.h) < 2 * groups:
        raise TooFewScoresError(
            f"{len(rows.h)} rows are too few for a goodness of fit test in {groups} groups."
        )
    expected = rows.x @ fit.coef
    # Rows of one expected score stay together, whatever their order.
    _, place = np.unique(expected, return_inverse=True)
    weight = np.bincount(place, rows.weight)
    share = (np.cumsum(weight) - weight / 2) / weight.sum()
    group = np.minimum((share * groups).astype(np.int64), groups - 1)[place]
    kept = np.unique(group)[1:]
    indicators = (group[:, None] == kept).astype(float)
    name = f"goodness of fit in {len(kept) + 1} groups"
    start = np.concatenate([fit.phi, np.zeros(len(kept))])
    limit = _largest_likelihood(rows, np.column_stack([rows.x, indicators]), start)
    if limit is None:
        return Test(name=name, statistic=None, df=len(kept), p_value=None, note=_NO_MAXIMUM)
    inflation = _inflation(rows, fit, rows.x, np.arange(fit.phi.size))
    return lr_test(name, fit.log_likelihood, limit, len(kept), inflation=inflation)


_NO_MAXIMUM = "the larger model did not converge"


def _largest_likelihood(
    rows: Rows, x: Floats, start: Floats, varying: Floats | None = None
) -> float | None:
    """Supremum of the log-likelihood of a larger model; None if the climb did not settle.

    A group or a boundary by itself may be told apart without overlap. Its parameter then runs
    away, but the likelihood has a limit, and that is all that a likelihood ratio needs.
    """
    best = climb(make_terms(x, rows.rank, rows.weight, int(rows.rank.max()) + 1, varying), start)
    return best.value if best.converged else None


@dataclass(frozen=True, kw_only=True, slots=True)
class CovariateEffect:
    """How far the cut points move with a column, by the likelihood ratio and in force.

    Attributes
    ----------
    test : Test
    levels : tuple of (str, float)
        For groups: each group's shift of the cut points against the first, on the model's scale
        (newtons, or log newtons). For a number: one entry, the shift for one unit of it.
    largest : float
        The largest difference that the column makes over the range of the data.
    """

    test: Test
    levels: tuple[tuple[str, float], ...]
    largest: float


def covariate_effect(
    rows: Rows, fit: OrdinalFit, values: Sequence[object], name: str
) -> CovariateEffect | None:
    """Ask whether the cut points differ by a column: selection, lot, temperature, size ...

    A column of numbers enters as it is, any other as groups. A coefficient d of the column moves
    the cut points by -d / beta, where beta is the slope on force.

    Parameters
    ----------
    rows : Rows
    fit : OrdinalFit
        From `fit_rows`.
    values : sequence, length n
    name : str

    Returns
    -------
    CovariateEffect or None
        None when the column is constant or has a gap.

    Examples
    --------
    >>> rows = Rows(h=np.repeat([1.0, 2.0, 3.0], 3), rank=np.tile([0, 1, 2], 3), berry=np.arange(9),
    ...             weight=np.array([1.0, 3, 8, 3, 5, 4, 8, 3, 1]), hands=np.empty((9, 0)))
    >>> effect = covariate_effect(rows, fit_rows(rows), [0, 2, 0, 0, 2, 2, 2, 0, 2], "storage_day")
    >>> round(effect.levels[0][1], 3), round(effect.test.p_value, 3)
    (-0.196, 0.418)
    """
    if any(value is None or value == "" for value in values):
        return None
    numeric = all(isinstance(value, (int, float)) for value in values)
    if numeric:
        column = np.array(values, dtype=float)
        if np.ptp(column) == 0:
            return None
        columns, labels = (column - column.mean())[:, None], ["one unit more"]
    else:
        names, group = np.unique([str(value) for value in values], return_inverse=True)
        if len(names) < 2 or len(names) > len(values) // 5:
            return None
        columns = (group[:, None] == np.arange(1, len(names))).astype(float)
        labels = [str(label) for label in names[1:]]
    x = np.column_stack([rows.x, columns])
    df = columns.shape[1]
    try:
        large = fit_ordinal(x, rows.rank, rows.weight)
    except FirmhandError as error:
        failed = Test(name=name, statistic=None, df=df, p_value=None, note=str(error))
        return CovariateEffect(test=failed, levels=(), largest=0.0)
    tested = np.arange(large.phi.size - df, large.phi.size)
    test = lr_test(
        name,
        fit.log_likelihood,
        large.log_likelihood,
        df,
        inflation=_inflation(rows, large, x, tested),
    )
    shift = -large.coef[-df:] / large.coef[0]
    if numeric:
        largest = abs(float(shift[0])) * float(np.ptp(columns))
    else:
        largest = float(np.ptp(np.append(shift, 0.0)))
        labels, shift = [str(names[0]), *labels], np.append(0.0, shift)
    levels = tuple(zip(labels, (float(s) for s in shift), strict=True))
    return CovariateEffect(test=test, levels=levels, largest=largest)
