"""Comparing selections by their counts: proportions and finger scores, clamshells as the unit.

All pairs and letters come from selections.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.allpairs import Pair, all_pairs, pair_letters
from calibrate.stats.proportions import difference, dispersion
from calibrate.stats.selections import Comparison
from calibrate.stats.studentrange import range_quantile
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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

    The test of "no difference at all" is quasi-binomial: Pearson's chi-square between groups over
    its degrees of freedom and the dispersion between clamshells, against F. Pairs are Newcombe's
    hybrid score intervals with berries divided by the dispersion and the quantile of the
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
    from scipy.special import fdtrc

    x, total = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    code = np.asarray(group, dtype=np.int64)
    k, df = len(names), x.size - len(names)
    if k < 2:
        raise TooFewScoresError("one group only: there is nothing to compare")
    if df < 1:
        raise TooFewScoresError(f"no more than one {unit} a group")
    factor = dispersion(x, total, code).factor
    hit, size = np.bincount(code, x, minlength=k), np.bincount(code, total, minlength=k)
    overall = float(hit.sum() / size.sum())
    inner = 0 < overall < 1
    chi2 = (
        float(((hit - size * overall) ** 2 / (size * overall * (1 - overall))).sum())
        if inner
        else 0.0
    )
    f = chi2 / (k - 1) / factor
    critical = range_quantile(level, k, df) / math.sqrt(2)
    pairs = []
    for a, b in itertools.combinations(range(k), 2):
        gap = difference(
            hit[a] / factor, size[a] / factor, hit[b] / factor, size[b] / factor, critical=critical
        )
        assert gap.value is not None
        assert gap.low is not None
        assert gap.high is not None
        pairs.append(
            Pair(
                first=names[a],
                second=names[b],
                difference=gap.value,
                low=gap.low,
                high=gap.high,
                p=None,
            )
        )
    share = hit / size
    return Comparison(
        model=f"quasi-binomial, {unit} as the unit; Newcombe intervals "
        f"with the studentized range, simultaneous level {level:g}",
        statistic=f"F({k - 1}, {df}) = {f:.4g}, dispersion {factor:.2f}",
        p=float(fdtrc(k - 1, df, f)),
        groups=tuple(names),
        estimates=tuple(float(s) for s in share),
        pairs=tuple(pairs),
        letters=pair_letters(pairs, names, share),
    )


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
    from scipy.special import fdtrc

    from calibrate.stats.ordinal import fit_ordinal

    table, code = np.asarray(counts, dtype=float), np.asarray(group, dtype=np.int64)
    k, scores = len(names), table.shape[1]
    df = table.shape[0] - k
    if k < 2:
        raise TooFewScoresError("one group only: there is nothing to compare")
    if df < 1:
        raise TooFewScoresError(f"no more than one {unit} a group")
    pooled = np.zeros((k, scores))
    np.add.at(pooled, code, table)
    factor = max(1.0, _score_dispersion(table, pooled, code))
    rank = np.tile(np.arange(scores), k)
    # Effects that add up to zero, so that every group is treated alike.
    design = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    fit = fit_ordinal(np.repeat(design, scores, axis=0), rank, pooled.ravel(), n_ranks=scores)
    null = fit_ordinal(np.zeros((scores, 0)), np.arange(scores), pooled.sum(axis=0), n_ranks=scores)
    f = max(0.0, 2 * (fit.log_likelihood - null.log_likelihood)) / (k - 1) / factor
    effects = design @ fit.coef
    covariance = factor * design @ fit.covariance[-(k - 1) :, -(k - 1) :] @ design.T
    pairs = all_pairs(effects, covariance, df, names, level=level)
    return Comparison(
        model=f"cumulative logit, {unit} as the unit; studentized range "
        f"on the logit scale, simultaneous level {level:g}",
        statistic=f"F({k - 1}, {df}) = {f:.4g}, dispersion {factor:.2f}",
        p=float(fdtrc(k - 1, df, f)),
        groups=tuple(names),
        estimates=tuple(float(e) for e in effects),
        pairs=pairs,
        letters=pair_letters(pairs, names, effects),
    )


def _score_dispersion(table: Floats, pooled: Floats, code: Ints) -> float:
    """Pearson's chi-square of clamshells about their group's distribution, over its df."""
    expected = table.sum(axis=1, keepdims=True) * (pooled / pooled.sum(axis=1, keepdims=True))[code]
    used = expected > 0
    chi2 = float((((table - expected) ** 2)[used] / expected[used]).sum())
    inner = (pooled > 0).sum(axis=1) - 1
    df = int((inner * (np.bincount(code, minlength=pooled.shape[0]) - 1)).sum())
    return chi2 / df if df > 0 else 1.0
