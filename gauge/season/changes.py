"""Settings of a season, berries that come from a sheet, and what is corrected afterwards."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from gauge.errors import AlreadyThereError, InvalidValueError, NoSuchRecordError
from gauge.plaintext import plural
from gauge.pressprotocol import PressProtocol
from gauge.records import FingerScore, Session
from gauge.season.berries import BerryTables
from gauge.season.rows import Found, ImportedBerry, Key, SampleRow, TrailRow, match
from gauge.season.tables import as_json, now, stored

# Columns that name a rater, by table, and what of a row no rater may have twice.
_RATERS = {
    "raters": ("name", ("rater_id",)),
    "scores": ("rater", ("berry_id", "occasion")),
    "clamshell_counts": ("rater", ("sample_id",)),
    "practice": ("rater", ("practice_id",)),
    "anchor_presses": ("by", ("press_id",)),
}
# How the trail calls what is one joining of a sample to another one.
_JOIN = "join"


class ChangeTables(BerryTables):
    """Settings, imports and corrections of a season file."""

    # --- settings -----------------------------------------------------------------------------

    @property
    def protocol(self) -> PressProtocol:
        """How the season's berries are pressed, as far as it was stated."""
        return PressProtocol(**(self.setting("protocol") or {}))

    def set_protocol(self, protocol: PressProtocol, session_id: int | None = None) -> None:
        """Store how berries are pressed: of the season, or of one session where it differs."""
        if session_id is None:
            self.set_setting("protocol", protocol.stated)
            return
        self.session(session_id)
        own = {name: value for name, value in protocol.stated.items() if name != "head_mm"}
        new = {"head_mm": protocol.head_mm, "protocol": as_json(own)}
        with self._write("storing how berries are pressed"):
            self._change("sessions", [session_id], new, kind="correct")

    def press_protocols(self) -> dict[int, PressProtocol]:
        """How berries were pressed in each session that has berries which count."""
        view = self.columns("berry", ("session_id", "void", "peak_N"))
        rows = zip(*view.values(), strict=True)
        pressed = {session for session, void, peak in rows if peak is not None and void is None}
        usual = self.protocol
        return {
            row.session_id: PressProtocol.of(row.session, usual)
            for row in self.sessions()
            if row.session_id in pressed
        }

    # --- sheets -------------------------------------------------------------------------------

    def import_sheet(self, source: str, found: Found, why: str | None) -> None:
        """Store what a sheet says, all or nothing; `why` is the reason of its corrections."""
        with self._write("storing a sheet"):
            self._add_samples(found.samples)
            ids: dict[Key, int] = {}
            if found.berries:
                codes: dict[str, int] = dict(self._records("samples", "code", "sample_id"))
                at = datetime.now(UTC).isoformat(timespec="seconds")
                session = Session(started_at=at, note=f"imported from {source}")
                session_id = self._add_session(session, ended_at=at)
                for berry in found.berries:
                    added = self._add_imported(session_id, codes[berry.sample], berry)
                    ids[berry.sample, berry.number] = added
            scores = [(k if isinstance(k, int) else ids[k], mark) for k, mark in found.scores]
            self._add_scores(scores, source)
            self._correct_scores(found.corrected, why)
            new = {"source": source, "berries": len(found.berries), "scores": len(scores)}
            self._note_change("scores", [], {}, new, "scores", None)

    def _add_imported(self, session_id: int, sample_id: int, berry: ImportedBerry) -> int:
        at = berry.at or now()
        berry_id = self._add(
            "berries", sample_id=sample_id, number=berry.number, at=at, size_mm=berry.size_mm,
            mass_g=berry.mass_g, fruit_temp_c=berry.fruit_temp_c,
            press_only=1 if berry.press_only else None,
        )  # fmt: skip
        # A press has a time of its own in its session: the row of the sheet.
        times = dict.fromkeys(("start_s", "peak_s", "end_s"), float(berry.row))
        self._add(
            "peaks", berry_id=berry_id, session_id=session_id, peak_shown=berry.shown,
            peak_unit=berry.unit.value, peak_n=berry.force_newton, n_readings=0, n_ramp=0, at=at,
            flags=as_json([flag.value for flag in berry.flags]), **times,
        )  # fmt: skip
        return berry_id

    def _correct_scores(
        self, corrected: Sequence[tuple[int, FingerScore]], why: str | None
    ) -> None:
        names = ("berry_id", "rater", "occasion", "score_id")
        ids = {tuple(key): score_id for *key, score_id in self._records("scores", *names)}
        alike: dict[tuple[str, int | None], list[int]] = {}
        for berry_id, mark in corrected:
            place = ids[berry_id, mark.rater, mark.occasion]
            alike.setdefault((mark.score, mark.squeeze_order), []).append(place)
        labels = self.labels
        for (label, order), places in alike.items():
            rank = labels.index(label) + 1
            new: dict[str, Any] = {"score": label, "score_rank": rank, "taken_back": None}
            new |= {"squeeze_order": order} if order else {}
            self._change("scores", places, new, kind="correct", why=why)

    # --- corrections --------------------------------------------------------------------------

    def every_rater(self) -> list[str]:
        """Everyone whose name stands anywhere in the season, sorted."""
        named = (self._records(table, column) for table, (column, _) in _RATERS.items())
        return sorted({name for rows in named for (name,) in rows if name is not None})

    def correct_rater(self, name: str, new: str, why: str) -> None:
        """Give all that a rater did another name, that of another rater too.

        Not where both scored the same berry on the same occasion, or counted the same sample.
        """
        if not new.strip():
            raise InvalidValueError("a rater needs a name.", todo="Give one: --name.")
        with self._write("correcting a rater"):
            if name not in self.every_rater():
                raise NoSuchRecordError(
                    f"{self.path} has no rater '{name}'.",
                    todo=f"It has {', '.join(self.every_rater()) or 'none at all'}.",
                )
            if name == new:
                raise AlreadyThereError(f"Rater {name} is named so already.")
            for table, (column, once) in _RATERS.items():
                key = self._columns(table)[0]
                rows = self._records(table, key, column, *once)
                theirs = {tuple(place) for _, rater, *place in rows if rater == new}
                mine = [(row_id, tuple(place)) for row_id, rater, *place in rows if rater == name]
                if both := [place[0] for _, place in mine if place in theirs]:
                    more = f" and {len(both) - 1} more" if len(both) > 1 else ""
                    did = "scored berry" if table == "scores" else "counted sample"
                    codes: dict[int, str] = dict(self._records("samples", "sample_id", "code"))
                    what = both[0] if table == "scores" else codes[both[0]]
                    raise AlreadyThereError(
                        f"{name} and {new} both {did} {what}{more}.",
                        todo="They are two raters, or what one of them did is to be corrected.",
                    )
                if mine:
                    ids, changes = [row_id for row_id, _ in mine], {column: new}
                    if table == "raters" and theirs:  # the status of the one who stays counts
                        changes = stored(next(row for row in self.roster() if row.name == new))
                    self._change(table, ids, changes, kind="correct", why=why)

    def correct_sample(self, code: str, changes: Mapping[str, Any], why: str) -> None:
        """Change what is known of a sample, or join it to the one that bears its new code.

        What is stated of a sample beside the code of another one is stated of that one. A sample
        with berries is not hidden. `part_sample` takes a joining back.
        """
        row = self.sample(code, hidden="hidden" in changes)
        # What no sample can be is refused before it is stored: afterwards nobody could read it.
        replace(row.sample, **{k: v for k, v in changes.items() if k != "hidden"})
        shown = {one.sample_id for one in self.samples()}
        others = [one for one in self.samples(hidden=True) if one.sample_id != row.sample_id]
        other = None
        for key in ("blind_code", "code"):
            other = match(others, changes.get(key) or "")
            hidden = other is not None and other.sample_id not in shown
            if other is not None and (hidden or key == "blind_code"):
                raise self._taken_code(changes[key], other.sample.code, hidden)
        with self._write("correcting a sample"):
            mine = self._of_sample("berries", row.sample_id)
            sheets = self._of_sample("clamshell_counts", row.sample_id)
            if changes.get("hidden") and (mine or sheets):
                has = plural(len(mine), "berry") if mine else plural(len(sheets), "sheet")
                raise AlreadyThereError(
                    f"Sample {row.sample.code} has {has}, so it is not hidden.",
                    todo="Join it to another: --name CODE.",
                )
            if other is None:
                self._change("samples", [row.sample_id], changes, kind="correct", why=why)
                return
            theirs = self._of_sample("clamshell_counts", other.sample_id)
            raters: dict[int, str] = dict(self._records("clamshell_counts", "count_id", "rater"))
            if both := {raters[i] for i in sheets} & {raters[i] for i in theirs}:
                raise AlreadyThereError(
                    f"{min(both)} counted {row.sample.code} and {other.sample.code}.",
                    todo="Nothing was changed. They are two samples.",
                )
            if more := {k: v for k, v in changes.items() if k not in {"code", "hidden"}}:
                self._change("samples", [other.sample_id], more, kind="correct", why=why)
            new = {"sample_id": other.sample_id}
            self._move(mine, other.sample_id, kind=_JOIN, why=why)
            self._change("clamshell_counts", sheets, new, kind=_JOIN, why=why)
            self._change("samples", [row.sample_id], {"hidden": 1}, kind=_JOIN, why=why)

    def part_sample(self, code: str, why: str) -> SampleRow:
        """Take back that a sample was joined to another one: what was its own is so again.

        A berry or sheet that was moved on since, or added since, stays where it is.
        """
        sample_id = self.sample(code, hidden=True).sample_id
        joined: list[TrailRow] = []
        for change in self.trail():
            itself = change.table == "samples" and sample_id in change.ids
            if change.kind == _JOIN and (itself or change.old.get("sample_id") == sample_id):
                joined.append(change)
            elif change.kind == "undo" and itself:
                joined.clear()
        if not joined:
            raise NoSuchRecordError(
                f"Sample {code} was not joined to another one.",
                todo="'gauge correct SEASON berry ID --sample CODE' moves a berry.",
            )
        shown = {row.sample_id for row in self.samples()}
        for row in self.samples(hidden=True):
            if row.sample_id in {one.new.get("sample_id") for one in joined} - shown:
                raise AlreadyThereError(
                    f"Sample {row.sample.code}, to which {code} was joined, is hidden.",
                    todo="Take that back first: --undo if it was joined too, or --set hidden=no.",
                )
        with self._write("parting a sample"):
            for change in joined:
                ids: Sequence[int] = change.ids
                if there := change.new.get("sample_id"):
                    ids = sorted({*ids} & {*self._of_sample(change.table, there)})
                if change.table == "berries":
                    number = change.old.get("number")
                    self._move(ids, sample_id, kind="undo", why=why, number=number)
                else:
                    self._change(change.table, ids, change.old, kind="undo", why=why)
        return self.sample(code)

    def correct_berry(self, berry_id: int, sample: str, why: str) -> None:
        """Move a berry to another sample; it gets the next number where its own is taken."""
        sample_id = self.sample(sample).sample_id
        if self._one(berry_id)["sample_id"] == sample_id:
            raise AlreadyThereError(f"Berry {berry_id} is of sample {sample} already.")
        with self._write("correcting a berry"):
            self._move([berry_id], sample_id, kind="correct", why=why)

    def _of_sample(self, table: str, sample_id: int) -> list[int]:
        """The ids of the rows of a table that belong to a sample."""
        rows = self._records(table, self._columns(table)[0], "sample_id")
        return [row_id for row_id, of in rows if of == sample_id]

    def _move(
        self, ids: Sequence[int], sample_id: int, *, kind: str, why: str, number: int | None = None
    ) -> None:
        """Move berries to a sample, by `number` or their own, or the next one if it is taken."""
        rows = self._records("berries", "berry_id", "sample_id", "number", "void_why")
        taken = {n for _, of, n, void in rows if of == sample_id and void is None}
        alike: dict[int | None, list[int]] = defaultdict(list)  # by new number, None for their own
        for berry_id, _, own, void in rows:
            if berry_id in ids:
                wanted = number or own
                if void is None:
                    wanted = max(taken) + 1 if wanted in taken else wanted
                    taken.add(wanted)
                alike[None if wanted == own else wanted].append(berry_id)
        for wanted, same in alike.items():
            new = {"sample_id": sample_id} | ({} if wanted is None else {"number": wanted})
            self._change("berries", same, new, kind=kind, why=why)
