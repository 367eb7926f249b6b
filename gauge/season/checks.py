"""Check weights of a season: the last check, what checks say of peaks, and the control chart.

The picture is drawn in gauge.verify.chart.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from typing import TYPE_CHECKING

from gauge.csvsheet import name_key
from gauge.errors import InvalidValueError
from gauge.plaintext import plural
from gauge.records import Flag, Session
from gauge.season.rows import CertificateRow, SessionRow, VerificationRow

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile

# Expected range of two normal deviates over their standard deviation, to the three decimals of
# the printed tables (exactly 2/sqrt(pi) = 1.128379), so that limits equal the textbooks'.
D2_OF_TWO = 1.128
# results; the first that passed set the limits, so that a later drift cannot widen them
N_BASE = 10
_BEYOND = 1.2  # times the heaviest check weight; common practice, no source


# --- the last check -------------------------------------------------------------------------------


def last_check(
    rows: Iterable[VerificationRow],
    *,
    gauge: str | None = None,
    gauge_serial: str | None = None,
    passed: bool = False,
) -> VerificationRow | None:
    """Return the last verification of a gauge, of all or of those `passed`; None without one.

    The rows are those of the season, oldest first. Where both sides have a serial number it
    decides, else the name; with neither, verifications of any gauge count.
    """
    ours = [row for row in rows if _is_of(row, gauge, gauge_serial)]
    return next((row for row in reversed(ours) if row.passed or not passed), None)


def _is_of(row: VerificationRow | Session, gauge: str | None, gauge_serial: str | None) -> bool:
    if gauge_serial and row.gauge_serial:
        return name_key(gauge_serial) == name_key(row.gauge_serial)
    if gauge and row.gauge:
        return name_key(gauge) == name_key(row.gauge)
    return not (gauge or gauge_serial)


def known_capacity(
    rows: Iterable[SessionRow], *, gauge: str | None = None, gauge_serial: str | None = None
) -> float | None:
    """Return the capacity (N) last stated of a gauge in a season; None if it never was.

    Sessions of gauges without name and serial number count for one without, and for no other.
    """
    named = bool(gauge or gauge_serial)
    capacity = None
    for one in (row.session for row in rows):
        ours = _is_of(one, gauge, gauge_serial) and named == bool(one.gauge or one.gauge_serial)
        capacity = (ours and one.capacity_newton) or capacity
    return capacity


def check_warning(
    rows: Iterable[VerificationRow],
    *,
    days: float,
    now: datetime | None = None,
    gauge: str | None = None,
    gauge_serial: str | None = None,
) -> str | None:
    """Say what is wrong with the last verification of a gauge; None if nothing is.

    `days` is the lab's own limit of age; the rest is as in `last_check`, but that a gauge with
    neither name nor serial number is unchecked.
    """
    rows = list(rows)
    if rows and not (gauge or gauge_serial):
        return (
            "The gauge has no name here, so no check is known to be of it: name it by --gauge or "
            "--serial-number, in gauge log and in gauge verify."
        )
    last = last_check(rows, gauge=gauge, gauge_serial=gauge_serial)
    if last is None:
        return "This gauge was never checked against weights in this season: gauge verify."
    if not last.passed:
        return (
            f"This gauge FAILED its last check ({last.at[:10]}): do not trust its forces until "
            "gauge verify passes."
        )
    age = ((now or datetime.now(UTC)) - _time(last.at)).total_seconds() / 86400
    if age > days:
        old = plural(round(age), "day")
        return f"The gauge's last good check is {old} old, limit {days:g}: gauge verify."
    return None


def overdue(rows: Iterable[CertificateRow], today: date | None = None) -> list[str]:
    """Say which certificates are past their due date.

    Examples
    --------
    >>> row = CertificateRow(kind="gauge", name="7", number="K-118", issued_on="2025-03-01",
    ...                      due_on="2026-03-01")
    >>> overdue([row], date(2026, 3, 2))
    ['Overdue: certificate K-118 of the gauge, issued 2025-03-01, due 2026-03-01.']
    """
    day = (today or date.today()).isoformat()
    return [f"Overdue: {row.words()}." for row in rows if row.due_on and row.due_on < day]


# --- what checks say of peaks ---------------------------------------------------------------------


def check_flags(peak_newton: float, at: str, checks: Sequence[VerificationRow]) -> tuple[Flag, ...]:
    """Return the doubts that the checks of its gauge, oldest first, cast on a peak.

    The last good check before the peak counts, and the one next to that, which may have come after
    the peak; a gauge that was never checked casts none.
    """
    before = [i for i, row in enumerate(checks) if row.passed and _time(row.at) <= _time(at)]
    good = before[-1] if before else -1
    flags = []
    if good >= 0:
        heaviest = max((step.expected_newton for step in checks[good].checkweights), default=0.0)
        if 0 < _BEYOND * heaviest < peak_newton:
            flags.append(Flag.BEYOND_THE_WEIGHTS)
    if good + 1 < len(checks) and not checks[good + 1].passed:
        flags.append(Flag.UNCHECKED)
    return tuple(flags)


def peak_flags(season: SeasonFile) -> dict[int, tuple[str, ...]]:
    """Return the flags of each peak by its berry: those stored, and what checks say of it now."""
    checks = season.verifications()
    # Imported peaks were pressed on a gauge that nobody checked here; a session of 0.1.0, which
    # names no detector, answers as it did.
    ours = {
        row.session_id: [c for c in checks if _is_of(c, one.gauge, one.gauge_serial)]
        for row in season.sessions()
        if (one := row.session).detector is not None
    }
    found = {}
    names = ("berry_id", "session_id", "at", "peak_n", "flags")
    for berry_id, session_id, at, newton, stored in zip(
        *season.columns("peaks", names).values(), strict=True
    ):
        doubts = check_flags(newton, at, ours.get(session_id, ()))
        found[berry_id] = (*json.loads(stored), *doubts)
    return found


@lru_cache
def _time(at: str) -> datetime:
    time = datetime.fromisoformat(at)
    return time if time.tzinfo else time.replace(tzinfo=UTC)


# --- the control chart ----------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckPoint:
    """One result on one mass: its day, its error in percent of the force, the lab's tolerance."""

    at: str
    error_pct: float
    tolerance_pct: float

    @property
    def failed(self) -> bool:
        """Whether the error is larger than the tolerance."""
        return abs(self.error_pct) > self.tolerance_pct


