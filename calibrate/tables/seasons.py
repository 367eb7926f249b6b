"""Selections over several seasons: keep, drop, or not yet decided.

Seasons are compared on a storage day that all of them tested; selections common to them carry the
level of one season over to the next; and a selection's value is drawn towards the others' as far
as seasons disagree.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.labels import with_unit
from calibrate.stats.estimate import Estimate
from calibrate.stats.groups import Layout, fit_means
from calibrate.tables.measures import measure
from calibrate.tables.samplingunits import SamplingUnits, ordered
from gauge.errors import InvalidValueError, TooFewScoresError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Draws of what the values may be, for the chance to be kept.
_DRAWS, _SEED = 20_000, 1
# Chance from which on a selection is kept, and below one minus which it is dropped.
_SURE = 0.9
# Standard deviations tried for selections and for seasons' disagreement, as shares of that of the
# means; both are integrated over with a flat prior (Gelman, A. (2006) Bayesian Anal. 1:515).
_GRID = np.linspace(0.05, 2.5, 14)


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepRule:
    """Which selections are kept: the best share, or all at or above a mean force (N); not both.

    A share, above 0 and below 1, is rounded to whole selections, at least one.
    """

    top: float | None = None
    above: float | None = None

    def __post_init__(self) -> None:
        if (self.top is None) == (self.above is None):
            raise InvalidValueError("a rule to keep selections needs a top share or a threshold")
        if self.top is not None and not 0 < self.top < 1:
            raise InvalidValueError(f"a top share of {self.top:g} does not lie between 0 and 1")

    def kept(self, values: Floats) -> NDArray[np.bool_]:
        """Return which of the values are kept; the last axis holds the selections."""
        if self.above is not None:
            return np.asarray(values >= self.above)
        assert self.top is not None
        return np.asarray(_places(values) < max(1, round(self.top * values.shape[-1])))

    def __str__(self) -> str:
        if self.above is not None:
            return f"keep at {with_unit(self.above, short=True)} or more"
        return f"keep the best {self.top:.0%}"


def _places(values: Floats) -> Ints:
    """Find the place of each value along the last axis, 0 for the largest."""
    return (-values).argsort(axis=-1, kind="stable").argsort(axis=-1, kind="stable")


@dataclass(frozen=True, kw_only=True, slots=True)
class Ranked:
    """One selection: its value (N) in an average season, drawn towards those of the others.

    `probability` is that the rule keeps it. `seasons` has for each season, or None, the document
    of mean force, rank (1 the firmest), whether that season alone keeps it, and how surely.
    """

    selection: str
    seasons: tuple[dict[str, Any] | None, ...]
    value: Estimate
    probability: float

    @property
    def holds(self) -> bool:
        """Whether all seasons decide alike."""
        return len({one["kept"] for one in self.seasons if one is not None}) == 1

    @property
    def verdict(self) -> str:
        """Keep, drop or undecided, by the chance to be kept."""
        if self.probability >= _SURE:
            return "keep"
        return "drop" if self.probability <= 1 - _SURE else "undecided"


@dataclass(frozen=True, kw_only=True, slots=True)
class SeasonRanks:
    """Ranks and decisions over seasons, the firmest selection first.

    They are compared on the storage `day` (None where none is known); `checks` stand in all seasons
    and link them, some season lacks those that are `missing`.
    """

    seasons: tuple[str, ...]
    rule: KeepRule
    day: str | None
    rows: tuple[Ranked, ...]
    checks: tuple[str, ...]
    missing: tuple[str, ...]
    spearman: Mapping[tuple[str, str], float]

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        return {
            "seasons": list(self.seasons),
            "rule": str(self.rule),
            "storage_day": self.day,
            "spearman": [{"between": list(k), "value": rho} for k, rho in self.spearman.items()],
            "hold": sum(row.holds for row in self.rows),
            "of": len(self.rows),
            "checks": list(self.checks),
            "missing": list(self.missing),
            "selections": [
                {
                    "selection": row.selection,
                    "holds": row.holds,
                    "over_seasons_N": row.value.to_json(),
                    "probability_kept": row.probability,
                    "verdict": row.verdict,
                    "seasons": [one for one in row.seasons if one is not None],
                }
                for row in self.rows
            ],
        }


@dataclass(frozen=True, kw_only=True)
class SeasonMeans:
    """Mean forces (N) of c selections in seasons, shape (c,), with their sampling variance."""

    seasons: tuple[str, ...]
    selections: tuple[str, ...]
    season: Ints  # a position in the names, as the next
    selection: Ints
    mean_newton: Floats
    variance: Floats
    df: float
    day: str | None = None


def season_ranks(units: SamplingUnits, rule: KeepRule) -> SeasonRanks | None:
    """Decide on the selections of a table over its seasons; None without two seasons."""
    units = units.pressed()
    for name in ("season", "selection"):
        units = units.where(units.factor(name).code >= 0)
    days = [set(one.keys(["storage_day"])) for one in units.groups(["season"]).values()]
    if len(days) < 2:
        return None
    common = ordered(set.intersection(*days) - {(None,)})
    if common:
        units = units.where(np.array([key == common[-1] for key in units.keys(["storage_day"])]))
    elif set().union(*days) != {(None,)}:
        raise TooFewScoresError("no storage day was tested in every season, so none is compared")
    keys = units.keys(["season", "selection"])
    cells = ordered(keys)
    seasons, selections = (sorted(set(map(str, one))) for one in zip(*cells, strict=True))
    group = [cells.index(key) for key in keys]
    fit = fit_means(units.mean_newton, Layout.of(group, [str(key) for key in cells], ()))
    least = measure("force", units, None).variance_of_means
    return rank_seasons(
        SeasonMeans(
            seasons=tuple(seasons),
            selections=tuple(selections),
            season=np.array([seasons.index(str(key[0])) for key in cells]),
            selection=np.array([selections.index(str(key[1])) for key in cells]),
            mean_newton=fit.means,
            variance=max(fit.variance.value, least.value) / np.bincount(group),
            df=fit.variance.df,
            day=common[-1][0] if common else None,
        ),
        rule,
    )


def rank_seasons(means: SeasonMeans, rule: KeepRule) -> SeasonRanks:
    """Rank selections within each season, and decide on each over all; TooFewScoresError if not."""
    lacking = np.ones((len(means.seasons), len(means.selections)), bool)
    lacking[means.season, means.selection] = False
    everywhere = ~lacking.any(axis=0)
    if len(means.seasons) < 2 or len(means.selections) < 2:
        raise TooFewScoresError("ranks over seasons need two seasons and two selections or more")
    if not everywhere.any():
        raise TooFewScoresError("no selection stands in all seasons, so nothing links them")
    rng = np.random.default_rng(_SEED)
    value, draws = shrunk(means, rng)
    kept = rule.kept(draws).mean(axis=0)
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    seen = [_in_season(means, at, rule, rng) for at in range(len(means.seasons))]
    rows = [
        Ranked(
            selection=name,
            seasons=tuple(one.get(at) for one in seen),
            value=Estimate(value=value[at], low=low[at], high=high[at]),
            probability=float(kept[at]),
        )
        for at, name in enumerate(means.selections)
    ]
    rows.sort(key=lambda row: (-row.value.known, row.selection))
    table = np.full(lacking.shape, np.nan)
    table[means.season, means.selection] = means.mean_newton
    names = np.array(means.selections, dtype=object)
    return SeasonRanks(
        seasons=means.seasons,
        rule=rule,
        day=means.day,
        rows=tuple(rows),
        checks=tuple(names[everywhere]),
        missing=tuple(names[~everywhere]),
        spearman=_spearman(means.seasons, table[:, everywhere]),
    )


def _in_season(
    means: SeasonMeans, season: int, rule: KeepRule, rng: np.random.Generator
) -> dict[int, dict[str, Any]]:
    """Rank the selections of one season by themselves."""
    at = np.flatnonzero(means.season == season)
    values = means.mean_newton[at]
    sure: list[float | None] = [None] * at.size
    if means.df >= 1:
        t = rng.standard_t(means.df, (_DRAWS, at.size))
        sure = rule.kept(values + t * np.sqrt(means.variance[at])).mean(axis=0).tolist()
    columns = (means.selection[at], values, _places(values) + 1, rule.kept(values))
    names = ("season", "mean_N", "rank", "kept", "probability_kept")
    return {
        which: dict(zip(names, (means.seasons[season], *row), strict=True))
        for which, *row in zip(*(column.tolist() for column in columns), sure, strict=True)
    }


def shrunk(means: SeasonMeans, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Predict each selection's value in an average season, and draw from what it may be.

    Averages `predictions` over the variances of selections and of their interaction with seasons,
    weighted by how likely the means make them (restricted likelihood, flat prior); draws are
    (draws, selections).
    """
    size = max(float(np.std(means.mean_newton)), float(np.sqrt(means.variance.max())), 1e-9)
    cases = [
        predictions(means, (size * g) ** 2, (size * i) ** 2)
        for g, i in itertools.product(_GRID, _GRID)
    ]
    weight = np.exp(np.array([one[0] for one in cases]) - max(one[0] for one in cases))
    weight /= weight.sum()
    value = np.sum([w * one[1] for w, one in zip(weight, cases, strict=True)], axis=0)
    parts = [
        rng.multivariate_normal(one[1], one[2], count, method="cholesky")
        for count, one in zip(rng.multinomial(_DRAWS, weight), cases, strict=True)
        if count
    ]
    return value, np.vstack(parts)


