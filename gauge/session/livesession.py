"""One session at the gauge: port, season file, sample and recorder, held and released together.

Shared by the plain and the bench screen of `gauge log`. Nothing is printed here.
"""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from types import TracebackType
from typing import Self

from gauge.errors import FirmhandError
from gauge.port.claims import claim_sample
from gauge.port.portreader import PortReader
from gauge.protocol.lineformat import LineFormat
from gauge.records import Chunk, Gap, LineLost, Session
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow
from gauge.session.events import Event, notice
from gauge.session.recorder import BerryRecorder, DetectorSettings, rederivable

_WAIT_S = 0.1  # s; a screen looks at its keys at least so often
_SLICE_S = 0.2  # s; what has come is read for so long, then the screen has its turn
_BEHIND_S = 2.0  # s; reading later than this is reported, each time that it has doubled


class LiveSession:
    """A context manager: the sample is claimed and the session begun within it.

    The `reader` is started; `raters`, `squeezers` and `n_required` are as of `BerryRecorder`,
    `loading_rate_per_s` as of `DetectorSettings`; `timed_out` after `silent_stop_s` without a
    reading; `on_reading` is called once, when the first one has come.
    A sample that another logger holds is a `LockedSeasonError`.
    """

    def __init__(
        self,
        *,
        reader: PortReader,
        fmt: LineFormat,
        season: SeasonFile,
        sample: SampleRow,
        session: Session,
        raters: Sequence[str] = (),
        squeezers: Sequence[str] = (),
        n_required: int | None = None,
        loading_rate_per_s: tuple[float, float] | None = None,
        silent_stop_s: float | None = None,
        on_reading: Callable[[], None] | None = None,
    ) -> None:
        self.reader, self.season, self.silent_stop_s = reader, season, silent_stop_s
        self._on_reading = on_reading
        settings = DetectorSettings(
            loading_rate_per_s=loading_rate_per_s, capacity_newton=session.capacity_newton
        )
        begun = replace(session, started_at=reader.started_at, port=reader.port)
        self._session = rederivable(begun, fmt, settings)
        self._code = sample.sample.code
        self._begin = partial(
            BerryRecorder,
            fmt,
            season=season,
            sample=sample,
            raters=raters,
            squeezers=squeezers,
            n_required=n_required,
            settings=settings,
        )
        self._claim = contextlib.ExitStack()
        self._finished = False
        self._waiting: deque[Chunk | Gap | LineLost] = deque()
        self._reported_behind_s = 0.0
        self.recorder: BerryRecorder

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as claim:
            claim.enter_context(claim_sample(self.season.path, self._code))
            self.recorder = self._begin(session_id=self.season.add_session(self._session))
            self._claim = claim.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self.finish()
        except FirmhandError:
            if error is None:
                raise  # else the first error is the one to report
        finally:
            self._claim.close()

    @property
    def timed_out(self) -> bool:
        """Whether no reading came for `silent_stop_s`."""
        idle_s = self.recorder.silence.idle_s(self._now_ns)
        return self.silent_stop_s is not None and idle_s > self.silent_stop_s

    def poll(self, wait_s: float = _WAIT_S) -> list[Event]:
        """Return what happened since the last call; wait at most so long for something."""
        events = self._receive(0 if self._waiting else wait_s, _SLICE_S)
        events += self.recorder.tick(self._now_ns)
        behind_s = (self.reader.now_ns - self._now_ns) / 1e9
        if behind_s < _BEHIND_S:
            self._reported_behind_s = 0.0
        elif behind_s > 2 * self._reported_behind_s:
            self._reported_behind_s = behind_s
            events.append(notice("behind", seconds=behind_s))
        return events

    @property
    def _now_ns(self) -> int:
        """The time up to which all is read: where more comes than can be read, that lags behind."""
        return self._waiting[0][0] if self._waiting else self.reader.now_ns

    def finish(self) -> list[Event]:
        """Close the port, take what had come until then, and end the session."""
        if self._finished:
            return []
        self._finished = True
        self.reader.stop()
        return self._receive(0) + self.recorder.close()

    def _receive(self, wait_s: float, for_s: float = float("inf")) -> list[Event]:
        """Read what has come: one item at least, and more for so long at most."""
        self._waiting.extend(self.reader.get(wait_s))
        events: list[Event] = []
        until_s = time.monotonic() + for_s
        while self._waiting:
            events += self.recorder.feed(self._waiting.popleft())
            if time.monotonic() > until_s:
                break
        if self._on_reading is not None and self.recorder.framer.counts.readings:
            self._on_reading()
            self._on_reading = None
        return events

    def toggle_pause(self) -> list[Event]:
        """Ignore the gauge, or record again."""
        events = self._receive(0)
        if self.recorder.paused_ns is None:
            return events + self.recorder.pause(self.reader.now_ns)
        return events + self.recorder.resume(self.reader.now_ns)

    def change_sample(self, sample: SampleRow, n_required: int | None = None) -> list[Event]:
        """Go on with another sample, or stay with this one if another logger holds it."""
        with contextlib.ExitStack() as claim:
            claim.enter_context(claim_sample(self.season.path, sample.sample.code))
            # What came before comes first, as it will when the peaks are derived again.
            events = self._receive(0)
            events += self.recorder.change_sample(sample, self.reader.now_ns, n_required)
            self._claim.close()
            self._claim = claim.pop_all()
        return events
