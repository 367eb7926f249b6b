"""Groups of units (clamshells, replicates) as a linear model, and their means compared.

Additive blocks are taken out by least squares. A comparison has the adjusted value of each
group with its interval, a test of "no difference at all", then all pairs and their letters: all of
one fit, so that none of them can contradict another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.allpairs import Comparison, Pair, all_pairs, letters
from calibrate.stats.estimate import Estimate, t_quantile
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Of Bartlett's test: below it strata keep a variance of their own.
_UNEQUAL = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class Variance:
    """A variance between units, and the degrees of freedom that it rests on."""

    value: float
    df: float


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Groups of units and their additive blocks, as columns of a linear model.

    `code`, shape (m,), is the position of each unit's group. `x`, shape (m, columns), has a column
    for each of the k groups, which `names` names, and the blocks' own; `blocks` a constant and the
    blocks' own.
    """

    code: Ints
    x: Floats
    blocks: Floats
    names: tuple[str, ...]

    @classmethod
    def of(cls, group: ArrayLike, names: Sequence[str], blocks: Sequence[ArrayLike]) -> Layout:
        """Make the columns; effects of blocks add up to zero, so groups are means over them."""
        code = np.asarray(group, dtype=np.int64)
        columns = np.ones((code.size, 1))
        for block in blocks:
            place = np.unique(np.asarray(block), return_inverse=True)[1].ravel()
            last = int(place.max(initial=0))
            coded = np.eye(last + 1)[place][:, :last] - (place == last)[:, None]
            for column in coded.T:  # what an earlier block shows adds nothing
                wider = np.column_stack([columns, column])
                if len(blocks) == 1 or np.linalg.matrix_rank(wider) > columns.shape[1]:
                    columns = wider
        x = np.hstack([np.eye(len(names))[code], columns[:, 1:]])
        if np.linalg.matrix_rank(x) < x.shape[1]:
            raise TooFewScoresError("groups and blocks are mixed up: some groups share no block")
        return cls(code=code, x=x, blocks=columns, names=tuple(names))

    @property
    def k(self) -> int:
        """Number of groups."""
        return len(self.names)

    @property
    def df(self) -> int:
        """Units beyond what the model takes."""
        return int(self.x.shape[0] - self.x.shape[1])

    @property
    def count(self) -> Ints:
        """Units of each group."""
        return np.bincount(self.code, minlength=self.k)

    @property
    def adjusted(self) -> str:
        """For the statement of a model: whether there are blocks."""
        return ", adjusted for additive block effects" if self.blocks.shape[1] > 1 else ""

    def smooth(self, y: Floats) -> tuple[Floats, Floats, Floats]:
        """Find weights of units in groups, (k, m), leverages of units, and coefficients of y."""
        if self.blocks.shape[1] == 1:  # plain means, so that none of 50 berries stays exactly none
            inverse, beta = (self.x / self.count).T, self.x.T @ y / self.count
        else:
            inverse = np.asarray(np.linalg.pinv(self.x), dtype=np.float64)
            beta = inverse @ y
        return inverse[: self.k], np.einsum("ij,ji->i", self.x, inverse), beta

    def refuse_too_few(self, df: float, unit: str) -> None:
        """Refuse what leaves nothing to compare, or nothing to tell chance from."""
        if self.k < 2:
            raise TooFewScoresError("one group only: there is nothing to compare")
        if df < 1:
            raise TooFewScoresError(
                f"no more than one {unit} a group",
                todo=f"Give two or more {unit}s of each selection.",
            )

    def conclude(
        self, model: str, estimates: Floats, pairs: tuple[Pair, ...], *, f: float, df: float
    ) -> Comparison:
        """Add the F test of "no difference at all" and letters to pairs, in the order of groups."""
        from scipy.special import fdtrc

        differ = np.zeros((self.k, self.k), bool)
        differ[np.triu_indices(self.k, 1)] = [pair.differs for pair in pairs]
        largest_first = np.argsort(-estimates, kind="stable").tolist()
        return Comparison(
            model=model,
            statistic=f"F({self.k - 1}, {df:g}) = {f:.4g}",
            p=float(fdtrc(self.k - 1, df, f)),
            groups=self.names,
            estimates=tuple(estimates.tolist()),
            pairs=pairs,
            letters=letters(differ | differ.T, largest_first),
        )


