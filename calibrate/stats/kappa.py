"""Kappa of two raters on a declared scale, unweighted and weighted, with its standard errors.

More than two raters, or gaps, are in agreement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gauge.errors import InvalidValueError

Weights = Literal["identity", "linear", "quadratic", "ordinal"]


def agreement_weights(n_scores: int, kind: Weights) -> NDArray[np.float64]:
    """Weights of agreement between scores, 1 on the diagonal and 0 at the far corners.

    Parameters
    ----------
    n_scores : int
        Length of the declared scale; a score that nobody used still counts.
    kind : {"identity", "linear", "quadratic", "ordinal"}
        Quadratic: 1 - (k - l)^2 / (q - 1)^2, Fleiss & Cohen (1973) Educ. Psychol. Meas. 33:613.
        Ordinal: 1 - C(|k - l| + 1, 2) / C(q, 2), Gwet (2014) Handbook of Inter-Rater Reliability.

    Returns
    -------
    ndarray, shape (n_scores, n_scores)

    Raises
    ------
    InvalidValueError
        If the scale has fewer than two scores.

    Examples
    --------
    >>> agreement_weights(3, "quadratic")
    array([[1.  , 0.75, 0.  ],
           [0.75, 1.  , 0.75],
           [0.  , 0.75, 1.  ]])
    """
    if n_scores < 2:
        raise InvalidValueError("a scale needs two scores or more")
    ranks = np.arange(n_scores, dtype=np.float64)
    step: NDArray[np.float64] = np.abs(np.subtract.outer(ranks, ranks))
    if kind == "identity":
        return np.eye(n_scores)
    if kind == "linear":
        return np.asarray(1 - step / (n_scores - 1))
    if kind == "quadratic":
        return np.asarray(1 - step**2 / (n_scores - 1) ** 2)
    pairs = step * (step + 1) / 2
    return np.asarray(1 - pairs / pairs.max())


@dataclass(frozen=True, kw_only=True, slots=True)
class Kappa:
    """Cohen's kappa of two raters.

    Attributes
    ----------
    value : float or None
        None when chance alone would already agree fully (both raters used one score).
    standard_error : float or None
        For intervals; Fleiss, Cohen & Everitt (1969).
    null_standard_error : float or None
        Under independence, for a test of no agreement.
    observed, expected : float
        Weighted shares of agreement, seen and by chance.
    n : float
    """

    value: float | None
    standard_error: float | None
    null_standard_error: float | None
    observed: float
    expected: float
    n: float

    def interval(self, level: float = 0.95) -> tuple[float | None, float | None]:
        """Wald interval, cut at 1 and -1; (None, None) where kappa is not defined.

        Examples
        --------
        >>> ines_marek = np.array([[20.0, 5.0], [3.0, 12.0]])
        >>> low, high = kappa_of_table(ines_marek, "identity").interval()
        >>> round(low, 2), round(high, 2)
        (0.33, 0.84)
        """
        from scipy.stats import norm

        if self.value is None or self.standard_error is None:
            return None, None
        half = float(norm.ppf(0.5 + level / 2)) * self.standard_error
        return max(self.value - half, -1.0), min(self.value + half, 1.0)


def kappa_of_table(
    table: NDArray[np.float64], weights: NDArray[np.float64] | Weights = "quadratic"
) -> Kappa:
    """Kappa from a square table of counts, one rater in rows, the other in columns.

    Parameters
    ----------
    table : ndarray, shape (q, q)
        Counts on the whole declared scale.
    weights : ndarray, shape (q, q), or str
        Agreement weights, or a name for `agreement_weights`.

    Returns
    -------
    Kappa
        Cohen (1968) Psychol. Bull. 70:213; standard errors of Fleiss, Cohen & Everitt (1969)
        Psychol. Bull. 72:323, equations for weighted kappa.

    Raises
    ------
    InvalidValueError
        If the table is not square, holds negative counts or is empty.

    Examples
    --------
    >>> kappa = kappa_of_table(np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]]), "identity")
    >>> round(kappa.value, 3)
    0.492
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise InvalidValueError("a table of two raters must be square")
    n = float(counts.sum())
    if n <= 0 or (counts < 0).any():
        raise InvalidValueError("a table of two raters needs counts, none below zero")
    w = agreement_weights(len(counts), weights) if isinstance(weights, str) else weights
    share = counts / n
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    chance = np.outer(rows, columns)
    observed, expected = float((w * share).sum()), float((w * chance).sum())
    if expected >= 1 - 1e-12:
        return Kappa(
            value=None,
            standard_error=None,
            null_standard_error=None,
            observed=observed,
            expected=expected,
            n=n,
        )
    value = (observed - expected) / (1 - expected)
    mean_weight = np.add.outer(w @ columns, rows @ w)
    spread = share * (w - mean_weight * (1 - value)) ** 2
    variance = (float(spread.sum()) - (value - expected * (1 - value)) ** 2) / (
        n * (1 - expected) ** 2
    )
    null = (float((chance * (w - mean_weight) ** 2).sum()) - expected**2) / (
        n * (1 - expected) ** 2
    )
    return Kappa(
        value=value,
        standard_error=math.sqrt(max(variance, 0.0)),
        null_standard_error=math.sqrt(max(null, 0.0)),
        observed=observed,
        expected=expected,
        n=n,
    )


def cross_table(
    first: NDArray[np.int64], second: NDArray[np.int64], n_scores: int
) -> NDArray[np.float64]:
    """Count pairs of ranks on a scale of `n_scores`; shape (n_scores, n_scores).

    Examples
    --------
    >>> cross_table(np.array([0, 1, 1]), np.array([0, 1, 0]), 2)
    array([[1., 0.],
           [1., 1.]])
    """
    flat = np.bincount(first * n_scores + second, minlength=n_scores**2)
    return flat.reshape(n_scores, n_scores).astype(float)
