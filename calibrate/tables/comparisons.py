"""Comparing one level of a table within each combination of the others, outcome by outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import DEFECTS
from calibrate.data.scale import Scale
from calibrate.stats.groups import Comparison, compare_means, compare_proportions, compare_scores
from calibrate.tables.samplingunits import Key, SamplingUnits
from gauge.errors import FirmhandError

Ints = NDArray[np.int64]


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
class Placed:
    """Units, and the row of the table that each belongs to."""

    units: SamplingUnits
    row: Ints

    @classmethod
    def among(cls, units: SamplingUnits, by: Sequence[str], keys: Sequence[Key]) -> Placed:
        """Find the row of each unit by its levels."""
        place = {key: index for index, key in enumerate(keys)}
        return cls(units=units, row=np.array([place[key] for key in units.keys(by)], np.int64))


def compare_within(
    keys: Sequence[Key],
    by: Sequence[str],
    what: str,
    berries: Placed | None,
    sheets: Placed | None,
    *,
    scale: Scale | None,
    block: str | None,
    level: float,
) -> list[Compared]:
    """Compare one level (`what`, one of `by`) within each combination of the others.

    Parameters
    ----------
    keys : sequence of tuple
        The rows of the table: a label for each level of `by`.
    by : sequence of str
    what : str
    berries, sheets : Placed or None
    scale : Scale or None
    block : str or None
        Level whose additive effect is taken out of means.
    level : float

    Returns
    -------
    list of Compared
        One an outcome and combination; a model that cannot be fitted says why.
    """
    place = by.index(what)
    strata: dict[Key, dict[int, str]] = {}
    for index, key in enumerate(keys):
        label = key[place]
        if label is not None:
            strata.setdefault(key[:place] + key[place + 1 :], {})[index] = label
    others = [name for name in by if name != what]
    compared = []
    for held, names in strata.items():
        within = dict(zip(others, held, strict=True))
        for outcome, placed in _outcomes(berries, sheets, scale):
            found, why = None, ""
            try:
                found = _model(outcome, placed, names, block, level, scale)
            except FirmhandError as error:
                why = str(error).rstrip(".")
            compared.append(
                Compared(within=within, outcome=outcome, level=what, comparison=found, why=why)
            )
    return compared


def _outcomes(
    berries: Placed | None, sheets: Placed | None, scale: Scale | None
) -> list[tuple[str, Placed]]:
    """Find what can be compared, and by which units; sheets count before single scores."""
    found: list[tuple[str, Placed]] = []
    if berries is not None and np.isfinite(berries.units.mean_newton).any():
        found.append(("force", berries))
    scored = sheets or berries
    if scored is not None and scored.units.scores is not None:
        found.append(("score", scored))
        if scale is not None and scale.sale_boundary is not None:
            found.append(("soft", scored))
    if sheets is not None:
        for name in DEFECTS:
            if any(getattr(one, name) is not None for one in sheets.units.sheets):
                found.append((name, sheets))
    return found


def _model(
    outcome: str,
    placed: Placed,
    names: Mapping[int, str],
    block: str | None,
    level: float,
    scale: Scale | None,
) -> Comparison:
    units = placed.units
    mine = np.flatnonzero(np.isin(placed.row, list(names)))
    if outcome == "force":
        mine = units.pressed(mine)
    elif outcome in DEFECTS:
        counted = [getattr(units.sheets[i], outcome) is not None for i in mine]
        mine = mine[np.array(counted, bool)]
    else:
        mine = units.scored(mine)
    present, group = np.unique(placed.row[mine], return_inverse=True)
    labels = [names[index] for index in present.tolist()]
    if outcome == "force":
        blocks = units.factors[block].code[mine] if block else None
        return compare_means(
            units.mean_newton[mine], group, labels, block=blocks, level=level, unit=units.name
        )
    assert units.scores is not None
    table = units.scores[mine]
    if outcome == "score":
        return compare_scores(table, group, labels, level=level, unit=units.name)
    if outcome == "soft":
        assert scale is not None
        hits = table[:, scale.beyond_limit].sum(axis=1)
    else:
        hits = np.array([getattr(units.sheets[i], outcome) for i in mine], dtype=float)
    return compare_proportions(hits, table.sum(axis=1), group, labels, level=level, unit=units.name)
