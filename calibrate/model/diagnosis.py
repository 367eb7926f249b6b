"""The whole examination of a season's pairs: all tests together, and what they mean to the lab."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.data.labels import with_unit
from calibrate.data.pairs import Pairs
from calibrate.model.modeltests import (
    CovariateEffect,
    LrTest,
    Rows,
    covariate_effect,
    lipsitz,
    proportional_odds,
    rows_of,
    scale_effect,
    sum_by,
)
from gauge.errors import FirmhandError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Columns that say when or by whom, not what kind of berry.
NOT_TESTED = frozenset(
    [
        "occasion",
        "number",
        "session",
        "session_id",
        "at",
        "scored_at",
        "flags",
        "sample",
        "berry_id",
        "note",
        "zero_N",
        "loading_rate_N_s",
    ]
)
# What a significant test means to the lab.
MEANING = {
    "proportional odds": "Fingers are not equally sharp at every boundary: cut points hold, but "
    "the spread and the probabilities between them are an average.",
    "spread changes with force": "Fingers get less sharp with force, or more; try the other scale "
    "of force.",
    "spread differs between raters": "Some fingers are sharper than others: the panel's model "
    "gives each rater a spread of his or her own, and 'calibrate check --all' shows them.",
    "goodness of fit": "Groups of like berries are not scored as the model says: look at the "
    "picture of the fit before trusting the cut points.",
}
_ORDER = (
    "Each rater always squeezed at the same place of the row, and each squeeze softens a berry: "
    "whether one scale serves cannot be seen."
)
# Cook's distance from which a berry is named, and how many are.
COOK_LIMIT = 0.5
MOST_LISTED = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class ScoredBerry:
    """A berry with the scores in question, and who gave them ("all": several raters)."""

    berry: str
    force_newton: float
    score: str
    rater: str
    # How far its scores together move the cut points (Cook's distance), or how probable such a
    # score is at its force (the tail).
    measure: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Diagnosis:
    """What was found in the pairs, and the warnings that follow."""

    force_scale: str
    aic: dict[str, float | None]
    tests: tuple[LrTest, ...]
    columns: tuple[CovariateEffect, ...]
    influential: tuple[ScoredBerry, ...]
    look_again: tuple[ScoredBerry, ...]
    warnings: tuple[str, ...]


def diagnose(pairs: Pairs, *, force_scale: str = "linear", alpha: float = 0.05) -> Diagnosis:
    """Examine the pairs behind a calibration, with tests at the level `alpha`.

    Over the columns it is shared out (Holm (1979) Scand. J. Stat. 6:65).

    Raises
    ------
    FirmhandError
        If the plain model cannot be fitted; see `calibrate.stats.ordinal.fit_ordinal`.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> zero = np.zeros(4, dtype=np.int64)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([2.0, 4.0, 2.0, 4.0]), rater=zero,
    ...               rank=np.array([0, 0, 1, 1]), count=np.array([10.0, 30, 30, 10]), berry=zero)
    >>> found = diagnose(pairs)
    >>> round(found.aic["linear"], 2), found.tests[0].note
    (93.97, 'only one boundary')
    """
    rows = rows_of(pairs, force_scale)
    tests = [
        proportional_odds(rows),
        scale_effect(rows, rows.h[:, None], "spread changes with force"),
    ]
    if rows.hands.shape[1]:
        tests.append(scale_effect(rows, rows.hands, "spread differs between raters"))
    tests.append(lipsitz(rows))
    columns = _columns(pairs, rows, force_scale)
    aic = {name: _aic(pairs, name) for name in ("linear", "log")}
    influential = _influential(pairs, rows)
    again = _look_again(pairs, rows)
    return Diagnosis(
        force_scale=force_scale,
        aic=aic,
        tests=tuple(tests),
        columns=columns,
        influential=influential,
        look_again=again,
        warnings=(
            *_warnings(force_scale, aic, tests, columns, influential, again, alpha),
            *([_ORDER] if pairs.order_is_constant else []),
        ),
    )


def _aic(pairs: Pairs, force_scale: str) -> float | None:
    try:
        return rows_of(pairs, force_scale).fit.aic
    except FirmhandError:
        return None


def _columns(pairs: Pairs, rows: Rows, force_scale: str) -> tuple[CovariateEffect, ...]:
    """Test all columns, with their effects in newtons at the middle force."""
    middle = float(np.median(pairs.force_newton))

    def newtons(shift: float) -> float:
        return shift if force_scale == "linear" else middle * float(np.expm1(shift))

    effects = [
        covariate_effect(rows, values.tolist(), name)
        for name, values in pairs.extra.items()
        if name not in NOT_TESTED
    ]
    return tuple(
        replace(
            effect,
            levels=tuple((label, newtons(shift)) for label, shift in effect.levels),
            largest=newtons(effect.largest),
        )
        for effect in effects
        if effect is not None
    )


def _scored(pairs: Pairs, rows: Ints, measure: float) -> ScoredBerry:
    """Say which berry the rows are of, its force, its scores and who gave them."""
    first = int(rows[0])
    rater = pairs.raters[pairs.rater[first]] if pairs.raters else "-"
    return ScoredBerry(
        berry=pairs.berries[pairs.berry[first]] if pairs.berries else f"row {first + 1}",
        force_newton=float(pairs.force_newton[first]),
        score=",".join(pairs.scale.labels[k] for k in pairs.rank[rows]),
        rater=rater if len(rows) == 1 else "all",
        measure=measure,
    )


def _influential(pairs: Pairs, rows: Rows) -> tuple[ScoredBerry, ...]:
    gradient = rows.weight[:, None] * rows.fit.contributions(rows.x, rows.rank)
    distance = cook_distance(sum_by(rows.berry, gradient), rows.fit.covariance)
    berries = np.unique(rows.berry)
    return tuple(
        _scored(pairs, np.flatnonzero(rows.berry == berries[at]), float(distance[at]))
        for at in np.argsort(-distance)[:MOST_LISTED]
        if distance[at] >= COOK_LIMIT
    )


def cook_distance(gradient: Floats, covariance: Floats) -> Floats:
    """Cook's distance of each row of contributions, to first order: g' V g / p.

    Pregibon (1981) Ann. Stat. 9:705, one-step, without the leverage term; about 1 would move the
    estimate to the edge of its own confidence region.
    """
    return np.asarray(np.einsum("ij,jk,ik->i", gradient, covariance, gradient) / gradient.shape[1])


def _look_again(pairs: Pairs, rows: Rows) -> tuple[ScoredBerry, ...]:
    from scipy.special import expit

    fit = rows.fit
    upto = expit(fit.phi[: -rows.x.shape[1]] - (rows.x @ fit.coef)[:, None])
    edges = np.column_stack([np.zeros(len(upto)), upto, np.ones(len(upto))])
    # One false alarm in twenty seasons of this size, whatever the size.
    limit = 0.05 / len(upto)
    odd = odd_scores(np.diff(edges, axis=1), rows.rank, limit=limit)
    return tuple(_scored(pairs, np.array([row]), tail) for row, tail in odd)


def odd_scores(probability: Floats, rank: Ints, *, limit: float = 0.001) -> list[tuple[int, float]]:
    """Find scores that their force makes very unlikely: a slip of the key, a wrong berry or line.

    Gives the row and its tail, the probability of that score or one further away on the same side,
    where it is below the limit; the least likely first. `probability` is (n, n_ranks).
    """
    rows = np.arange(len(rank))
    upto = np.cumsum(probability, axis=1)[rows, rank]
    beyond = np.cumsum(probability[:, ::-1], axis=1)[:, ::-1][rows, rank]
    tail = np.minimum(upto, beyond)
    odd = np.flatnonzero(tail < limit)
    return sorted(zip(odd.tolist(), tail[odd].tolist(), strict=True), key=lambda found: found[1])


def holm(p_values: Sequence[float | None], alpha: float) -> list[bool]:
    """Return which tests are significant when all of them together may err with `alpha`.

    Holm (1979) Scand. J. Stat. 6:65. A missing p-value is never significant.

    Examples
    --------
    >>> holm([0.04, 0.01, None], 0.05)
    [True, True, False]
    >>> holm([0.04, 0.03], 0.05)
    [False, False]
    """
    known = sorted((p, i) for i, p in enumerate(p_values) if p is not None)
    found = [False] * len(p_values)
    for place, (p, index) in enumerate(known):
        if p > alpha / (len(known) - place):
            break
        found[index] = True
    return found


def _warnings(
    force_scale: str,
    aic: dict[str, float | None],
    tests: Sequence[LrTest],
    columns: Sequence[CovariateEffect],
    influential: Sequence[ScoredBerry],
    again: Sequence[ScoredBerry],
    alpha: float,
) -> list[str]:
    out = []
    other = "log" if force_scale == "linear" else "linear"
    mine, theirs = aic[force_scale], aic[other]
    if mine is not None and theirs is not None and theirs < mine - 2:
        out.append(f"The {other} scale of force fits better by {mine - theirs:.1f} AIC.")
    for test in tests:
        if test.p_value is not None and test.p_value < alpha:
            out.append(MEANING[test.name.split(" (")[0].split(" in ")[0]])
    significant = holm([c.test.p_value for c in columns], alpha)
    for column, yes in zip(columns, significant, strict=True):
        if yes and column.test.name == "squeeze_order":
            lost = with_unit(column.largest)
            out.append(
                f"Each squeeze softens a berry: cut points differ by up to {lost} with its place "
                "in the row. The panel's model takes the order in ('calibrate fit')."
            )
        elif yes:
            out.append(
                f"A single scale does not serve: cut points differ by {column.test.name}, by up to "
                f"{with_unit(column.largest)}. Calibrate the groups apart, or hold it fixed."
            )
    if influential:
        out.append("Some berries pull hard at the cut points: " + _listed(influential) + ".")
    if again:
        out.append("Scores against all reason, check the sheet: " + _listed(again) + ".")
    return out


def _listed(berries: Sequence[ScoredBerry]) -> str:
    return ", ".join(f"{b.berry} ({b.rater})" for b in berries[:MOST_LISTED])
