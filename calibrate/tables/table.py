"""The table: one row for each combination of levels, with what was measured and compared.

One level is compared within each combination of the others, measure by measure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.data.scale import Scale
from calibrate.stats.estimate import Estimate
from calibrate.stats.proportions import mean_proportion
from calibrate.tables.comparisons import (
    Compared,
    Found,
    Replication,
    Scheme,
    compare_measure,
)
from calibrate.tables.measures import SHARES, Shares, measured, shares
from calibrate.tables.pooling import Pool
from calibrate.tables.samplingunits import (
    Key,
    SamplingUnits,
    UnitName,
    berry_units,
    choose_unit,
    ordered,
    sheet_units,
)
from gauge.errors import InvalidValueError, NoSuchRecordError

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """What is known of one combination of levels.

    `n` berries with a peak came in `units`; `clamshells` counts sheets, `n_scored` berries with a
    score or on a sheet. `scores` and `predicted` (from force by the calibration) are the share of
    berries at each score. `found` has each measure's value, interval and letters.
    """

    levels: Mapping[str, str | None]
    n: int = 0
    units: int = 0
    sd_newton: float | None = None
    clamshells: int = 0
    n_scored: float = 0.0
    scores: tuple[float, ...] | None = None
    shares: Shares | None = None
    predicted: tuple[float, ...] | None = None
    predicted_soft: Estimate | None = None
    found: Mapping[str, Found] = field(default_factory=dict)

    def estimate(self, name: str, why: str = "") -> Estimate:
        """Find the value of a measure; without one, why."""
        return self.found[name].estimate if name in self.found else Estimate(value=None, why=why)

    @property
    def force(self) -> Estimate:
        """Mean of the units' mean forces (N)."""
        return self.estimate("force", "no peak force")

    @property
    def mean_score(self) -> Estimate:
        """Mean position on the scale, 1 the firmest."""
        return self.estimate("score")

    @property
    def letters(self) -> dict[str, str]:
        """Letters of each measure that was compared."""
        given = {name: one.letters for name, one in self.found.items() if name != "at_limit"}
        return {name: letters for name, letters in given.items() if letters}


@dataclass(frozen=True, kw_only=True)
class Table:
    """All rows, what was compared, and what the reader must know."""

    pool: Pool
    by: tuple[str, ...]
    blocks: tuple[str, ...]
    unit: str
    level: float
    rows: tuple[Row, ...]
    compared: tuple[Compared, ...]
    replication: tuple[Replication, ...]
    scale: Scale | None
    notes: tuple[str, ...]
    # What the rows were made of, for the statistics that go on from here.
    units: SamplingUnits
    sheets: SamplingUnits


def default_rows(pool: Pool) -> tuple[str, ...]:
    """Make rows of selections where they are named, and of storage days where there are several."""
    found = {"selection": set[str | None](), "storage_day": set[str | None]()}
    for name, labels in found.items():
        labels |= {one.levels.get(name) for one in pool.clamshells}
        if name in pool.factors:
            factor = pool.factors[name]
            labels |= {factor.labels[code] for code in np.unique(factor.code).tolist() if code >= 0}
        labels.discard(None)
    return tuple(name for name, labels in found.items() if len(labels) > (name == "storage_day"))


def tabulate(
    pool: Pool,
    *,
    by: Sequence[str] = ("selection",),
    unit: UnitName | None = None,
    calibration: Calibration | None = None,
    compare: str | None = None,
    blocks: Sequence[str] = (),
    level: float = 0.95,
) -> Table:
    """Make the table.

    Parameters
    ----------
    by : sequence of str
        Levels that make a row.
    unit : {"clamshell", "replicate", "berry"}, optional
        By default the clamshell or sample, or else the replicate, or else the berry.
    calibration : Calibration, optional
        Predicts scores from force.
    compare : str, optional
        Level to compare, within each combination of the others; by default selection if it is one
        of `by`, or else the first.
    blocks : sequence of str
        Levels whose additive effects are taken out of every measure, all together.
    level : float
        Of intervals; letters are at 1 - level.

    A level that no source has is a NoSuchRecordError; a block that is none (the storage day, or
    what makes rows) an InvalidValueError.
    """
    notes: list[str] = []
    chosen, why = choose_unit(pool) if unit is None else (unit, "")
    _refuse_no_block(blocks, by)
    units = berry_units(pool, chosen, calibration=calibration, extra=(*by, *blocks))
    if units.m and why:
        notes.append(f"Unit: {why}.")
    sheets = sheet_units(pool.clamshells)
    for name in (*by, *blocks):
        if name not in units.factors and name not in sheets.factors:
            raise NoSuchRecordError(
                f"No source has a level '{name}'.", todo="Give --by a column that is there."
            )
    notes += _mixed(units if units.m else sheets, by, blocks)
    what = compare or ("selection" if "selection" in by else next(iter(by), ""))
    if what and what not in by:
        raise NoSuchRecordError(
            f"'{what}' cannot be compared, for it does not make rows.", todo=f"Add --by {what}."
        )
    scheme = Scheme(by=tuple(by), what=what, blocks=tuple(blocks), scale=pool.scale, level=level)
    found, compared, replication = _compare_all(units, sheets, scheme)
    berries, cards = units.groups(by), sheets.groups(by)
    return Table(
        pool=pool,
        by=tuple(by),
        blocks=tuple(blocks),
        unit=chosen if units.m else "clamshell",
        level=level,
        rows=tuple(
            _row(
                dict(zip(by, key, strict=True)), berries.get(key), cards.get(key),
                found.get(key, {}), level,
            )
            for key in ordered((*berries, *cards))
        ),
        compared=compared,
        replication=replication,
        scale=pool.scale or (calibration.scale if calibration is not None else None),
        notes=tuple(notes),
        units=units,
        sheets=sheets,
    )  # fmt: skip


