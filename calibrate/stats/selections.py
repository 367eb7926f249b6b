"""Comparing selections by their means: analysis of variance, then all pairs and their letters.

The unit (clamshell or replicate) is chosen by the caller; one number a unit comes in. Models of
finger scores and of proportions are in countmodels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.allpairs import Pair, all_pairs, pair_letters
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Anova:
    """An analysis of variance of one factor, adjusted for blocks if there are any.

    Attributes
    ----------
    df_between, df_within : int
    ss_between, ss_within, ms_between, ms_within, f : float
    p : float
    """

    df_between: int
    df_within: int
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
        One entry a group; groups share a letter if and only if their pair does not differ.
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
        """As the commands write it.

        Examples
        --------
        >>> found = compare_means([1, 2, 7, 8], [0, 0, 1, 1], ["R-114", "R-120"])
        >>> found.to_json()["groups"][0]
        {'group': 'R-114', 'estimate': 1.5, 'letters': 'b'}
        """
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
                    "difference": pair.difference,
                    "low": pair.low,
                    "high": pair.high,
                    "p": pair.p,
                    "differs": pair.differs,
                }
                for pair in self.pairs
            ],
        }


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
    x = np.eye(k)[code]
    nuisance = np.ones((values.size, 1))
    if block is not None:
        # Effects that add up to zero: the group's own columns then are means over the blocks.
        blocks = np.unique(np.asarray(block), return_inverse=True)[1].ravel()
        b = int(blocks.max()) + 1
        coded = np.eye(b)[blocks][:, : b - 1] - (blocks == b - 1)[:, None]
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
        estimates=tuple(float(e) for e in beta[:k] + centre),
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


def _least_squares(x: Floats, y: Floats) -> tuple[Floats, float, int, Floats]:
    """Coefficients, residual sum of squares, rank, and the inverse of X'X."""
    first, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    # A second step on the residuals mends the digits that large group means cost.
    mended = np.linalg.lstsq(x, y - x @ first, rcond=None)[0]
    beta: Floats = (first + mended).astype(np.float64)
    residual = y - x @ beta
    inverse: Floats = np.asarray(np.linalg.pinv(x.T @ x), dtype=np.float64)
    return beta, float(residual @ residual), int(rank), inverse
