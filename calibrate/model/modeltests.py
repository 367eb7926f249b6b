"""Tests of the model behind the cut points: whether one scale serves these scores.

Each is a likelihood ratio of the plain model (one scale, each hand with its own shift) and a larger
one, with an allowance for berries that several raters scored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import transform
from calibrate.stats.likelihood import Terms, log_interval, make_terms
from calibrate.stats.newton import maximise
from calibrate.stats.ordinal import OrdinalFit, fit_ordinal
from gauge.errors import FirmhandError, InvalidValueError, NotConvergedError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Rows to test: force on the model's scale, rank, count, other hands as columns, berries."""

    h: Floats  # (n,), force or log force
    rank: Ints  # (n,), all ranks from 0 to the largest used
    weight: Floats  # (n,)
    # (n, raters - 1), one column for every rater but the first: each hand has its own shift in
    # every test.
    hands: Floats
    berry: Ints  # (n,), rows of one berry go together

    def __post_init__(self) -> None:
        n = len(self.h)
        if not len(self.rank) == len(self.weight) == len(self.hands) == len(self.berry) == n:
            raise InvalidValueError("every column needs one value a row")

    @cached_property
    def x(self) -> Floats:
        """Design of the plain model, shape (n, raters): force first, then the hands."""
        return np.column_stack([self.h, self.hands])

    @cached_property
    def fit(self) -> OrdinalFit:
        """The plain model: one scale, each hand with its own shift."""
        return fit_ordinal(self.x, self.rank, self.weight)