def _compare_all(
    units: SamplingUnits, sheets: SamplingUnits, scheme: Scheme
) -> tuple[dict[Key, dict[str, Found]], tuple[Compared, ...], tuple[Replication, ...]]:
    """Find what every measure says of every row."""
    found: dict[Key, dict[str, Found]] = {}
    compared: list[Compared] = []
    replication = []
    for name, sources in measured(units, sheets, scheme.scale).items():
        for at, source in enumerate(sources):
            cells, these, limits = compare_measure(name, source, scheme)
            if at == 0 and name != "at_limit":
                compared += these
                replication += [limits] if limits else []
            for key, one in cells.items():
                # A row without sheets has its single scores, but no place among the letters.
                found.setdefault(key, {}).setdefault(name, replace(one, letters="") if at else one)
    return found, tuple(compared), tuple(replication)


def _refuse_no_block(blocks: Sequence[str], by: Sequence[str]) -> None:
    """Refuse blocks that would make something else of the comparison."""
    if "storage_day" in blocks:
        raise InvalidValueError(
            "storage_day is no block: days of storage are not replicates of one another. "
            "Selections soften at different speed, and that difference would become the error of "
            "the comparison.",
            todo="Leave it out: rows are split by storage day, and clamshells are the replicates.",
        )
    for name in blocks:
        if name in by:
            raise InvalidValueError(
                f"{name} makes rows, so it is no block.", todo="Leave out --block or --by."
            )


def _mixed(units: SamplingUnits, by: Sequence[str], blocks: Sequence[str]) -> list[str]:
    """Say which conditions are mixed within the rows, and which were taken out."""
    notes = []
    for name in ("storage_day", "storage_temp_c", "season"):
        count = len(set(units.factor(name).code.tolist()) - {-1})
        if name not in (*by, *blocks) and count > 1:
            notes.append(
                f"{count} values of {name} are mixed in each row and its SE: add --by {name} for "
                "a row each."
            )
    if blocks:
        notes.append(f"Means and shares are adjusted for {' and '.join(blocks)}.")
    return notes


def _row(
    levels: Mapping[str, str | None],
    units: SamplingUnits | None,
    sheets: SamplingUnits | None,
    found: Mapping[str, Found],
    level: float,
) -> Row:
    """Sum up the units and sheets of one combination of levels."""
    row = Row(levels=levels, clamshells=0 if sheets is None else sheets.m, found=found)
    if units is not None and units.pressed().m:
        pressed = units.pressed()
        n, predicted, soft = pressed.n, pressed.predicted, pressed.predicted_soft
        row = replace(
            row,
            n=round(float(n.sum())),
            units=pressed.m,
            sd_newton=_sd_of_berries(pressed),
            predicted=None if predicted is None else _mean_shares(predicted),
            predicted_soft=None if soft is None else _predicted_soft(soft, n, level),
        )
    counted = sheets if sheets is not None else (units.scored() if units is not None else None)
    if counted is not None and counted.scores.size:
        made = Shares() if sheets is None else shares(sheets.sheets, level=level)
        of = {name: found[name].estimate for name in SHARES if name in found}
        lost = found["weight_loss"].estimate if "weight_loss" in found else None
        row = replace(
            row,
            n_scored=float(counted.scores.sum()),
            scores=_mean_shares(counted.scores),
            shares=replace(made, of=of, weight_loss=lost),
        )
    return row


def _mean_shares(counts: Floats) -> tuple[float, ...]:
    """Average the shares of units, each counting alike."""
    return tuple((counts / counts.sum(axis=1, keepdims=True)).mean(axis=0).tolist())


def _sd_of_berries(units: SamplingUnits) -> float | None:
    n, mean, total = units.n, units.mean_newton, float(units.n.sum())
    squares = float((units.ss_n2 + n * (mean - (n * mean).sum() / total) ** 2).sum())
    return float(np.sqrt(squares / (total - 1))) if total > 1 else None


def _predicted_soft(expected: Floats, n: Floats, level: float) -> Estimate:
    """Predict soft berries: spread between units and the interval of the cut, in quadrature."""
    value, low, high = (expected / n[:, None]).mean(axis=0).tolist()
    by_cut = Estimate(value=value, low=low, high=high)
    return mean_proportion(expected[:, 0], n, level=level).widened(by_cut).held(0.0, 1.0)
