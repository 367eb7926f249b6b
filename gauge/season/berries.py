"""Berries and their peaks. A berry is never deleted, only voided."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from gauge.errors import AlreadyThereError, InvalidValueError, NoSuchRecordError
from gauge.records import Chunk, Compression, FingerScore
from gauge.season.rows import BerryRow
from gauge.season.scores import ScoreTables
from gauge.season.tables import now

_ADD_PEAK = """
INSERT INTO peaks (berry_id, session_id, start_s, peak_s, end_s, peak_shown, peak_unit, peak_n,
                   baseline_n, noise_n, n_readings, n_ramp, rate_hz, loading_rate_n_s,
                   sampling_loss_n, flags, at)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_NEXT = """
SELECT coalesce(max(number), 0) + 1 FROM berries WHERE sample_id = ? AND void_why IS NULL
"""
_BERRIES = """
SELECT b.berry_id, s.code, b.number, b.at, p.session_id, p.peak_shown, p.peak_unit, p.peak_n,
       p.flags, b.size_mm, b.fruit_temp_c, b.void_why
FROM berries b JOIN samples s USING (sample_id) LEFT JOIN peaks p USING (berry_id)
"""


class BerryTables(ScoreTables):
    """Berries and peaks of a season file."""

    def next_number(self, sample_id: int) -> int:
        """The number of the sample's next berry: one more than the highest that is not void."""
        return int(self._rows(_NEXT, (sample_id,))[0][0])

    def acknowledge_berry(
        self,
        session_id: int,
        sample_id: int,
        number: int | None,
        compression: Compression,
        *,
        scores: Sequence[FingerScore] = (),
        chunks: Sequence[Chunk] = (),
        size_mm: float | None = None,
        fruit_temp_c: float | None = None,
    ) -> int:
        """Store a berry with its peak, scores and pending chunks in one transaction.

        Only when this returns may the berry be shown, rung or printed. The same press of the same
        session, told again, is the same berry: its id is returned and nothing is stored twice.

        Parameters
        ----------
        session_id, sample_id : int
        number : int or None
            Which berry of the sample; None for the next.
        compression : Compression
        scores : sequence of FingerScore
            Scores given at the gauge, before the force was shown.
        chunks : sequence of Chunk
            What was heard since the last chunks were kept.
        size_mm, fruit_temp_c : float, optional

        Returns
        -------
        int
            The berry's id.

        Raises
        ------
        AlreadyThereError
            If the sample has that berry number already, or the session holds another peak at the
            same time.
        InvalidValueError
            If a score is not on the season's scale.
        LockedSeasonError, StorageFailedError
            The berry is not stored.
        """
        with self._write("storing a berry") as db:
            known = db.execute(
                "SELECT berry_id, peak_shown FROM peaks WHERE session_id = ? AND start_s = ?",
                (session_id, compression.t_start_s),
            ).fetchone()
            if known:
                if known[1] != compression.peak_shown:
                    raise AlreadyThereError(
                        f"{self.path}: session {session_id} holds another peak ({known[1]}) at "
                        f"{compression.t_start_s} s.",
                        todo="Begin a new session.",
                    )
                self._add_later_chunks(session_id, chunks)
                return int(known[0])
            if number is None:
                number = int(db.execute(_NEXT, (sample_id,)).fetchone()[0])
            at = now()
            berry_id = int(
                db.execute(
                    "INSERT INTO berries (sample_id, number, size_mm, fruit_temp_c, at) "
                    "VALUES (?, ?, ?, ?, ?)",
                    (sample_id, number, size_mm, fruit_temp_c, at),
                ).lastrowid
                or 0
            )
            db.execute(_ADD_PEAK, (berry_id, session_id, *_peak_values(compression), at))
            if scores:
                self._add_scores([(berry_id, score) for score in scores], "gauge")
            if chunks:
                self._add_chunks(session_id, chunks)
        return berry_id

    def berries(self, sample: str | None = None) -> list[BerryRow]:
        """Every berry, voided ones too, by sample as added and number.

        Parameters
        ----------
        sample : str, optional
            Only those of this sample code.
        """
        where, values = ("WHERE s.code = ?", (sample,)) if sample is not None else ("", ())
        found = self._rows(f"{_BERRIES} {where} ORDER BY b.sample_id, b.number, 1", values)
        scored: dict[int, list[FingerScore]] = {}
        for berry_id, rater, score, occasion, at in self._rows(
            "SELECT c.berry_id, c.rater, c.score, c.occasion, c.at FROM scores c "
            f"JOIN berries USING (berry_id) JOIN samples s USING (sample_id) {where} "
            "ORDER BY score_id",
            values,
        ):
            mark = FingerScore(rater=rater, score=score, occasion=occasion, at=at)
            scored.setdefault(berry_id, []).append(mark)
        return [_berry_row(row, scored.get(row[0], ())) for row in found]

    def berry(self, berry_id: int) -> BerryRow:
        """One berry.

        Raises
        ------
        NoSuchRecordError
            If the season has no such berry.
        """
        row = self._row(f"{_BERRIES} WHERE b.berry_id = ?", (berry_id,))
        if row is None:
            raise self._no_berry(berry_id)
        marks = self._rows(
            "SELECT rater, score, occasion, at FROM scores WHERE berry_id = ? ORDER BY score_id",
            (berry_id,),
        )
        return _berry_row(
            row, [FingerScore(rater=r, score=s, occasion=o, at=at) for r, s, o, at in marks]
        )

    def void(self, berry_id: int, why: str) -> None:
        """Mark a berry as not to be used; it stays in the file, and its number is free again.

        Raises
        ------
        NoSuchRecordError
            If the season has no such berry.
        AlreadyThereError
            If it is void already.
        InvalidValueError
            If no reason is given.
        """
        if not why.strip():
            raise InvalidValueError("a berry is voided with a reason.", todo="Give one, in words.")
        with self._write("voiding a berry") as db:
            row = db.execute(
                "SELECT void_why FROM berries WHERE berry_id = ?", (berry_id,)
            ).fetchone()
            if row is None:
                raise self._no_berry(berry_id)
            if row[0] is not None:
                raise AlreadyThereError(f"Berry {berry_id} is void already: {row[0]}.")
            db.execute(
                "UPDATE berries SET void_why = ?, void_at = ? WHERE berry_id = ?",
                (why.strip(), now(), berry_id),
            )

    def _no_berry(self, berry_id: int) -> NoSuchRecordError:
        return NoSuchRecordError(
            f"{self.path} holds no berry {berry_id}.", todo="'gauge readings' lists the berry ids."
        )


def _peak_values(press: Compression) -> tuple[Any, ...]:
    flags = json.dumps([flag.value for flag in press.flags])
    return (
        press.t_start_s, press.t_peak_s, press.t_end_s, press.peak_shown, press.peak_unit.value,
        press.peak_newton, press.baseline_newton, press.noise_newton, press.n_readings,
        press.n_ramp, press.rate_hz, press.loading_rate_newton_s, press.sampling_loss_newton, flags,
    )  # fmt: skip


def _berry_row(row: Any, scores: Iterable[FingerScore]) -> BerryRow:
    berry_id, sample, number, at, session_id, shown, unit, peak_newton, flags, size, temp, void = (
        row
    )
    return BerryRow(
        berry_id=berry_id,
        sample=sample,
        number=number,
        at=at,
        session_id=session_id,
        peak_shown=shown,
        peak_unit=unit,
        peak_newton=peak_newton,
        flags=tuple(json.loads(flags)) if flags else (),
        size_mm=size,
        fruit_temp_c=temp,
        void=void,
        scores=tuple(scores),
    )
