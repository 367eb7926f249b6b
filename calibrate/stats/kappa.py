"""Kappa of two raters on a declared scale, unweighted and weighted, with its interval."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.stats.estimate import Estimate
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
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