def predictions(
    means: SeasonMeans, of_selections: float, interaction: float
) -> tuple[float, Floats, Floats]:
    """Predict selections (BLUP) for given variances, with restricted log-likelihood and covariance.

    Seasons are fixed, selections and their interaction with seasons random; Henderson's equations:
    Henderson, C. R. (1975) Biometrics 31:423-447; Robinson, G. K. (1991) Stat. Sci. 6:15-32.
    """
    s, k = len(means.seasons), len(means.selections)
    design = np.hstack([np.eye(s)[means.season], np.eye(k)[means.selection]])
    residual = interaction + means.variance
    weighted = design.T / residual
    left = weighted @ design
    left[np.arange(s, s + k), np.arange(s, s + k)] += 1 / of_selections
    inverse = np.linalg.inv(left)
    right = weighted @ means.mean_newton
    solution = inverse @ right
    fit = float((means.mean_newton**2 / residual).sum() - solution @ right)
    size = float(np.log(residual).sum()) + k * float(np.log(of_selections))
    likelihood = -0.5 * (size + float(np.linalg.slogdet(left)[1]) + fit)
    pick = np.hstack([np.full((k, s), 1 / s), np.eye(k)])
    return likelihood, pick @ solution, pick @ inverse @ pick.T


def _spearman(seasons: Sequence[str], values: Floats) -> dict[tuple[str, str], float]:
    """Correlate ranks of each two seasons (Spearman (1904) Am. J. Psychol. 15:72) that differ."""

    def ranks(row: Floats) -> Floats:  # equal values share the mean of their ranks
        _, place, count = np.unique(row, return_inverse=True, return_counts=True)
        return np.asarray((np.cumsum(count) - count / 2)[place])

    return {
        (seasons[a], seasons[b]): float(np.corrcoef(ranks(values[a]), ranks(values[b]))[0, 1])
        for a, b in itertools.combinations(range(len(seasons)), 2)
        if np.ptp(values[a]) > 0 and np.ptp(values[b]) > 0
    }