@dataclass(frozen=True, kw_only=True, slots=True)
class Individuals:
    """Individuals chart: centre and limits of the values."""

    centre: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Ewma:
    """EWMA chart: smoothed values, limits for each, and the positions of those `outside`."""

    smoothed: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    outside: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlChart:
    """Control chart of the errors on one mass.

    Positions count from 0. `base` and `smooth` are None with fewer than two results that passed;
    `smooth` has one value for each position in `run`, the results that passed.
    """

    run: tuple[int, ...]
    failed: tuple[int, ...]
    outside: tuple[int, ...]
    base: Individuals | None
    smooth: Ewma | None


def points_by_mass(rows: Iterable[VerificationRow]) -> dict[str, list[CheckPoint]]:
    """Return the results on each mass, oldest first; a weight that was never read has none."""
    series: dict[str, list[CheckPoint]] = {}
    for row in rows:
        for weight in row.result["weights"]:
            if weight["error_pct"] is not None:
                point = CheckPoint(
                    at=row.at[:10],
                    error_pct=weight["error_pct"],
                    tolerance_pct=row.tolerance_pct,
                )
                series.setdefault(weight["mass"], []).append(point)
    return series


def control_chart(points: Sequence[CheckPoint]) -> ControlChart:
    """Compute the control chart of one mass: individuals, and EWMA of weight 0.2.

    The first ten results that passed set centre and limits. A result that failed belongs to no run
    of results: the gauge was repaired before the next one.
    """
    failed = tuple(i for i, point in enumerate(points) if point.failed)
    run = tuple(i for i, point in enumerate(points) if not point.failed)
    if len(run) < 2:
        return ControlChart(run=run, failed=failed, outside=(), base=None, smooth=None)
    errors = [points[i].error_pct for i in run]
    base = individuals(errors[:N_BASE])
    smooth = ewma(errors, target=base.centre, sigma=(base.high - base.centre) / 3)
    beyond = {i for i, error in enumerate(errors) if not base.low <= error <= base.high}
    outside = tuple(run[i] for i in sorted(beyond | set(smooth.outside)))
    return ControlChart(run=run, failed=failed, outside=outside, base=base, smooth=smooth)


def individuals(values: Sequence[float]) -> Individuals:
    """Compute an individuals chart with 3-sigma limits from the mean moving range.

    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    if len(values) < 2:
        raise InvalidValueError(
            "a control chart needs two results or more.", todo="Verify the gauge again first."
        )
    ranges = [abs(b - a) for a, b in itertools.pairwise(values)]
    centre = math.fsum(values) / len(values)
    width = 3 * math.fsum(ranges) / len(ranges) / D2_OF_TWO
    return Individuals(centre=centre, low=centre - width, high=centre + width)


def ewma(
    values: Sequence[float],
    *,
    target: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
) -> Ewma:
    """Compute an exponentially weighted moving average chart.

    The average starts at `target`, where the series should be; `sigma` is the standard deviation
    of one value, `weight` that of the newest, and the limits are `width` standard deviations of the
    average wide to each side, exact from the first value on. NIST/SEMATECH e-Handbook, 6.3.2.4;
    Montgomery, Introduction to Statistical Quality Control, chapter 9 (exact limits).
    """
    if not 0 < weight <= 1 or sigma < 0:
        raise InvalidValueError("the weight lies above 0 and up to 1, sigma is not negative.")
    smoothed, low, high, z = [], [], [], target
    for i, value in enumerate(values, start=1):
        z = weight * value + (1 - weight) * z
        grown = -math.expm1(2 * i * math.log1p(-weight)) if weight < 1 else 1.0
        half = width * sigma * math.sqrt(weight / (2 - weight) * grown)
        smoothed.append(z)
        low.append(target - half)
        high.append(target + half)
    return Ewma(
        smoothed=tuple(smoothed),
        low=tuple(low),
        high=tuple(high),
        outside=tuple(i for i, z in enumerate(smoothed) if not low[i] <= z <= high[i]),
    )
