"""Rank of selections in several seasons, and whether keep-or-drop would hold in all of them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.labels import with_unit
from calibrate.tables.rows import mean_force
from calibrate.tables.samplingunits import SamplingUnits
from gauge.errors import InvalidValueError, TooFewScoresError

Floats = NDArray[np.float64]
# Draws of each season's means, for the chance to be kept.
_DRAWS = 20_000
# Selections of a season: mean force (N), its standard error, and units.
SeasonMeans = Mapping[str, tuple[float, float | None, int]]


@dataclass(frozen=True, kw_only=True, slots=True)
class KeepRule:
    """Which selections are kept: the best share, or all at or above a value.

    Attributes
    ----------
    top : float or None
        Share kept, 0 to 1; rounded to whole selections, at least one.
    above : float or None
        Mean force (N) from which on a selection is kept.

    Raises
    ------
    InvalidValueError
        Unless exactly one is given, and `top` lies between 0 and 1.
    """

    top: float | None = None
    above: float | None = None

    def __post_init__(self) -> None:
        if (self.top is None) == (self.above is None):
            raise InvalidValueError("a rule to keep selections needs a top share or a threshold")
        if self.top is not None and not 0 < self.top < 1:
            raise InvalidValueError(f"a top share of {self.top:g} does not lie between 0 and 1")

    def kept(self, values: Floats) -> Any:
        """Return which of the values are kept; the last axis holds the selections.

        Examples
        --------
        >>> KeepRule(top=0.5).kept(np.array([1.0, 3.0, 2.0, 4.0])).tolist()
        [False, True, False, True]
        """
        if self.above is not None:
            return values >= self.above
        assert self.top is not None
        count = max(1, round(self.top * values.shape[-1]))
        place = (-values).argsort(axis=-1, kind="stable").argsort(axis=-1, kind="stable")
        return place < count

    def __str__(self) -> str:
        if self.above is not None:
            return f"keep at {with_unit(self.above, short=True)} or more"
        return f"keep the best {self.top:.0%}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Ranked:
    """One selection in all seasons, in the order of the seasons."""

    selection: str
    # N, mean force.
    values: tuple[float, ...]
    # 1 is the firmest.
    ranks: tuple[int, ...]
    kept: tuple[bool, ...]
    # Probability, given the standard errors, that it is kept; None where one is missing.
    sure: tuple[float | None, ...]

    @property
    def holds(self) -> bool:
        """Whether all seasons decide alike."""
        return len(set(self.kept)) == 1


@dataclass(frozen=True, kw_only=True, slots=True)
class SeasonRanks:
    """Ranks and decisions across seasons."""

    seasons: tuple[str, ...]
    rule: KeepRule
    # Selections that stand in all seasons, by mean rank.
    rows: tuple[Ranked, ...]
    # Rank correlation of each two seasons.
    spearman: Mapping[tuple[str, str], float]
    # Selections left out because a season lacks them.
    missing: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        return {
            "seasons": list(self.seasons),
            "rule": str(self.rule),
            "spearman": [
                {"between": list(pair), "value": value} for pair, value in self.spearman.items()
            ],
            "hold": sum(row.holds for row in self.rows),
            "of": len(self.rows),
            "missing": list(self.missing),
            "selections": [
                {
                    "selection": row.selection,
                    "holds": row.holds,
                    "seasons": [
                        {"season": s, "mean_N": v, "rank": r, "kept": k, "probability_kept": p}
                        for s, v, r, k, p in zip(
                            self.seasons, row.values, row.ranks, row.kept, row.sure, strict=True
                        )
                    ],
                }
                for row in self.rows
            ],
        }


def season_ranks(units: SamplingUnits, rule: KeepRule) -> SeasonRanks | None:
    """Rank the selections of a table within its seasons; None without two seasons."""
    if not {"selection", "season"} <= units.factors.keys():
        return None
    means: dict[str, dict[str, tuple[float, float | None, int]]] = {}
    for (season, selection), mine in units.pressed().groups(("season", "selection")).items():
        if season is not None and selection is not None:
            force, _, se = mean_force(mine)
            means.setdefault(season, {})[selection] = (force.known, se, mine.m)
    return rank_seasons(means, rule) if len(means) > 1 else None


def rank_seasons(means: Mapping[str, SeasonMeans], rule: KeepRule, *, seed: int = 1) -> SeasonRanks:
    """Rank selections within each season and hold the decisions side by side.

    How sure a decision is comes from drawing every mean anew from Student's t about its estimate
    (20,000 draws, fixed seed) and applying the rule to each draw. Fewer than two seasons, or two
    selections in common, are a TooFewScoresError.
    """
    seasons = tuple(means)
    if len(seasons) < 2:
        raise TooFewScoresError("ranks across seasons need two seasons or more")
    everywhere = set.intersection(*(set(one) for one in means.values()))
    names = sorted(everywhere)
    missing = sorted(set().union(*(set(one) for one in means.values())) - everywhere)
    if len(names) < 2:
        raise TooFewScoresError(f"{len(names)} selections stand in all seasons; two are needed")
    table = [[means[season][name] for name in names] for season in seasons]
    values = np.array([[mean for mean, _, _ in row] for row in table])
    ranks = (-values).argsort(axis=1, kind="stable").argsort(axis=1, kind="stable") + 1
    columns = [found.T.tolist() for found in (values, ranks, rule.kept(values))]
    rng = np.random.default_rng(seed)
    sure = zip(*(_probability(row, rule, rng) for row in table), strict=True)
    rows = [
        Ranked(selection=name, values=tuple(v), ranks=tuple(r), kept=tuple(k), sure=p)
        for name, v, r, k, p in zip(names, *columns, sure, strict=True)
    ]
    rows.sort(key=lambda row: (sum(row.ranks), row.selection))
    return SeasonRanks(
        seasons=seasons,
        rule=rule,
        rows=tuple(rows),
        spearman=_spearman(seasons, values),
        missing=tuple(missing),
    )


def _spearman(seasons: Sequence[str], values: Floats) -> dict[tuple[str, str], float]:
    """Correlate the ranks of each two seasons, equal values sharing their mean rank.

    Spearman, C. (1904) Am. J. Psychol. 15:72; no value where a season has one value only.
    """
    found = {}
    for a, b in itertools.combinations(range(len(seasons)), 2):
        with np.errstate(invalid="ignore", divide="ignore"):
            rho = float(np.corrcoef(_mean_ranks(values[a]), _mean_ranks(values[b]))[0, 1])
        if np.isfinite(rho):
            found[seasons[a], seasons[b]] = rho
    return found


def _mean_ranks(values: Floats) -> Floats:
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    ranks: Floats = (np.cumsum(count) - (count - 1) / 2)[place]
    return ranks


def _probability(
    season: Sequence[tuple[float, float | None, int]], rule: KeepRule, rng: np.random.Generator
) -> list[float | None]:
    """Find the share of draws in which each selection of a season is kept."""
    mean, error, units = zip(*season, strict=True)
    if None in error or min(units) < 2:
        return [None] * len(season)
    t = np.column_stack([rng.standard_t(m - 1, _DRAWS) for m in units])
    kept: list[float | None] = rule.kept(mean + t * error).mean(axis=0).tolist()
    return kept
