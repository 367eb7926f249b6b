"""What a comparison of groups finds: all pairs at once, and the letters that follow from them."""

from __future__ import annotations

import itertools
import math
import string
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.estimate import Estimate
from calibrate.stats.studentrange import range_quantile, range_tail
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
# Chance with which a difference that is called detectable is found.
_POWER = 0.8


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """The difference first minus second, with simultaneous limits and adjusted p."""

    first: str
    second: str
    difference: Estimate
    p: float | None

    @property
    def differs(self) -> bool:
        """Whether the simultaneous interval excludes zero."""
        return self.difference.excludes_zero()


@dataclass(frozen=True, kw_only=True, slots=True)
class Anova:
    """An analysis of variance of one factor, adjusted for blocks if there are any."""

    df_between: int
    df_within: float
    ss_between: float
    ss_within: float
    f: float
    p: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups, the residual variance."""
        return self.ss_within / self.df_within


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """Groups compared: by which model, what it found, and letters that follow from the pairs.

    Attributes
    ----------
    model : str
        In words, with the unit.
    statistic : str
        Which test of "no difference at all", e.g. ``F(4, 20) = 1.18``.
    p : float
    groups : tuple of str
    estimates : tuple of float
        Adjusted means, or positions on the model's scale.
    pairs : tuple of Pair
    letters : tuple of str
        One entry a group; groups share a letter where their pair is not shown to differ.
    anova : Anova or None
    """

    model: str
    statistic: str
    p: float
    groups: tuple[str, ...]
    estimates: tuple[float, ...]
    pairs: tuple[Pair, ...]
    letters: tuple[str, ...]
    anova: Anova | None = None

    def to_json(self) -> dict[str, Any]:
        """Write as the commands print it."""
        rows = zip(self.groups, self.estimates, self.letters, strict=True)
        return {
            "model": self.model,
            "statistic": self.statistic,
            "p": self.p,
            "groups": [{"group": g, "estimate": e, "letters": s} for g, e, s in rows],
            "pairs": [
                {
                    "first": pair.first,
                    "second": pair.second,
                    "difference": pair.difference.value,
                    "low": pair.difference.low,
                    "high": pair.difference.high,
                    "p": pair.p,
                    "differs": pair.differs,
                }
                for pair in self.pairs
            ],
        }


def all_pairs(
    estimates: ArrayLike,
    covariance: ArrayLike,
    df: float,
    names: Sequence[str],
    *,
    level: float = 0.95,
) -> tuple[Pair, ...]:
    """Compare all pairs of k estimates with a (k, k) covariance by the studentized range.

    Tukey-Kramer for any estimates with a covariance: exact for equal standard errors, on the safe
    side otherwise for means (Hayter, A. J. (1984) Ann. Stat. 12:61-75). `df` are those of the
    variance; infinity for a known one.
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
    rows = zip(at, gap.tolist(), half.tolist(), range_tail(q, k, df).tolist(), strict=True)
    return tuple(
        Pair(
            first=names[a],
            second=names[b],
            difference=Estimate.around(middle, reach),
            p=p,
        )
        for (a, b), middle, reach, p in rows
    )


def detectable_difference(
    between: float, within: float, clamshells: int, berries: int, *, groups: int, level: float
) -> float:
    """Find the difference of two rows that their letters find four times in five.

    Quantile of the studentized range and power by Student's t, as for a planned comparison (Cohen
    (1988) Statistical Power Analysis, 2nd ed., ch. 2, with Tukey's quantile); variances between
    clamshells and of berries in one.

    Examples
    --------
    >>> round(detectable_difference(0.04, 0.64, 4, 20, groups=5, level=0.95), 2)
    0.75
    """
    from scipy.special import stdtrit

    df = groups * (clamshells - 1)
    se = math.sqrt(2 * (between + within / berries) / clamshells)
    critical = range_quantile(level, groups, df) / math.sqrt(2)
    return se * (critical + float(stdtrit(df, _POWER)))


def pair_letters(
    pairs: Iterable[Pair], names: Sequence[str], estimates: Sequence[float] | Floats
) -> tuple[str, ...]:
    """Give letters by the verdicts on pairs, a for the largest estimate."""
    place = {name: index for index, name in enumerate(names)}
    differ = np.zeros((len(names), len(names)), dtype=bool)
    for pair in pairs:
        a, b = place[pair.first], place[pair.second]
        differ[a, b] = differ[b, a] = pair.differs
    return letters(differ, sorted(range(len(names)), key=lambda index: -float(estimates[index])))


def letters(differ: ArrayLike, order: Sequence[int] | None = None) -> tuple[str, ...]:
    """Give each group its letters: two share one if and only if `differ` says they do not differ.

    Insert and absorb, with a last sweep for letters that say nothing new: Piepho, H.-P. (2004)
    An algorithm for a letter-based representation of all-pairwise comparisons, J. Comput. Graph.
    Stat. 13:456-466. The first group of `order` gets the letter a.
    """
    matrix = np.asarray(differ, dtype=bool)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1] or (matrix != matrix.T).any():
        raise InvalidValueError("the verdicts on pairs must be a symmetric square")
    if matrix.diagonal().any():
        raise InvalidValueError("a group cannot differ from itself")
    k = matrix.shape[0]
    places = list(range(k)) if order is None else list(order)
    columns = _sweep(_insert_absorb(matrix[np.ix_(places, places)]))
    given = [""] * k
    for index, column in enumerate(sorted(columns, key=sorted)):
        for position in sorted(column):
            given[places[position]] += _letter(index)
    return tuple(given)


def _insert_absorb(matrix: NDArray[np.bool_]) -> list[frozenset[int]]:
    """Split the column of all groups until no column holds two groups that differ."""
    k = matrix.shape[0]
    columns = {frozenset(range(k))} if k else set()
    for i, j in np.argwhere(np.triu(matrix)).tolist():
        split = {c for c in columns if i in c and j in c}
        columns -= split
        for column in split:
            for half in (column - {i}, column - {j}):
                if not any(half <= other for other in columns):
                    columns = {c for c in columns if not c <= half} | {half}
    return list(columns)


def _sweep(columns: list[frozenset[int]]) -> list[frozenset[int]]:
    """Drop columns whose every pair (and every member) is held together by another column too."""
    kept = sorted(columns, key=lambda column: (len(column), sorted(column)))
    for column in list(kept):
        others = [c for c in kept if c is not column]
        pairs = itertools.combinations_with_replacement(sorted(column), 2)
        if all(any(i in c and j in c for c in others) for i, j in pairs):
            kept.remove(column)
    return kept


def _letter(index: int) -> str:
    alphabet = string.ascii_lowercase + string.ascii_uppercase
    return alphabet[index] if index < len(alphabet) else f"({index + 1})"
