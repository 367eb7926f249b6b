"""Turns what a gauge sends into acknowledged berries, one transaction each.

Chunks and gaps go in, events come out, for `gauge log` and `gauge replay` alike, with or without a
season file. Only this module of the room uses the detector. No port is opened, nothing is printed.
"""

from __future__ import annotations

import contextlib
import json
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, replace
from statistics import median

from gauge.detect.buttonpeaks import detector_for
from gauge.detect.settings import DETECTOR_VERSION, DetectorSettings
from gauge.errors import InvalidValueError, LockedSeasonError, NoSuchRecordError
from gauge.plaintext import plural
from gauge.protocol.formatfile import dump_format
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import (
    Chunk,
    DetectorNotice,
    DetectorView,
    FingerScore,
    Flag,
    Gap,
    LineLost,
    Press,
    Session,
    TruncatedPress,
)
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow
from gauge.session.berrystore import BerryStore
from gauge.session.events import BerryLogged, Event, notice
from gauge.session.forcetrace import ForceTrace
from gauge.session.pendingberry import PendingBerry
from gauge.session.silence import SilenceWatch
from gauge.sheets.squeezes import SqueezePlan, Turns

__all__ = [
    "DETECTOR_VERSION", "OWN_GAPS", "BerryRecorder", "DetectorSettings", "rederivable",
]  # fmt: skip

_WRITE_EVERY_NS = 1_000_000_000  # ns; bytes received are in the season file at the latest then
_TINY_SHARE = 0.05  # of the usual peak of the sample; so low is hardly a berry, but kept
_UNREAD = 1000  # lines; the times of the last so many that could not be read are kept
# Reasons of gaps that the tech makes.
PAUSED, CHANGED = OWN_GAPS = ("paused", "the sample was changed")
UNDONE = "taken back at the gauge"  # stands in the trail


def rederivable(
    session: Session, fmt: LineFormat, settings: DetectorSettings | None = None
) -> Session:
    """Return a session that says how its peaks can be derived again from what is received."""
    return replace(
        session,
        line_format=fmt.name,
        format_text=json.dumps(dump_format(fmt)),
        detector=DETECTOR_VERSION,
        detector_settings=json.dumps(asdict(settings or DetectorSettings())),
    )


