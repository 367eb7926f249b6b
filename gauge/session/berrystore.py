"""Chunks, gaps and berries on their way into the season file, in order and none of them twice.

Without a season file nothing is kept. What is a berry is decided in the recorder.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from glob import escape as glob_escape
from itertools import count, zip_longest

from gauge.errors import AlreadyThereError, FirmhandError, LockedSeasonError, SeasonGoneError
from gauge.outfile import write_whole
from gauge.protocol.capture import write_capture
from gauge.records import Chunk, Gap
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow
from gauge.session.events import BerryLogged

# bytes; chunks are written at the latest then, because a replay runs faster than its clock
_FULL_BYTES = 1 << 18


class BerryStore:
    """Writes one session into its season file, or nothing where there is none."""

    def __init__(self, season: SeasonFile | None, session_id: int | None) -> None:
        self.season, self.session_id = season, session_id
        self._chunks: list[Chunk] = []
        self._gaps: list[Gap] = []
        self._n_bytes = 0
        self._gone: SeasonGoneError | None = None

    @property
    def pending(self) -> bool:
        """Whether chunks or gaps are not in the file yet."""
        return bool(self._chunks or self._gaps)

    def add_chunk(self, chunk: Chunk) -> None:
        """Take a chunk; it is in the file after the next `write` or `acknowledge`."""
        self._chunks.append(chunk)
        self._n_bytes += len(chunk.data)
        if self._n_bytes > _FULL_BYTES:
            self.write_if_free()

    def add_gap(self, gap: Gap) -> None:
        """Take a gap."""
        self._gaps.append(gap)
        self.write_if_free()

    def write(self) -> None:
        """Write what is pending; what a locked or full disk refuses stays pending."""
        if self.season is not None and self.session_id is not None:
            with self._rescuing(self.season):
                self.season.keep_chunks(self.session_id, self._chunks)
                self._forget_chunks()
                while self._gaps:
                    self.season.keep_gap(self.session_id, self._gaps[0])
                    self._gaps.pop(0)
        self._gaps = []
        self._forget_chunks()

    def write_if_free(self) -> None:
        """Write what is pending, unless another program holds the file just now."""
        try:
            self.write()
        except LockedSeasonError:
            return  # all stays pending

    def next_number(self, sample: SampleRow | None) -> int | None:
        """Return the number of the sample's next berry; None without a season file."""
        if self.season is None or sample is None:
            return None
        with self._rescuing(self.season):
            return self.season.next_number(sample.sample_id)

    def acknowledge(self, sample: SampleRow | None, number: int, berry: BerryLogged) -> BerryLogged:
        """Store a berry with its scores and all chunks so far, in one transaction."""
        if self.season is None or self.session_id is None or sample is None:
            return replace(berry, number=number)
        for attempt in (1, 2):
            try:
                with self._rescuing(self.season):
                    berry_id = self.season.acknowledge_berry(
                        self.session_id, sample.sample_id, number, berry.press,
                        scores=berry.scores, chunks=self._chunks, press_only=berry.press_only,
                    )  # fmt: skip
                break
            except AlreadyThereError:
                # A logger on another machine may have taken the number just now.
                if attempt == 2:
                    raise
                number = self.season.next_number(sample.sample_id)
        self._forget_chunks()
        return replace(berry, number=number, berry_id=berry_id)

    @contextlib.contextmanager
    def _rescuing(self, season: SeasonFile) -> Iterator[None]:
        """Where the season is gone, save beside it what was received in this session, once."""
        if self._gone is not None:
            raise self._gone
        try:
            yield
        except SeasonGoneError as error:
            self._gone = SeasonGoneError(f"{error.what} {self._rescued(season)}", todo=error.todo)
            raise self._gone from None

    def _rescued(self, season: SeasonFile) -> str:
        """Write what was received, and the season where it can be read yet; say what is where."""
        assert self.session_id is not None
        path = season.path
        names = (f"{path.stem}.rescued{n or ''}" for n in count())
        stem = next(n for n in names if not any(path.parent.glob(f"{glob_escape(n)}.*")))
        text, copy = path.with_name(f"{stem}.txt"), path.with_name(f"{stem}{path.suffix}")
        items: list[Chunk | Gap] = []
        saved = []
        try:
            if season.still_readable:
                with contextlib.suppress(FirmhandError):
                    items += season.received(self.session_id)
                season.backup(copy)
                saved.append(f"{copy.name} is the season as it was at the last berry.")
        except FirmhandError as error:
            saved.append(f"The season could not be saved ({error.what}).")
        items += sorted([*self._chunks, *self._gaps], key=lambda item: item[0])
        try:
            write_whole(text, (f"{line}\n" for line in write_capture(items)))
            saved.append(f"{text.name} is what was received, for 'gauge replay'.")
        except FirmhandError as error:
            saved.append(f"What was received could not be saved ({error.what}).")
        return " ".join(saved)

    def _forget_chunks(self) -> None:
        self._chunks, self._n_bytes = [], 0


def refuse_repeat(season: SeasonFile, sample: SampleRow, capture: Iterable[Chunk | Gap]) -> None:
    """Refuse a capture that begins with all the chunks of a session of this sample's berries."""
    berries = season.berries(sample.sample.code)
    sessions = {b.session_id for b in berries if b.void is None and b.session_id is not None}
    if not sessions:
        return
    chunks = [item for item in capture if isinstance(item, Chunk) and item.data]
    for session_id in sorted(sessions):
        pairs = zip_longest(season.chunks(session_id), chunks)
        first = next(pairs, None)
        if first is None or first[0] is None or first[0] != first[1]:
            continue
        if all(old is None or old == new for old, new in pairs):
            raise AlreadyThereError(
                f"{season.path}: sample {sample.sample.code} holds the berries of this capture "
                f"already (session {session_id}).",
                todo="Nothing was stored. Void them first, or replay into another sample.",
            )
