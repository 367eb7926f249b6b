"""The records that all rooms of gauge pass on, validated where they are made."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from typing import NamedTuple

from gauge.errors import InvalidValueError
from gauge.units import NEWTON_PER_FLOAT, Unit


class Status(StrEnum):
    """What a gauge shows beside a number, or in its place."""

    OK = "ok"
    OVERLOAD = "overload"
    UNDERLOAD = "underload"
    NOT_A_NUMBER = "not a number"


class Chunk(NamedTuple):
    """Bytes that arrived together, and when (nanoseconds since the session began)."""

    t_ns: int
    data: bytes


class Gap(NamedTuple):
    """Why bytes may have been lost, and from when to when (ns since the session began)."""

    from_ns: int
    to_ns: int
    reason: str


class LineLost(NamedTuple):
    """When the line went down and why; a `Gap` follows when it is back or given up."""

    t_ns: int
    reason: str


class Reading(NamedTuple):
    """One value that the gauge showed.

    A named tuple and not a dataclass, because it is made once a line on the hot path; the pattern
    of the line format is its validation.

    Attributes
    ----------
    t_s : float
        Since the session began, of the chunk that completed the line.
    value : float
        The number in `unit`; NaN when `status` is not OK and the line bore no number.
    shown : str
        The number as the gauge showed it, with its digits (`"2.370"`), decimal point a dot.
    """

    t_s: float
    value: float
    shown: str
    unit: Unit
    status: Status = Status.OK

    @property
    def force_newton(self) -> float:
        """The reading in newtons (compression positive)."""
        return self.value * NEWTON_PER_FLOAT[self.unit]


class Flag(StrEnum):
    """A doubt about a peak. Flags inform; they never remove a berry."""

    OVERLOAD = "overload"
    BASELINE_DRIFT = "baseline drift"
    FEW_READINGS = "few readings"
    LOADING_RATE = "loading rate"
    DOUBLE_RISE = "double rise"
    UNIT_CHANGED = "unit changed"
    LONE_READING = "lone reading"
    PEAK_MAY_BE_HIGHER = "peak may be higher"
    ZERO_OFF = "zero off"
    BEYOND_THE_WEIGHTS = "beyond the weights"
    UNCHECKED = "unchecked"


# What is known of berries and their store: anything beyond is a typing error (common practice, no
# source). Held where it is typed, and not in the records: an older season may say anything.
POSSIBLE = {
    "storage_day": (0.0, 366.0),
    "storage_temp_c": (-30.0, 60.0),
    "fruit_temp_c": (-10.0, 60.0),
    "out_of_store_h": (0.0, 240.0),
    "size_mm": (1.0, 100.0),
    "mass_g": (0.05, 200.0),
    "berries_planned": (1.0, 100_000.0),
}


def possible(name: str, value: float) -> float:
    """Return a value that is possible under a name; a ValueError says what is."""
    low, high = POSSIBLE[name]
    if not low <= value <= high:
        raise ValueError(f"{value:g} is no {name}: it lies from {low:g} to {high:g}")
    return value


def _need(condition: bool, what: str) -> None:
    if not condition:
        raise InvalidValueError(what)


@dataclass(frozen=True, kw_only=True, slots=True)
class Press:
    """One press on one berry, from rest to rest.

    Times are since the session began. The peak is the largest reading as the gauge showed it, not
    corrected for the baseline. The defaults are for a gauge that sends nothing but the peak.
    """

    t_start_s: float
    t_peak_s: float
    t_end_s: float
    peak_shown: str
    peak_unit: Unit
    peak_newton: float
    baseline_newton: float = 0.0  # level of the readings at rest before the press
    noise_newton: float = 0.0  # their robust standard deviation
    n_readings: int = 1
    n_ramp: int = 0  # readings on the ramp of loading
    rate_hz: float = 0.0
    loading_rate_newton_s: float = 0.0  # mean on the ramp
    sampling_loss_newton: float = 0.0  # the largest force that sampling can have missed at the peak
    flags: tuple[Flag, ...] = ()

    def __post_init__(self) -> None:
        _need(0 < self.peak_newton < math.inf, f"peak {self.peak_newton} N is no force")
        _need(
            self.t_start_s <= self.t_peak_s <= self.t_end_s,
            f"peak at {self.t_peak_s} s lies outside its press",
        )

    @property
    def peak(self) -> float:
        """The peak in the unit as shown."""
        return float(self.peak_shown)


@dataclass(frozen=True, kw_only=True, slots=True)
class TruncatedPress:
    """A press that was seen only in part (start, end or gap in it): never a berry."""

    t_s: float
    largest_newton: float
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorNotice:
    """What is amiss with the gauge or with how it is used, in a sentence with what to do."""

    t_s: float
    text: str
    no_berry: bool = False  # whether a berry that was pressed is not stored


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectorView:
    """What the detector knows now: "settling" (waiting for rest), "rest" or "press"; NaN: nothing.

    `largest_newton` is that of the press under way, `current_newton` the last reading.
    """

    state: str
    baseline_newton: float
    noise_newton: float
    current_newton: float
    largest_newton: float = math.nan


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """A clamshell, or any other set of berries measured together.

    `code` is what the tech sees on the plan, `blind_code` what is on the clamshell in blind work.
    """

    code: str
    blind_code: str | None = None
    crop: str | None = None
    selection: str | None = None
    plot: str | None = None
    replicate: str | None = None
    harvest_date: str | None = None
    storage_day: float | None = None
    storage_temp_c: float | None = None
    fruit_temp_c: float | None = None
    out_of_store_h: float | None = None
    clamshell: str | None = None
    site: str | None = None
    lot: str | None = None
    berries_planned: int | None = None
    plan_order: int | None = None
    cues: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _need(bool(self.code.strip()), "a sample needs a code")
        _need(
            self.berries_planned is None or self.berries_planned > 0,
            f"sample {self.code}: the number of berries must be 1 or more",
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Its code and, if it has one, its blind code."""
        return (self.code, self.blind_code) if self.blind_code else (self.code,)

    @property
    def due(self) -> date | None:
        """The day of its test: harvest plus storage day, 0 where none is planned."""
        picked = as_day(self.harvest_date)
        return picked and picked + timedelta(days=self.storage_day or 0)


