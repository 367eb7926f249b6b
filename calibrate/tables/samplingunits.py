"""The units that a table counts as one: clamshells (or replicates, or berries) with their sums.

A million berries become some ten thousand clamshells here; all later statistics work on those.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.data.clamshell import Clamshell
from calibrate.data.factor import Factor, combined
from calibrate.tables.pooling import Pool
from gauge.errors import NoSuchRecordError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Key = tuple[str | None, ...]
UnitName = Literal["clamshell", "replicate", "berry"]
# A unit never spans two of these.
_WITHIN = (
    "season", "site", "selection", "plot", "harvest_date", "storage_day", "storage_temp_c",
    "replicate",
)  # fmt: skip
# Berries predicted at a time, which keeps memory small.
_CHUNK = 65536


def sort_key(text: str | None) -> tuple[int, float, str]:
    """Order levels: numbers by size, then texts, then none.

    Examples
    --------
    >>> sorted(["14", "7", None, "late"], key=sort_key)
    ['7', '14', 'late', None]
    """
    if text is None:
        return (2, 0.0, "")
    try:
        return (0, float(text), text)
    except ValueError:
        return (1, 0.0, text)


def ordered(keys: Iterable[Key]) -> list[Key]:
    """Put distinct combinations of levels in order."""
    return sorted(set(keys), key=lambda key: tuple(sort_key(text) for text in key))


@dataclass(frozen=True, kw_only=True)
class SamplingUnits:
    """Sums over the berries of each unit, m of them, and factors of the units.

    Of the `n` berries with a peak there are the mean force and the sum of squares about it, NaN and
    0 without a peak. `scores`, shape (m, scores), are the berries at each score, one scored several
    times shared equally; no column where none was scored. `predicted`, of the same shape, are the
    berries expected there, from force by the calibration; `predicted_soft`, shape (m, 3), those
    beyond the sale limit by the cut, its lower and its upper end. Units of sheets have one each.
    """

    name: str
    factors: dict[str, Factor]
    n: Floats
    mean_newton: Floats
    ss_n2: Floats
    scores: Floats
    predicted: Floats | None = None
    predicted_soft: Floats | None = None
    sheets: tuple[Clamshell, ...] = ()

    @property
    def m(self) -> int:
        """Number of units."""
        return int(self.n.size)

    @cached_property
    def subjects(self) -> Ints:
        """Number the things measured: a code that comes back on a later day is the same clamshell.

        Numbers of clamshells begin anew on another day.
        """
        if "clamshell" in self.factors or "sample" not in self.factors:
            return np.arange(self.m)
        names = [name for name in _WITHIN if not name.startswith("storage")]
        return combined([self.factor(name) for name in (*names, "sample")], self.m)

    def at(self, units: Ints) -> SamplingUnits:
        """Take some units."""
        columns = [(one.name, getattr(self, one.name)) for one in fields(self)]
        taken: dict[str, Any] = {k: v[units] for k, v in columns if isinstance(v, np.ndarray)}
        return replace(
            self,
            factors={name: factor.at(units) for name, factor in self.factors.items()},
            sheets=tuple(self.sheets[unit] for unit in units.tolist()) if self.sheets else (),
            **taken,
        )

    def where(self, mask: NDArray[np.bool_]) -> SamplingUnits:
        """Take the units of a mask; the same units, not a copy, where it holds for all."""
        return self if mask.all() else self.at(np.flatnonzero(mask))

    def pressed(self) -> SamplingUnits:
        """Take the units with berries that have a peak."""
        return self.where(self.n > 0)

    @property
    def n_scored(self) -> Floats:
        """Berries with a score, shape (m,)."""
        return np.asarray(self.scores.sum(axis=1))

    def scored(self) -> SamplingUnits:
        """Take the units with berries that were scored."""
        return self.where(self.n_scored > 0)

    def factor(self, name: str) -> Factor:
        """Find a factor; one without labels where the units have none of that name."""
        none = Factor(code=np.full(self.m, -1, np.int32), labels=())
        return self.factors.get(name, none)

    def keys(self, names: Sequence[str]) -> list[Key]:
        """Find the levels of each unit, in the order of names; None where it has none."""
        columns = []
        for name in names:
            factor = self.factor(name)
            labels = [*factor.labels, None]
            columns.append([labels[code] for code in factor.code.tolist()])
        return list(zip(*columns, strict=True)) if names else [()] * self.m

    def groups(self, names: Sequence[str]) -> dict[Key, SamplingUnits]:
        """Take the units of each combination of levels, combinations in order."""
        if not self.m:
            return {}
        code = combined([self.factor(name) for name in names], self.m)
        ends = np.cumsum(np.bincount(code))
        parts = np.split(np.argsort(code, kind="stable"), ends[:-1])
        keys = self.at(np.array([part[0] for part in parts])).keys(names)
        if len(keys) == 1:
            return {keys[0]: self}
        found = dict(zip(keys, parts, strict=True))
        return {key: self.at(found[key]) for key in ordered(keys)}


def choose_unit(pool: Pool) -> tuple[UnitName, str]:
    """Choose the largest thing that berries were drawn in, and say why if it is the berry."""
    complete = {name for name, factor in pool.factors.items() if factor.complete}
    if complete & {"clamshell", "sample"}:
        return "clamshell", ""
    if "replicate" in complete:
        return "replicate", ""
    return (
        "berry",
        "no clamshell, sample or replicate is named for every berry, so the single berry is the "
        "unit: berries of one clamshell are alike, and true intervals are wider",
    )


def berry_units(
    pool: Pool,
    unit: UnitName,
    *,
    calibration: Calibration | None = None,
    extra: Sequence[str] = (),
) -> SamplingUnits:
    """Sum the berries of each unit; `extra` are further levels that a unit must not span.

    A calibration predicts scores from force. Where the berries name no such unit, that is a
    NoSuchRecordError.
    """
    n = pool.n
    own = {"clamshell": ("clamshell", "sample"), "replicate": ("replicate",), "berry": ()}[unit]
    if n and own and not any(name in pool.factors for name in own):
        raise NoSuchRecordError(
            f"No source names a {unit}.", todo="Add the column, or choose another --replicate-unit."
        )
    if unit == "berry":
        code = np.arange(n, dtype=np.int64)
    else:
        names = [name for name in (*_WITHIN, *own, *extra) if name in pool.factors]
        code = combined([pool.factors[name] for name in dict.fromkeys(names)], n)
    first = np.unique(code, return_index=True)[1]
    m = first.size
    pressed = np.isfinite(pool.force_newton)
    at, force = code[pressed], pool.force_newton[pressed]
    count = np.bincount(at, minlength=m).astype(float)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(at, force, minlength=m) / count
        ss = np.bincount(at, (force - mean[at]) ** 2, minlength=m).astype(float)
    predicted, soft = _predict(calibration, at, force, m) if calibration else (None, None)
    return SamplingUnits(
        name=unit,
        factors={
            name: factor.at(first) for name, factor in pool.factors.items() if name != "number"
        },
        n=count,
        mean_newton=mean,
        ss_n2=ss,
        scores=_scores(pool, code, m),
        predicted=predicted,
        predicted_soft=soft,
    )


def _scores(pool: Pool, code: Ints, m: int) -> Floats:
    if pool.scale is None or not pool.rank.size:
        return np.zeros((m, 0))
    k = len(pool.scale.labels)
    share = 1.0 / np.bincount(pool.score_at, minlength=pool.n)[pool.score_at]
    cell = code[pool.score_at] * k + pool.rank
    return np.bincount(cell, share, minlength=m * k).astype(float).reshape(m, k)


def _predict(
    calibration: Calibration, at: Ints, force: Floats, m: int
) -> tuple[Floats, Floats | None]:
    """Expect berries at each score, and beyond the sale limit by the cut and its two ends."""
    from scipy.special import expit

    k = len(calibration.scale.labels)
    boundary = calibration.scale.sale_boundary
    limit = None if boundary is None else calibration.cuts[boundary]
    cuts = []
    if limit is not None and limit.value is not None:
        # An open side adds nothing to the interval; the calibration itself warned of it.
        cuts = [calibration.h(end or limit.value) for end in (limit.value, limit.low, limit.high)]
    found = np.zeros((m, k + len(cuts)))
    for begin in range(0, force.size, _CHUNK):
        part, unit = force[begin : begin + _CHUNK], at[begin : begin + _CHUNK]
        h = calibration.h(part)
        beyond = [expit((cut - h) / calibration.spread_at(part)) for cut in cuts]
        for column, share in enumerate([*calibration.probabilities(part).T, *beyond]):
            found[:, column] += np.bincount(unit, share, minlength=m)
    return found[:, :k], found[:, k:] if cuts else None


def sheet_units(clamshells: Sequence[Clamshell]) -> SamplingUnits:
    """Make one unit of each clamshell sheet."""
    m = len(clamshells)
    levels = [{**one.levels, "sample": one.sample} for one in clamshells]
    names = dict.fromkeys(name for one in levels for name in one)
    return SamplingUnits(
        name="clamshell",
        factors={name: Factor.of([one.get(name) or None for one in levels]) for name in names},
        n=np.zeros(m),
        mean_newton=np.full(m, np.nan),
        ss_n2=np.zeros(m),
        scores=np.array([one.counts for one in clamshells], dtype=float).reshape(m, -1 if m else 0),
        sheets=tuple(clamshells),
    )
