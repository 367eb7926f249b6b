"""Berries and their peaks. A berry is never deleted, only voided."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from operator import itemgetter
from typing import Any

from gauge.errors import AlreadyThereError, InvalidValueError, NoSuchRecordError
from gauge.records import Chunk, FingerScore, Flag, Press, possible
from gauge.season.chain import Row
from gauge.season.connection import damaged
from gauge.season.rows import BerryRow
from gauge.season.scores import ScoreTables
from gauge.season.tables import column, now, stored
from gauge.units import NEWTON_PER_FLOAT, parse_unit

_NEXT = """
SELECT coalesce(max(number), 0) + 1 FROM berries WHERE sample_id = ? AND void_why IS NULL
"""
# Columns of the views `berry` and `pair` that are called otherwise in their tables, beside those
# of newtons, which end in `_n` there.
_RENAMED = {
    "sample": ("samples", "code"),
    "peak": ("peaks", "peak_shown"),
    "unit": ("peaks", "peak_unit"),
    "force_N": ("peaks", "peak_n"),
    "zero_N": ("peaks", "baseline_n"),
    "void": ("berries", "void_why"),
    "scored_at": ("scores", "at"),
}
_JOINED = ("berries", "peaks", "samples", "scores")
_Joined = tuple[Row, Row | None, Row, Row | None]


class BerryTables(ScoreTables):
    """Berries and peaks of a season file."""

    def next_number(self, sample_id: int) -> int:
        """The number of the sample's next berry: one more than the highest that is not void.

        A SeasonGoneError says that the file was removed, moved or overwritten.
        """
        self._refuse_if_replaced()
        self._refuse_if_overwritten()
        return int(self._rows(_NEXT, (sample_id,))[0][0])

    def acknowledge_berry(
        self,
        session_id: int,
        sample_id: int,
        number: int | None,
        compression: Press,
        *,
        scores: Sequence[FingerScore] = (),
        chunks: Sequence[Chunk] = (),
        press_only: bool = False,
    ) -> int:
        """Store a berry with its peak, scores and pending chunks in one transaction; return its id.

        Only when this returns may the berry be shown, printed or announced by the bell. The same
        press of the same session, stored again, is the same berry: its id is returned and nothing
        is stored twice; another peak at the same time is an AlreadyThereError.

        `number` is None for the next berry of the sample. The scores were given before the force
        was shown, the chunks received since the last ones were stored, and `press_only` says that
        the berry was planned to be pressed without a squeeze.
        """
        with self._write("storing a berry"):
            known = self._row(
                "SELECT berry_id, peak_shown FROM peaks WHERE session_id = ? AND start_s = ?",
                (session_id, compression.t_start_s),
            )
            if known:
                if known[1] != compression.peak_shown:
                    raise AlreadyThereError(
                        f"{self.path}: session {session_id} holds another peak ({known[1]}) at "
                        f"{compression.t_start_s} s.",
                        todo="Begin a new session.",
                    )
                self._add_later_chunks(session_id, chunks)
                return int(known[0])
            at = now()
            berry_id = self._add(
                "berries",
                sample_id=sample_id,
                number=self.next_number(sample_id) if number is None else number,
                press_only=1 if press_only else None,
                at=at,
            )
            self._add(
                "peaks", berry_id=berry_id, session_id=session_id, at=at, **_peak(compression)
            )
            if scores:
                self._add_scores([(berry_id, score) for score in scores], "gauge")
            if chunks:
                self._add_chunks(session_id, chunks)
        return berry_id

    def berries(self, sample: str | None = None) -> list[BerryRow]:
        """Every berry, voided ones too, by sample as added and number; of one sample or all."""
        order = itemgetter(*self._places("berries", "sample_id", "number", "berry_id"))
        (code_at,) = self._places("samples", "code")
        joined = [row for row in self._joined(pairs=False) if sample in {None, row[2][code_at]}]
        joined.sort(key=lambda row: order(row[0]))
        names = [name for name in BerryRow.__slots__ if name not in {"scores", "fruit_temp_c"}]
        found = {name: self._column(column(name), joined) for name in names}
        # Of the berry alone: the view takes that of its sample where it has none.
        found["fruit_temp_c"] = self._picked("berries", "fruit_temp_c", joined)
        scored: dict[int, list[FingerScore]] = {berry_id: [] for berry_id in found["berry_id"]}
        marks = FingerScore.__slots__
        berry_at, *places = self._places("scores", "berry_id", *marks)
        values = itemgetter(*places)
        for row in self._scores():
            if (given := scored.get(row[berry_at])) is not None:
                given.append(FingerScore(**dict(zip(marks, values(row), strict=True))))
        flags: dict[str | None, tuple[str, ...]] = {
            text: tuple(self._from_json(text, list, str)) for text in {*found["flags"]} - {None}
        }
        found["flags"] = [flags.get(text, ()) for text in found["flags"]]
        found["press_only"] = list(map(bool, found["press_only"]))
        found["scores"] = list(map(tuple, scored.values()))
        rows = zip(*found.values(), strict=True)
        return [BerryRow(**dict(zip(found, row, strict=True))) for row in rows]

    def peaks(self) -> dict[int, dict[int, Press]]:
        """The press of each berry, by session and berry; of voided ones too."""
        names = self._columns("peaks")
        found: dict[int, dict[int, Press]] = {}
        for row in self._read("peaks"):
            values = dict(zip(names, row, strict=True))
            of_session = found.setdefault(values["session_id"], {})
            try:
                of_session[values["berry_id"]] = _press(values)
            except (ValueError, TypeError):
                what = f"berry {values['berry_id']}: its press cannot be read"
                raise damaged(self.path, what) from None
        return found

    def berry(self, berry_id: int) -> BerryRow:
        """One berry."""
        for row in self.berries():
            if row.berry_id == berry_id:
                return row
        raise self._no_berry(berry_id)

    def columns(self, view: str, names: Iterable[str]) -> dict[str, list[Any]]:
        """Read whole columns of a table, or of the view "berry" or "pair", in the order of `names`.

        All have one value a row, None where nothing is known.
        """
        names = list(names)
        known = self._columns(view)
        for name in names:
            if name not in known:
                raise InvalidValueError(f"{self.path}: '{view}' has no column '{name}'")
        if view not in {"berry", "pair"}:
            at = self._places(view, *names)
            checked = {"scores": self._scores, "peaks": self._peaks}
            rows = checked[view]() if view in checked else self._read(view)
            return {name: [row[i] for row in rows] for i, name in zip(at, names, strict=True)}
        joined = self._joined(pairs=view == "pair")
        return {name: self._column(name, joined) for name in names}

    def _joined(self, *, pairs: bool) -> list[_Joined]:
        """Rows of `_JOINED` that belong together, as the views join them.

        In Python and not by the views: SQLite might look a row up in an index, which no digest
        covers.
        """
        samples = {row[0]: row for row in self._read("samples")}
        peaks = {row[0]: row for row in self._peaks()}
        sample_at, void_at = self._places("berries", "sample_id", "void_why")
        berries = {
            row[0]: (row, peaks.get(row[0]), samples[row[sample_at]])
            for row in self._read("berries")
        }
        if not pairs:
            return [(*row, None) for row in berries.values()]
        usable = {
            berry_id: row
            for berry_id, row in berries.items()
            if row[0][void_at] is None and row[1] is not None
        }
        (berry_at,) = self._places("scores", "berry_id")
        return [(*usable[row[berry_at]], row) for row in self._scores() if row[berry_at] in usable]

    def _column(self, name: str, joined: Sequence[_Joined]) -> list[Any]:
        """One column of a view, from the rows that `_joined` gives."""
        if name == "fruit_temp_c":
            of_berry, of_sample = (self._picked(t, name, joined) for t in ("berries", "samples"))
            return [a if a is not None else b for a, b in zip(of_berry, of_sample, strict=True)]
        if name in _RENAMED:
            return self._picked(*_RENAMED[name], joined)
        name = name.replace("_N", "_n")
        return self._picked(next(t for t in _JOINED if name in self._columns(t)), name, joined)

    def _picked(self, table: str, name: str, joined: Sequence[_Joined]) -> list[Any]:
        (at,) = self._places(table, name)
        place = _JOINED.index(table)
        return [row[place][at] if row[place] else None for row in joined]  # type: ignore[index]

    def _peaks(self) -> list[Row]:
        """Rows of the peaks, refused where value, unit and newtons contradict one another."""
        rows = self._read("peaks")
        shown_at, unit_at, newton_at, flags_at = self._places(
            "peaks", "peak_shown", "peak_unit", "peak_n", "flags"
        )
        for row in rows:
            newton = row[newton_at]
            try:
                off = float(row[shown_at]) * NEWTON_PER_FLOAT[row[unit_at]] - newton
            except (ValueError, KeyError):
                off = newton
            if abs(off) > 1e-9 * newton:
                what = f"berry {row[0]}: {row[shown_at]} {row[unit_at]} is not {newton} N"
                raise damaged(self.path, what)
        for text in {row[flags_at] for row in rows}:
            self._from_json(text, list, str)
        return rows

    def _scores(self) -> list[Row]:
        """Rows of the scores that count, refused where a rank is not that of the score."""
        (back_at,) = self._places("scores", "taken_back")
        rows = [row for row in self._read("scores") if row[back_at] is None]
        labels = self.labels
        score_at, rank_at = self._places("scores", "score", "score_rank")
        for label, rank in {(row[score_at], row[rank_at]) for row in rows}:
            if labels[rank - 1 : rank] != (label,):
                scale = ", ".join(labels)
                what = f"a score '{label}' has rank {rank}, not its place on the scale {scale}"
                raise damaged(self.path, what)
        return rows

    def void(self, berry_id: int, why: str) -> None:
        """Mark a berry as not to be used; it stays in the file, and its number is free again."""
        with self._write("voiding a berry"):
            row = self._one(berry_id)
            if row["void_why"] is not None:
                raise AlreadyThereError(f"Berry {berry_id} is void already: {row['void_why']}.")
            new = {"void_why": why.strip(), "void_at": now()}
            self._change("berries", [berry_id], new, kind="void", why=why)

    def take_back_void(self, berry_id: int, why: str) -> int:
        """Take back a void; return the berry's number, the next free one if another has its own."""
        with self._write("taking back a void"):
            row = self._one(berry_id)
            if row["void_why"] is None:
                raise AlreadyThereError(f"Berry {berry_id} is not void.")
            new = {"void_why": None, "void_at": None, **self._free(row["sample_id"], row["number"])}
            self._change("berries", [berry_id], new, kind="undo", why=why)
        return int((row | new)["number"])

    def _free(self, sample_id: int, number: int) -> dict[str, int]:
        """The sample's next number, for a berry whose own one is that of a berry that counts."""
        taken = self._records("berries", "sample_id", "number", "void_why")
        free = (sample_id, number, None) not in taken
        return {} if free else {"number": self.next_number(sample_id)}

    def measure_berry(self, berry_id: int, values: Mapping[str, float], why: str) -> None:
        """Note size_mm, mass_g or fruit_temp_c of a berry; the trail keeps what stood there."""
        for name, value in values.items():
            try:
                possible(name, value)
            except ValueError as error:
                raise InvalidValueError(f"{error}.", todo="Type it again.") from None
        with self._write("measuring a berry"):
            self._one(berry_id)
            self._change("berries", [berry_id], values, kind="measure", why=why)

    def _one(self, berry_id: int) -> dict[str, Any]:
        """The row of a berry."""
        for row in self._read("berries", "berry_id = ?", (berry_id,)):
            return dict(zip(self._columns("berries"), row, strict=True))
        raise self._no_berry(berry_id)

    def _no_berry(self, berry_id: int) -> NoSuchRecordError:
        return NoSuchRecordError(
            f"{self.path} holds no berry {berry_id}.", todo="'gauge readings' lists the berry ids."
        )


def _peak(press: Press) -> dict[str, Any]:
    """The columns that describe a press."""
    return stored(press) | {
        "peak_unit": press.peak_unit.value,
        "flags": json.dumps([flag.value for flag in press.flags]),
    }


def _press(row: Mapping[str, Any]) -> Press:
    """The press that columns describe; what is not known of it is not a number."""
    values = {f.name: row[column(f.name)] for f in fields(Press)}
    values = {name: math.nan if value is None else value for name, value in values.items()}
    values["peak_unit"] = parse_unit(values["peak_unit"])
    values["flags"] = tuple(map(Flag, json.loads(values["flags"])))
    return Press(**values)