def as_day(text: str | None) -> date | None:
    """Return the day of a time or date as in ISO 8601, None of any other text."""
    try:
        return date.fromisoformat((text or "")[:10])
    except ValueError:
        return None


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """A stretch of work at one gauge, for "berries", "verify", "anchors" or "practice".

    From the line format as TOML (a JSON string), the detector's version and its settings (JSON) the
    peaks can be derived again; `protocol` (JSON) is how berries were pressed, where not as usual.
    """

    started_at: str
    purpose: str = "berries"
    operator: str | None = None
    gauge: str | None = None
    gauge_serial: str | None = None
    head_mm: float | None = None
    capacity_newton: float | None = None
    port: str | None = None
    line_format: str | None = None
    note: str | None = None
    detector: str | None = None
    detector_settings: str | None = None
    format_text: str | None = None
    protocol: str | None = None

    def __post_init__(self) -> None:
        _need(
            self.purpose in {"berries", "verify", "anchors", "practice"},
            f"unknown purpose of a session: {self.purpose}",
        )
        for name, value in (("head_mm", self.head_mm), ("capacity_newton", self.capacity_newton)):
            _need(value is None or value > 0, f"{name} must be above zero")


@dataclass(frozen=True, kw_only=True, slots=True)
class FingerScore:
    """One rater's score of one berry; `occasion` counts repeated scorings of the same berry.

    `squeeze_order` says when in the row of squeezes of that berry this rater came, from 1 on.
    """

    rater: str
    score: str
    occasion: int = 1
    at: str | None = None
    squeeze_order: int | None = None

    def __post_init__(self) -> None:
        _need(bool(self.rater.strip()), "a finger score needs a rater")
        _need(bool(self.score.strip()), "a finger score needs a score")
        _need(self.occasion >= 1, "occasions count from 1")
        _need(self.squeeze_order is None or self.squeeze_order >= 1, "squeezes count from 1")
