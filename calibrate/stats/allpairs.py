"""All pairs of estimates compared at once, and the letters that follow from the pairs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.groupletters import letters
from calibrate.stats.studentrange import range_quantile, range_tail

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """The difference first minus second, with simultaneous limits and adjusted p."""

    first: str
    second: str
    difference: float
    low: float
    high: float
    p: float | None

    @property
    def differs(self) -> bool:
        """Whether the simultaneous interval excludes zero.

        Examples
        --------
        >>> Pair(first="R-114", second="R-120", difference=0.4, low=0.1, high=0.7, p=0.01).differs
        True
        """
        return self.low > 0 or self.high < 0


def all_pairs(
    estimates: ArrayLike,
    covariance: ArrayLike,
    df: float,
    names: Sequence[str],
    *,
    level: float = 0.95,
) -> tuple[Pair, ...]:
    """Compare all pairs of estimates by the studentized range.

    Tukey-Kramer for any estimates with a covariance: exact for equal standard errors, on the safe
    side otherwise for means (Hayter, A. J. (1984) Ann. Stat. 12:61-75).

    Parameters
    ----------
    estimates : array_like of float, shape (k,)
    covariance : array_like of float, shape (k, k)
    df : float
        Of the variance; infinity for a known one.
    names : sequence of str, length k
    level : float

    Examples
    --------
    >>> pair, = all_pairs([3.0, 1.0], [[0.1, 0], [0, 0.1]], 8, ["R-114", "R-120"])
    >>> round(pair.p, 4), pair.differs
    (0.0021, True)
    """
    value, cov = np.asarray(estimates, dtype=float), np.asarray(covariance, dtype=float)
    k = value.size
    at = list(itertools.combinations(range(k), 2))
    i, j = (np.array(side) for side in zip(*at, strict=True))
    gap = value[i] - value[j]
    se = np.sqrt(np.maximum(cov[i, i] + cov[j, j] - 2 * cov[i, j], 0.0))
    half = range_quantile(level, k, df) / math.sqrt(2) * se
    with np.errstate(divide="ignore", invalid="ignore"):
        q = np.where(se > 0, np.abs(gap) / se * np.sqrt(2), np.where(gap == 0, 0.0, np.inf))
    p = range_tail(q, k, df)
    return tuple(
        Pair(
            first=names[a],
            second=names[b],
            difference=float(gap[row]),
            low=float(gap[row] - half[row]),
            high=float(gap[row] + half[row]),
            p=float(p[row]),
        )
        for row, (a, b) in enumerate(at)
    )


def pair_letters(
    pairs: Sequence[Pair], names: Sequence[str], estimates: Floats | Sequence[float]
) -> tuple[str, ...]:
    """Give letters by the verdicts on pairs, a for the largest estimate.

    Examples
    --------
    >>> pairs = all_pairs([3.0, 1.0], [[0.1, 0], [0, 0.1]], 8, ["R-114", "R-120"])
    >>> pair_letters(pairs, ["R-114", "R-120"], [3.0, 1.0])
    ('a', 'b')
    """
    place = {name: index for index, name in enumerate(names)}
    differ = np.zeros((len(names), len(names)), dtype=bool)
    for pair in pairs:
        a, b = place[pair.first], place[pair.second]
        differ[a, b] = differ[b, a] = pair.differs
    order = sorted(range(len(names)), key=lambda index: -float(estimates[index]))
    return letters(differ, order)
