"""The effect of a cue (rain, harvest hour ...) on mean force, with interval.

A cue that is the same for all clamshells of a harvest was tried only as often as there were
harvests; then the harvest is the unit, not the clamshell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.data.factor import combined
from calibrate.stats.estimate import Estimate, t_quantile
from calibrate.tables.samplingunits import SamplingUnits
from gauge.errors import TooFewScoresError

Floats = NDArray[np.float64]
_ADJUSTED = ("selection", "storage_day", "storage_temp_c")
_HARVEST = ("season", "site", "harvest_date")


@dataclass(frozen=True, kw_only=True, slots=True)
class CueEffect:
    """What a cue does to mean force."""

    cue: str
    # For a number: one entry, N per unit of the cue. For words: one entry a word, N against
    # the first word, which is the reference.
    effects: tuple[tuple[str, Estimate], ...]
    # "clamshell" (or replicate, berry) or "harvest", and how many.
    unit: str
    units: int
    # Levels whose additive effects were taken out.
    adjusted: tuple[str, ...]
    reference: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        return {
            "cue": self.cue,
            "unit": self.unit,
            "units": self.units,
            "adjusted_for": list(self.adjusted),
            "reference": self.reference,
            "effects": [{"of": name} | effect.to_json() for name, effect in self.effects],
        }


def cue_effect(units: SamplingUnits, cue: str, *, level: float = 0.95) -> CueEffect:
    """Estimate the effect of a cue on the mean force of clamshells by least squares.

    Selection, storage day and temperature are taken out as additive effects. When every harvest
    has one value of the cue, harvests are estimated first and the cue is fitted to those, with
    the harvest as the unit. Units without a value of the cue are left out; one value only, or
    nothing left to estimate the error, is a TooFewScoresError.
    """
    if cue not in units.factors:
        raise TooFewScoresError(f"no clamshell has a value of {cue}")
    units = units.pressed().where(units.pressed().factors[cue].code >= 0)
    x, names, reference = _columns([str(value) for (value,) in units.keys([cue])], cue)
    y, unit = units.mean_newton, units.name
    codes = {name: units.factor(name).code for name in _ADJUSTED if name != cue}
    adjusted = [name for name, code in codes.items() if np.unique(code).size > 1]
    base = np.hstack([np.ones((y.size, 1)), *(_dummies(codes[name]) for name in adjusted)])
    harvest, first = np.zeros(0, np.int64), np.zeros(0, np.int64)
    if units.factor("harvest_date").complete:
        harvest = combined([units.factor(name) for name in _HARVEST], units.m)
        first = np.unique(harvest, return_index=True)[1]
    if 0 < first.size < y.size and (x == x[first[harvest]]).all():
        # Effects of harvests first (beside the other levels), then the cue on those.
        design = np.hstack([np.eye(first.size)[harvest], base[:, 1:]])
        y = np.linalg.lstsq(design, y, rcond=None)[0][: first.size].astype(np.float64)
        x, base, unit = x[first], np.ones((first.size, 1)), "harvest"
    effects = _fit(y, np.hstack([base, x]), x.shape[1], level)
    return CueEffect(
        cue=cue,
        effects=tuple(zip(names, effects, strict=True)),
        unit=unit,
        units=y.size,
        adjusted=tuple(adjusted),
        reference=reference,
    )


def _columns(values: Sequence[str], cue: str) -> tuple[Floats, list[str], str | None]:
    if len(set(values)) < 2:
        raise TooFewScoresError(f"{cue} has one value only: its effect cannot be estimated")
    try:
        numbers = np.array([float(text) for text in values])
    except ValueError:
        first, *others = sorted(set(values))
        return _dummies(values), others, first
    return numbers[:, None], [f"one more {cue}"], None


def _dummies(code: ArrayLike) -> Floats:
    place = np.unique(code, return_inverse=True)[1].ravel()
    return np.eye(int(place.max()) + 1)[place][:, 1:]


def _fit(y: Floats, design: Floats, n_last: int, level: float) -> list[Estimate]:
    beta, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    df = y.size - int(rank)
    if rank < design.shape[1]:
        raise TooFewScoresError("the cue goes with selection or storage: they cannot be separated")
    if df < 1:
        raise TooFewScoresError("too few clamshells or harvests to separate the cue from chance")
    residual = y - design @ beta
    variance = float(residual @ residual) / df * np.diag(np.linalg.inv(design.T @ design))
    half = t_quantile(df, level) * np.sqrt(variance)
    return list(map(Estimate.around, beta[-n_last:].tolist(), half[-n_last:].tolist()))
