"""Everything that `calibrate table` tells of a pool: rows, letters, storage, seasons, cues.

The parts are made elsewhere; here they are put together, and laid out for JSON and CSV.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calibrate.cuts.calibration import Calibration
from calibrate.tables.cues import CueEffect, cue_effect
from calibrate.tables.pooling import Pool
from calibrate.tables.seasonranks import KeepRule, SeasonRanks
from calibrate.tables.softening import Softening
from calibrate.tables.tablerows import Row
from calibrate.tables.tables import Table, sort_key, tabulate
from calibrate.tables.trends import season_ranks, softening_by_row
from calibrate.tables.units import UnitName
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
        >>> import numpy as np
        >>> from calibrate.tables.poolpart import Part
        >>> from calibrate.tables.pooling import join
        >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.5, 2.0, 2.5]), levels={
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
        >>> import numpy as np
        >>> from calibrate.tables.poolpart import Part
        >>> from calibrate.tables.pooling import join
        >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.5, 2.0, 2.5]), levels={
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
            "sd_N": row.sd_newton,
            "se_N": row.se_newton,
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
        >>> import numpy as np
        >>> from calibrate.tables.poolpart import Part
        >>> from calibrate.tables.pooling import join
        >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.5, 2.0, 2.5]), levels={
        ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
        >>> row, = build_report(join([part])).csv_rows()
        >>> row["selection"], row["mean_N"]
        ('R-114', 1.75)
        """
        rows = [_flat(self.row_json(row)) for row in self.table.rows]
        names = {name for row in rows for name in row}
        # What is a group of columns in one row and missing in another is no column itself.
        groups = {
            name
            for name in names
            if all(row.get(name) is None for row in rows)
            and any(other.startswith(f"{name}_") for other in names)
        }
        return [{k: v for k, v in row.items() if k not in groups} for row in rows]


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
        See `calibrate.tables.tables.tabulate`.
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
    >>> import numpy as np
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.5, 2.0, 2.5]), levels={
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
            notes.append(f"Cue {cue}: {str(error).rstrip('.')}.")
    ranks = None
    try:
        ranks = season_ranks(table.units, rule or KeepRule(top=0.5))
    except FirmhandError as error:
        notes.append(f"Seasons: {str(error).rstrip('.')}.")
    return Report(
        table=table,
        softening=softening_by_row(table, calibration, level),
        ranks=ranks,
        cues=tuple(effects),
        pool=pool,
        notes=tuple(notes),
        level=level,
    )
