"""A CSV of many rows, column by column, as factors: each distinct text is kept and converted once.

Here is what cells mean wherever they stand: forces, names, berries and scores.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from calibrate.data.factor import Codes, Factor, combined
from calibrate.data.scale import Scale, score_label
from gauge.csvsheet import ROUNDING, Sheet, name_key
from gauge.errors import BadTableError, InvalidValueError
from gauge.plaintext import seen
from gauge.units import SPELLINGS, Unit

T = TypeVar("T")
Floats = NDArray[np.float64]
# rows; so many are kept as texts at a time
_CHUNK = 1024
# Other columns that are numbers; everything else in a CSV stays text, as selection "114" must.
_NUMERIC = frozenset(
    ("number", "occasion", "squeeze_order", "storage_day", "storage_temp_c", "fruit_temp_c",
     "size_mm", "mass_g", "head_mm", "out_of_store_h", "session_id")
)  # fmt: skip


class CodedSheet(Sheet):
    """The cells of a CSV, column by column, without surrounding blanks.

    `columns` holds a factor for each name of the header, its labels in the order of their first
    rows. Parameters and errors are those of `gauge.csvsheet.CsvSheet`.
    """

    def __init__(self, path: Path, wants: str, **how: Any) -> None:
        super().__init__(path, wants, **how)
        codes = [Codes() for _ in self.header]
        parts: list[list[NDArray[np.int32]]] = [[] for _ in self.header]
        numbers: list[int] = []
        rows = self.rows()
        while chunk := list(islice(rows, _CHUNK)):
            numbers += [number for number, _ in chunk]
            cells = zip(*(row for _, row in chunk), strict=True)
            for part, code, column in zip(parts, codes, cells, strict=True):
                part.append(code.of(column))
        if not numbers:
            self.refuse("Complete or remove the rows.")
        self.numbers = numbers
        self.columns = {
            name: Factor(code=np.concatenate(part), labels=()).relabelled(
                [seen(str(text)) for text in code]
            )
            for name, part, code in zip(self.header, parts, codes, strict=True)
        }

    def parsed(self, name: str, parse: Callable[[str], T]) -> list[T]:
        """Convert each label of a column; a ValueError of `parse` is a problem of its cells.

        Where problems are collected, a bad label is None; else it is a BadTableError.
        """
        values: list[Any] = []
        wrong: dict[int, str] = {}
        for at, label in enumerate(self.columns[name].labels):
            try:
                values.append(parse(label))
            except ValueError as error:
                values.append(None)
                wrong[at] = str(error)
        code = self.columns[name].code
        for row in np.flatnonzero(np.isin(code, list(wrong))).tolist() if wrong else ():
            self.note(row, name, wrong[int(code[row])])
        return values

    def values(self, name: str, parse: Callable[[str], float]) -> Floats:
        """Convert a column to numbers, shape (rows,); see `parsed`."""
        return np.array(self.parsed(name, parse), dtype=float)[self.columns[name].code]

    def relabelled(self, name: str, parse: Callable[[str], str | None]) -> Factor:
        """Convert a column to other texts, None being no label; see `parsed`."""
        return self.columns[name].relabelled(self.parsed(name, parse))

    def names(self, name: str) -> Factor:
        """Read a column of names in their sorted order; an empty cell is refused."""

        def filled(text: str) -> str:
            if not text:
                raise ValueError("the cell is empty")
            return text

        return self.relabelled(name, filled).sorted()

    def raters(self) -> Factor:
        """Read the column of raters, each in one spelling; an empty cell is refused."""
        return spelled_once(self.names("rater"))

    def berries(self) -> Factor | None:
        """Name the berry of each row, if a column does: numbers begin again in every sample."""
        name = next((name for name in ("berry", "number") if name in self.header), None)
        if name is None or "sample" not in self.header:
            return self.names("berry") if name == "berry" else None
        sample, number = self.columns["sample"], self.names(name)
        code = combined([sample, number], len(self))
        labels = []
        for row in np.unique(code, return_index=True)[1].tolist():
            before, own = f"{sample.text(row)}-", number.text(row) or ""
            labels.append(own if own.startswith(before) or before == "-" else before + own)
        return Factor(code=code.astype(np.int32), labels=tuple(labels)).sorted()

    def ranks(self, scale: Scale, *, blank: bool = False) -> Floats:
        """Find the place of each score on a scale, shape (rows,); a blank is NaN if allowed."""

        def place(text: str) -> float:
            if blank and not text:
                return float("nan")
            try:
                return scale.rank(score_label(text))
            except InvalidValueError:
                of = ", ".join(scale.labels)
                raise ValueError(f"'{text}' is no score of the scale {of}") from None

        return self.values("score", place)

    def numbers_or_texts(self, name: str) -> NDArray[np.object_]:
        """Read any other column, shape (rows,); None where a cell is empty."""

        def value(text: str) -> float | str | None:
            if name == "squeeze_order" and text and self.whole(text) < 1:
                raise ValueError("the first to squeeze a berry has 1")
            return self.number(text) if text and name in _NUMERIC else text or None

        return np.array(self.parsed(name, value), dtype=object)[self.columns[name].code]

    def forces(self, *, blank: bool = False) -> Floats:
        """Read newtons from the column of forces, shape (rows,); a blank cell is NaN if allowed.

        A cell that is no number or no unit of force, no unit at all, or another column of forces
        that says something else of a row is a BadTableError.
        """
        column = self.force_column or "force"
        force = self._force(column, self.newtons, blank=blank)
        for other in self.force_columns:
            if other != column:
                said, *digits = (
                    self._force(name, read, blank=True)
                    for name, read in (
                        (other, self.newtons), (other, self.last_digit), (column, self.last_digit)
                    )
                )  # fmt: skip
                off = np.abs(said - force) > sum(digits) + ROUNDING * np.abs(force)
                for row in np.flatnonzero(off).tolist():
                    text = str(self.columns[other].text(row))
                    self.note(row, other, self.contradiction(text, column, force[row]))
        return force

    def _force(self, column: str, read: Callable[[str, Unit], float], *, blank: bool) -> Floats:
        """Read a column of forces by `read`; a blank cell is NaN if allowed."""
        unit = SPELLINGS.get(column.rpartition("_")[2])

        def number(text: str) -> float:
            if blank and not text:
                return float("nan")
            return self.number(text) if unit is None else read(text, unit)

        force = self.values(column, number)
        if unit is not None:
            self._refuse_other_units(column, unit)
            return force
        if "unit" not in self.header:
            raise BadTableError(
                f"{self.path}: column '{self.typed[column]}' has no unit.",
                todo="Add a column unit (N, lbf, kgf ...), or name the column force_N.",
            )
        units, shown = self.columns["unit"], self.columns[column]
        for at, of in enumerate(self.parsed("unit", self.unit)):
            mine = np.flatnonzero((units.code == at) & np.isfinite(force))
            # As written and in its unit, so that the conversion is exact to the last digit.
            known = np.full(len(shown.labels), np.nan)
            for label in np.unique(shown.code[mine]).tolist() if of else ():
                known[label] = read(shown.labels[label], of)
            force[mine] = known[shown.code[mine]]
        return force

    def _refuse_other_units(self, column: str, unit: Unit) -> None:
        """Refuse a column of units that contradicts the header of the forces."""
        if "unit" in self.header and "force" not in self.header:

            def said(text: str) -> None:
                if text and (other := self.unit(text)) is not unit:
                    raise ValueError(f"{other}, but column '{self.typed[column]}' is in {unit}")

            self.parsed("unit", said)


def spelled_once(names: Factor) -> Factor:
    """Make spellings of a name one that differ in case, blanks or the encoding of accents."""
    first: dict[str, str] = {}
    one = [first.setdefault(name_key(name), name) for name in names.labels]
    return names.relabelled(one).sorted()