@dataclass(frozen=True, kw_only=True)
class MeanFit:
    """Means of groups, adjusted for blocks, and the variance between units that they rest on.

    The variance is that of the residuals (zero without degrees of freedom), unless one is put in
    its place that more units know; `how` says so in the statement of the model. Times `inverse`,
    shape (k, k), it is the covariance of the means.
    """

    layout: Layout
    means: Floats
    inverse: Floats
    ss_between: float
    variance: Variance
    how: str = ""

    @property
    def f(self) -> float:
        """The F statistic of "no difference at all"."""
        between = self.ss_between / (self.layout.k - 1)
        return between / self.variance.value if self.variance.value > 0 else math.inf

    @property
    def se(self) -> Floats:
        """Standard error of each mean; NaN without degrees of freedom."""
        value = self.variance.value if self.variance.df else math.nan
        return np.sqrt(value * np.diagonal(self.inverse))

    def intervals(self, level: float) -> list[Estimate]:
        """Put a t interval about each mean."""
        half = t_quantile(self.variance.df, level) * self.se
        return list(map(Estimate.around, self.means.tolist(), half.tolist()))

    def compare(self, *, level: float = 0.95, unit: str = "clamshell") -> Comparison:
        """Compare the means: one-way analysis of variance, then Tukey-Kramer on all pairs.

        Tukey (1953) and Kramer, C. Y. (1956) Biometrics 12:307-310; with blocks, the means are
        adjusted for additive block effects by least squares and the standard error of each
        difference is its own. Written on the residual variance so that a group of one unit and
        blocks have their place, which `scipy.stats.tukey_hsd` refuses; both agree where both apply.

        The simultaneous intervals are at `level`, letters at 1 - level; `unit` is for the statement
        of the model. Fewer than two groups, or nothing left to estimate the variance, is a
        TooFewScoresError.

        Examples
        --------
        >>> groups = Layout.of([0, 0, 0, 1, 1, 1], ["R-114", "R-120"], ())
        >>> found = fit_means([1, 2, 3, 7, 8, 9], groups).compare()
        >>> found.letters, found.statistic
        (('b', 'a'), 'F(1, 4) = 54')
        """
        layout, df = self.layout, self.variance.df
        layout.refuse_too_few(df, unit)
        covariance = self.variance.value * self.inverse
        return layout.conclude(
            f"one-way analysis of variance of {unit} means{layout.adjusted}{self.how}; "
            f"Tukey-Kramer, simultaneous level {level:g}",
            self.means,
            all_pairs(self.means, covariance, df, layout.names, level=level),
            f=self.f,
            df=df,
        )


def fit_means(y: ArrayLike, layout: Layout) -> MeanFit:
    """Fit group means and block effects by least squares."""
    values, k = np.asarray(y, dtype=float), layout.k
    centre = float(values.mean())
    beta, ss_within, inverse = _least_squares(layout.x, values - centre)
    _, ss_null, _ = _least_squares(layout.blocks, values - centre)
    ss_between = max(ss_null - ss_within, 0.0)
    if layout.blocks.shape[1] == 1:
        # The direct form keeps its digits where the difference of two sums would lose them.
        ss_between = float((layout.count * beta**2).sum())
    return MeanFit(
        layout=layout,
        means=beta[:k] + centre,
        inverse=inverse[:k, :k],
        ss_between=ss_between,
        variance=Variance(value=ss_within / max(layout.df, 1), df=layout.df),
    )


def _least_squares(x: Floats, y: Floats) -> tuple[Floats, float, Floats]:
    """Coefficients, residual sum of squares, and the inverse of X'X."""
    first = np.linalg.lstsq(x, y, rcond=None)[0]
    # A second step on the residuals restores the digits that large group means cost.
    correction = np.linalg.lstsq(x, y - x @ first, rcond=None)[0]
    beta: Floats = (first + correction).astype(np.float64)
    residual = y - x @ beta
    inverse: Floats = np.asarray(np.linalg.pinv(x.T @ x), dtype=np.float64)
    return beta, float(residual @ residual), inverse


def common_variance(own: Sequence[Variance], *, distinct: float = 1.0) -> tuple[Variance, float]:
    """Pool the variances of several strata; also p of Bartlett's test that they are one.

    Bartlett, M. S. (1937) Proc. R. Soc. A 160:268-282; p is 1 for a single stratum. `distinct` is
    the share of the units that are clamshells of their own: where one clamshell is measured in
    several strata, degrees of freedom count it once.
    """
    from scipy.special import chdtrc

    df = np.array([one.df for one in own if one.df > 0], dtype=float)
    value = np.array([one.value for one in own if one.df > 0], dtype=float)
    if not df.size:
        return Variance(value=0.0, df=0), 1.0
    pooled = float(df @ value / df.sum())
    p = 1.0
    if df.size > 1 and (value > 0).all():
        apart = df.sum() * math.log(pooled) - float(df @ np.log(value))
        correction = 1 + (float((1 / df).sum()) - 1 / df.sum()) / (3 * (df.size - 1))
        p = float(chdtrc(df.size - 1, max(apart, 0.0) / correction))
    return Variance(value=pooled, df=float(df.sum()) * distinct), p


def shared_variances(
    own: Sequence[Variance], *, distinct: float = 1.0
) -> tuple[list[Variance], str]:
    """Give strata one variance unless Bartlett's test says that they differ; also say which."""
    pooled, p = common_variance(own, distinct=distinct)
    if sum(one.df > 0 for one in own) < 2:
        return [one if one.df > 0 else pooled for one in own], ""
    if p < _UNEQUAL:
        return list(own), f", a variance each (Bartlett p = {p:.2g})"
    return [pooled] * len(own), f", one variance for all (Bartlett p = {p:.2g})"
