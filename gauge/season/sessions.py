"""Samples, sessions and what was heard in them: the tables that the bench fills.

Berries, scores and notes are in berries, verifications and the manager's tables in desk.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from heapq import merge
from typing import Any

from gauge.errors import AlreadyThereError, NoSuchRecordError
from gauge.protocol.capture import read_capture, write_capture
from gauge.records import Chunk, Gap, Sample, Session
from gauge.season.connection import damaged
from gauge.season.rows import SampleRow, SessionRow
from gauge.season.tables import SeasonBase, column, now

_SAMPLE = tuple(f.name for f in fields(Sample))
_SESSION = tuple(f.name for f in fields(Session))
_ADD_SAMPLE = f"INSERT INTO samples ({', '.join(_SAMPLE)}) VALUES ({', '.join('?' * len(_SAMPLE))})"
_SESSION_COLUMNS = ", ".join(column(name) for name in _SESSION)
_ADD_SESSION = (
    f"INSERT INTO sessions ({_SESSION_COLUMNS}) VALUES ({', '.join('?' * len(_SESSION))})"
)
_SAMPLES = (
    f"SELECT sample_id, (SELECT count(*) FROM berries b WHERE b.sample_id = s.sample_id "
    f"AND void_why IS NULL), {', '.join(_SAMPLE)} FROM samples s"
)


class SessionTables(SeasonBase):
    """Samples, sessions, chunks and gaps of a season file."""

    # --- samples ------------------------------------------------------------------------------

    def add_sample(self, sample: Sample) -> int:
        """Store a sample and return its id.

        Raises
        ------
        AlreadyThereError
            If its code, or its blind code, is taken.
        """
        return self.add_samples([sample])[0]

    def add_samples(self, samples: Sequence[Sample], *, note: str = "") -> list[int]:
        """Store samples, and a note on how they came, in one transaction; see `add_sample`.

        Raises
        ------
        AlreadyThereError
            If a code, or a blind code, is taken; none of them is stored then.
        """
        with self._write("adding samples") as db:
            taken: dict[str, str] = {}
            for code, blind in db.execute("SELECT code, blind_code FROM samples"):
                taken[code] = code
                if blind is not None:
                    taken[blind] = code
            ids = []
            for sample in samples:
                # A blind code that is another sample's code would make a label ambiguous.
                names = {sample.code} | ({sample.blind_code} if sample.blind_code else set())
                for name in sorted(names):
                    if name in taken:
                        raise AlreadyThereError(
                            f"{self.path}: the code '{name}' is that of sample {taken[name]}.",
                            todo="Nothing was stored. Give the sample another code.",
                        )
                    taken[name] = sample.code
                values = [getattr(sample, name) for name in _SAMPLE[:-1]]
                cues = json.dumps(sample.cues, ensure_ascii=False)
                ids.append(int(db.execute(_ADD_SAMPLE, [*values, cues]).lastrowid or 0))
            if note:
                db.execute("INSERT INTO notes (at, text) VALUES (?, ?)", (now(), note))
        return ids

    def samples(self) -> list[SampleRow]:
        """All samples, in the order of the plan, then as they were added."""
        order = "ORDER BY plan_order IS NULL, plan_order, sample_id"
        return [self._sample_row(row) for row in self._rows(f"{_SAMPLES} {order}")]

    def next_sample(self) -> SampleRow | None:
        """The first planned sample that is not done; None when all are, or none was planned."""
        ahead = (row for row in self.samples() if row.sample.plan_order and not row.done)
        return next(ahead, None)

    def sample(self, code: str) -> SampleRow:
        """The sample of a code or blind code.

        Raises
        ------
        NoSuchRecordError
            If the season has no such sample.
        """
        row = self._row(f"{_SAMPLES} WHERE ? IN (code, blind_code)", (code,))
        if row is None:
            raise NoSuchRecordError(
                f"{self.path} holds no sample '{code}'.", todo="'gauge plan' lists the samples."
            )
        return self._sample_row(row)

    def _sample_row(self, row: Any) -> SampleRow:
        values = dict(zip(_SAMPLE, row[2:], strict=True))
        values["cues"] = json.loads(values["cues"])
        return SampleRow(sample_id=row[0], berries=row[1], sample=Sample(**values))

    # --- sessions -----------------------------------------------------------------------------

    def add_session(self, session: Session) -> int:
        """Store the beginning of a session and return its id."""
        with self._write("beginning a session") as db:
            values = [getattr(session, name) for name in _SESSION]
            return int(db.execute(_ADD_SESSION, values).lastrowid or 0)

    def end_session(self, session_id: int, at: str | None = None) -> None:
        """Store the end of a session (ISO 8601 UTC; now if not given).

        Raises
        ------
        NoSuchRecordError
            If the season has no such session.
        """
        with self._write("ending a session") as db:
            sql = "UPDATE sessions SET ended_at = ? WHERE session_id = ?"
            if not db.execute(sql, (at or now(), session_id)).rowcount:
                raise self._no_session(session_id)

    def sessions(self) -> list[SessionRow]:
        """All sessions, oldest first."""
        sql = f"SELECT session_id, ended_at, {_SESSION_COLUMNS} FROM sessions ORDER BY 1"
        return [
            SessionRow(
                session_id=row[0],
                ended_at=row[1],
                session=Session(**dict(zip(_SESSION, row[2:], strict=True))),
            )
            for row in self._rows(sql)
        ]

    def session(self, session_id: int) -> SessionRow:
        """One session.

        Raises
        ------
        NoSuchRecordError
            If the season has no such session.
        """
        for row in self.sessions():
            if row.session_id == session_id:
                return row
        raise self._no_session(session_id)

    def _no_session(self, session_id: int) -> NoSuchRecordError:
        known = ", ".join(str(row[0]) for row in self._rows("SELECT session_id FROM sessions"))
        return NoSuchRecordError(
            f"{self.path} holds no session {session_id}.",
            todo=f"It holds {known}." if known else "It holds no session at all.",
        )

    # --- what was heard -----------------------------------------------------------------------

    def keep_chunks(self, session_id: int, chunks: Sequence[Chunk]) -> None:
        """Store what was heard, in one transaction; nothing to do for no chunks."""
        if chunks:
            with self._write("keeping the capture"):
                self._add_chunks(session_id, chunks)

    def _add_chunks(self, session_id: int, chunks: Sequence[Chunk]) -> None:
        """Within a transaction, add one packed row."""
        text = "\n".join(write_capture(chunks))
        self._db.execute(
            "INSERT INTO chunks (session_id, seq, from_ns, to_ns, n_bytes, packed) "
            "SELECT ?1, coalesce(max(seq) + 1, 0), ?2, ?3, ?4, ?5 FROM chunks "
            "WHERE session_id = ?1",
            (
                session_id,
                chunks[0].t_ns,
                chunks[-1].t_ns,
                sum(len(chunk.data) for chunk in chunks),
                zlib.compress(text.encode("ascii"), 1),
            ),
        )

    def _add_later_chunks(self, session_id: int, chunks: Sequence[Chunk]) -> None:
        """Within a transaction, add of chunks that may be stored those that are not."""
        row = self._row("SELECT max(to_ns) FROM chunks WHERE session_id = ?", (session_id,))
        last = -1 if row is None or row[0] is None else row[0]
        if later := [chunk for chunk in chunks if chunk.t_ns > last]:
            self._add_chunks(session_id, later)

    def keep_gap(self, session_id: int, gap: Gap) -> None:
        """Store a stretch in which bytes may have been lost."""
        with self._write("keeping a gap") as db:
            sql = "INSERT INTO gaps (session_id, from_ns, to_ns, reason) VALUES (?, ?, ?, ?)"
            db.execute(sql, (session_id, *gap))

    def gaps(self, session_id: int) -> list[Gap]:
        """The gaps of a session in order of time."""
        sql = "SELECT from_ns, to_ns, reason FROM gaps WHERE session_id = ? ORDER BY 1, gap_id"
        return [Gap(*row) for row in self._rows(sql, (session_id,))]

    def chunks(self, session_id: int) -> Iterator[Chunk]:
        """What was heard in a session, as it arrived.

        Raises
        ------
        DamagedSeasonError
            If a packed row does not unpack.
        """
        sql = "SELECT packed FROM chunks WHERE session_id = ? AND seq = ?"
        rows = self._rows("SELECT seq FROM chunks WHERE session_id = ? ORDER BY 1", (session_id,))
        for (seq,) in rows:
            ((packed,),) = self._rows(sql, (session_id, seq))
            try:
                lines = zlib.decompress(packed).decode("ascii").split("\n")
            except (zlib.error, ValueError) as error:
                raise damaged(
                    self.path, f"capture {seq} of session {session_id}, {error}"
                ) from None
            where = f"{self.path}, session {session_id}, capture {seq}"
            yield from (x for x in read_capture(lines, where) if isinstance(x, Chunk))

    def heard(self, session_id: int) -> Iterator[Chunk | Gap]:
        """Chunks and gaps of a session together, in order of time.

        Raises
        ------
        NoSuchRecordError
            If the season has no such session.
        """
        self.session(session_id)
        streams: list[Iterable[Chunk | Gap]] = [self.gaps(session_id), self.chunks(session_id)]
        return merge(*streams, key=lambda item: item[0])
