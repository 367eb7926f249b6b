"""Comparing one level of a table within each combination of the others, outcome by outcome.

The models are in selections; which units belong to which row is told by tables.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.scale import Scale
from calibrate.stats.groups import Comparison, compare_means, compare_proportions, compare_scores
from calibrate.tables.units import Units
from gauge.errors import FirmhandError

Ints = NDArray[np.int64]
Key = tuple[str | None, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """A comparison within one stratum (the other levels held), or why there is none."""

    within: Mapping[str, str | None]
    outcome: str
    level: str
    comparison: Comparison | None
    why: str = ""

    def to_json(self) -> dict[str, Any]:
        """As the commands write it.

        Examples
        --------
        >>> none = Compared(within={}, outcome="soft", level="site", comparison=None, why="one")
        >>> none.to_json()
        {'outcome': 'soft', 'of': 'site', 'within': {}, 'why': 'one'}
        """
        body: dict[str, Any] = {"why": self.why}
        if self.comparison is not None:
            body = self.comparison.to_json()
        return {"outcome": self.outcome, "of": self.level, "within": dict(self.within)} | body


def compare_within(
    keys: Sequence[Key],
    place: int,
    by: Sequence[str],
    units: Units | None,
    of_units: Ints,
    sheets: Units | None,
    of_sheets: Ints,
    scale: Scale | None,
    block: str | None,
    level: float,
) -> list[Compared]:
    """Compare one level within each combination of the others.

    Parameters
    ----------
    keys : sequence of tuple
        The rows of the table: a label for each level of `by`.
    place : int
        Which of `by` to compare.
    by : sequence of str
    units, sheets : Units or None
    of_units, of_sheets : ndarray of int
        The row that each unit belongs to.
    scale : Scale or None
    block : str or None
        Level whose additive effect is taken out of means.
    level : float

    Returns
    -------
    list of Compared
        One an outcome and combination; a model that cannot be fitted says why.

    Examples
    --------
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> from calibrate.tables.units import berry_units
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.2, 2.0, 2.2]), levels={
    ...     "selection": ["R-114", "R-114", "R-120", "R-120"], "clamshell": ["1", "2", "1", "2"]})
    >>> units, rows = berry_units(join([part]), "clamshell"), np.array([0, 0, 1, 1])
    >>> keys = [("R-114",), ("R-120",)]
    >>> by, none = ("selection",), rows[:0]
    >>> one, = compare_within(keys, 0, by, units, rows, None, none, None, None, 0.95)
    >>> one.outcome, one.comparison.letters
    ('force', ('b', 'a'))
    """
    strata: dict[Key, list[int]] = {}
    for index, key in enumerate(keys):
        if key[place] is not None:
            strata.setdefault(key[:place] + key[place + 1 :], []).append(index)
    others = [name for name in by if name != by[place]]
    compared = []
    for held, members in strata.items():
        within = dict(zip(others, held, strict=True))
        names = {index: str(keys[index][place]) for index in members}
        for outcome, source, of in _outcomes(units, of_units, sheets, of_sheets, scale):
            try:
                found = _model(outcome, source, of, names, block, level, scale)
            except FirmhandError as error:
                compared.append(
                    Compared(
                        within=within,
                        outcome=outcome,
                        level=by[place],
                        comparison=None,
                        why=str(error).rstrip("."),
                    )
                )
            else:
                compared.append(
                    Compared(within=within, outcome=outcome, level=by[place], comparison=found)
                )
    return compared


def _outcomes(
    units: Units | None, of_units: Ints, sheets: Units | None, of_sheets: Ints, scale: Scale | None
) -> list[tuple[str, Units, Ints]]:
    found: list[tuple[str, Units, Ints]] = []
    if units is not None and np.isfinite(units.mean_newton).any():
        found.append(("force", units, of_units))
    if sheets is not None:
        scored: tuple[Units, Ints] | None = (sheets, of_sheets)
    else:
        scored = (units, of_units) if units is not None and units.scores is not None else None
    if scored is not None:
        found.append(("score", *scored))
        if scale is not None and scale.sale_boundary is not None:
            found.append(("soft", *scored))
    if sheets is not None:
        found += [
            (name, sheets, of_sheets)
            for name in ("leaky", "decayed")
            if any(getattr(one, name) is not None for one in sheets.sheets)
        ]
    return found


def _model(
    outcome: str,
    units: Units,
    of: Ints,
    names: Mapping[int, str],
    block: str | None,
    level: float,
    scale: Scale | None,
) -> Comparison:
    mine = np.flatnonzero(np.isin(of, list(names)))
    if outcome == "force":
        mine = mine[units.n[mine] > 0]
    elif outcome in ("leaky", "decayed"):
        mine = np.array(
            [i for i in mine if getattr(units.sheets[i], outcome) is not None], dtype=np.int64
        )
    elif units.scores is not None:
        mine = mine[units.scores[mine].sum(axis=1) > 0]
    present = sorted(set(of[mine].tolist()))
    position = {index: row for row, index in enumerate(present)}
    group = np.array([position[index] for index in of[mine].tolist()], np.int64)
    labels = [names[index] for index in present]
    if outcome == "force":
        blocks = units.levels[block].code[mine] if block else None
        return compare_means(
            units.mean_newton[mine], group, labels, block=blocks, level=level, unit=units.name
        )
    assert units.scores is not None
    table = units.scores[mine]
    if outcome == "score":
        return compare_scores(table, group, labels, level=level, unit=units.name)
    if outcome == "soft":
        assert scale is not None
        assert scale.sale_limit is not None
        hits = table[:, scale.rank(scale.sale_limit) + 1 :].sum(axis=1)
    else:
        hits = np.array([getattr(units.sheets[i], outcome) for i in mine], dtype=float)
    return compare_proportions(hits, table.sum(axis=1), group, labels, level=level, unit=units.name)
