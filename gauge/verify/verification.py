"""One verification, from what is received to the stored result."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from contextlib import closing

from gauge.errors import NothingReceivedError, StoppedError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Chunk, Gap, Session
from gauge.season.file import SeasonFile
from gauge.season.rows import CheckweightRow
from gauge.verify.checkweight import CheckResult, CheckSettings, judge
from gauge.verify.plateau import WeightWatch

Report = Callable[[WeightWatch, str | None, CheckweightRow | None], None]
_KEEP_EVERY_NS = 1_000_000_000  # ns; chunks are stored together
_ZERO_WITHIN_S = 15.0  # s after the last weight; the zero is not awaited any longer


def verify(
    items: Iterable[Chunk | Gap],
    fmt: LineFormat,
    season: SeasonFile,
    session: Session,
    settings: CheckSettings,
    *,
    report: Report = lambda watch, shown, reading: None,
) -> CheckResult:
    """Run one verification and store it with its capture.

    An empty chunk says that time passed in silence. `report` is called at the start and with
    whatever came: the watch, what the display shows (None where nothing was read) and a reading
    that was stable (or None).

    Raises
    ------
    NothingReceivedError
        If no line could be read at all; only the capture is kept then.
    StoppedError
        If the line ended or time ran out before all weights had been read, and none of those that
        were read is out: not finished is not failed. Only the capture is kept.
    """
    watch = WeightWatch(settings, **({"window_s": 0.0} if fmt.mode == "button" else {}))
    framer = Framer(fmt)
    session_id = season.add_session(session)
    report(watch, None, None)
    with closing(_kept(items, season, session_id)) as kept:
        _follow(kept, framer, watch, settings.timeout_s, report)
    if not framer.counts.readings:
        raise NothingReceivedError(
            f"no reading was received on {session.port or session.note or 'the line'} that line "
            f"format {fmt.name} can read.",
            todo="Check cable, power and format; gauge learn makes a new format.",
        )
    result = judge(
        watch.readings, settings, resolution_newton=watch.resolution_newton, warnings=watch.warnings
    )
    missing = [w.mass.shown for w in result.weights if w.error_pct is None]
    if missing and all(w.passed or w.error_pct is None for w in result.weights):
        raise StoppedError(
            f"the check was not finished: no stable reading on {', '.join(missing)} within "
            f"{settings.timeout_s:g} s. What was received is kept, and no result.",
            todo="This says nothing against the gauge. Run gauge verify again from the start.",
        )
    season.add_verification(
        result.document(),
        watch.readings,
        session_id=session_id,
        gauge=session.gauge,
        gauge_serial=session.gauge_serial,
        at=session.started_at,
    )
    return result


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
    report: Report,
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
        readings = framer.feed(item.t_ns, item.data)
        stable = watch.feed(readings)
        for reading in stable:
            since_s = item.t_ns / 1e9
            report(watch, f"{reading.reading_shown} {reading.reading_unit}", reading)
        if readings and not stable:
            report(watch, f"{readings[-1].shown} {readings[-1].unit}", None)
        waited_s = item.t_ns / 1e9 - since_s
        longest_s = min(timeout_s, _ZERO_WITHIN_S) if watch.weighed else timeout_s
        if watch.done or waited_s > longest_s:
            return
