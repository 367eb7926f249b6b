"""Proportions: score intervals, differences, and comparison with clamshells as the unit."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.stats.allpairs import Comparison, Pair, range_quantile
from calibrate.stats.estimate import Estimate, difference, t_quantile
from calibrate.stats.groups import Layout
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]


def wilson(
    hits: ArrayLike, n: ArrayLike, *, level: float = 0.95, critical: float | None = None
) -> tuple[Floats, Floats]:
    """Find the score interval of proportions, `hits` of the same shape as `n`.

    Wilson, E. B. (1927) J. Am. Stat. Assoc. 22:209-212; method 3 of Newcombe, R. G. (1998)
    Stat. Med. 17:857-872. Written out, since thousands of clamshells are done at once and counts
    may be shares (a berry scored by two raters is half a berry in each score). `critical` is a
    normal quantile to use instead of the one of `level`.
    """
    from scipy.special import ndtri

    x, total = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    slack = 1e-9 * np.maximum(total, 1.0)
    if not ((total > 0).all() and (x >= -slack).all() and (x <= total + slack).all()):
        raise InvalidValueError("a proportion needs 0 <= count <= total and a total above zero")
    z = float(ndtri((1 + level) / 2)) if critical is None else critical
    p = np.clip(x / total, 0.0, 1.0)
    middle = p + z**2 / (2 * total)
    half = z * np.sqrt(p * (1 - p) / total + z**2 / (4 * total**2))
    scale = 1 + z**2 / total
    # The ends are exactly 0 and 1 where no berry, or every berry, was hit.
    low = np.where(p == 0, 0.0, (middle - half) / scale)
    high = np.where(p == 1, 1.0, (middle + half) / scale)
    return low, high


def proportion(hits: float, n: float, *, level: float = 0.95) -> Estimate:
    """Estimate one proportion with its Wilson interval; no value without berries."""
    if n <= 0:
        return Estimate(value=None, why="no berries")
    low, high = wilson(hits, n, level=level)
    return Estimate(value=hits / n, low=float(low), high=float(high))


def _around(share: Floats, n: Floats, critical: float) -> list[Estimate]:
    """Put Wilson intervals about shares of n berries, which need not be whole."""
    low, high = wilson(share * n, n, critical=critical)
    rows = zip(share.tolist(), low.tolist(), high.tolist(), strict=True)
    return [Estimate(value=value, low=a, high=b) for value, a, b in rows]


@dataclass(frozen=True, kw_only=True, slots=True)
class Dispersion:
    """How much more clamshells differ than berries drawn at random would make them.

    `ratio` is Pearson's chi-square over its degrees of freedom, about 1 without clamshell effects,
    and `p` that of its test; None where nothing is known (one clamshell, or all berries alike).
    """

    ratio: float | None
    df: int
    p: float | None


def dispersion(hits: ArrayLike, n: ArrayLike) -> Dispersion:
    """Measure over-dispersion of clamshells about their common proportion.

    McCullagh, P. & Nelder, J. A. (1989) Generalized Linear Models, 2nd ed., section 4.5. `hits`
    and `n`, shape (m,), are of one clamshell each.
    """
    from scipy.special import chdtrc

    x, total = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    df, p = x.size - 1, float(x.sum() / total.sum()) if x.size else 0.0
    if df <= 0 or not 0 < p < 1:
        return Dispersion(ratio=None, df=0, p=None)
    chi2 = float(((x - total * p) ** 2 / (total * p * (1 - p))).sum())
    return Dispersion(ratio=chi2 / df, df=df, p=float(chdtrc(df, chi2)))


# A correlation within clamshells that is ordinary for defects of soft fruit, and the degrees of
# freedom that it counts for beside those of the data: common practice, no source.
_USUAL_CORRELATION, _USUAL_DF = 0.1, 4


@dataclass(frozen=True, kw_only=True)
class ShareFit:
    """Proportions of k groups, each the mean of its clamshells', and what they rest on.

    `worth`, shape (k,), is the independent berries that each is worth, by the one `correlation`
    within clamshells; `worth_usual` with that drawn towards what is usual, for intervals.
    """

    layout: Layout
    hits: Floats
    n: Floats
    shares: Floats
    worth: Floats
    correlation: float
    worth_usual: Floats

    def intervals(self, level: float = 0.95) -> list[Estimate]:
        """Put an interval about each proportion, with the clamshell as the unit.

        Wilson's, with the berries that the proportion is worth and Student's t. Few clamshells say
        next to nothing of how they differ, and two without a leaky berry nothing at all: the
        correlation is averaged with a usual one, 0.1, that counts as 4 degrees of freedom (as
        variances are in Smyth, G. K. (2004) Stat. Appl. Genet. Mol. Biol. 3:3). In simulation
        (2 to 8 clamshells of 20 berries, 3 and 20 % hit, correlation 0 to 0.15) it holds the true
        value 92 to 100 % of the time; by the spread of two clamshells alone, none of 100 berries
        would be "0 to 62 %".
        """
        if self.layout.df <= 0:
            own = [self.layout.code == group for group in range(self.layout.k)]
            return [mean_proportion(self.hits[at], self.n[at], level=level) for at in own]
        t = t_quantile(self.layout.df + _USUAL_DF, level)
        return _around(self.shares, self.worth_usual, t)

    def compare(self, *, level: float = 0.95, unit: str = "clamshell") -> Comparison:
        """Compare the proportions of groups, allowing for clamshells that differ.

        "No difference at all" is chi-square between groups over its degrees of freedom, against F.
        Pairs are Newcombe's hybrid score intervals (method 10 of Newcombe, R. G. (1998) Stat. Med.
        17:873-890) with the berries that each is worth and the quantile of the studentized range,
        so that a group without a single soft berry has its place too. Parameters and errors are
        those of `calibrate.stats.groups.MeanFit.compare`.

        Examples
        --------
        >>> groups = Layout.of([0, 0, 0, 1, 1, 1], ["R-114", "R-120"], ())
        >>> fit_shares([1, 2, 1, 9, 11, 10], [20] * 6, groups).compare().letters
        ('b', 'a')
        """
        layout, share, worth, k = self.layout, self.shares, self.worth, self.layout.k
        layout.refuse_too_few(layout.df, unit)
        overall = float(share @ worth / worth.sum())
        variance = overall * (1 - overall) / worth
        chi2 = float(((share - overall) ** 2 / variance).sum()) if 0 < overall < 1 else 0.0
        each = _around(share, worth, range_quantile(level, k, layout.df) / math.sqrt(2))
        named = zip(layout.names, each, strict=True)
        pairs = tuple(
            Pair(first=a, second=b, difference=difference(of_b, of_a), p=None)
            for (a, of_a), (b, of_b) in itertools.combinations(named, 2)
        )
        found = layout.conclude(
            f"binomial with an intra-{unit} correlation, {unit} as the unit{layout.adjusted}; "
            f"Newcombe intervals with the studentized range, simultaneous level {level:g}",
            share,
            pairs,
            f=round(chi2 / (k - 1), 12),
            df=layout.df,
        )
        return replace(found, statistic=f"{found.statistic}, correlation {self.correlation:.3f}")


def fit_shares(hits: ArrayLike, n: ArrayLike, layout: Layout) -> ShareFit:
    """Find the proportion of each group, adjusted for blocks, and what it rests on.

    The variance of a clamshell's proportion is ``p (1 - p) (1 + (n - 1) rho) / n`` (Williams, D. A.
    (1982) Appl. Statist. 31:144-148, his second model; the beta-binomial's), with one correlation
    within clamshells for all groups, from the spread of clamshells about their groups by moments.
    It may lie a little below zero, as by chance it does where there is none. What blocks would
    carry beyond 0 or 1 is held there.

    `hits` and `n`, shape (m,), are of one clamshell each, with berries.
    """
    x, total = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    weights, leverage, beta = layout.smooth(x / total)
    p, code = np.clip(beta[: layout.k], 0.0, 1.0), layout.code
    squares = float(((x / total - layout.x @ beta) ** 2).sum())
    lowest, rho = -0.7 / float(total.max()), 0.0

    def variance(correlation: float) -> Floats:  # of each group's, in units of p (1 - p)
        found: Floats = weights**2 @ ((1.0 + (total - 1.0) * correlation) / total)
        return found

    for _ in range(50):
        # p (1 - p) of an estimated p falls short by the variance of p.
        binomial = p * (1.0 - p) / (1.0 - np.minimum(variance(rho), 0.9))
        left = (1.0 - leverage) * np.minimum(binomial, 0.25)[code]
        slope = float((left * (1.0 - 1.0 / total)).sum())
        found = (squares - float((left / total).sum())) / slope if slope > 0.0 else 0.0
        found = min(max(found, lowest), 1.0)
        if abs(found - rho) < 1e-9:
            break
        rho = found
    df = max(layout.df, 0)
    usual = (df * rho + _USUAL_DF * _USUAL_CORRELATION) / (df + _USUAL_DF)
    return ShareFit(
        layout=layout,
        hits=x,
        n=total,
        shares=p,
        worth=1.0 / variance(rho),
        correlation=rho,
        worth_usual=1.0 / variance(usual),
    )


def mean_proportion(hits: ArrayLike, n: ArrayLike, *, level: float = 0.95) -> Estimate:
    """Average the proportions of clamshells, each counting alike; see `ShareFit.intervals`.

    Clamshells without berries are left out; one alone has its Wilson interval, and says so.
    """
    x, total = np.asarray(hits, dtype=float), np.asarray(n, dtype=float)
    x, total = x[total > 0], total[total > 0]
    if x.size == 0:
        return Estimate(value=None, why="no berries")
    if x.size == 1:
        one = proportion(float(x[0]), float(total[0]), level=level)
        return replace(one, why="one clamshell: the interval knows nothing of other clamshells")
    layout = Layout.of(np.zeros(x.size, np.int64), ["all"], ())
    return fit_shares(x, total, layout).intervals(level)[0]
