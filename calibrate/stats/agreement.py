"""Agreement of raters on the same berries on a declared scale: of two, and of any number with gaps.

The coefficients of several raters start from one table: how many gave each berry each score.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.estimate import Estimate, t_quantile
from gauge.errors import InvalidValueError, TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Its coefficients by name; None where all scores are the same.
Icc = dict[str, float | None]
Metric = Literal["nominal", "ordinal", "interval"]
Weights = Literal["identity", "linear", "quadratic", "ordinal"]


def agreement_weights(n_scores: int, kind: Weights) -> Floats:
    """Weights of agreement between scores, 1 on the diagonal and 0 at the far corners.

    A score of the declared scale that nobody used still counts. Quadratic: 1 - (k - l)^2 /
    (q - 1)^2, Fleiss & Cohen (1973) Educ. Psychol. Meas. 33:613. Ordinal: 1 - C(|k - l| + 1, 2) /
    C(q, 2), Gwet (2014) Handbook of Inter-Rater Reliability.
    """
    if n_scores < 2:
        raise InvalidValueError("a scale needs two scores or more")
    ranks = np.arange(n_scores, dtype=np.float64)
    step = np.abs(np.subtract.outer(ranks, ranks))
    distance = {
        "identity": np.sign(step),
        "linear": step,
        "quadratic": step**2,
        "ordinal": step * (step + 1) / 2,
    }[kind]
    return np.asarray(1 - distance / distance.max())


def kappa_of_table(table: Floats, weights: Floats | Weights = "quadratic") -> Estimate:
    """Estimate Cohen's kappa from a square table of counts, a rater in rows, one in columns.

    Cohen (1968) Psychol. Bull. 70:213; the normal interval at 95 % by the standard error of Fleiss,
    Cohen & Everitt (1969) Psychol. Bull. 72:323, equation for weighted kappa, cut at -1 and 1.
    There is no value where chance alone would already agree fully (both raters used one score).

    The table, shape (q, q), is of the whole declared scale; weights of agreement are of the same
    shape, or a name for `agreement_weights`. A table that is not square, has a count below zero or
    is empty is an InvalidValueError.
    """
    from scipy.special import ndtri

    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise InvalidValueError("a table of two raters must be square")
    n = float(counts.sum())
    if n <= 0 or (counts < 0).any():
        raise InvalidValueError("a table of two raters needs counts, none below zero")
    w = agreement_weights(len(counts), weights) if isinstance(weights, str) else weights
    share = counts / n
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    observed, expected = float((w * share).sum()), float(rows @ w @ columns)
    if expected >= 1 - 1e-12:
        return Estimate(value=None)
    value = (observed - expected) / (1 - expected)
    mean_weight = np.add.outer(w @ columns, rows @ w)
    spread = float((share * (w - mean_weight * (1 - value)) ** 2).sum())
    variance = (spread - (value - expected * (1 - value)) ** 2) / (n * (1 - expected) ** 2)
    half = float(ndtri(0.975)) * math.sqrt(max(variance, 0.0))
    return Estimate.around(value, half).held(-1.0, 1.0)


def cross_table(first: NDArray[np.int64], second: NDArray[np.int64], n_scores: int) -> Floats:
    """Count pairs of ranks on a scale of `n_scores`; shape (n_scores, n_scores)."""
    flat = np.bincount(first * n_scores + second, minlength=n_scores**2)
    return flat.reshape(n_scores, n_scores).astype(float)


def score_counts(ratings: Ints, n_scores: int) -> Floats:
    """Count raters per berry and score, from ranks (n_berries, n_raters) with -1 for a gap."""
    return np.asarray((ratings[:, :, None] == np.arange(n_scores)).sum(axis=1), dtype=np.float64)


def observed_agreement(counts: Floats, weights: Floats) -> float:
    """Weighted share of agreeing pairs of raters, over berries with two scores or more."""
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
    """
    shares = _score_shares(counts)
    return _beyond_chance(observed_agreement(counts, weights), float(shares @ weights @ shares))


def gwet_ac(counts: Floats, weights: Floats) -> float | None:
    """Gwet's AC1 (identity weights) or AC2 (any others).

    Gwet (2008) Br. J. Math. Stat. Psychol. 61:29; Gwet (2014) for weights and gaps.
    """
    shares = _score_shares(counts)
    q = len(shares)
    expected = weights.sum() / (q * (q - 1)) * float((shares * (1 - shares)).sum())
    return _beyond_chance(observed_agreement(counts, weights), float(expected))


