"""What storage does: newtons lost per day, and the day on which a share of berries is reached."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.data.clamshell import DEFECTS
from calibrate.stats.dayline import Line, crossing, fit_line, fit_logit_line
from calibrate.stats.estimate import Estimate
from calibrate.stats.groups import Variance, shared_variances
from calibrate.tables.measures import hits_of, measure
from calibrate.tables.samplingunits import Key, SamplingUnits, sort_key
from calibrate.tables.table import Table
from gauge.errors import FirmhandError, InvalidValueError, SeparationError, TooFewScoresError

Floats = NDArray[np.float64]
# Multiple of the last storage day seen; a line is not carried further.
_FARTHEST = 10.0
NO_FORCE = "no peak force"
ENDPOINTS = ("soft", "unmarketable", *DEFECTS)


@dataclass(frozen=True, kw_only=True, slots=True)
class Endpoint:
    """The share of berries that ends the life of a lot: 10 to 25 % in the trade (no source)."""

    of: str = "soft"
    at: float = 0.5

    def __post_init__(self) -> None:
        if self.of not in ENDPOINTS or not 0 < self.at < 1:
            raise InvalidValueError(
                f"{self.at:.0%} {self.of} is no endpoint.",
                todo=f"Give one of {', '.join(ENDPOINTS)}, at more than 0 and less than 100 %.",
            )

    def __str__(self) -> str:
        share = "half" if self.at == 0.5 else f"{100 * self.at:g} %"
        return f"{share} {self.of.replace('_', ' ')}"


HALF_SOFT = Endpoint()


@dataclass(frozen=True, kw_only=True, slots=True)
class Softening:
    """What storage does to one selection, up to the last day that was tested.

    `loss_n_day` is in N lost per storage day (above zero: softer). `days` has the day on which each
    endpoint is reached, and whence: "scores" (seen), "force" (predicted by the calibration),
    "sheets", or "".
    """

    clamshells: int
    last_day: float
    loss_n_day: Estimate
    days: Mapping[Endpoint, tuple[Estimate, str]]

    def to_json(self) -> dict[str, Any]:
        """Make the document that the commands write."""
        half, origin = self.days[HALF_SOFT]
        return {
            "clamshells": self.clamshells,
            "last_day": self.last_day,
            "loss_N_per_day": self.loss_n_day.to_json(),
            "half_soft_day": half.to_json(),
            "half_soft_from": origin or None,
            "endpoints": [
                {"of": one.of, "at_pct": 100 * one.at, "from": origin or None}
                | {"day": day.to_json(), "extrapolated": (day.value or 0.0) > self.last_day}
                for one, (day, origin) in self.days.items()
            ],
        }


def softening_by_row(
    table: Table, endpoint: Endpoint = HALF_SOFT
) -> tuple[tuple[Mapping[str, str | None], Softening], ...]:
    """Estimate softening for each combination of the table's other levels; none without two days.

    Clamshells vary about the lines of all rows alike, unless they clearly do not.
    """
    by = [name for name in table.by if name != "storage_day"]
    units, sheets = (dict(_over_days(source, by)) for source in (table.units, table.sheets))
    lines = _force_lines({key: one.pressed() for key, one in units.items()})
    found = []
    for key in dict.fromkeys((*units, *sheets)):
        both = [kind[key] for kind in (sheets, units) if key in kind]
        line = lines.get(key)
        loss = Estimate(value=None, why=str(line or NO_FORCE))
        if isinstance(line, Line):
            loss = line.slope_estimate(table.level)
        one = Softening(
            clamshells=both[-1].m,
            last_day=max(float(np.nanmax(_days(kind))) for kind in both),
            loss_n_day=loss,
            days={one: _reached(one, both, table) for one in dict.fromkeys((HALF_SOFT, endpoint))},
        )
        found.append((dict(zip(by, key, strict=True)), one))
    return tuple(found)


def _over_days(source: SamplingUnits, by: Sequence[str]) -> Iterator[tuple[Key, SamplingUnits]]:
    """Find groups of units that were tested on two days or more."""
    for key, group in source.groups(by).items():
        units = group.where(np.isfinite(_days(group)))
        if np.unique(_days(units)).size > 1:
            yield key, units


def _days(units: SamplingUnits) -> Floats:
    """Find the storage day of each unit, NaN where it is none or no number."""
    factor = units.factor("storage_day")
    numbers = [number if kind == 0 else np.nan for kind, number, _ in map(sort_key, factor.labels)]
    return np.array([*numbers, np.nan])[factor.code]


def _force_lines(groups: Mapping[Key, SamplingUnits]) -> dict[Key, Line | TooFewScoresError]:
    """Fit newtons lost over days, with one variance about the lines and berries as its floor."""

    def fit(units: SamplingUnits, variance: Variance | None = None) -> Line | TooFewScoresError:
        berries = measure("force", units, None).variance_of_means
        try:
            return fit_line(
                _days(units), -units.mean_newton, subject=units.subjects, variance=variance,
                berries=berries,
            )  # fmt: skip
        except TooFewScoresError as error:
            return error

    first = {key: fit(units) for key, units in groups.items() if units.m}
    keys = [key for key, line in first.items() if isinstance(line, Line)]
    own = [line.own for line in first.values() if isinstance(line, Line)]
    shared = shared_variances(own)[0]
    return first | {
        key: fit(groups[key], variance) for key, variance in zip(keys, shared, strict=True)
    }


def _reached(
    endpoint: Endpoint, sources: Sequence[SamplingUnits], table: Table
) -> tuple[Estimate, str]:
    """Find the day of an endpoint: as counted or scored, or else as force predicts."""

    def reached(units: SamplingUnits, hits: Floats, n: Floats) -> Estimate:
        days, subjects = _days(units), units.subjects
        return day_reached(days, hits, n, endpoint, subject=subjects, level=table.level)

    for units in sources:
        counted, hits = hits_of(endpoint.of, units, table.scale)
        if counted.scores.size:
            origin = "scores" if endpoint.of == "soft" else "sheets"
            return reached(counted, hits, counted.n_scored), origin
    pressed = sources[-1].pressed()
    if endpoint.of == "soft" and pressed.m and pressed.predicted_soft is not None:
        found, late, early = (
            reached(pressed, hits, pressed.n) for hits in pressed.predicted_soft.T
        )
        # At the upper end of the cut berries are soft earlier.
        by_cut = Estimate(value=found.value, low=early.value, high=late.value)
        return found.widened(by_cut).held(0.0), "force"
    why = f"nothing says which berries are {endpoint.of}"
    if endpoint.of == "soft":
        why = "neither scores with a sale limit nor a calibration"
    return Estimate(value=None, why=why), ""


def day_reached(
    day: ArrayLike,
    hits: ArrayLike,
    n: ArrayLike,
    endpoint: Endpoint = HALF_SOFT,
    *,
    subject: ArrayLike | None = None,
    level: float = 0.95,
) -> Estimate:
    """Estimate the day on which a share of berries is reached.

    The log odds are a straight line over days, and the interval is Fieller's, as for effective
    doses (Finney, D. J. (1971) Probit Analysis, 3rd ed., ch. 4).
    """
    try:
        line = fit_logit_line(day, hits, n, subject=subject)
    except SeparationError:
        return Estimate(value=None, why=f"days without and with {endpoint.of} do not overlap")
    except FirmhandError as error:
        return Estimate(value=None, why=error.what.rstrip("."))
    if line.slope <= 0:
        return Estimate(value=None, why=f"{endpoint.of} did not rise over the days tested")
    found = crossing(line, math.log(endpoint.at / (1 - endpoint.at)), level=level)
    last = f"day {line.last_day:g}, the last day tested"
    if found.value is None or found.value > _FARTHEST * line.last_day:
        # As good as no rise: how far beyond is decided by rounding.
        return Estimate(value=None, low=found.low, why=f"far beyond {last}")
    reasons = [found.why] if found.why else []
    if found.value < 0:
        reasons.append(f"more than {endpoint} at day 0")
    elif found.value > line.last_day:
        reasons.append(f"beyond {last}")
    return replace(found.map(lambda x: max(x, 0.0)), why="; ".join(reasons))
