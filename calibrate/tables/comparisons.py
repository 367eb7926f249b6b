"""Groups compared, measure by measure, within each combination of the levels that are held.

A row's value, its interval and its letters come of one fit: clamshells count alike in all three.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.scale import Scale
from calibrate.stats.allpairs import Comparison, detectable_difference
from calibrate.stats.estimate import Estimate
from calibrate.stats.groups import Layout, MeanFit, common_variance, fit_means, shared_variances
from calibrate.stats.proportions import ShareFit, fit_shares
from calibrate.tables.measures import Measure, measure
from calibrate.tables.samplingunits import Key, SamplingUnits, sort_key
from gauge.errors import FirmhandError, TooFewScoresError

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What one measure says of one row, and of how many units."""

    estimate: Estimate
    se: float | None
    n_units: int
    letters: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """A comparison within one stratum (the other levels held), or why there is none."""

    within: Mapping[str, str | None]
    outcome: str
    level: str
    comparison: Comparison | None
    why: str = ""

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        body: dict[str, Any] = {"why": self.why}
        if self.comparison is not None:
            body = self.comparison.to_json()
        return {"outcome": self.outcome, "of": self.level, "within": dict(self.within)} | body


@dataclass(frozen=True, kw_only=True, slots=True)
class Replication:
    """How much clamshells differ and how much their berries do, and what that lets be seen.

    `detectable` has, for (clamshells, berries) as in an ordinary row and for twice of either, the
    difference that letters find four times in five.
    """

    outcome: str
    between_sd: float
    within_sd: float
    detectable: Mapping[tuple[int, int], float]

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        return {
            "outcome": self.outcome,
            "between_sd": self.between_sd,
            "within_sd": self.within_sd,
            "detectable": [
                {"clamshells": r, "berries": n, "difference": value}
                for (r, n), value in self.detectable.items()
            ],
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class Scheme:
    """What makes rows, what is compared ("" for nothing), and what is taken out first."""

    by: tuple[str, ...]
    what: str
    blocks: tuple[str, ...]
    scale: Scale | None
    level: float


@dataclass(frozen=True, kw_only=True)
class _Stratum:
    """Units that are compared with one another: the other levels are held."""

    within: Mapping[str, str | None]
    measure: Measure
    layout: Layout
    fit: MeanFit
    shares: ShareFit | None
    # Without the level that is compared units make a row, but no group.
    compares: bool
    why: str = ""


def compare_measure(
    name: str, units: SamplingUnits, scheme: Scheme
) -> tuple[dict[Key, Found], list[Compared], Replication | None]:
    """Estimate a measure for every row, compare the rows of each stratum, and see what limits it.

    Strata share one variance between units unless they clearly differ in it.
    """
    strata = list(_strata(name, units, scheme))
    own = [one.fit.variance for one in strata]
    distinct = np.unique(units.subjects).size / max(units.m, 1)
    variances, how = shared_variances(own, distinct=distinct)
    # Clamshells that by chance lie close together are known no better than the berries in them, so
    # variances are raised to what berries alone make of them, as restricted likelihood does.
    floors = [one.measure.variance_of_means for one in strata]
    if len(set(variances)) == 1:
        floors = [common_variance(floors)[0]] * len(strata)
    rows: dict[Key, Found] = {}
    compared: list[Compared] = []
    for one, variance, least in zip(strata, variances, floors, strict=True):
        floored = replace(variance, value=max(variance.value, least.value))
        means = replace(one.fit, variance=floored, how=how)
        ses, fit = means.se.tolist(), one.shares or means
        estimates = fit.intervals(scheme.level)
        comparison, why = None, one.why
        try:
            comparison = fit.compare(level=scheme.level, unit=units.name)
        except FirmhandError as error:
            why = error.what.rstrip(".")
        comparison = None if one.why else comparison
        if one.compares:
            compared.append(
                Compared(
                    within=one.within,
                    outcome=name,
                    level=scheme.what,
                    comparison=comparison,
                    why=why,
                )
            )
        letters = comparison.letters if comparison else [""] * one.layout.k
        for at, group in enumerate(one.layout.names):
            levels = {**one.within, scheme.what: group or None}
            rows[tuple(levels[level] for level in scheme.by)] = Found(
                estimate=_held(estimates[at], one.measure, units.name),
                se=ses[at] if math.isfinite(ses[at]) else None,
                n_units=int(one.layout.count[at]),
                letters=letters[at],
            )
    return rows, compared, _replication(name, strata, scheme.level)


def _held(estimate: Estimate, measure: Measure, unit: str) -> Estimate:
    """Hold an interval to what can be; say why there is none."""
    if estimate.low is None or estimate.high is None:
        return replace(estimate, why=estimate.why or f"one {unit} only: no standard error")
    return estimate.held(*measure.span)


def _strata(name: str, units: SamplingUnits, scheme: Scheme) -> Iterator[_Stratum]:
    """Lay out the units of each combination of the other levels."""
    others = [level for level in scheme.by if level != scheme.what]
    for held, members in units.groups(others).items():
        named = members.factor(scheme.what).code >= 0
        for compares, mask in ((True, named), (False, ~named)):
            one = measure(name, members.where(mask), scheme.scale)
            if not one.units.m:
                continue
            texts = [text or "" for (text,) in one.units.keys([scheme.what])]
            names = sorted(set(texts), key=sort_key)
            group = [names.index(text) for text in texts]
            blocks, why = [one.units.factor(block).code for block in scheme.blocks], ""
            try:
                layout = Layout.of(group, names, blocks)
            except TooFewScoresError as error:
                layout, why = Layout.of(group, names, ()), error.what.rstrip(".")
            yield _Stratum(
                within=dict(zip(others, held, strict=True)),
                measure=one,
                layout=layout,
                fit=fit_means(one.values, layout),
                shares=None if one.hits is None else fit_shares(one.hits, one.n, layout),
                compares=compares,
                why=why,
            )


def _replication(name: str, strata: Sequence[_Stratum], level: float) -> Replication | None:
    """Split the variance of clamshells' values into their own and that of their berries.

    By the mean squares of a nested analysis of variance (Searle, Casella & McCulloch (1992)
    Variance Components, ch. 3), not below zero; for equal clamshells it is REML's answer.
    """
    total = common_variance([one.fit.variance for one in strata])[0]
    n = np.concatenate([np.zeros(0), *(one.measure.n for one in strata)])
    if total.df < 1 or (n - 1).sum() <= 0:
        return None
    within = sum(float(one.measure.ss.sum()) for one in strata) / float((n - 1).sum())
    between = max(0.0, total.value - within * float((1 / n).mean()))
    counts = np.concatenate([one.layout.count for one in strata])
    r, berries = max(2, round(float(np.median(counts)))), round(1 / float((1 / n).mean()))
    k = max(one.layout.k for one in strata)
    cases = [(r, berries), (2 * r, berries), (r, 2 * berries)] if k > 1 else []
    return Replication(
        outcome=name,
        between_sd=math.sqrt(between),
        within_sd=math.sqrt(within),
        detectable={
            case: detectable_difference(between, within, *case, groups=k, level=level)
            for case in cases
        },
    )
