"""A sheet of berries, forces or scores or both, compared with a season. Nothing is stored."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any

from gauge.csvsheet import CsvSheet, name_key
from gauge.errors import AlreadyThereError, BadTableError
from gauge.records import FingerScore, Flag, Sample, possible
from gauge.season.rows import Found, ImportedBerry, Key, code_key
from gauge.sheets.berrykeys import BerryKeys, from_one
from gauge.sheets.forces import Force, read_forces
from gauge.sheets.known import Known, RaterNames
from gauge.sheets.plan import sample_columns
from gauge.sheets.scorecells import ScoreCells, ScoreColumn
from gauge.units import Unit

# Columns of our own exports that repeat what others say, or what is not imported; "berry", where
# the number is read.
_REPEATED = {"berry", "berry_id", "session", "session_id", "notes"}
_REPEATED |= {"void", "flags", "peak", "peak_N", "press_only"}


@dataclass(kw_only=True)
class BerrySheet:
    """One sheet while it is read; its bad cells are collected in `sheet.problems`.

    `rater` scored the whole sheet, `new_raters` may be unknown to the season, and `ask` asks
    whether another unknown name is a new rater. With `correct` other scores than those of the
    season are corrections. With `force` new berries and their forces are read, in `unit` where the
    sheet names none.
    """

    sheet: CsvSheet
    known: Known
    rater: str | None = None
    new_raters: Collection[str] = ()
    ask: Callable[[str, str], bool] | None = None
    correct: bool = False
    force: bool = False
    unit: Unit | None = None
    clashes: int = 0
    _found: Found = field(init=False)
    # of scores in this sheet: the first row and column, who squeezed when, berries without any
    _seen: dict[tuple[int | Key, str, int], tuple[int, str]] = field(default_factory=dict)
    _places: dict[tuple[int | Key, int | None], str] = field(default_factory=dict)
    _only: set[int | Key] = field(default_factory=set)

    def read(self, found: Found) -> None:
        """Put what the sheet says into a record; call `refuse` afterwards."""
        sheet = self.sheet
        self._found = found
        berries = BerryKeys(sheet=sheet, known=self.known, new=self.force)
        keys = berries.find()
        found.void = berries.void
        if self.force:
            self._read_berries(keys)
        self._read_scores(keys)
        dated = {s.code for s in (*self.known.samples.values(), *found.samples)
                 if s.due and s.storage_day is not None}  # fmt: skip
        found.undated = sum(not b.at and b.sample not in dated for b in found.berries)
        unread = [name for name in sheet.header if name and name not in sheet.used | _REPEATED]
        found.unread = tuple(sheet.typed[name] for name in unread)

    def refuse(self) -> None:
        """Refuse the sheet if it has problems."""
        problems = self.sheet.problems or []
        only_clashes = 0 < len(problems) == self.clashes
        todo = "Nothing was stored."
        if only_clashes:
            todo += (
                " --correct --why TEXT puts other scores in their place; a second scoring needs a "
                "column occasion with 2."
            )
        self.sheet.refuse(todo, AlreadyThereError if only_clashes else BadTableError)

    def _column(self, name: str, parse: Callable[[str], Any]) -> list[Any]:
        """Parse a column; one that the sheet lacks is one of empty cells."""
        if name not in self.sheet.columns:
            return [parse("")] * len(self.sheet)
        return self.sheet.parsed(name, parse)

    # --- forces -------------------------------------------------------------------------------

    def _read_berries(self, keys: list[int | Key | None]) -> None:
        sheet, found = self.sheet, self._found
        column = sheet.force_column or "force"
        forces = read_forces(sheet, column, self.unit)
        readers: dict[str, Callable[[str], Any]] = {
            "at": _moment,
            "flags": _flags,
            "press_only": _yes,
            **{n: partial(self._possible, n) for n in ("size_mm", "mass_g", "fruit_temp_c")},
        }
        more = {name: self._column(name, read) for name, read in readers.items()}
        for index, void in enumerate(sheet.columns.get("void", ())):
            keys[index] = None if void else keys[index]
        self._read_samples(keys)
        first: dict[int | Key, tuple[int, Force | None]] = {}
        for index, (key, force) in enumerate(zip(keys, forces, strict=True)):
            if key is None:
                continue
            if key in first:
                row, known = first[key]
                if force and known and not force.same(known.newton):
                    what = f"this berry has {known.shown} {known.unit} in row {sheet.numbers[row]}"
                    sheet.note(index, column, what)
                if known or not force:
                    continue
            first[key] = index, force
            if isinstance(key, int):
                stored = self.known.berries[key]
                if force and not force.same(stored.peak_newton):
                    what = f"the season holds {stored.peak_shown} {stored.peak_unit} of this berry"
                    sheet.note(index, column, what)
                found.already += 1
            elif force:
                found.berries.append(
                    ImportedBerry(
                        sample=key[0], number=key[1], row=sheet.numbers[index], shown=force.shown,
                        unit=force.unit, force_newton=force.newton,
                        **{name: cells[index] for name, cells in more.items()},
                    )
                )  # fmt: skip
        bad = {problem.row for problem in sheet.problems or ()}
        for key, (index, force) in first.items():
            if force is None and not isinstance(key, int) and sheet.numbers[index] not in bad:
                sheet.note(index, column, "the cell is empty: this berry has no force")

    def _possible(self, name: str, text: str) -> float | None:
        return possible(name, self.sheet.number(text)) if text else None

    def _read_samples(self, keys: Sequence[int | Key | None]) -> None:
        """Read what the sheet says of each sample: once, and nothing else than the season says."""
        sheet = self.sheet
        columns = sample_columns(sheet)
        given: dict[str, dict[str, Any]] = {}
        for index, key in enumerate(keys):
            if key is None:
                continue
            code = self.known.berries[key].sample if isinstance(key, int) else key[0]
            stored = self.known.samples.get(code_key(code))
            mine = given.setdefault(code, {})
            for name, column in columns.items():
                old = mine.get(name) or getattr(stored, name, None)
                if column[index] is not None and old is not None and column[index] != old:
                    where = "in the season" if stored else "in another row"
                    sheet.note(index, name, f"sample {code} has {old} {where}")
                elif column[index] is not None:
                    mine[name] = column[index]
        self._found.samples = [
            Sample(code=code, **mine)
            for code, mine in given.items()
            if code_key(code) not in self.known.samples
        ]

    # --- scores -------------------------------------------------------------------------------

    def _read_scores(self, keys: Sequence[int | Key | None]) -> None:
        sheet, found = self.sheet, self._found
        cells = ScoreCells(sheet=sheet, labels=self.known.labels)
        names = RaterNames(known=self.known.raters, new=self.new_raters, ask=self.ask)
        occasions = self._column("occasion", lambda text: from_one(sheet, text) if text else 1)
        times = self._column("scored_at", lambda text: text or None)
        columns = cells.columns(
            self.rater, (*names.known, *names.new), sheet.used | _REPEATED, needed=not self.force
        )
        self._only = self.known.press_only | {
            (berry.sample, berry.number) for berry in found.berries if berry.press_only
        }
        for column in columns:
            # An empty cell is no score, but in a sheet of nothing else.
            scores = cells.read(column, blank=self.force or column.name != "score")
            typed = [column.rater] * len(sheet) if column.rater else sheet.parsed("rater", str)
            orders = self._orders(column)
            for index, (key, score) in enumerate(zip(keys, scores, strict=True)):
                rater = typed[index]
                if score is None or key is None or occasions[index] is None or rater is None:
                    continue
                name = self._named(names, rater, index, column)
                if name is None and column.rater:
                    break
                if name is not None:
                    mark = FingerScore(
                        rater=name, score=score, occasion=column.occasion or occasions[index],
                        at=times[index], squeeze_order=orders[index],
                    )  # fmt: skip
                    self._take(key, mark, index, column)
        found.raters = tuple(sorted({mark.rater for _, mark in found.scores + found.corrected}))
        found.alike = names.alike(found.raters)

    def _named(self, names: RaterNames, typed: str, index: int, column: ScoreColumn) -> str | None:
        """Return a rater's name as the season spells it; None of one that is refused."""
        where = column.name if column.rater else "rater"
        if not typed.strip():
            self.sheet.note(index, where, "the cell is empty")
        elif (name := names.named(typed)) is not None:
            return name
        else:
            other = f", any other column --map -='{typed}'" if where == name_key(typed) else ""
            self.sheet.note(index, where, f"{names.refusal(typed)}{other}")
        return None

    def _take(self, key: int | Key, mark: FingerScore, index: int, column: ScoreColumn) -> None:
        """Put a score where it belongs, or note what it contradicts."""
        sheet, found, name = self.sheet, self._found, mark.rater
        where = "berry_id" if "berry_id" in sheet.used else "number"
        where = where if where in sheet.columns else "berry"
        mine = (key, name, mark.occasion)
        first = self._seen.setdefault(mine, (index, column.name))
        stored = self.known.scores.get(mine)
        if first[0] != index:
            row = sheet.numbers[first[0]]
            sheet.note(index, where, f"{name} scored this berry in row {row} too")
        elif first[1] != column.name:
            what = f"{name} scored this berry in column '{sheet.typed[first[1]]}' too"
            sheet.note(index, column.name, what)
        elif key in self._only:
            sheet.note(index, column.name, "this berry was pressed without a squeeze")
        elif mark.squeeze_order and (other := self._squeezed(key, mark)) != name:
            what = f"{other} squeezed this berry as number {mark.squeeze_order}, too"
            sheet.note(index, column.orders, what)
        elif stored is None:
            found.scores.append((key, mark))
        elif stored.score == mark.score and mark.squeeze_order in (None, stored.squeeze_order):
            found.already += 1
        elif isinstance(key, int) and (self.correct or _adds_order(stored, mark)):
            found.corrected.append((key, mark))
        else:
            self.clashes += 1
            place = f", as number {stored.squeeze_order}" if stored.squeeze_order else ""
            old = f"{name} scored this berry {stored.score} on occasion {mark.occasion}{place}"
            sheet.note(index, where, f"{old} already")

    def _squeezed(self, key: int | Key, mark: FingerScore) -> str:
        """Say who squeezed a berry at the place of a score."""
        place = (key, mark.squeeze_order)
        stored = None if self.correct else self.known.squeezes.get(place)
        return stored or self._places.setdefault(place, mark.rater)

    def _orders(self, column: ScoreColumn) -> list[int | None]:
        """Read when in the row of squeezes of each berry those came whose scores are in a column.

        Every rater's column of scores has a column of its own, such as squeeze_order_ines.
        """
        if column.name != "score" and "squeeze_order" in self.sheet.columns:
            self.sheet.lacks(
                "score",
                todo="squeeze_order is of one score: give one row a score, or a column each, such "
                "as squeeze_order_ines.",
            )
        return self._column(
            column.orders, lambda text: from_one(self.sheet, text) if text else None
        )


def _yes(text: str) -> bool:
    words = {"": False, "0": False, "no": False, "1": True, "yes": True, "x": True}
    if text.casefold() not in words:
        raise ValueError(f"'{text}' is neither yes nor no")
    return words[text.casefold()]


def _moment(text: str) -> str | None:
    try:
        return datetime.fromisoformat(text).isoformat() if text else None
    except ValueError:
        raise ValueError(f"'{text}' is not a time such as 2025-07-31T08:05") from None


def _flags(text: str) -> tuple[Flag, ...]:
    try:
        return tuple(Flag(part.strip()) for part in text.split(";") if part.strip())
    except ValueError:
        raise ValueError(f"'{text}' is no remark on a peak known here") from None


def _adds_order(stored: FingerScore, mark: FingerScore) -> bool:
    """Return whether a score says no more than when in the row of squeezes it was given."""
    return stored.score == mark.score and stored.squeeze_order is None
