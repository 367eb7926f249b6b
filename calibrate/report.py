"""Everything that `calibrate table` tells of a pool: rows, letters, storage, seasons, cues.

The parts are made elsewhere; here they are put together, and laid out for JSON and CSV.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.calibration import Calibration
from calibrate.cues import CueEffect, cue_effect
from calibrate.pooling import Pool
from calibrate.seasonranks import KeepRule, SeasonRanks, rank_seasons
from calibrate.softening import (
    Softening,
    half_soft_by_force,
    half_soft_by_score,
    loss_per_day,
)
from calibrate.tablerows import Row, mean_force
from calibrate.tables import Table, sort_key, tabulate
from calibrate.units import UnitName, Units
from gauge.errors import FirmhandError

CAUTION = (
    "Numbers on which fruit is sold or withheld: local grades and the buyer's terms decide, not "
    "this table."
)
_NUMBERS = frozenset({"storage_day", "storage_temp_c"})
_SHARES = ("soft_pct", "at_limit_pct", "leaky_pct", "decayed_pct", "marketable_pct")


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """A table with what goes on from it.

    Attributes
    ----------
    table : Table
    softening : tuple of (levels, Softening)
        One an entry of the table with its storage days drawn together; empty without two days.
    ranks : SeasonRanks or None
    cues : tuple of CueEffect
    pool : Pool
    notes : tuple of str
    level : float
    """

    table: Table
    softening: tuple[tuple[Mapping[str, str | None], Softening], ...]
    ranks: SeasonRanks | None
    cues: tuple[CueEffect, ...]
    pool: Pool
    notes: tuple[str, ...]
    level: float

    def to_json(self) -> dict[str, Any]:
        """The whole report as one document.

        Examples
        --------
        >>> from calibrate.poolpart import Part
        >>> from calibrate.pooling import join
        >>> part = Part(source="a.csv", force_n=np.array([1.0, 1.5, 2.0, 2.5]), levels={
        ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
        >>> build_report(join([part])).to_json()["rows"][0]["mean_N"]
        1.75
        """
        table, scale = self.table, self.table.scale
        return {
            "by": list(table.by),
            "unit": table.unit,
            "level": self.level,
            "berries": self.pool.n,
            "sources": list(self.pool.sources),
            "scores": None if scale is None else list(scale.labels),
            "sale_limit": None if scale is None else scale.sale_limit,
            "rows": [self.row_json(row) for row in table.rows],
            "comparisons": [one.to_json() for one in table.compared],
            "softening": [
                levels_json(levels)
                | {
                    "clamshells": one.clamshells,
                    "loss_N_per_day": one.loss_n_day.to_json(),
                    "half_soft_day": one.half_soft_day.to_json(),
                    "half_soft_from": one.half_from or None,
                }
                for levels, one in self.softening
            ],
            "seasons": None if self.ranks is None else self.ranks.to_json(),
            "cues": [one.to_json() for one in self.cues],
            "contradictions": [str(one) for one in self.pool.contradictions],
            "repeated": self.pool.repeated,
            "notes": list(self.notes),
            "caution": CAUTION,
        }

    def row_json(self, row: Row) -> dict[str, Any]:
        """One row as a document.

        Examples
        --------
        >>> from calibrate.poolpart import Part
        >>> from calibrate.pooling import join
        >>> part = Part(source="a.csv", force_n=np.array([1.0, 1.5, 2.0, 2.5]), levels={
        ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
        >>> report = build_report(join([part]))
        >>> report.row_json(report.table.rows[0])["se_N"]
        0.5
        """
        labels = () if self.table.scale is None else self.table.scale.labels
        document = levels_json(row.levels) | {
            "n": row.n,
            "units": row.units,
            "clamshells": row.clamshells or (row.units if self.table.unit == "clamshell" else None),
            "mean_N": row.force.value,
            "low_N": row.force.low,
            "high_N": row.force.high,
            "sd_N": row.sd_n,
            "se_N": row.se_n,
            "why": row.force.why or None,
            "n_scored": row.n_scored,
            "scores": None if row.scores is None else dict(zip(labels, row.scores, strict=True)),
            "mean_score": None if row.scores is None else row.mean_score.to_json(),
        }
        document |= dict.fromkeys(_SHARES) if row.shares is None else row.shares.to_json()
        document["predicted"] = (
            None
            if row.predicted is None
            else {
                "scores": dict(zip(labels, row.predicted, strict=True)),
                "soft_pct": None
                if row.predicted_soft is None
                else row.predicted_soft.times(100).to_json(),
            }
        )
        document["letters"] = dict(row.letters)
        return document

    def csv_rows(self) -> list[dict[str, Any]]:
        """Rows of the table as flat records, one column an estimate's value, low and high.

        Examples
        --------
        >>> from calibrate.poolpart import Part
        >>> from calibrate.pooling import join
        >>> part = Part(source="a.csv", force_n=np.array([1.0, 1.5, 2.0, 2.5]), levels={
        ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
        >>> row, = build_report(join([part])).csv_rows()
        >>> row["selection"], row["mean_N"]
        ('R-114', 1.75)
        """
        return [_flat(self.row_json(row)) for row in self.table.rows]


def levels_json(levels: Mapping[str, str | None]) -> dict[str, Any]:
    """Levels for JSON: days and temperatures as numbers.

    Examples
    --------
    >>> levels_json({"selection": "114", "storage_day": "7"})
    {'selection': '114', 'storage_day': 7.0}
    """
    document: dict[str, Any] = {}
    for name, text in levels.items():
        number = sort_key(text)
        document[name] = number[1] if name in _NUMBERS and number[0] == 0 else text
    return document


def _flat(document: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in document.items():
        name = f"{prefix}_{key}" if prefix else key
        if key == "overdispersion":
            continue
        if isinstance(value, dict):
            flat |= _flat(value, name)
        else:
            flat[name.removesuffix("_value")] = value
    return flat


def build_report(
    pool: Pool,
    *,
    by: Sequence[str] = ("selection",),
    unit: UnitName | None = None,
    calibration: Calibration | None = None,
    compare: str | None = None,
    block: str | None = None,
    cues: Sequence[str] = (),
    rule: KeepRule | None = None,
    level: float = 0.95,
) -> Report:
    """Make the table and all that follows from it.

    Parameters
    ----------
    pool : Pool
    by, unit, calibration, compare, block, level
        See `calibrate.tables.tabulate`.
    cues : sequence of str
        Levels whose effect on mean force is wanted.
    rule : KeepRule, optional
        For the decisions across seasons; by default the best half is kept.

    Raises
    ------
    NoSuchRecordError
        If no source has a level that was asked for.

    Examples
    --------
    >>> from calibrate.poolpart import Part
    >>> from calibrate.pooling import join
    >>> part = Part(source="a.csv", force_n=np.array([1.0, 1.5, 2.0, 2.5]), levels={
    ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
    >>> build_report(join([part])).table.unit
    'clamshell'
    """
    table = tabulate(
        pool, by=by, unit=unit, calibration=calibration, compare=compare, block=block, level=level
    )
    notes = list(table.notes)
    if pool.repeated:
        notes.append(f"{pool.repeated} rows stand in more than one source; each was counted once.")
    if pool.contradictions:
        notes.append(
            f"{len(pool.contradictions)} contradictions between sources; the first source's word "
            "was taken."
        )
    effects = []
    for cue in cues:
        try:
            assert table.units is not None, "cues need peak forces"
            effects.append(cue_effect(table.units, cue, level=level))
        except (FirmhandError, AssertionError) as error:
            notes.append(f"Cue {cue}: {error}.")
    ranks = None
    try:
        ranks = _ranks(table.units, rule or KeepRule(top=0.5))
    except FirmhandError as error:
        notes.append(f"Seasons: {error}.")
    return Report(
        table=table,
        softening=_softening(table, calibration, level),
        ranks=ranks,
        cues=tuple(effects),
        pool=pool,
        notes=tuple(notes),
        level=level,
    )


def _groups(units: Units, by: Sequence[str]) -> dict[tuple[str | None, ...], NDArray[np.int64]]:
    """Units of each combination of levels, in order."""
    found: dict[tuple[str | None, ...], list[int]] = {}
    for index in range(units.n.size):
        found.setdefault(tuple(units.label(name, index) for name in by), []).append(index)
    ordered = sorted(found, key=lambda key: tuple(sort_key(text) for text in key))
    return {key: np.array(found[key], np.int64) for key in ordered}


def _softening(
    table: Table, calibration: Calibration | None, level: float
) -> tuple[tuple[Mapping[str, str | None], Softening], ...]:
    by = [name for name in table.by if name != "storage_day"]
    found: dict[tuple[str | None, ...], Softening] = {}
    for source in (table.units, table.sheets):
        known = None if source is None else source.levels.get("storage_day")
        if source is None or known is None or len(known.labels) < 2:
            continue
        day = np.array([_number(text) for text in known.labels] + [np.nan])[known.code]
        for key, mine in _groups(source, by).items():
            use = mine[np.isfinite(day[mine])]
            if np.unique(day[use]).size > 1:
                one = _soften(source, use, day, table, calibration, level)
                found[key] = _joined(found.get(key), one)
    return tuple((dict(zip(by, key, strict=True)), one) for key, one in found.items())


def _number(text: str) -> float:
    kind, number, _ = sort_key(text)
    return number if kind == 0 else np.nan


def _soften(
    units: Units,
    use: NDArray[np.int64],
    day: NDArray[np.float64],
    table: Table,
    calibration: Calibration | None,
    level: float,
) -> Softening:
    from calibrate.estimate import Estimate

    none = Estimate(value=None, why="neither scores with a sale limit nor a calibration")
    pressed = use[units.n[use] > 0]
    loss = Estimate(value=None, why="no peak force")
    if pressed.size:
        loss = loss_per_day(day[pressed], units.mean_n[pressed], level=level)
    half, origin = none, ""
    scale = table.scale
    if units.scores is not None and scale is not None and scale.sale_limit is not None:
        scored = use[units.scores[use].sum(axis=1) > 0]
        counts = units.scores[scored]
        soft = counts[:, scale.rank(scale.sale_limit) + 1 :].sum(axis=1)
        half = half_soft_by_score(day[scored], soft, counts.sum(axis=1), level=level)
        origin = "scores"
    elif calibration is not None and pressed.size:
        half = half_soft_by_force(day[pressed], units.mean_h[pressed], calibration, level=level)
        origin = "force"
    return Softening(
        clamshells=int(use.size), loss_n_day=loss, half_soft_day=half, half_from=origin
    )


def _joined(first: Softening | None, second: Softening) -> Softening:
    """Loss from the berries, half-soft day from the sheets, when a selection has both."""
    if first is None:
        return second
    return Softening(
        clamshells=first.clamshells,
        loss_n_day=first.loss_n_day,
        half_soft_day=second.half_soft_day,
        half_from=second.half_from,
    )


def _ranks(units: Units | None, rule: KeepRule) -> SeasonRanks | None:
    """Ranks within seasons, when there are two seasons or more."""
    if units is None or "selection" not in units.levels or "season" not in units.levels:
        return None
    if len(units.levels["season"].labels) < 2:
        return None
    told: dict[str, dict[str, tuple[float, float | None, int]]] = {}
    for (season, selection), mine in _groups(units, ("season", "selection")).items():
        pressed = mine[units.n[mine] > 0]
        if season is None or selection is None or not pressed.size:
            continue
        force, _, se = mean_force(
            units.n[pressed], units.mean_n[pressed], units.ss_n2[pressed], units.name
        )
        assert force.value is not None
        told.setdefault(season, {})[selection] = (force.value, se, int(pressed.size))
    return rank_seasons(told, rule) if len(told) > 1 else None
