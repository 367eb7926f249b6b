"""Intraclass correlations of raters who all scored the same berries, after Shrout and Fleiss.

Scores are taken as equally spaced numbers here, which ordinal scores need not be; kappa and alpha
in agreement ask for less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gauge.errors import TooFewScoresError


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
