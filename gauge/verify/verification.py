"""One verification from what was heard to the stored verdict.

Ties framing, plateau, checkweight and the season file together. No port is opened and nothing is
printed here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
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

_KEEP_EVERY_NS = 1_000_000_000
_ZERO_WITHIN_S = 15.0  # after the last weight, the zero is not waited for any longer


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckSettings:
    """What is hung, where, and how it is judged.

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
                    f"{mass.shown} pulls with {force_newton:.4g} N, more than the gauge's capacity of "
                    f"{self.capacity_newton:.4g} N.",
                    todo="Do not hang it: an overload can ruin the cell. Use a lighter weight.",
                )


def verify(
    heard: Iterable[Chunk | Gap],
    *,
    fmt: LineFormat,
    season: SeasonFile,
    session: Session,
    settings: CheckSettings,
    tell: Callable[[WeightWatch, StableReading | None], None] = lambda watch, step: None,
) -> tuple[CheckResult, bool]:
    """Run one verification and store it with its capture.

    Parameters
    ----------
    heard : iterable of Chunk or Gap
        An empty chunk says that time passed in silence.
    fmt : LineFormat
    season : SeasonFile
    session : Session
    settings : CheckSettings
    tell : callable, optional
        Called with the watch at the start (step None) and after every stable reading.

    Returns
    -------
    verdict : CheckResult
    complete : bool
        False if the line ended or time ran out before all weights had been read. The verdict,
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
    kept: list[Chunk] = []
    n_readings, since_s = 0, 0.0
    tell(watch, None)
    try:
        for item in heard:
            if isinstance(item, Gap):
                season.keep_gap(session_id, item)
                framer.gap()
                watch.gap()
                if watch.weighed:
                    break
                continue
            if item.data:
                kept.append(item)
                if item.t_ns - kept[0].t_ns >= _KEEP_EVERY_NS:
                    season.keep_chunks(session_id, kept)
                    kept = []
                readings = framer.feed(item.t_ns, item.data)
                n_readings += len(readings)
                for step in watch.feed(readings):
                    since_s = item.t_ns / 1e9
                    tell(watch, step)
            waited_s = item.t_ns / 1e9 - since_s
            if watch.done or waited_s > settings.timeout_s:
                break
            if watch.weighed and waited_s > _ZERO_WITHIN_S:
                break
    finally:
        season.keep_chunks(session_id, kept)
        season.end_session(session_id)
    if not n_readings:
        raise NothingReceivedError(
            f"no reading was heard on {session.port or session.note or 'the line'} that line "
            f"format {fmt.name} can read.",
            todo="Check cable, power and format; gauge learn makes a new format.",
        )
    verdict = judge(
        watch.steps,
        settings.masses,
        settings.gravity,
        resolution_newton=watch.resolution_newton,
        tolerance_pct=settings.tolerance_pct,
        weight_class=settings.weight_class,
        warnings=watch.warnings,
    )
    season.add_verification(
        gravity_m_s2=verdict.gravity.m_s2,
        gravity_from=verdict.gravity.source,
        tolerance_pct=verdict.tolerance_pct,
        passed=verdict.passed,
        result=verdict.document(),
        checkweights=_rows(watch.steps),
        session_id=session_id,
        gauge=session.gauge,
        gauge_serial=session.gauge_serial,
        at=session.started_at,
    )
    return verdict, watch.weighed


def _rows(steps: Sequence[StableReading]) -> list[CheckweightRow]:
    return [
        CheckweightRow(
            kind=step.kind,
            mass_shown=None if step.mass is None else step.mass.shown,
            mass_g=None if step.mass is None else step.mass.g,
            expected_newton=step.expected_newton,
            reading_shown=step.shown,
            reading_unit=step.unit,
            reading_newton=step.reading_newton,
        )
        for step in steps
    ]
