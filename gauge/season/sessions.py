"""Samples, sessions and what was received in them."""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from heapq import merge

from gauge.errors import AlreadyThereError, NoSuchRecordError
from gauge.protocol.capture import read_capture, write_capture
from gauge.records import Chunk, Gap, Sample, Session
from gauge.season.connection import damaged
from gauge.season.rows import SampleRow, SessionRow, ahead, made, match
from gauge.season.tables import Tables, now, stored

# bytes of text; a row holds a second of a gauge, or a quarter of a megabyte of a replay
_LARGEST_CHUNK = 1 << 24


class SessionTables(Tables):
    """Samples, sessions, chunks and gaps of a season file."""

    # --- samples ------------------------------------------------------------------------------

    def add_sample(self, sample: Sample) -> int:
        """Store a sample and return its id; see `add_samples`."""
        return self.add_samples([sample])[0]

    def add_samples(self, samples: Sequence[Sample], *, note: str = "") -> list[int]:
        """Store samples, and a note on how they came; none where a code or blind code is taken."""
        with self._write("adding samples"):
            ids = self._add_samples(samples)
            if note:
                self._add("notes", at=now(), text=note)
        return ids

    def _add_samples(self, samples: Iterable[Sample]) -> list[int]:
        """Within a transaction, add samples whose codes are free."""
        taken: dict[str, tuple[str, bool]] = {}
        for code, blind, hidden in self._records("samples", "code", "blind_code", "hidden"):
            taken |= dict.fromkeys((code, blind or code), (code, hidden))
        ids = []
        for sample in samples:
            # A blind code that is another sample's code would make a label ambiguous.
            for name in sorted(taken.keys() & sample.names):
                raise self._taken_code(name, *taken[name])
            taken |= dict.fromkeys(sample.names, (sample.code, False))
            ids.append(self._add("samples", **stored(sample)))
        return ids

    def _taken_code(self, name: str, owner: str, hidden: bool) -> AlreadyThereError:
        """The error that says whose code it is."""
        todo = "Give the sample another code."
        if hidden:
            todo = f"'gauge correct SEASON sample {owner} --set hidden=no' shows it again."
        which = ", which is hidden" if hidden else ""
        what = f"{self.path}: '{name}' is a code of sample {owner}{which}."
        return AlreadyThereError(what, todo=f"Nothing was stored. {todo}")

    def samples(self, also: int | None = None, *, hidden: bool = False) -> list[SampleRow]:
        """All samples in the order of the plan, then as they were added; hidden ones if asked for.

        One that got berries after it was hidden, from a session that was going on, is shown, and
        so is the one with the id `also`, which a session has open.
        """
        berries = self._records("berries", "sample_id", "void_why")
        counts = Counter(i for i, void in berries if void is None)
        shown = {also} | {i for i, _ in berries}
        rows = [
            made(SampleRow, row, sample=made(Sample, row), berries=counts[row["sample_id"]])
            for row in self._dicts("samples")
            if hidden or not row["hidden"] or row["sample_id"] in shown
        ]
        # Rows come in the order of their ids, and sorting keeps it among equals.
        return sorted(rows, key=lambda row: row.sample.plan_order or float("inf"))

    def next_sample(self) -> SampleRow | None:
        """The planned sample that comes next (`ahead`); None when all are done, or none planned."""
        return next(iter(ahead(self.samples())), None)

    def sample(self, code: str, *, hidden: bool = False) -> SampleRow:
        """The sample of a code or blind code, whatever the case and blanks typed.

        One that is hidden only where `hidden` says so.
        """
        if row := match(self.samples(hidden=hidden), code):
            return row
        raise NoSuchRecordError(
            f"{self.path} holds no sample '{code}'.", todo="'gauge plan' lists the samples."
        )

    # --- sessions -----------------------------------------------------------------------------

    def add_session(self, session: Session) -> int:
        """Store the beginning of a session and return its id."""
        with self._write("beginning a session"):
            return self._add_session(session)

    def _add_session(self, session: Session, ended_at: str | None = None) -> int:
        return self._add("sessions", **stored(session), ended_at=ended_at)

    def end_session(self, session_id: int, at: str | None = None) -> None:
        """Store the end of a session (ISO 8601 UTC; now if not given)."""
        with self._write("ending a session"):
            self.session(session_id)
            self._change("sessions", [session_id], {"ended_at": at or now()}, kind="end")

    def sessions(self) -> list[SessionRow]:
        """All sessions, oldest first."""
        return [
            made(SessionRow, row, session=made(Session, row)) for row in self._dicts("sessions")
        ]

    def session(self, session_id: int) -> SessionRow:
        """One session."""
        known = {row.session_id: row for row in self.sessions()}
        return self._one_of(known, session_id, f"session {session_id}")

    # --- what was received --------------------------------------------------------------------

    def keep_chunks(self, session_id: int, chunks: Sequence[Chunk]) -> None:
        """Store what was received, in one transaction; nothing to do for no chunks."""
        if chunks:
            with self._write("keeping the capture"):
                self._add_chunks(session_id, chunks)

    def _add_chunks(self, session_id: int, chunks: Sequence[Chunk]) -> None:
        """Within a transaction, add one packed row."""
        text = "\n".join(write_capture(chunks))
        sql = "SELECT coalesce(max(seq) + 1, 0) FROM chunks WHERE session_id = ?"
        ((seq,),) = self._rows(sql, (session_id,))
        self._add(
            "chunks",
            session_id=session_id,
            seq=seq,
            from_ns=chunks[0].t_ns,
            to_ns=chunks[-1].t_ns,
            n_bytes=sum(len(chunk.data) for chunk in chunks),
            packed=zlib.compress(text.encode("ascii"), 1),
        )

    def _add_later_chunks(self, session_id: int, chunks: Sequence[Chunk]) -> None:
        """Within a transaction, add of chunks that may be stored those that are not."""
        sql = "SELECT coalesce(max(to_ns), -1) FROM chunks WHERE session_id = ?"
        ((last,),) = self._rows(sql, (session_id,))
        if later := [chunk for chunk in chunks if chunk.t_ns > last]:
            self._add_chunks(session_id, later)

    def keep_gap(self, session_id: int, gap: Gap) -> None:
        """Store a stretch in which bytes may have been lost."""
        with self._write("keeping a gap"):
            self._add("gaps", session_id=session_id, **gap._asdict())

    def gaps(self, session_id: int) -> list[Gap]:
        """The gaps of a session in order of time."""
        rows = self._records("gaps", *Gap._fields, where="session_id = ?", values=(session_id,))
        return sorted((Gap(*row) for row in rows), key=lambda gap: gap.from_ns)

    def chunks(self, session_id: int) -> Iterator[Chunk]:
        """What was received in a session, as it arrived."""
        sql = "SELECT packed FROM chunks WHERE session_id = ? AND seq = ?"
        rows = self._rows("SELECT seq FROM chunks WHERE session_id = ? ORDER BY 1", (session_id,))
        for (seq,) in rows:
            ((packed,),) = self._rows(sql, (session_id, seq))
            try:
                lines = _unpacked(packed).decode("ascii").split("\n")
            except (zlib.error, ValueError) as error:
                raise damaged(
                    self.path, f"capture {seq} of session {session_id}, {error}"
                ) from None
            where = f"{self.path}, session {session_id}, capture {seq}"
            yield from (x for x in read_capture(lines, where) if isinstance(x, Chunk))

    def received(self, session_id: int) -> Iterator[Chunk | Gap]:
        """Chunks and gaps of a session together, in order of time."""
        self.session(session_id)
        # Of the same time the chunk comes first: it was received before the line was lost.
        streams: list[Iterable[Chunk | Gap]] = [self.chunks(session_id), self.gaps(session_id)]
        return merge(*streams, key=lambda item: item[0])


def _unpacked(packed: bytes) -> bytes:
    """Unpack a chunk, refusing what would unpack to more than any session keeps at once."""
    unpack = zlib.decompressobj()
    data = unpack.decompress(packed, _LARGEST_CHUNK)
    if unpack.unconsumed_tail:
        raise ValueError(f"more than {_LARGEST_CHUNK} bytes when unpacked")
    if not unpack.eof:
        raise ValueError("the packed bytes end too early")
    return data
