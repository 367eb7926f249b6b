"""Groups compared by means, proportions or scores; a row is a unit (clamshell, replicate).

Each comparison is a test of "no difference at all", then all pairs and their letters.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.allpairs import Anova, Comparison, Pair, all_pairs, pair_letters
from calibrate.stats.proportions import berries_worth, difference
from calibrate.stats.studentrange import range_quantile
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def compare_means(
    y: ArrayLike,
    group: ArrayLike,
    names: Sequence[str],
    *,
    block: ArrayLike | None = None,
    level: float = 0.95,
    unit: str = "clamshell",
) -> Comparison:
    """Compare group means: one-way analysis of variance, then Tukey-Kramer on all pairs.

    Tukey (1953) and Kramer, C. Y. (1956) Biometrics 12:307-310; with blocks, the means are
    adjusted for additive block effects by least squares and the standard error of each difference
    is its own. Written on the residual variance so that a group of one unit and blocks have their
    place, which `scipy.stats.tukey_hsd` refuses; both agree where both apply.

    Parameters
    ----------
    y : array_like of float, shape (m,)
        One value a unit.
    group : array_like of int, shape (m,)
        Position in `names`; every group has a unit or more.
    names : sequence of str
    block : array_like of int, shape (m,), optional
        Season, site or replicate of each unit.
    level : float
        Of the simultaneous intervals; letters are at 1 - level.
    unit : str
        For the statement of the model.

    Raises
    ------
    TooFewScoresError
        If there are fewer than two groups, or no unit is left to estimate the residual variance.

    Examples
    --------
    >>> found = compare_means([1, 2, 3, 7, 8, 9], [0, 0, 0, 1, 1, 1], ["R-114", "R-120"])
    >>> found.letters, found.statistic
    (('b', 'a'), 'F(1, 4) = 54')
    """
    from scipy.special import fdtrc

    values, code = np.asarray(y, dtype=float), np.asarray(group, dtype=np.int64)
    k = len(names)
    if k < 2:
        raise TooFewScoresError("one group only: there is nothing to compare")
    centre = float(values.mean())
    x, nuisance = np.eye(k)[code], np.ones((values.size, 1))
    if block is not None:
        coded = _centred(block)
        x, nuisance = np.hstack([x, coded]), np.hstack([nuisance, coded])
    beta, ss_within, rank, inverse = _least_squares(x, values - centre)
    df_within = values.size - rank
    if df_within < 1 or rank < x.shape[1]:
        raise TooFewScoresError(
            f"no more than one {unit} a group"
            if df_within < 1
            else "groups and blocks are mixed up: some groups share no block",
            todo=f"Give two or more {unit}s of each selection.",
        )
    _, ss_null, rank_null, _ = _least_squares(nuisance, values - centre)
    df_between = rank - rank_null
    ss_between = max(ss_null - ss_within, 0.0)
    if block is None:
        # The direct form keeps its digits where the difference of two sums would lose them.
        ss_between = float((np.bincount(code, minlength=k) * beta[:k] ** 2).sum())
    ms = ss_within / df_within
    f = ss_between / df_between / ms if ms > 0 else np.inf
    p = float(fdtrc(df_between, df_within, f))
    pairs = all_pairs(beta[:k], ms * inverse[:k, :k], df_within, names, level=level)
    adjusted = "" if block is None else ", adjusted for additive block effects"
    return Comparison(
        model=f"one-way analysis of variance of {unit} means{adjusted}; "
        f"Tukey-Kramer, simultaneous level {level:g}",
        statistic=f"F({df_between}, {df_within}) = {f:.4g}",
        p=p,
        groups=tuple(names),
        estimates=tuple((beta[:k] + centre).tolist()),
        pairs=pairs,
        letters=pair_letters(pairs, names, beta[:k]),
        anova=Anova(
            df_between=df_between,
            df_within=df_within,
            ss_between=ss_between,
            ss_within=ss_within,
            f=float(f),
            p=p,
        ),
    )


def _centred(block: ArrayLike) -> Floats:
    """Columns of block effects that add up to zero: a group's own is then a mean over blocks."""
    blocks = np.unique(np.asarray(block), return_inverse=True)[1].ravel()
    last = int(blocks.max())
    return np.asarray(np.eye(last + 1)[blocks][:, :last] - (blocks == last)[:, None])


def _least_squares(x: Floats, y: Floats) -> tuple[Floats, float, int, Floats]:
    """Coefficients, residual sum of squares, rank, and the inverse of X'X."""
    first, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    # A second step on the residuals restores the digits that large group means cost.
    correction = np.linalg.lstsq(x, y - x @ first, rcond=None)[0]
    beta: Floats = (first + correction).astype(np.float64)
    residual = y - x @ beta
    inverse: Floats = np.asarray(np.linalg.pinv(x.T @ x), dtype=np.float64)
    return beta, float(residual @ residual), int(rank), inverse


