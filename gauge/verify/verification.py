"""One verification, from what is received to the stored result."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from contextlib import closing

from gauge.errors import NothingReceivedError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Chunk, Gap, Session
from gauge.season.file import SeasonFile
from gauge.season.rows import CheckweightRow
from gauge.verify.checkweight import CheckResult, CheckSettings, judge
from gauge.verify.plateau import WeightWatch

_KEEP_EVERY_NS = 1_000_000_000  # ns; chunks are stored together
_ZERO_WITHIN_S = 15.0  # s after the last weight; the zero is not awaited any longer


def verify(
    items: Iterable[Chunk | Gap],
    *,
    fmt: LineFormat,
    season: SeasonFile,
    session: Session,
    settings: CheckSettings,
    report: Callable[[WeightWatch, CheckweightRow | None], None] = lambda watch, reading: None,
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
    watch = WeightWatch(settings, **({"window_s": 0.0} if fmt.mode == "button" else {}))
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
        settings,
        resolution_newton=watch.resolution_newton,
        warnings=watch.warnings,
    )
    season.add_verification(
        result.document(),
        watch.readings,
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
    report: Callable[[WeightWatch, CheckweightRow | None], None],
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
