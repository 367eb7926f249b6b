"""A sheet of berries, forces or scores or both, compared with a season. Nothing is stored."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from functools import partial
from typing import Any

from gauge.csvsheet import ROUNDING, CsvSheet, name_key
from gauge.errors import AlreadyThereError, BadTableError, UnknownUnitError
from gauge.plaintext import control_in
from gauge.records import FingerScore, Flag, Sample, possible
from gauge.season.file import SeasonFile
from gauge.season.rows import BerryRow, ImportedBerry
from gauge.season.scores import default_scale, labels_of
from gauge.sheets.plan import sample_columns
from gauge.units import MOST_NEWTON, Unit, parse_unit

# A column of one rater's scores, as 'gauge readings' writes it; the number is the occasion.
_SCORES_OF = re.compile(r"score_(.+?)(?:_(\d+))?", re.IGNORECASE)
# Columns of our own exports that repeat what others say, or what is not imported.
_REPEATED = {"berry_id", "session", "session_id", "notes", "void", "flags", "peak", "peak_N"}
# What a clamshell is called where there is no column of that name.
_SAMPLE_COLUMNS = ("sample", "clamshell", "code")
_MOST_COUNTED = 10**9  # of a berry, an occasion, a place: what SQLite holds and a float counts
_Key = tuple[str, int]


@dataclass(frozen=True, kw_only=True)
class Known:
    """What a season holds, for a sheet to be compared with; of a season to come, its scale."""

    labels: tuple[str, ...]
    raters: tuple[str, ...] = ()
    samples: Mapping[str, Sample] = field(default_factory=dict)
    """By the keys of their codes and blind codes."""
    berries: Mapping[int, BerryRow] = field(default_factory=dict)
    ids: Mapping[_Key, int] = field(default_factory=dict)
    """Of berries that are not void, by sample and number."""
    void: Collection[_Key] = ()
    """Numbers of void berries that no other has taken."""

    @classmethod
    def of(cls, season: SeasonFile | None, crop: str | None = None) -> Known:
        """Read what a season holds; None for a season that is yet to be begun."""
        if season is None:
            return cls(labels=labels_of(default_scale(crop)))
        samples = [row.sample for row in season.samples()]
        berries = {berry.berry_id: berry for berry in season.berries()}
        ids = {(b.sample, b.number): i for i, b in berries.items() if b.void is None}
        return cls(
            labels=season.labels,
            raters=tuple(season.rater_names()),
            samples={
                name_key(name): sample
                for sample in samples
                for name in (sample.code, sample.blind_code)
                if name
            },
            berries=berries,
            ids=ids,
            void={(b.sample, b.number) for b in berries.values()} - ids.keys(),
        )


@dataclass(kw_only=True)
class Found:
    """What a sheet says: berries and samples that are new, scores, scores to put in their place.

    A score is of a berry's id, or of the sample and number of a new one.
    """

    rows: int
    berries: list[ImportedBerry] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    scores: list[tuple[int | _Key, FingerScore]] = field(default_factory=list)
    corrected: list[tuple[int, FingerScore]] = field(default_factory=list)
    raters: tuple[str, ...] = ()
    already: int = 0
    """Scores and berries that the season holds just so."""
    void: int = 0
    """Rows of void berries, which are left out."""
    alike: tuple[tuple[str, str], ...] = ()
    """New names of raters that look like another's."""
    unread: tuple[str, ...] = ()
    """Columns of the sheet that were not read."""