def compare_proportions(
    hits: ArrayLike,
    n: ArrayLike,
    group: ArrayLike,
    names: Sequence[str],
    *,
    level: float = 0.95,
    unit: str = "clamshell",
) -> Comparison:
    """Compare the proportions of groups, allowing for clamshells that differ.

    The proportion of a group is the mean of its clamshells', each counting alike, as in a row of
    the table. Its variance is that of as many berries as `berries_worth` of
    `calibrate.stats.proportions` says; "no difference at all" is chi-square between groups over its
    degrees of freedom, against F. Pairs are Newcombe's hybrid score intervals with those berries
    and the quantile of the
    studentized range, so that a group without a single soft berry has its place too.

    Parameters
    ----------
    hits, n : array_like of float, shape (m,)
        One clamshell each.
    group : array_like of int, shape (m,)
    names : sequence of str
    level : float
    unit : str

    Raises
    ------
    TooFewScoresError
        If there are fewer than two groups, or one clamshell a group.

    Examples
    --------
    >>> soft, berries, selection = [1, 2, 1, 9, 11, 10], [20] * 6, [0, 0, 0, 1, 1, 1]
    >>> compare_proportions(soft, berries, selection, ["R-114", "R-120"]).letters
    ('b', 'a')
    """
    x, total = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    code = np.asarray(group, dtype=np.int64)
    k, df = len(names), _free_units(x.size, len(names), unit)
    worth, correlation = berries_worth(x, total, code)
    share = np.bincount(code, x / total, minlength=k) / np.bincount(code, minlength=k)
    overall = float(share @ worth / worth.sum())
    variance = overall * (1 - overall) / worth
    chi2 = float(((share - overall) ** 2 / variance).sum()) if 0 < overall < 1 else 0.0
    critical = range_quantile(level, k, df) / math.sqrt(2)
    hits = share * worth
    pairs = []
    for a, b in itertools.combinations(range(k), 2):
        gap = difference(hits[a], worth[a], hits[b], worth[b], critical=critical)
        pairs.append(Pair(first=names[a], second=names[b], difference=gap, p=None))
    model = (
        f"binomial with an intra-{unit} correlation of {correlation:.3f}, {unit} as the unit; "
        f"Newcombe intervals with the studentized range, simultaneous level {level:g}"
    )
    return _of_counts(model, chi2, df, 1.0, names, share, tuple(pairs))


def compare_scores(
    counts: ArrayLike,
    group: ArrayLike,
    names: Sequence[str],
    *,
    level: float = 0.95,
    unit: str = "clamshell",
) -> Comparison:
    """Compare the finger scores of groups by a cumulative logit model.

    The likelihood ratio of "no difference at all" over its degrees of freedom and the dispersion
    of clamshells about their group (Pearson, at least 1), against F; pairs by the studentized
    range on the logit scale with standard errors raised by the same dispersion (McCullagh &
    Nelder (1989), sections 4.5 and 5.5). An estimate above zero is softer than the average group.

    Parameters
    ----------
    counts : array_like of float, shape (m, scores)
        Berries of each clamshell at each score, firmest first.
    group : array_like of int, shape (m,)
    names : sequence of str
    level : float
    unit : str

    Raises
    ------
    TooFewScoresError
        If there are fewer than two groups or two used scores, or one clamshell a group.
    SeparationError
        If a group has all berries at one end of the scale, so that no finite estimate exists.

    Examples
    --------
    >>> counts = [[12, 5, 3], [13, 5, 2], [11, 6, 3], [3, 6, 11], [2, 8, 10], [4, 5, 11]]
    >>> compare_scores(counts, [0, 0, 0, 1, 1, 1], ["R-114", "R-120"]).letters
    ('b', 'a')
    """
    from calibrate.stats.ordinal import fit_ordinal

    table, code = np.asarray(counts, dtype=float), np.asarray(group, dtype=np.int64)
    k, scores = len(names), table.shape[1]
    df = _free_units(table.shape[0], k, unit)
    pooled = np.zeros((k, scores))
    np.add.at(pooled, code, table)
    factor = max(1.0, _score_dispersion(table, pooled, code))
    rank = np.tile(np.arange(scores), k)
    # Effects that add up to zero, so that every group is treated alike.
    design = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    fit = fit_ordinal(np.repeat(design, scores, axis=0), rank, pooled.ravel(), n_ranks=scores)
    null = fit_ordinal(np.zeros((scores, 0)), np.arange(scores), pooled.sum(axis=0), n_ranks=scores)
    chi2 = max(0.0, 2 * (fit.log_likelihood - null.log_likelihood))
    effects = design @ fit.coef
    covariance = factor * design @ fit.covariance[-(k - 1) :, -(k - 1) :] @ design.T
    pairs = all_pairs(effects, covariance, df, names, level=level)
    model = (
        f"cumulative logit, {unit} as the unit; studentized range "
        f"on the logit scale, simultaneous level {level:g}"
    )
    return _of_counts(model, chi2, df, factor, names, effects, pairs)


def _of_counts(
    model: str,
    chi2: float,
    df: int,
    factor: float,
    names: Sequence[str],
    estimates: Floats,
    pairs: tuple[Pair, ...],
) -> Comparison:
    """Report a comparison whose chi-square is compared with the dispersion between units."""
    from scipy.special import fdtrc

    between = len(names) - 1
    f = chi2 / between / factor
    return Comparison(
        model=model,
        statistic=f"F({between}, {df}) = {f:.4g}, dispersion {factor:.2f}",
        p=float(fdtrc(between, df, f)),
        groups=tuple(names),
        estimates=tuple(estimates.tolist()),
        pairs=pairs,
        letters=pair_letters(pairs, names, estimates),
    )


def _score_dispersion(table: Floats, pooled: Floats, code: Ints) -> float:
    """Pearson's chi-square of clamshells about their group's distribution, over its df."""
    expected = table.sum(axis=1, keepdims=True) * (pooled / pooled.sum(axis=1, keepdims=True))[code]
    used = expected > 0
    chi2 = float((((table - expected) ** 2)[used] / expected[used]).sum())
    inner = (pooled > 0).sum(axis=1) - 1
    df = int((inner * (np.bincount(code, minlength=pooled.shape[0]) - 1)).sum())
    return chi2 / df if df > 0 else 1.0


def _free_units(units: int, groups: int, unit: str) -> int:
    """Count the degrees of freedom within groups, and refuse none."""
    if groups < 2:
        raise TooFewScoresError("one group only: there is nothing to compare")
    if units <= groups:
        raise TooFewScoresError(f"no more than one {unit} a group")
    return units - groups
