"""Agreement of any number of raters on the same berries, with gaps, on a declared scale.

All coefficients start from one table: how many raters gave each berry each score. Forces play no
part here, and the reading of files is in ratings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.estimate import Estimate
from calibrate.stats.kappa import Weights, agreement_weights
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
Metric = Literal["nominal", "ordinal", "interval"]


def score_counts(ratings: NDArray[np.int64], n_scores: int) -> Floats:
    """Count raters per berry and score.

    Parameters
    ----------
    ratings : ndarray of int, shape (n_berries, n_raters)
        Ranks from 0; -1 where a rater did not score the berry.
    n_scores : int
        Length of the declared scale.

    Returns
    -------
    ndarray, shape (n_berries, n_scores)

    Examples
    --------
    >>> score_counts(np.array([[0, 1], [1, -1]]), 2)
    array([[1., 1.],
           [0., 1.]])
    """
    return np.asarray((ratings[:, :, None] == np.arange(n_scores)).sum(axis=1), dtype=np.float64)


def observed_agreement(counts: Floats, weights: Floats) -> float:
    """Weighted share of agreeing pairs of raters, over berries with two scores or more.

    Raises
    ------
    TooFewScoresError
        If no berry was scored by two raters.

    Examples
    --------
    >>> counts = score_counts(np.array([[0, 0], [0, 1], [1, 1], [1, 1]]), 2)
    >>> observed_agreement(counts, np.eye(2))
    0.75
    """
    total = counts.sum(axis=1)
    both = total >= 2
    if not both.any():
        raise TooFewScoresError(
            "No berry was scored by two raters.", todo="Let two raters score the same berries."
        )
    near = counts @ weights
    pairs = (counts * (near - 1)).sum(axis=1)[both]
    return float(np.mean(pairs / (total[both] * (total[both] - 1))))


def _score_shares(counts: Floats) -> Floats:
    """Mean share of each score over berries, each berry weighing the same."""
    total = counts.sum(axis=1, keepdims=True)
    seen = total[:, 0] > 0
    return np.asarray((counts[seen] / total[seen]).mean(axis=0))


def _beyond_chance(observed: float, expected: float) -> float | None:
    return None if expected >= 1 - 1e-12 else (observed - expected) / (1 - expected)


def fleiss_kappa(counts: Floats, weights: Floats) -> float | None:
    """Fleiss' kappa: chance agreement from the pooled shares of scores.

    Fleiss (1971) Psychol. Bull. 76:378; weights and gaps as in Gwet (2014). None where chance
    alone agrees fully.

    Examples
    --------
    >>> round(fleiss_kappa(np.array([[2.0, 0], [0, 2], [1, 1]]), np.eye(2)), 4)
    0.3333
    """
    shares = _score_shares(counts)
    return _beyond_chance(observed_agreement(counts, weights), float(shares @ weights @ shares))


def gwet_ac(counts: Floats, weights: Floats) -> float | None:
    """Gwet's AC1 (identity weights) or AC2 (any others).

    Gwet (2008) Br. J. Math. Stat. Psychol. 61:29; Gwet (2014) for weights and gaps.

    Examples
    --------
    >>> round(gwet_ac(np.array([[2.0, 0], [0, 2], [1, 1]]), np.eye(2)), 4)
    0.3333
    """
    shares = _score_shares(counts)
    q = len(shares)
    expected = weights.sum() / (q * (q - 1)) * float((shares * (1 - shares)).sum())
    return _beyond_chance(observed_agreement(counts, weights), float(expected))


def conger_kappa(ratings: NDArray[np.int64], n_scores: int, weights: Floats) -> float | None:
    """Conger's kappa: each rater keeps his own shares of scores. Cohen's for two raters.

    Conger (1980) Psychol. Bull. 88:322; weights and gaps as in Gwet (2014).

    Parameters
    ----------
    ratings : ndarray of int, shape (n_berries, n_raters)
        Ranks, -1 for a gap.
    n_scores : int
    weights : ndarray, shape (n_scores, n_scores)

    Examples
    --------
    >>> conger_kappa(np.array([[0, 0], [1, 1], [0, 1], [1, 1]]), 2, np.eye(2))
    0.5
    """
    own = np.array([np.bincount(r[r >= 0], minlength=n_scores) for r in ratings.T], dtype=float)
    own = own[own.sum(axis=1) > 0]
    own /= own.sum(axis=1, keepdims=True)
    n_raters = len(own)
    mean = own.mean(axis=0)
    # Pairs of different raters only: all pairs, less each rater with himself.
    all_pairs = n_raters**2 * float(mean @ weights @ mean)
    same = float(np.einsum("ik,kl,il->", own, weights, own))
    expected = (all_pairs - same) / (n_raters * (n_raters - 1)) if n_raters > 1 else 1.0
    observed = observed_agreement(score_counts(ratings, n_scores), weights)
    return _beyond_chance(observed, expected)


def krippendorff_alpha(counts: Floats, metric: Metric) -> float | None:
    """Krippendorff's alpha from coincidences of scores.

    Krippendorff (2011) Computing Krippendorff's Alpha-Reliability, with the metric differences
    of his section on nominal, ordinal and interval data. None where all scores are the same.

    Examples
    --------
    >>> counts = np.array([[2.0, 0], [0, 2], [1, 1]])
    >>> round(krippendorff_alpha(counts, "nominal"), 4)
    0.4444
    """
    paired = counts[counts.sum(axis=1) >= 2]
    total = paired.sum(axis=1, keepdims=True)
    coincidence = (paired / (total - 1)).T @ paired - np.diag((paired / (total - 1)).sum(axis=0))
    margin = coincidence.sum(axis=0)
    q = len(margin)
    if metric == "nominal":
        distance = 1.0 - np.eye(q)
    elif metric == "interval":
        distance = np.subtract.outer(np.arange(q), np.arange(q)).astype(float) ** 2
    else:
        middle = np.cumsum(margin) - margin / 2
        distance = np.subtract.outer(middle, middle) ** 2
    by_chance = float(margin @ distance @ margin / (margin.sum() - 1)) if len(paired) else 0.0
    if by_chance <= 0:
        return None
    return 1 - float((coincidence * distance).sum()) / by_chance


def over_berries(
    statistic: Callable[[NDArray[np.int64]], float | None],
    ratings: NDArray[np.int64],
    level: float = 0.95,
) -> Estimate:
    """Interval by leaving out one berry at a time (jackknife), berries being the sampled unit.

    Efron & Tibshirani (1993) An Introduction to the Bootstrap, chapter 11, with Student's t on
    n - 1 degrees of freedom. Limits are cut at -1 and 1.

    Parameters
    ----------
    statistic : callable
        From ratings, shape (n_berries, n_raters), to a coefficient.
    ratings : ndarray of int
    level : float

    Examples
    --------
    >>> ratings = np.array([[0, 0], [1, 1], [2, 2], [1, 2], [0, 0]])
    >>> kappa = over_berries(lambda r: conger_kappa(r, 3, np.eye(3)), ratings)
    >>> round(kappa.value, 4), round(kappa.low, 4), kappa.high
    (0.7059, -0.147, 1.0)
    """
    from scipy.stats import t

    value = statistic(ratings)
    n = len(ratings)
    if value is None or n < 3:
        return Estimate(value=value)
    left_out = []
    for i in range(n):
        try:
            left_out.append(statistic(np.delete(ratings, i, axis=0)))
        except TooFewScoresError:
            left_out.append(None)
    if any(v is None for v in left_out):
        return Estimate(value=value)
    values = np.array(left_out, dtype=float)
    standard_error = float(np.sqrt((n - 1) / n * ((values - values.mean()) ** 2).sum()))
    half = float(t.ppf(0.5 + level / 2, n - 1)) * standard_error
    return Estimate(value=value, low=max(value - half, -1.0), high=min(value + half, 1.0))


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """All coefficients for one set of ratings.

    Attributes
    ----------
    n_berries, n_raters : int
        Berries with two scores or more, and raters.
    weights : str
        The weights of `weighted_kappa`, `fleiss_weighted` and `gwet_ac2`.
    weighted_kappa : Estimate
        Conger's kappa, which is Cohen's weighted kappa when the raters are two.
    fleiss, fleiss_weighted, gwet_ac1, gwet_ac2 : Estimate
    alpha : dict of str to Estimate
        Krippendorff's alpha, nominal, ordinal and interval.
    exact : float
        Share of pairs of raters that gave the same score.
    """

    n_berries: int
    n_raters: int
    weights: str
    weighted_kappa: Estimate
    fleiss: Estimate
    fleiss_weighted: Estimate
    gwet_ac1: Estimate
    gwet_ac2: Estimate
    alpha: dict[str, Estimate]
    exact: float


def agree(
    ratings: NDArray[np.int64],
    n_scores: int,
    *,
    weights: Weights = "quadratic",
    level: float = 0.95,
) -> Agreement:
    """Compute every coefficient of agreement with its interval.

    Parameters
    ----------
    ratings : ndarray of int, shape (n_berries, n_raters)
        Ranks from 0 on the declared scale, -1 for a gap.
    n_scores : int
        Length of the declared scale: unused scores stay in it.
    weights : {"quadratic", "linear", "ordinal", "identity"}
    level : float

    Raises
    ------
    TooFewScoresError
        If no berry was scored by two raters.

    Examples
    --------
    >>> result = agree(np.array([[0, 0], [1, 1], [2, 2], [1, 2], [0, 0]]), 3)
    >>> round(result.weighted_kappa.value, 4)
    0.8571
    """
    plain, weighted = np.eye(n_scores), agreement_weights(n_scores, weights)
    # First, so that too few scores are refused before anything else is computed.
    exact = observed_agreement(score_counts(ratings, n_scores), plain)

    def estimate(statistic: Callable[[NDArray[np.int64]], float | None]) -> Estimate:
        return over_berries(statistic, ratings, level)

    def counted(function: Callable[[Floats, Floats], float | None], w: Floats) -> Estimate:
        return estimate(lambda r: function(score_counts(r, n_scores), w))

    def alpha(metric: Metric) -> Estimate:
        return estimate(lambda r: krippendorff_alpha(score_counts(r, n_scores), metric))

    return Agreement(
        n_berries=int(((ratings >= 0).sum(axis=1) >= 2).sum()),
        n_raters=ratings.shape[1],
        weights=weights,
        weighted_kappa=estimate(lambda r: conger_kappa(r, n_scores, weighted)),
        fleiss=counted(fleiss_kappa, plain),
        fleiss_weighted=counted(fleiss_kappa, weighted),
        gwet_ac1=counted(gwet_ac, plain),
        gwet_ac2=counted(gwet_ac, weighted),
        alpha={m: alpha(m) for m in ("nominal", "ordinal", "interval")},
        exact=exact,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Icc:
    """Intraclass correlations for a single rater and for the mean of all raters.

    Attributes
    ----------
    one_way, agreement, consistency : float or None
        ICC(1,1), ICC(2,1) and ICC(3,1): raters differ per berry; the same random raters; these
        very raters.
    one_way_mean, agreement_mean, consistency_mean : float or None
        The same for the mean of all raters: ICC(1,k), ICC(2,k), ICC(3,k).
    """

    one_way: float | None
    agreement: float | None
    consistency: float | None
    one_way_mean: float | None
    agreement_mean: float | None
    consistency_mean: float | None


def icc(scores: NDArray[np.float64]) -> Icc:
    """Compute the six intraclass correlations.

    Parameters
    ----------
    scores : ndarray, shape (n_berries, n_raters)
        Complete; berries with gaps are left out by the caller.

    Returns
    -------
    Icc
        Shrout & Fleiss (1979) Psychol. Bull. 86:420, from the mean squares between berries, within
        berries, between raters and residual. None where all scores are the same.

    Raises
    ------
    TooFewScoresError
        With fewer than two berries or two raters.

    Examples
    --------
    >>> result = icc(np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8],
    ...                        [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7.0]]))
    >>> round(result.agreement, 2), round(result.consistency, 2)
    (0.29, 0.71)
    """
    n, k = scores.shape
    if n < 2 or k < 2:
        raise TooFewScoresError(
            "An intraclass correlation needs two berries and two raters without gaps."
        )
    grand = scores.mean()
    between = k * float(((scores.mean(axis=1) - grand) ** 2).sum())
    raters = n * float(((scores.mean(axis=0) - grand) ** 2).sum())
    total = float(((scores - grand) ** 2).sum())
    bms = between / (n - 1)
    wms = (total - between) / (n * (k - 1))
    jms = raters / (k - 1)
    ems = (total - between - raters) / ((n - 1) * (k - 1))

    def ratio(top: float, bottom: float) -> float | None:
        return top / bottom if bottom > 0 else None

    return Icc(
        one_way=ratio(bms - wms, bms + (k - 1) * wms),
        agreement=ratio(bms - ems, bms + (k - 1) * ems + k * (jms - ems) / n),
        consistency=ratio(bms - ems, bms + (k - 1) * ems),
        one_way_mean=ratio(bms - wms, bms),
        agreement_mean=ratio(bms - ems, bms + (jms - ems) / n),
        consistency_mean=ratio(bms - ems, bms),
    )