class BerryRecorder:
    r"""Turn chunks into stored berries of a sample.

    Without a `season`, nothing is stored and berries are numbered from 1; with one, `session_id`
    and `sample` are needed.

    Parameters
    ----------
    raters : sequence of str, optional
        Whose finger score each berry needs before its force is shown.
    squeezers : sequence of str, optional
        Who squeezes berries: `raters`, or those whose scores come in otherwise; None where nobody
        can say who is next.
    n_required : int, optional
        `done` after so many berries of the sample.

    Of the berries in this session that are not void, `logged` are those of the open sample, oldest
    first (also where another one was open between), and `n_logged` counts those of all samples;
    `lost` and `paused_ns` say since when the line is down, or the tech pauses.

    Examples
    --------
    >>> from gauge.protocol.formatfile import shipped_format
    >>> recorder = BerryRecorder(shipped_format("number-unit"))
    >>> recorder.feed(Chunk(0, b"0.00 N\r\n"))
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
        squeezers: Sequence[str] | None = None,
        n_required: int | None = None,
        settings: DetectorSettings | None = None,
    ) -> None:
        self.fmt, self.season, self.session_id, self.sample = fmt, season, session_id, sample
        self.n_required = n_required
        self._settings = settings or DetectorSettings()
        self._detector = detector_for(fmt.mode, self._settings)
        self.framer = Framer(fmt)
        self.silence = SilenceWatch()
        self.trace = ForceTrace()
        self._logged: defaultdict[int | None, list[BerryLogged]] = defaultdict(list)  # by sample
        self.n_logged = 0
        self.lost: LineLost | None = None
        self.paused_ns: int | None = None
        self.pending = PendingBerry(raters)
        self._squeezers = raters or squeezers
        # Berries that a locked season file did not take yet, oldest first.
        self._unstored: deque[BerryLogged] = deque()
        self._delay_reported = False
        self._store = BerryStore(season, session_id)
        self._written_ns = 0
        self._unread_s: deque[float] = deque(maxlen=_UNREAD)
        # While the tech pauses: only reports presses; nothing of them is stored.
        self._unheeded = self._detector, self.framer
        self._undo: list[Callable[[], str]] = []  # what `undo` can take back, newest last
        self.plan_turns()

    @property
    def view(self) -> DetectorView:
        """What the screens show of the press under way."""
        return self._detector.view

    @property
    def logged(self) -> list[BerryLogged]:
        """The berries of the open sample in this session that are not void, oldest first."""
        return self._logged[self.sample.sample_id if self.sample else None]

    @property
    def done(self) -> bool:
        """Whether the required number of berries is stored."""
        return self._full(0)

    def _full(self, n_more: int) -> bool:
        """Whether all required berries are there, with so many that are not stored yet."""
        return self.n_required is not None and len(self.logged) + n_more >= self.n_required

    @property
    def missing(self) -> tuple[str, ...]:
        """Raters whose score of the next berry is not in yet."""
        return self.pending.missing

    @property
    def delayed(self) -> bool:
        """Whether a berry waits for the season file, which another program holds."""
        return bool(self._unstored)

    @property
    def next_number(self) -> int:
        """The number that the next berry will bear in its sample."""
        return self._store.next_number(self.sample) or len(self.logged) + 1

    def plan_turns(self) -> None:
        """Look up who squeezes the next berry, unless somebody did already."""
        self._planned = not self.pending.untouched
        if not self._planned:
            self.pending.turns = self._every_rater
            with contextlib.suppress(LockedSeasonError):  # then `tick` tries again
                self.pending.turns = self._turns(self.next_number + len(self._unstored))
                self._planned = True

    @property
    def _every_rater(self) -> Turns:
        return Turns(raters=tuple(self._squeezers or ()))

    def _turns(self, number: int) -> Turns:
        if self.season is None or self.sample is None or self._squeezers is None:
            return self._every_rater
        plan = SqueezePlan.of(self.season.setting("squeezes"))
        return plan.turns(self._squeezers, self.sample.sample_id, number)

    @property
    def turns(self) -> str:
        """Who squeezes the next berry, in words; empty where that needs no words."""
        return self.pending.turns.words(self.next_number)

    # --- what the gauge sends -----------------------------------------------------------------

    def feed(self, item: Chunk | Gap | LineLost) -> list[Event]:
        """Take what was received, or that the line was lost.

        Where the disk refuses (`StorageFailedError`), nothing that was acknowledged is lost.
        """
        if isinstance(item, LineLost):
            self.lost = item
            return [*self._interrupt(item.t_ns, item.reason), item]
        if isinstance(item, Gap):
            events = [] if self.lost else self._interrupt(item.from_ns, item.reason)
            self.lost = None
            return [*events, *self._end_gap(item)]
        if not item.data:
            return []
        if self.paused_ns is not None:
            detector, framer = self._unheeded
            found = detector.feed(framer.feed(item.t_ns, item.data))
            why = "logging is paused. Press p to go on, then press that berry again"
            return [notice("refused", why=why) for press in found if isinstance(press, Press)]
        self._store.add_chunk(item)
        rejected = self.framer.counts.rejected
        readings = self.framer.feed(item.t_ns, item.data)
        self.silence.receive(item.t_ns, len(item.data), readable=bool(readings))
        self.trace.see(readings)
        found = self._detector.feed(readings) if readings else []
        if unreadable := self.framer.counts.rejected - rejected:
            self._unread_s.extend([item.t_ns / 1e9] * unreadable)
            found += self._detector.unreadable(item.t_ns / 1e9, unreadable)
        return self._take(found)

    def tick(self, now_ns: int) -> list[Event]:
        """Let time pass: write what is pending once a second, and report silence."""
        events = self._store_berries()
        if not self._planned:
            self.plan_turns()
        if self._store.pending and now_ns - self._written_ns >= _WRITE_EVERY_NS:
            self._store.write_if_free()
            self._written_ns = now_ns
        if self.lost is None and self.paused_ns is None:
            silence = self.silence.report(now_ns, continuous=self.fmt.mode != "button")
            events += [silence] if silence else []
        return events

    def close(self) -> list[Event]:
        """End the session: a press under way is no berry, all else is stored."""
        events = self._take(self._detector.close()) + self._drop_press()
        while self._unstored:
            events += self._store_berries(last=True)
        self._store.write()
        if self.season is not None and self.session_id is not None:
            self.season.end_session(self.session_id)
        return events

    def _interrupt(self, t_ns: int, reason: str) -> list[Event]:
        """End the line and the press under way at a time from which bytes may be missing."""
        self.framer.gap()
        return self._take(self._detector.gap(t_ns / 1e9, reason))

    def _end_gap(self, gap: Gap) -> list[Event]:
        """Store a gap that is over."""
        self.framer.gap(gap.to_ns)
        self.silence.line_back(gap.to_ns)
        self._store.add_gap(gap)
        return [gap]

    # --- what the tech does -------------------------------------------------------------------

    def pause(self, now_ns: int) -> list[Event]:
        """Ignore the gauge; what it sends until `resume` is a gap."""
        events = self._interrupt(now_ns, PAUSED)
        self._store.write()
        self.paused_ns = now_ns
        self._unheeded = detector_for(self.fmt.mode, self._settings), Framer(self.fmt)
        return events

    def resume(self, now_ns: int) -> list[Event]:
        """Record again."""
        assert self.paused_ns is not None
        gap = Gap(self.paused_ns, now_ns, PAUSED)
        self.paused_ns = None
        return self._end_gap(gap)

    def score(self, rater: str, label: str) -> list[Event]:
        """Take a finger score of the next berry, if rater and label are known."""
        if self.pending.turns.press_only:
            raise InvalidValueError(f"{self.turns}.")
        if rater not in self.pending.raters:
            raise InvalidValueError(
                f"'{rater}' scores no berries here.",
                todo=f"Raters: {', '.join(self.pending.raters)}.",
            )
        labels = self._file.labels
        if label not in labels:
            raise InvalidValueError(
                f"'{label}' is not a score of this season.", todo=f"Use one of {', '.join(labels)}."
            )
        self.pending.score(rater, label)
        self._undo.append(self.take_back_score)
        return self._store_scored()

    def take_back_score(self) -> str:
        """Take back the last score of the next berry and say so; empty if it has none."""
        rater = self.pending.take_back()
        return f"The score of {rater} is taken back." if rater else ""

    def discard_press(self, *, scores: bool) -> None:
        """Drop the press that waits for its scores; with `scores`, those given too."""
        self.pending.drop_press()
        if scores:
            self.pending.clear()
            self.plan_turns()

    def void_last(self, why: str, berry: BerryLogged | None = None) -> BerryLogged:
        """Void the last berry (its number is free again), or `berry`, the last when asked why."""
        last = berry or self._last()
        season = self._file
        season.void(last.berry_id, why)
        logged = self.logged
        place = logged.index(last)
        logged.remove(last)
        self.n_logged -= 1
        self.plan_turns()

        def take_back() -> str:
            again = replace(last, number=season.take_back_void(last.berry_id, UNDONE))
            logged.insert(place, again)
            self.n_logged += 1
            self.plan_turns()
            return f"Berry {again.number} counts again."

        self._undo.append(take_back)
        return last

    def score_last(self, rater: str, label: str, berry: BerryLogged | None = None) -> None:
        """Add a finger score to the last berry (or `berry`), whose force was seen already."""
        last = berry or self._last()
        season = self._file
        if last.press_only:
            raise InvalidValueError(f"berry {last.number} was pressed without a squeeze.")
        places = {mark: place for place, mark in enumerate(self._turns(last.number).marks, 1)}
        occasion = next((n for name, n in self._unscored(last) if name == rater), 1)
        place = places.get((rater, occasion))
        mark = FingerScore(rater=rater, score=label, occasion=occasion, squeeze_order=place)
        season.add_scores([(last.berry_id, mark)])
        self.logged[self.logged.index(last)] = replace(last, scores=(*last.scores, mark))
        self._undo_score(last, mark)

    @property
    def lacking(self) -> list[tuple[str, int]]:
        """Squeezes of the last berry without a score, while nothing has come of the next.

        None where scores are not asked for.
        """
        asked = self.missing and self.pending.untouched
        return self._unscored(self.logged[-1]) if asked and self.logged else []

    def _unscored(self, berry: BerryLogged) -> list[tuple[str, int]]:
        given = {(mark.rater, mark.occasion) for mark in berry.scores}
        return [mark for mark in self._turns(berry.number).marks if mark not in given]

    def _undo_score(self, berry: BerryLogged, mark: FingerScore) -> None:
        """Let `undo` take back a score that is stored."""
        logged, rater, occasion = self.logged, mark.rater, mark.occasion

        def take_back() -> str:
            self._file.correct_score(berry.berry_id, rater, None, UNDONE, occasion=occasion)
            # It is there: where it was voided since, that was taken back first.
            place = [one.berry_id for one in logged].index(berry.berry_id)
            scores = [s for s in logged[place].scores if (s.rater, s.occasion) != (rater, occasion)]
            logged[place] = replace(logged[place], scores=tuple(scores))
            return f"The score of {rater} for berry {berry.number} is taken back."

        self._undo.append(take_back)

    def correct_score(self, rater: str, label: str, occasion: int = 1) -> BerryLogged:
        """Replace a rater's score of the last berry; the old one stays in the trail."""
        last = self._last()
        why = "corrected at the gauge"
        self._file.correct_score(last.berry_id, rater, label, why, occasion=occasion)
        scores = tuple(
            replace(s, score=label) if (s.rater, s.occasion) == (rater, occasion) else s
            for s in last.scores
        )
        self.logged[-1] = replace(last, scores=scores)
        return self.logged[-1]

    def note(self, text: str, berry: BerryLogged | None = None) -> None:
        """Store a note on the last berry (or `berry`), or on the session where there is none."""
        season = self._file
        berry = berry or (self.logged[-1] if self.logged else None)
        berry_id = berry.berry_id if berry else None
        note_id = season.add_note(text, session_id=self.session_id, berry_id=berry_id)

        def take_back() -> str:
            season.take_back_note(note_id, UNDONE)
            return f"The note '{text}' is taken back."

        self._undo.append(take_back)

    def undo(self) -> str:
        """Take back the last void, score or note of this session; say which it was."""
        while self._undo:
            done = self._undo[-1]()
            self._undo.pop()
            if done:  # else a score that was taken back before, or went into its berry
                return done
        raise NoSuchRecordError("nothing of this session can be taken back.")

    def change_sample(self, sample: SampleRow, now_ns: int, n_required: int | None) -> list[Event]:
        """Go on with another sample; a press under way, or one without its scores, is dropped."""
        if self._unstored:
            raise LockedSeasonError(
                "The last berry is not stored yet.",
                todo="Wait until it is, then change the sample.",
            )
        events = self._interrupt(now_ns, CHANGED) + self._drop_press()
        self._store.add_gap(Gap(now_ns, now_ns, CHANGED))
        self.sample = sample
        self.n_required = None if n_required is None else n_required + len(self.logged)
        self.pending.clear()
        self.plan_turns()
        return events

    def _drop_press(self) -> list[Event]:
        """Drop a press whose scores did not come: it was never stored."""
        if not self.pending.drop_press():
            return []
        who = ", ".join(self.missing)
        return [notice("refused", why=f"no score of {who} came; press that berry again")]

    @property
    def _file(self) -> SeasonFile:
        """The season file: nobody scores or voids without one."""
        assert self.season is not None
        return self.season

    def _last(self) -> BerryLogged:
        if not self.logged:
            raise NoSuchRecordError("no berry has been logged yet.", todo="Press one first.")
        return self.logged[-1]

    # --- storing ------------------------------------------------------------------------------

    def _take(self, found: Iterable[Press | TruncatedPress | DetectorNotice]) -> list[Event]:
        events: list[Event] = []
        for press in found:
            if isinstance(press, DetectorNotice):
                events.append(press)
            elif self._full(len(self._unstored)):
                why = "the sample was full. Open the next one, and press that berry again there"
                events.append(notice("refused", why=why))
            elif isinstance(press, TruncatedPress):
                events.append(press)
            elif self.pending.pressed:
                who = ", ".join(self.missing)
                events.append(notice("refused", why=f"the last berry still waits for {who}"))
            else:
                self.pending.press(press)
                if self.missing:
                    events.append(notice("scores missing", raters=", ".join(self.missing)))
                events += self._store_scored()
        return events

    def _store_scored(self) -> list[Event]:
        """Store the next berry if its press and scores are in."""
        berry = self.pending.take_complete()
        if berry is None:
            return []
        self._unstored.append(berry)
        events = self._store_berries()
        self.plan_turns()
        return events

    def _store_berries(self, *, last: bool = False) -> list[Event]:
        """Store whole berries, in order; one that cannot be stored yet stays pending."""
        events: list[Event] = []
        while self._unstored:
            try:
                berry = self._store.acknowledge(self.sample, self.next_number, self._unstored[0])
            except LockedSeasonError as error:
                if last:
                    raise
                if not self._delay_reported:
                    events.append(notice("not stored", why=error))
                self._delay_reported = True
                return events
            self._delay_reported = False
            self._unstored.popleft()
            self.logged.append(berry)
            self.n_logged += 1
            for mark in berry.scores:
                self._undo_score(berry, mark)
            events += [berry, *self._doubts(berry.press)]
        return events

    def _doubts(self, press: Press) -> list[Event]:
        """Return what the tech must know of a berry, beside its flags."""
        events: list[Event] = []
        capacity = self._settings.capacity_newton
        if capacity is not None and press.peak_newton > capacity:
            events.append(notice("too hard", peak=press.peak_newton, capacity=capacity))
        usual = median([berry.press.peak_newton for berry in self.logged])
        if press.peak_newton < _TINY_SHARE * usual:
            events.append(notice("tiny", peak=press.peak_newton, usual=usual))
        n_lines = sum(press.t_start_s <= t_s <= press.t_end_s for t_s in self._unread_s)
        if n_lines and Flag.PEAK_MAY_BE_HIGHER in press.flags:
            events.append(notice("unread in press", lines=plural(n_lines, "line")))
        return events