def rows_of(pairs: Pairs, force_scale: str) -> Rows:
    """Lay out pairs for the tests: ranks without gaps, one column a further rater.

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
    return Rows(
        h=transform(pairs.force_newton, "log" if force_scale == "log" else "linear"),
        rank=rank.astype(np.int64),
        weight=pairs.count,
        hands=hands,
        berry=pairs.berry if pairs.berries else np.arange(len(rank)),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class LrTest:
    """A likelihood ratio test, or why it could not be done."""

    name: str
    statistic: float | None = None  # chi-square; None where the larger model has no finite fit
    df: int
    p_value: float | None = None
    note: str = ""  # what was done about repeated berries, or why there is no answer


def lr_test(name: str, small: float, large: float, df: int, *, inflation: float = 1.0) -> LrTest:
    """Compare the log-likelihoods of nested fits that differ by `df` parameters.

    `inflation` is a design effect that the statistic is divided by: Rao & Scott (1984) Ann. Stat.
    12:46.
    """
    from scipy.special import chdtrc

    statistic = max(2 * (large - small), 0.0) / inflation
    note = "" if inflation == 1.0 else f"divided by {inflation:.2f}: raters shared berries"
    return LrTest(
        name=name, statistic=statistic, df=df, p_value=float(chdtrc(df, statistic)), note=note
    )


def _inflation(rows: Rows, fit: OrdinalFit, x: Floats, tested: Ints) -> float:
    """Mean design effect of the tested parameters, 1 without repeated berries and never below."""
    if len(np.unique(rows.berry)) == len(rows.berry):
        return 1.0
    gradient = rows.weight[:, None] * fit.contributions(x, rows.rank)
    robust = clustered_covariance(fit.covariance, gradient, rows.berry)
    plain = fit.covariance[np.ix_(tested, tested)]
    ratio = np.linalg.solve(plain, robust[np.ix_(tested, tested)])
    return max(float(np.trace(ratio)) / len(tested), 1.0)


def clustered_covariance(covariance: Floats, gradient: Floats, cluster: Ints) -> Floats:
    """Covariance that allows for rows of one berry going together (sandwich).

    From the inverse information and the weighted contributions of the rows: Liang & Zeger (1986)
    Biometrika 73:13, with the factor m / (m - 1) for m clusters.
    """
    total = sum_by(cluster, gradient)
    m = len(total)
    meat = total.T @ total * (m / (m - 1) if m > 1 else 1.0)
    return np.asarray(covariance @ meat @ covariance)


def sum_by(cluster: Ints, values: Floats) -> Floats:
    """Add up rows of one cluster, in ascending order of clusters."""
    _, member = np.unique(cluster, return_inverse=True)
    total = np.zeros((int(member.max()) + 1, values.shape[1]))
    np.add.at(total, member, values)
    return total


def proportional_odds(rows: Rows) -> LrTest:
    """Test whether force separates every pair of neighbouring scores equally sharply.

    The slope on force becomes free at each boundary (nominal effects) and the likelihood ratio
    is tested on (cuts - 1) degrees of freedom: Peterson & Harrell (1990) Appl. Stat. 39:205.
    """
    name = "proportional odds (equal sharpness at every boundary)"
    fit, cuts = rows.fit, int(rows.rank.max())
    if cuts < 2:
        return LrTest(name=name, df=0, note="only one boundary")
    start = np.concatenate([fit.phi[:cuts], np.full(cuts, fit.coef[0]), fit.coef[1:]])
    terms = make_terms(rows.hands, rows.rank, rows.weight, cuts + 1, rows.h[:, None])
    # Thresholds and slope carry the design effect of the force.
    return _against_limit(name, rows, terms, start, df=cuts - 1, tested=np.arange(cuts + 1))


def scale_effect(rows: Rows, columns: Floats, name: str) -> LrTest:
    """Test whether the spread of the fingers changes with columns (force, rater, temperature)."""
    centred = columns - np.average(columns, axis=0, weights=rows.weight)
    try:
        large = _scaled_likelihood(rows, centred)
    except FirmhandError as error:
        return LrTest(name=name, df=columns.shape[1], note=str(error))
    return lr_test(name, rows.fit.log_likelihood, large, columns.shape[1])


def _scaled_likelihood(rows: Rows, w: Floats) -> float:
    """Log-likelihood when the spread is s exp(w'gamma).

    P(score <= k) = logistic((theta_k - x'beta) / exp(w'gamma)): the location-scale model of
    McCullagh (1980) J. R. Stat. Soc. B 42:109, section 6.
    """
    from scipy.optimize import minimize

    rank, cuts, phi = rows.rank, int(rows.rank.max()), rows.fit.phi

    def loss(gamma: Floats) -> tuple[float, Floats]:
        """Minus the log-likelihood, all else at its best for these spreads, and its slope."""
        nonlocal phi
        spread = np.exp(w @ gamma)
        best = maximise(make_terms(rows.x, rank, rows.weight, cuts + 1, spread=spread), phi)
        if not best.converged:
            return np.inf, np.zeros(gamma.size)
        phi = best.phi
        edges, shift = np.concatenate([[-np.inf], phi[:cuts], [np.inf]]), rows.x @ phi[cuts:]
        upper, lower = (edges[rank + 1] - shift) / spread, (edges[rank] - shift) / spread
        _, d_upper, d_lower, *_ = log_interval(upper, lower)
        ends = d_upper * np.where(rank < cuts, upper, 0.0)
        ends += d_lower * np.where(rank > 0, lower, 0.0)
        return -best.value, (rows.weight * ends) @ w

    result = minimize(loss, np.zeros(w.shape[1]), jac=True, method="BFGS", options={"gtol": 1e-7})
    # BFGS calls it a failure when rounding hides the last gain; the gradient decides.
    if not np.abs(result.jac).max() < 1e-3 * max(1.0, float(rows.weight.sum()) ** 0.5):
        raise NotConvergedError("The fit with unequal spreads stopped away from the maximum.")
    return -float(result.fun)


def lipsitz(rows: Rows, *, groups: int = 10) -> LrTest:
    """Test the goodness of fit: whether groups of like berries are scored as the model says.

    Berries are grouped by their expected score, an indicator of each group but the first is added,
    and the likelihood ratio is tested: Lipsitz, Fitzmaurice & Molenberghs (1996) Appl. Stat.
    45:175.
    """
    if len(rows.h) < 2 * groups:
        why = f"{len(rows.h)} rows are too few for a goodness of fit test in {groups} groups."
        return LrTest(name="goodness of fit", df=0, note=why)
    phi, expected = rows.fit.phi, rows.x @ rows.fit.coef
    # Rows of one expected score stay together, whatever their order.
    _, place = np.unique(expected, return_inverse=True)
    weight = np.bincount(place, rows.weight)
    share = (np.cumsum(weight) - weight / 2) / weight.sum()
    group = np.minimum((share * groups).astype(np.int64), groups - 1)[place]
    kept = np.unique(group)[1:]
    indicators = (group[:, None] == kept).astype(float)
    name = f"goodness of fit in {len(kept) + 1} groups"
    start = np.concatenate([phi, np.zeros(len(kept))])
    x = np.column_stack([rows.x, indicators])
    terms = make_terms(x, rows.rank, rows.weight, int(rows.rank.max()) + 1)
    return _against_limit(name, rows, terms, start, df=len(kept), tested=np.arange(phi.size))


def _against_limit(
    name: str, rows: Rows, terms: Terms, start: Floats, *, df: int, tested: Ints
) -> LrTest:
    """Test the plain model against a larger one by the supremum of its likelihood.

    A group or a boundary by itself may be separated without overlap. Its parameter then runs
    away, but the likelihood has a limit, and that is all that a likelihood ratio needs.
    """
    best = maximise(terms, start)
    if not best.converged:
        return LrTest(name=name, df=df, note="the larger model did not converge")
    inflation = _inflation(rows, rows.fit, rows.x, tested)
    return lr_test(name, rows.fit.log_likelihood, best.value, df, inflation=inflation)


@dataclass(frozen=True, kw_only=True, slots=True)
class CovariateEffect:
    """How far the cut points move with a column, by the likelihood ratio and in force."""

    test: LrTest
    # For groups: each group's shift of the cut points against the first, on the model's scale
    # (newtons, or log newtons). For a number: one entry, the shift for one unit of it.
    levels: tuple[tuple[str, float], ...] = ()
    largest: float = 0.0  # the largest difference that the column makes in the data


def covariate_effect(rows: Rows, values: Sequence[object], name: str) -> CovariateEffect | None:
    """Ask whether the cut points differ by a column: selection, lot, temperature, size ...

    A column of numbers enters as it is, any other as groups. A coefficient d of the column moves
    the cut points by -d / beta, where beta is the slope on force. None where the column is constant
    or has a gap.
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
        return CovariateEffect(test=LrTest(name=name, df=df, note=str(error)))
    inflation = _inflation(rows, large, x, np.arange(large.phi.size)[-df:])
    test = lr_test(name, rows.fit.log_likelihood, large.log_likelihood, df, inflation=inflation)
    shift = -large.coef[-df:] / large.coef[0]
    if numeric:
        largest = abs(float(shift[0])) * float(np.ptp(columns))
    else:
        largest = float(np.ptp(np.append(shift, 0.0)))
        labels, shift = [str(names[0]), *labels], np.append(0.0, shift)
    levels = tuple(zip(labels, (float(s) for s in shift), strict=True))
    return CovariateEffect(test=test, levels=levels, largest=largest)
