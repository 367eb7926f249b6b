"""The use case of logging: what was heard becomes acknowledged berries, one transaction each.

Chunks and gaps go in, events come out. Used by `gauge log` and `gauge replay` alike, with or
without a season file. No port is opened here, and nothing is printed. The parts: framing makes
readings, compression makes presses, scoreslip binds scores to them, berrystore stores.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

from gauge.detect.buttonpeaks import detector_for
from gauge.detect.detectorsettings import DetectorSettings
from gauge.errors import InvalidValueError, LockedSeasonError, NoSuchRecordError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Chunk, Compression, CutPress, FingerScore, Gap
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow
from gauge.session.berrystore import BerryStore
from gauge.session.events import (
    BerryLogged,
    Event,
    LineGap,
    LineLost,
    PressCut,
    PressRefused,
    ScoresWanted,
    StoreDelayed,
)
from gauge.session.scoreslip import ScoreSlip
from gauge.session.silence import SilenceWatch

_KEEP_EVERY_NS = 1_000_000_000
PAUSED, CHANGED = OUR_GAPS = ("paused", "the sample was changed")
"""Reasons of gaps that the bench itself makes."""


class Logger:
    r"""Turn what is heard into stored berries of a sample.

    Parameters
    ----------
    fmt : LineFormat
    season : SeasonFile, optional
        Without one, nothing is stored and berries are numbered from 1.
    session_id : int, optional
    sample : SampleRow, optional
        Both needed with a season.
    raters : sequence of str, optional
        Whose finger score each berry needs before its force is shown.
    berries : int, optional
        `done` after so many.
    settings : DetectorSettings, optional

    Examples
    --------
    >>> from gauge.protocol.formatfile import shipped_format
    >>> logger = Logger(shipped_format("number-unit"))
    >>> logger.feed(Chunk(0, b"0.00 N\r\n"))
    []
    """

    def __init__(
        self,
        fmt: LineFormat,
        *,
        season: SeasonFile | None = None,
        session_id: int | None = None,
        sample: SampleRow | None = None,
        raters: Sequence[str] = (),
        berries: int | None = None,
        settings: DetectorSettings | None = None,
    ) -> None:
        self.fmt, self.season, self.session_id, self.sample = fmt, season, session_id, sample
        self.raters, self.berries = tuple(raters), berries
        self.detector = detector_for(fmt.mode, settings)
        self.framer = Framer(fmt)
        self.logged: list[BerryLogged] = []
        """Berries of this run that stand, oldest first; a voided one is taken out."""
        self.count = 0
        """Berries of the sample acknowledged in this run, voided ones not counted."""
        self.total = 0
        """The same of all samples of this run."""
        self.down: LineLost | None = None
        self.paused_ns: int | None = None
        self._slip = ScoreSlip(self.raters)
        self._due: deque[tuple[Compression, tuple[FingerScore, ...]]] = deque()
        self._told_delay = False
        self._store = BerryStore(season, session_id)
        self._kept_ns = 0
        self.silence = SilenceWatch()

    @property
    def done(self) -> bool:
        """Whether the wanted number of berries is stored."""
        return self.berries is not None and self.count >= self.berries

    @property
    def missing(self) -> tuple[str, ...]:
        """Raters whose score of the berry that is due is not in yet."""
        return self._slip.missing

    @property
    def holding(self) -> bool:
        """Whether a pressed berry waits for its finger scores."""
        return self._slip.holding

    @property
    def next_number(self) -> int:
        """The number that the next berry will bear in its sample."""
        return self._store.next_number(self.sample) or self.count + 1

    # --- what is heard ------------------------------------------------------------------------

    def feed(self, item: Chunk | Gap | LineLost) -> list[Event]:
        """Take what was heard, or that the line was lost.

        Raises
        ------
        StorageFailedError, LockedSeasonError
            The disk refused; nothing that was acknowledged is lost.
        """
        if isinstance(item, LineLost):
            self.down = item
            return [*self._interrupt(item.t_ns, item.reason), item]
        if isinstance(item, Gap):
            events = [] if self.down else self._interrupt(item.from_ns, item.reason)
            self.down = None
            self.framer.gap(item.to_ns)
            self.silence.back(item.to_ns)
            self._store.note_gap(item)
            return [*events, LineGap(gap=item)]
        if self.paused_ns is not None or not item.data:
            return []
        self._store.hear(item)
        readings = self.framer.feed(item.t_ns, item.data)
        self.silence.heard(item.t_ns, len(item.data), readable=bool(readings))
        return self._take(self.detector.feed(readings)) if readings else []

    def tick(self, now_ns: int) -> list[Event]:
        """Let time pass: keep what was heard at least once a second, and notice silence."""
        events = self._store_due()
        if self._store.pending and now_ns - self._kept_ns >= _KEEP_EVERY_NS:
            self._store.keep_if_free()
            self._kept_ns = now_ns
        if self.down is None and self.paused_ns is None:
            unasked = self.fmt.mode != "button"
            silence = self.silence.told(now_ns, speaks_unasked=unasked)
            events += [silence] if silence else []
        return events

    def close(self) -> list[Event]:
        """Take the end: a press under way is no berry; keep the rest and end the session."""
        events = self._take(self.detector.close()) + self._drop_held()
        while self._due:
            events += self._store_due(last=True)
        self._store.keep()
        if self.season is not None and self.session_id is not None:
            self.season.end_session(self.session_id)
        return events

    def _interrupt(self, t_ns: int, reason: str) -> list[Event]:
        self.framer.gap()
        return self._take(self.detector.gap(t_ns / 1e9, reason))

    # --- what the bench says ------------------------------------------------------------------

    def pause(self, now_ns: int) -> list[Event]:
        """Stop listening; what comes until `resume` is a gap."""
        events = self._interrupt(now_ns, PAUSED)
        self._store.keep()
        self.paused_ns = now_ns
        return events

    def resume(self, now_ns: int) -> list[Event]:
        """Listen again."""
        assert self.paused_ns is not None
        gap = Gap(self.paused_ns, now_ns, PAUSED)
        self.paused_ns = None
        self._store.note_gap(gap)
        self.silence.back(now_ns)
        self.framer.gap(now_ns)
        return [LineGap(gap=gap)]

    def score(self, rater: str, label: str) -> list[Event]:
        """Give a rater's finger score of the berry that is due.

        Raises
        ------
        InvalidValueError
            If the label is not on the season's scale, or the rater is not one of this session.
        """
        if rater not in self.raters:
            raise InvalidValueError(
                f"'{rater}' scores no berries here.", todo=f"Raters: {', '.join(self.raters)}."
            )
        if self.season is not None and label not in self.season.labels:
            raise InvalidValueError(
                f"'{label}' is not a score of this season.",
                todo=f"Use one of {', '.join(self.season.labels)}.",
            )
        self._slip.give(rater, label)
        return self._store_scored()

    def take_back(self) -> str | None:
        """Forget the finger score given last for the berry that is due; the rater, if any."""
        return self._slip.take_back()

    def void_last(self, why: str, berry: BerryLogged | None = None) -> BerryLogged:
        """Void the last berry of this run, or the one that was the last when it was asked about.

        The number of the last one is free again.

        Raises
        ------
        NoSuchRecordError
            If this run has no berry that stands.
        InvalidValueError
            If no reason is given.
        """
        last = berry or self._last()
        if self.season is not None and last.berry_id is not None:
            self.season.void(last.berry_id, why)
        self.logged.remove(last)
        self.count -= 1
        self.total -= 1
        return last

    def score_last(self, rater: str, label: str, berry: BerryLogged | None = None) -> None:
        """Add a finger score to the last berry (or `berry`), whose force was seen already."""
        last = berry or self._last()
        assert self.season is not None
        assert last.berry_id is not None
        self.season.add_scores([(last.berry_id, FingerScore(rater=rater, score=label))])

    def note(self, text: str, berry: BerryLogged | None = None) -> None:
        """Store a note on the last berry of this run (or `berry`), or on the session before it."""
        assert self.season is not None
        berry = berry or (self.logged[-1] if self.logged else None)
        berry_id = berry.berry_id if berry else None
        self.season.add_note(text, session_id=self.session_id, berry_id=berry_id)

    def change_sample(self, sample: SampleRow, now_ns: int, berries: int | None) -> list[Event]:
        """Go on with another sample; a press under way, or one without its scores, is dropped.

        Raises
        ------
        LockedSeasonError
            If a berry of the sample before could not be stored yet.
        """
        if self._due:
            raise LockedSeasonError(
                "The last berry is not stored yet.",
                todo="Wait until it is, then change the sample.",
            )
        events = self._interrupt(now_ns, CHANGED) + self._drop_held()
        self._store.note_gap(Gap(now_ns, now_ns, CHANGED))
        self.sample, self.berries = sample, berries
        self.logged, self.count = [], 0
        self._slip.clear()
        return events

    def _drop_held(self) -> list[Event]:
        """Give up a berry whose scores did not come: it was never stored."""
        if not self._slip.drop_press():
            return []
        who = ", ".join(self.missing)
        return [PressRefused(reason=f"no score of {who} came; press that berry again")]

    def _last(self) -> BerryLogged:
        if not self.logged:
            raise NoSuchRecordError("no berry has been logged yet.", todo="Press one first.")
        return self.logged[-1]

    # --- storing ------------------------------------------------------------------------------

    def _take(self, found: Iterable[Compression | CutPress]) -> list[Event]:
        events: list[Event] = []
        for press in found:
            if self.done:
                events.append(
                    PressRefused(reason="this sample has all the berries that were wanted")
                )
            elif isinstance(press, CutPress):
                events.append(PressCut(cut=press))
            elif self.holding:
                who = ", ".join(self.missing)
                events.append(PressRefused(reason=f"the last berry still waits for {who}"))
            else:
                self._slip.hold(press)
                wanted = [ScoresWanted(missing=self.missing)] if self.missing else []
                events += wanted or self._store_scored()
        return events

    def _store_scored(self) -> list[Event]:
        """Store the press whose scores are all in, if there is one."""
        berry = self._slip.complete()
        if berry is None:
            return []
        self._due.append(berry)
        return self._store_due()

    def _store_due(self, *, last: bool = False) -> list[Event]:
        """Store the berries that are due, in order; one that cannot be stored yet stays due."""
        events: list[Event] = []
        while self._due and not self.done:
            press, scores = self._due[0]
            try:
                berry = self._store.acknowledge(self.sample, self.next_number, press, scores)
            except LockedSeasonError as error:
                if last:
                    raise
                if not self._told_delay:
                    events.append(StoreDelayed(reason=str(error)))
                self._told_delay = True
                return events
            self._told_delay = False
            self._due.popleft()
            self.logged.append(berry)
            self.count += 1
            self.total += 1
            events.append(berry)
        self._due.clear()
        return events
