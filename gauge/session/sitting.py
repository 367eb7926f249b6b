"""One sitting at the gauge: port, season file, sample and logger held together and let go in order.

Shared by the plain and the bench screen of `gauge log`. Nothing is printed here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import TracebackType
from typing import Self

from gauge.claims import claim_sample
from gauge.errors import FirmhandError
from gauge.port.portreader import PortLost, PortReader
from gauge.protocol.lineformat import LineFormat
from gauge.records import Session
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow
from gauge.session.events import Event, LineLost
from gauge.session.logger import Logger

_WAIT_S = 0.1


class Sitting:
    """A context manager: the sample is held and the session begun within it.

    Parameters
    ----------
    reader : PortReader
        Started, and made by `gauge.port.portreader.reader_for`.
    fmt : LineFormat
    season : SeasonFile
    sample : SampleRow
    session : Session
        Its `started_at`, port and line format are taken from the reader and the format.
    make_logger : callable
        Makes the logger from the id of the session.

    Raises
    ------
    LockedSeasonError
        On entry, if another logger holds the sample.
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
        berries: int | None = None,
        make_logger: Callable[..., Logger] = Logger,
    ) -> None:
        self.season = season
        self._fmt, self._sample, self._session = fmt, sample, session
        self._raters, self._berries, self._make_logger = raters, berries, make_logger
        self.reader = reader
        self._claim = contextlib.ExitStack()
        self._finished = False
        self.logger: Logger

    def __enter__(self) -> Self:
        self._claim.enter_context(claim_sample(self.season.path, self._sample.sample.code))
        try:
            session = replace(
                self._session,
                started_at=self.reader.started_at,
                port=self.reader.port,
                line_format=self._fmt.name,
            )
            self.logger = self._make_logger(
                self._fmt,
                season=self.season,
                session_id=self.season.add_session(session),
                sample=self._sample,
                raters=self._raters,
                berries=self._berries,
            )
        except BaseException:
            self._claim.close()
            raise
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
                raise  # else the first trouble is the one to tell of
        finally:
            self._claim.close()

    def poll(self, wait_s: float = _WAIT_S) -> list[Event]:
        """What happened since the last call; waits for something at most so long."""
        events = self._taken(wait_s)
        return events + self.logger.tick(self.reader.now_ns)

    def finish(self) -> list[Event]:
        """Close the port, take what had come until then, and end the session."""
        if self._finished:
            return []
        self._finished = True
        self.reader.stop()
        return self._taken(0) + self.logger.close()

    def _taken(self, wait_s: float) -> list[Event]:
        events: list[Event] = []
        for item in self.reader.get(wait_s):
            if isinstance(item, PortLost):
                events += self.logger.feed(LineLost(t_ns=item.t_ns, reason=item.reason))
            else:
                events += self.logger.feed(item)
        return events

    def change_sample(self, sample: SampleRow, berries: int | None = None) -> list[Event]:
        """Go on with another sample.

        Raises
        ------
        LockedSeasonError
            If another logger holds it; this sitting stays with the sample that it has.
        """
        with contextlib.ExitStack() as claim:
            claim.enter_context(claim_sample(self.season.path, sample.sample.code))
            events = self.logger.change_sample(sample, self.reader.now_ns, berries)
            self._claim.close()
            self._claim = claim.pop_all()
        return events