@dataclass(kw_only=True)
class BerrySheet:
    """One sheet while it is read; its bad cells are collected in `sheet.problems`.

    Attributes
    ----------
    rater : str or None
        Who scored the whole sheet.
    new_raters : collection of str
        Who may be unknown to the season.
    ask : callable or None
        Asks whether an unknown name is a new rater; None where nobody can be asked.
    correct : bool
        Whether other scores than those of the season are corrections.
    force : bool
        Whether new berries and their forces are read, in `unit` where the sheet names none.
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
    _void: int = 0
    _names: dict[str, str | None] = field(default_factory=dict)
    _codes: dict[str, str] = field(default_factory=dict)
    _used: set[str] = field(default_factory=set)

    def read(self, found: Found) -> None:
        """Put what the sheet says into a record; call `refuse` afterwards."""
        sheet = self.sheet
        self._names = {name_key(name): name for name in self.known.raters}
        keys = self._keys()
        if self.force:
            self._read_berries(found, keys)
        self._read_scores(found, keys)
        self._refuse_controls()
        found.void = self._void
        found.raters = tuple(sorted({mark.rater for _, mark in found.scores + found.corrected}))
        found.alike = self._alike(found.raters)
        unread = [name for name in sheet.header if name and name not in self._used | _REPEATED]
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

    def _refuse_controls(self) -> None:
        """Note cells whose text the season would refuse."""
        for name, cells in self.sheet.columns.items():
            if name in self._used and control_in("".join(cells)):
                for index, cell in enumerate(cells):
                    if char := control_in(cell):
                        what = f"{cell!r} holds the control character {char!r}; type it without"
                        self.sheet.note(index, name, what)

    def _column(self, name: str, parse: Callable[[str], Any], default: Any = None) -> list[Any]:
        """Parse a column; its default in every row of a sheet that lacks it."""
        if name not in self.sheet.columns:
            return [default] * len(self.sheet)
        self._used.add(name)
        return self.sheet.parsed(name, parse)

    # --- which berry --------------------------------------------------------------------------

    def _keys(self) -> list[int | _Key | None]:
        """Find the berry of each row: an id, sample and number of a new one, None of a bad row."""
        sheet, columns = self.sheet, self.sheet.columns
        if "berry_id" in columns and not self.force:
            self._used.add("berry_id")
            return [
                None if berry_id is None else self._by_id(index, berry_id)
                for index, berry_id in enumerate(sheet.parsed("berry_id", self._from_one))
            ]
        column = next((name for name in ("number", "berry") if name in columns), "number")
        where = next((name for name in _SAMPLE_COLUMNS if name in columns), None)
        labelled = column in columns and "-" in "".join(columns[column])
        missing = [] if where or labelled else ["sample"]
        missing += ["force"] if self.force and sheet.force_column is None else []
        if missing:
            maps = " ".join(f"--map {name}=HEADER" for name in missing)
            sheet.lacks("' or '".join(missing), todo=f"Say which column it is: {maps}.")
        self._used |= {str(where), "number", "berry"}
        if where is not None:
            codes: list[str | None] = sheet.parsed(where, _filled)
            numbers: list[int | None]
            if column in columns:
                numbers = sheet.parsed(column, self._number)
            elif self.force:
                # Each row is a berry, the next of its sample.
                seen: Counter[str] = Counter()
                numbers = [_next(seen, name_key(code or "")) for code in codes]
            else:
                sheet.need(column, todo="Berry 7 of a sample has the number 7.")
        else:
            labels = [one or (None, None) for one in sheet.parsed(column, self._label)]
            codes, numbers = [code for code, _ in labels], [number for _, number in labels]
        return [
            None if code is None or number is None else self._by_number(index, code, number, column)
            for index, (code, number) in enumerate(zip(codes, numbers, strict=True))
        ]

    def _by_id(self, index: int, berry_id: int) -> int | None:
        berry = self.known.berries.get(berry_id)
        if berry is None:
            self.sheet.note(index, "berry_id", f"the season holds no berry {berry_id}")
        elif berry.void is not None:
            self.sheet.note(index, "berry_id", f"berry {berry_id} is void ({berry.void})")
        else:
            return berry_id
        return None

    def _by_number(self, index: int, code: str, number: int, column: str) -> int | _Key | None:
        sample = self.known.samples.get(name_key(code))
        # A new sample's code has its first spelling.
        known = sample.code if sample else self._codes.setdefault(name_key(code), code)
        key = (known, number)
        if key in self.known.ids:
            return self.known.ids[key]
        if self.force:
            return key
        if key in self.known.void:
            self._void += 1
            return None
        if not any(known == key[0] for known, _ in self.known.ids):
            what = f"the season has no berry of a sample '{code}'"
            self.sheet.note(index, "sample" if "sample" in self.sheet.columns else column, what)
        else:
            what = f"sample '{code}' has no berry {number}"
            self.sheet.note(index, column, what)
        return None

    def _from_one(self, text: str) -> int:
        if (number := self.sheet.whole(text)) < 1:
            raise ValueError("counting begins at 1")
        if number > _MOST_COUNTED:
            raise ValueError(f"{text} is too high for a number that is counted")
        return number

    def _number(self, text: str) -> int:
        """Read a berry's number, also of its label such as "C-01-7"."""
        code, _, number = text.rpartition("-")
        return self._from_one(number if code.strip() else text)

    def _label(self, text: str) -> tuple[str, int]:
        code, dash, _ = text.rpartition("-")
        if not dash or not code.strip():
            raise ValueError(f"'{text}' is no label such as C-01-7, and there is no column sample")
        return code.strip(), self._number(text)

    # --- forces -------------------------------------------------------------------------------

    def _read_berries(self, found: Found, keys: list[int | _Key | None]) -> None:
        sheet = self.sheet
        column = sheet.force_column or "force"
        self._used |= {column, "unit"}
        forces = self._forces(column)
        at = self._column("at", _moment)
        flags = self._column("flags", _flags, ())
        only = self._column("press_only", _yes, False)
        size, mass, temp = (
            self._column(name, partial(self._possible, name))
            for name in ("size_mm", "mass_g", "fruit_temp_c")
        )
        for index, void in enumerate(sheet.columns.get("void", ())):
            keys[index] = None if void else keys[index]
        self._read_samples(found, keys)
        first: dict[int | _Key, tuple[int, tuple[str, Unit, float] | None]] = {}
        for index, (key, force) in enumerate(zip(keys, forces, strict=True)):
            if key is None:
                continue
            if key in first:
                row, known = first[key]
                if force and known and not _same(force[2], known[2]):
                    what = f"this berry has {known[0]} {known[1]} in row {sheet.numbers[row]}"
                    sheet.note(index, column, what)
                if known or not force:
                    continue
            first[key] = index, force
            if isinstance(key, int):
                stored = self.known.berries[key]
                if force and not (stored.peak_newton and _same(force[2], stored.peak_newton)):
                    what = f"the season holds {stored.peak_shown} {stored.peak_unit} of this berry"
                    sheet.note(index, column, what)
                found.already += 1
            elif force:
                found.berries.append(
                    ImportedBerry(
                        sample=key[0], number=key[1], row=sheet.numbers[index], shown=force[0],
                        unit=force[1], force_newton=force[2], at=at[index], size_mm=size[index],
                        mass_g=mass[index], fruit_temp_c=temp[index], flags=flags[index] or (),
                        press_only=bool(only[index]),
                    )
                )  # fmt: skip
        bad = {problem.row for problem in sheet.problems or ()}
        for key, (index, force) in first.items():
            if force is None and not isinstance(key, int) and sheet.numbers[index] not in bad:
                sheet.note(index, column, "the cell is empty: this berry has no force")

    def _possible(self, name: str, text: str) -> float | None:
        return possible(name, self.sheet.number(text)) if text else None

    def _forces(self, column: str) -> list[tuple[str, Unit, float] | None]:
        """Read the forces as shown, with unit and newtons; None of blank and bad cells.

        Other columns of forces must say the same.
        """
        sheet = self.sheet
        if column != "force":
            self._refuse_other_units(column)
        found = self._force(column)
        for other in sheet.force_columns:
            if other == column:
                continue
            self._used.add(other)
            for index, (force, said) in enumerate(zip(found, self._force(other), strict=True)):
                if force and said:
                    digits = sum(sheet.last_digit(text, unit) for text, unit, _ in (force, said))
                    if abs(said[2] - force[2]) > digits + ROUNDING * force[2]:
                        what = sheet.contradiction(f"{said[0]} {said[1]}", column, force[2])
                        sheet.note(index, other, what)
        return found

    def _force(self, column: str) -> list[tuple[str, Unit, float] | None]:
        """Read one column of forces; see `_forces`."""
        sheet = self.sheet
        units: Sequence[Unit | None] = [self.unit] * len(sheet)
        if column != "force":
            units = [parse_unit(column.rpartition("_")[2])] * len(sheet)
        elif "unit" in sheet.columns:
            units = sheet.parsed("unit", lambda text: _unit(text) if text else self.unit)
        elif bracket := re.search(r"[(\[]\s*(\w+)\s*[)\]]\s*$", sheet.typed[column]):
            units = [_unit_or(bracket[1], self.unit)] * len(sheet)
        shown = sheet.parsed(column, lambda text: sheet.number(text) if text else None)
        if all(unit is None for unit in units):
            raise BadTableError(
                f"{sheet.path}: column '{sheet.typed[column]}' has no unit.",
                todo="Say which: --unit lbf, or a column unit.",
            )
        found: list[tuple[str, Unit, float] | None] = []
        for index, (value, unit) in enumerate(zip(shown, units, strict=True)):
            force = None
            if value is not None and unit is not None:
                text = sheet.columns[column][index]
                newton = sheet.newtons(text, unit)
                if 0 < newton <= MOST_NEWTON:
                    force = text.replace(",", ".") if sheet.comma else text, unit, newton
                else:
                    high = f"{newton:.0f} N, a force that no berry has"
                    sheet.note(
                        index, column, f"{text} {unit} is {'no press' if newton <= 0 else high}"
                    )
            found.append(force)
        return found

    def _refuse_other_units(self, column: str) -> None:
        """Refuse what contradicts the unit that the header of the forces names."""
        sheet, unit = self.sheet, parse_unit(column.rpartition("_")[2])
        header = f"column '{sheet.typed[column]}' is in {unit}"
        if self.unit not in {None, unit}:
            raise BadTableError(f"{sheet.path}: {header}.", todo=f"Leave out --unit {self.unit}.")
        given_unit = self._column("unit", lambda text: _unit(text) if text else None)
        for index, other in enumerate(given_unit if "force" not in sheet.columns else ()):
            if other not in {None, unit}:
                sheet.note(index, "unit", f"{other}, but {header}")

    def _read_samples(self, found: Found, keys: Sequence[int | _Key | None]) -> None:
        """Read what the sheet says of each sample: once, and nothing else than the season says."""
        sheet = self.sheet
        columns = sample_columns(sheet)
        self._used |= columns.keys()
        given: dict[str, dict[str, Any]] = {}
        for index, key in enumerate(keys):
            if key is None:
                continue
            code = self.known.berries[key].sample if isinstance(key, int) else key[0]
            stored = self.known.samples.get(name_key(code))
            mine = given.setdefault(code, {})
            for name, column in columns.items():
                old = mine.get(name) or getattr(stored, name, None)
                if column[index] is not None and old is not None and column[index] != old:
                    where = "in the season" if stored else "in another row"
                    sheet.note(index, name, f"sample {code} has {old} {where}")
                elif column[index] is not None:
                    mine[name] = column[index]
        found.samples = [
            Sample(code=code, **mine)
            for code, mine in given.items()
            if name_key(code) not in self.known.samples
        ]

    # --- scores -------------------------------------------------------------------------------

    def _read_scores(self, found: Found, keys: Sequence[int | _Key | None]) -> None:
        sheet = self.sheet
        columns = self._score_columns()
        where = "berry_id" if "berry_id" in self._used else "number"
        where = where if where in sheet.columns else "berry"
        occasions = self._column("occasion", lambda text: self._from_one(text) if text else 1, 1)
        only: set[int | _Key] = {
            berry.berry_id for berry in self.known.berries.values() if berry.press_only
        }
        only |= {(berry.sample, berry.number) for berry in found.berries if berry.press_only}
        places: dict[tuple[int | _Key, int | None], str] = {
            (berry.berry_id, mark.squeeze_order): mark.rater
            for berry in self.known.berries.values()
            for mark in berry.scores
        }
        times = self._column("scored_at", lambda text: text or None)
        stored = {
            (berry.berry_id, mark.rater, mark.occasion): mark.score
            for berry in self.known.berries.values()
            for mark in berry.scores
        }
        seen: dict[tuple[Any, ...], tuple[int, str]] = {}
        for column, rater, of_column in columns:
            self._used.add(column)
            # An empty cell is no score, but in a sheet of nothing else.
            blank = self.force or column != "score"
            other = f"; a column of anything else: --map -='{sheet.typed[column]}'"
            scores = sheet.parsed(
                column, partial(self._score, blank=blank, other=other if rater == column else "")
            )
            raters = [rater] * len(sheet) if rater else sheet.columns["rater"]
            orders = self._orders(column)
            for index, (key, score, typed) in enumerate(zip(keys, scores, raters, strict=True)):
                if score is None or key is None or occasions[index] is None:
                    continue
                name = self._rater(typed, index, column if rater else "rater")
                if name is None and rater:
                    break
                if name is None:
                    continue
                mark = FingerScore(
                    rater=name, score=score, occasion=of_column or occasions[index],
                    at=times[index], squeeze_order=orders[index],
                )  # fmt: skip
                mine = (key, name, mark.occasion)
                first = seen.setdefault(mine, (index, column))
                if first[0] != index:
                    row = sheet.numbers[first[0]]
                    sheet.note(index, where, f"{name} scored this berry in row {row} too")
                elif first[1] != column:
                    what = f"{name} scored this berry in column '{sheet.typed[first[1]]}' too"
                    sheet.note(index, column, what)
                elif key in only:
                    sheet.note(index, column, "this berry was pressed without a squeeze")
                elif mine not in stored:
                    place = (key, mark.squeeze_order)
                    if place[1] and places.setdefault(place, name) != name:
                        what = f"{places[place]} squeezed this berry as number {place[1]}, too"
                        sheet.note(index, self._order_column(column), what)
                    found.scores.append((key, mark))
                elif stored[mine] == score:
                    found.already += 1
                elif self.correct and isinstance(key, int):
                    found.corrected.append((key, mark))
                else:
                    self.clashes += 1
                    old = f"{name} scored this berry {stored[mine]} on occasion {mark.occasion}"
                    sheet.note(index, where, f"{old} already")

    def _order_column(self, column: str) -> str:
        """Name the column with the order of the squeezes whose scores stand in a column."""
        return f"squeeze_order_{column.removeprefix('score').lstrip('_')}".rstrip("_")

    def _orders(self, column: str) -> list[int | None]:
        """Read when in the row of squeezes of each berry those came whose scores are in a column.

        Every rater's column of scores has a column of its own, such as squeeze_order_ines.
        """
        if column != "score" and "squeeze_order" in self.sheet.columns:
            self.sheet.lacks(
                "score",
                todo="squeeze_order is of one score: give one row a score, or a column each, such "
                "as squeeze_order_ines.",
            )
        name = self._order_column(column)
        return self._column(name, lambda text: self._from_one(text) if text else None)

    def _score_columns(self) -> list[tuple[str, str | None, int | None]]:
        """Find the columns of scores, each with the rater and occasion that its header names."""
        sheet = self.sheet
        if "score" in sheet.columns:
            if self.rater is None:
                sheet.need("rater", todo="Or say whose sheet it is: --rater NAME.")
            elif "rater" in sheet.columns:
                raise BadTableError(
                    f"{sheet.path}: the sheet has a column 'rater'.", todo="Leave out --rater."
                )
            self._used.add("rater")
            return [("score", self.rater, None)]
        found: list[tuple[str, str | None, int | None]] = []
        names = {name_key(name) for name in (*self.known.raters, *self.new_raters)}
        for column in sheet.header:
            if parts := _SCORES_OF.fullmatch(column):
                found.append((column, parts[1], int(parts[2] or 0) or None))
            elif name_key(column) in names:
                found.append((column, column, None))
        # And whatever holds scores in the main, under a header that says nothing else to us: a new
        # rater's column, whose bad cells are named, is not passed over.
        other = self._used | _REPEATED | {column for column, _, _ in found}
        other |= {name for name in sheet.header if name.startswith("squeeze_order")}
        free = [name for name in sheet.header if name and name not in other]
        found += [(name, name, None) for name in free if self._looks_like_scores(name)]
        if not found and not self.force:
            sheet.need("score", todo="Or give each rater a column: score_ines, score_marek.")
        return found

    def _looks_like_scores(self, column: str) -> bool:
        filled = [cell for cell in self.sheet.columns[column] if cell]
        scores = 0
        for cell in filled:
            with suppress(ValueError):
                scores += self._score(cell, blank=False) is not None
        return 2 * scores >= max(len(filled), 1)

    def _rater(self, typed: str, index: int, column: str) -> str | None:
        """Return a rater's name as the season spells it; None of one that is refused."""
        if not typed.strip():
            self.sheet.note(index, column, "the cell is empty")
            return None
        key = name_key(typed)
        if key not in self._names:
            allowed = not self.known.raters or key in map(name_key, self.new_raters)
            if not allowed and self.ask is not None:
                allowed = self.ask(typed, self._like(key))
            self._names[key] = " ".join(typed.split()) if allowed else None
        if self._names[key] is None:
            like = self._like(key) or f", which knows {', '.join(self.known.raters)}"
            what = f"'{typed}' has scored nothing in this season{like}"
            other = f", any other column --map -='{typed}'" if column == name_key(typed) else ""
            self.sheet.note(
                index, column, f"{what}; a new rater needs --new-rater '{typed}'{other}"
            )
        return self._names[key]

    def _like(self, key: str) -> str:
        """Ask whether a name like this is meant."""
        known = {name_key(name): name for name in self.known.raters}
        likely = get_close_matches(key, list(known), 1)
        return f" (is it {known[likely[0]]}?)" if likely else ""

    def _alike(self, raters: Sequence[str]) -> tuple[tuple[str, str], ...]:
        """Pair each rater who is new with one whose name is written much alike."""
        keys = {name_key(name): name for name in (*self.known.raters, *raters)}
        found: list[tuple[str, str]] = []
        for name in raters:
            others = [key for key in keys if keys[key] != name]
            if name not in self.known.raters and (like := get_close_matches(name, others, 1, 0.8)):
                pair = (name, keys[like[0]])
                found += [] if pair[::-1] in found else [pair]
        return tuple(found)

    def _score(self, text: str, *, blank: bool, other: str = "") -> str | None:
        """Return the scale's own spelling of a score: "3.0" is "3" and "Firm" is "firm"."""
        if not text and blank:
            return None
        by_case = {label.casefold(): label for label in self.known.labels}
        plain = _filled(text).casefold()
        if plain not in by_case and plain.endswith((".0", ",0")):
            plain = plain[:-2]
        if plain not in by_case:
            scale = ", ".join(self.known.labels)
            raise ValueError(f"'{text}' is not a score of the season's scale ({scale}){other}")
        return by_case[plain]


def _next(seen: Counter[str], key: str) -> int:
    seen[key] += 1
    return seen[key]


def _same(one_newton: float, other_newton: float) -> bool:
    return abs(one_newton - other_newton) <= ROUNDING * other_newton


def _filled(text: str) -> str:
    if not text:
        raise ValueError("the cell is empty")
    return text


def _yes(text: str) -> bool:
    words = {"": False, "0": False, "no": False, "1": True, "yes": True, "x": True}
    if text.casefold() not in words:
        raise ValueError(f"'{text}' is neither yes nor no")
    return words[text.casefold()]


def _unit(text: str) -> Unit:
    try:
        return parse_unit(text)
    except UnknownUnitError as error:
        raise ValueError(error.what.rstrip(".")) from None


def _unit_or(text: str, other: Unit | None) -> Unit | None:
    try:
        return parse_unit(text)
    except UnknownUnitError:
        return other


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