def conger_kappa(ratings: Ints, n_scores: int, weights: Floats) -> float | None:
    """Conger's kappa: each rater keeps his own shares of scores. Cohen's for two raters.

    Conger (1980) Psychol. Bull. 88:322; weights and gaps as in Gwet (2014).
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
    """Krippendorff's alpha from coincidences of scores; None where all scores are the same.

    Krippendorff (2011) Computing Krippendorff's Alpha-Reliability, with the metric differences
    of his section on nominal, ordinal and interval data.
    """
    paired = counts[counts.sum(axis=1) >= 2]
    total = paired.sum(axis=1, keepdims=True)
    coincidence = (paired / (total - 1)).T @ paired - np.diag((paired / (total - 1)).sum(axis=0))
    margin = coincidence.sum(axis=0)
    q = len(margin)
    if metric == "nominal":
        distance = 1.0 - np.eye(q)
    else:
        place = np.cumsum(margin) - margin / 2 if metric == "ordinal" else np.arange(q, dtype=float)
        distance = np.subtract.outer(place, place) ** 2
    by_chance = float(margin @ distance @ margin / (margin.sum() - 1)) if len(paired) else 0.0
    return None if by_chance <= 0 else 1 - float((coincidence * distance).sum()) / by_chance


def over_berries(
    statistics: Callable[[Ints], dict[str, float | None]], ratings: Ints, level: float = 0.95
) -> dict[str, Estimate]:
    """Leave out one berry at a time (jackknife), berries being the sampled unit.

    Efron & Tibshirani (1993) An Introduction to the Bootstrap, chapter 11, with Student's t on
    n - 1 degrees of freedom. Limits are cut at -1 and 1; there are none where a statistic has no
    value without one of the berries.
    """
    values, n = statistics(ratings), len(ratings)
    if n < 3:
        return {name: Estimate(value=value) for name, value in values.items()}
    left_out: list[dict[str, float | None]] = []
    for i in range(n):
        try:
            left_out.append(statistics(np.delete(ratings, i, axis=0)))
        except TooFewScoresError:
            left_out.append({})
    t, found = t_quantile(n - 1, level), {}
    for name, value in values.items():
        others = np.array([one.get(name) for one in left_out], dtype=float)
        half = t * float(np.sqrt((n - 1) / n * ((others - others.mean()) ** 2).sum()))
        known = Estimate(value=None) if value is None else Estimate.around(value, half)
        found[name] = known.held(-1.0, 1.0)
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """All coefficients for one set of ratings.

    `n_berries` have two scores or more. `coefficients` are `weighted_kappa` (Conger's, which is
    Cohen's when the raters are two), `fleiss`, `fleiss_weighted`, `gwet_ac1`, `gwet_ac2`, and
    Krippendorff's `alpha_nominal`, `alpha_ordinal` and `alpha_interval`; `exact` is the share of
    pairs of raters that gave the same score.
    """

    n_berries: int
    n_raters: int
    weights: str
    coefficients: dict[str, Estimate]
    exact: float


def agree(
    ratings: Ints, n_scores: int, *, weights: Weights = "quadratic", level: float = 0.95
) -> Agreement:
    """Compute every coefficient of agreement with its interval.

    `ratings`, shape (n_berries, n_raters), are ranks from 0 on the declared scale of `n_scores`,
    unused ones included, and -1 for a gap. If no berry was scored by two raters, that is a
    TooFewScoresError.
    """
    plain, weighted = np.eye(n_scores), agreement_weights(n_scores, weights)

    def every(ranks: Ints) -> dict[str, float | None]:
        counts = score_counts(ranks, n_scores)
        return {
            "weighted_kappa": conger_kappa(ranks, n_scores, weighted),
            "fleiss": fleiss_kappa(counts, plain),
            "fleiss_weighted": fleiss_kappa(counts, weighted),
            "gwet_ac1": gwet_ac(counts, plain),
            "gwet_ac2": gwet_ac(counts, weighted),
            "alpha_nominal": krippendorff_alpha(counts, "nominal"),
            "alpha_ordinal": krippendorff_alpha(counts, "ordinal"),
            "alpha_interval": krippendorff_alpha(counts, "interval"),
        }

    return Agreement(
        n_berries=int(((ratings >= 0).sum(axis=1) >= 2).sum()),
        n_raters=ratings.shape[1],
        weights=weights,
        coefficients=over_berries(every, ratings, level),
        exact=observed_agreement(score_counts(ratings, n_scores), plain),
    )


def icc(scores: Floats) -> Icc:
    """Compute the six intraclass correlations, scores taken as equally spaced numbers.

    Shrout & Fleiss (1979) Psychol. Bull. 86:420, from the mean squares between berries, within
    berries, between raters and residual. ICC(1,1), ICC(2,1) and ICC(3,1) are `one_way` (raters
    differ per berry), `agreement` (the same random raters) and `consistency` (these very raters);
    ICC(1,k), ICC(2,k) and ICC(3,k) the same for the mean of all raters. None where all scores are
    the same.

    `scores`, shape (n_berries, n_raters), have no gaps; fewer than two berries or two raters are a
    TooFewScoresError.
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

    return {
        "one_way": ratio(bms - wms, bms + (k - 1) * wms),
        "agreement": ratio(bms - ems, bms + (k - 1) * ems + k * (jms - ems) / n),
        "consistency": ratio(bms - ems, bms + (k - 1) * ems),
        "one_way_mean": ratio(bms - wms, bms),
        "agreement_mean": ratio(bms - ems, bms + (jms - ems) / n),
        "consistency_mean": ratio(bms - ems, bms),
    }
