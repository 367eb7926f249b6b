"""One verification, from what is received to the stored result."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from contextlib import closing
from dataclasses import dataclass

from gauge.errors import InvalidValueError, NothingReceivedError
from gauge.mass import Mass, class_limit_mg, expected_newton
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Chunk, Gap, Session
from gauge.season.file import SeasonFile
from gauge.season.rows import CheckweightRow
from gauge.verify.checkweight import CheckResult, StableReading, judge
from gauge.verify.gravity import Gravity
from gauge.verify.plateau import WeightWatch

_KEEP_EVERY_NS = 1_000_000_000  # ns; chunks are stored together
_ZERO_WITHIN_S = 15.0  # s after the last weight; the zero is not awaited any longer


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckSettings:
    """Which weights are hung, where, and how the gauge is judged.

    Attributes
    ----------
    masses : tuple of Mass
        In the order hung.
    gravity : Gravity
    tolerance_pct : float
    weight_class : str or None
    capacity_newton : float or None
        Of the gauge.
    timeout_s : float
        How long to wait for each stable reading.

    Raises
    ------
    InvalidValueError
        If a weight would pull harder than the gauge may bear, or has no place in its class.
    """

    masses: tuple[Mass, ...]
    gravity: Gravity
    tolerance_pct: float = 1.0
    weight_class: str | None = None
    capacity_newton: float | None = None
    timeout_s: float = 60.0

    def __post_init__(self) -> None:
        for mass in self.masses:
            if self.weight_class is not None:
                class_limit_mg(mass, self.weight_class)
            force_newton = expected_newton(mass, self.gravity.m_s2)
            if self.capacity_newton is not None and force_newton > self.capacity_newton:
                raise InvalidValueError(
                    f"{mass.shown} pulls with {force_newton:.4g} N, more than the gauge's "
                    f"capacity of {self.capacity_newton:.4g} N.",
                    todo="Do not hang it: an overload can ruin the cell. Use a lighter weight.",
                )


def verify(
    items: Iterable[Chunk | Gap],
    *,
    fmt: LineFormat,
    season: SeasonFile,
    session: Session,
    settings: CheckSettings,
    report: Callable[[WeightWatch, StableReading | None], None] = lambda watch, reading: None,
) -> tuple[CheckResult, bool]:
    """Run one verification and store it with its capture.

    Parameters
    ----------
    items : iterable of Chunk or Gap
        What is received; an empty chunk says that time passed in silence.
    fmt : LineFormat
    season : SeasonFile
    session : Session
    settings : CheckSettings
    report : callable, optional
        Called with the watch at the start (reading None) and after every stable reading.

    Returns
    -------
    result : CheckResult
    complete : bool
        False if the line ended or time ran out before all weights had been read. The result,
        which then is a failure, is stored all the same.

    Raises
    ------
    NothingReceivedError
        If no line could be read at all; only the capture is kept then.
    """
    watch = WeightWatch(
        settings.masses,
        settings.gravity.m_s2,
        tolerance_pct=settings.tolerance_pct,
        **({"window_s": 0.0} if fmt.mode == "button" else {}),
    )
    framer = Framer(fmt)
    session_id = season.add_session(session)
    report(watch, None)
    with closing(_kept(items, season, session_id)) as kept:
        _follow(kept, framer, watch, settings.timeout_s, report)
    if not framer.counts.readings:
        raise NothingReceivedError(
            f"no reading was received on {session.port or session.note or 'the line'} that line "
            f"format {fmt.name} can read.",
            todo="Check cable, power and format; gauge learn makes a new format.",
        )
    result = judge(
        watch.readings,
        settings.masses,
        settings.gravity,
        resolution_newton=watch.resolution_newton,
        tolerance_pct=settings.tolerance_pct,
        weight_class=settings.weight_class,
        warnings=watch.warnings,
    )
    season.add_verification(
        gravity_m_s2=result.gravity.m_s2,
        gravity_from=result.gravity.source,
        tolerance_pct=result.tolerance_pct,
        passed=result.passed,
        result=result.document(),
        checkweights=list(map(_row, watch.readings)),
        session_id=session_id,
        gauge=session.gauge,
        gauge_serial=session.gauge_serial,
        at=session.started_at,
    )
    return result, watch.weighed


def _kept(
    items: Iterable[Chunk | Gap], season: SeasonFile, session_id: int
) -> Generator[Chunk | Gap, None, None]:
    """Store what passes through, and end the session when it is closed."""
    kept: list[Chunk] = []
    try:
        for item in items:
            if isinstance(item, Gap):
                season.keep_gap(session_id, item)
            elif item.data:
                kept.append(item)
                if item.t_ns - kept[0].t_ns >= _KEEP_EVERY_NS:
                    season.keep_chunks(session_id, kept)
                    kept = []
            yield item
    finally:
        season.keep_chunks(session_id, kept)
        season.end_session(session_id)


def _follow(
    items: Iterable[Chunk | Gap],
    framer: Framer,
    watch: WeightWatch,
    timeout_s: float,
    report: Callable[[WeightWatch, StableReading | None], None],
) -> None:
    """Watch the weights until all were read, or one does not come in time."""
    since_s = 0.0
    for item in items:
        if isinstance(item, Gap):
            framer.gap()
            watch.gap()
            if watch.weighed:
                return
            continue
        for reading in watch.feed(framer.feed(item.t_ns, item.data)):
            since_s = item.t_ns / 1e9
            report(watch, reading)
        waited_s = item.t_ns / 1e9 - since_s
        longest_s = min(timeout_s, _ZERO_WITHIN_S) if watch.weighed else timeout_s
        if watch.done or waited_s > longest_s:
            return


def _row(reading: StableReading) -> CheckweightRow:
    """Make the row of the season file."""
    return CheckweightRow(
        kind=reading.kind,
        mass_shown=None if reading.mass is None else reading.mass.shown,
        mass_g=None if reading.mass is None else reading.mass.g,
        expected_newton=reading.expected_newton,
        reading_shown=reading.shown,
        reading_unit=reading.unit,
        reading_newton=reading.reading_newton,
    )
