"""A CSV of many rows, column by column, as factors: each distinct text is kept and converted once.

It interprets no column except forces.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calibrate.data.factor import Codes, Factor
from gauge.csvsheet import Sheet, name_key
from gauge.errors import BadTableError, UnknownUnitError
from gauge.units import SPELLINGS, Unit, parse_unit

T = TypeVar("T")
Floats = NDArray[np.float64]
# rows; so many are kept as texts at a time
_CHUNK = 1024


class CodedSheet(Sheet):
    """The cells of a CSV, column by column, without surrounding blanks.

    `columns` holds a factor for each name of the header, its labels in the order of their first
    rows. Parameters and errors are those of `gauge.csvsheet.CsvSheet`.
    """

    def __init__(self, path: Path, wants: str) -> None:
        super().__init__(path, wants)
        codes = [Codes() for _ in self.header]
        parts: list[list[NDArray[np.int32]]] = [[] for _ in self.header]
        numbers: list[int] = []
        rows = self.rows()
        while chunk := list(islice(rows, _CHUNK)):
            numbers += [number for number, _ in chunk]
            cells = zip(*(row for _, row in chunk), strict=True)
            for part, code, column in zip(parts, codes, cells, strict=True):
                part.append(code.of(column))
        self.numbers = numbers
        self.columns = {
            name: Factor(code=np.concatenate(part), labels=()).relabelled(
                [str(text).strip() for text in code]
            )
            for name, part, code in zip(self.header, parts, codes, strict=True)
        }

    def parsed(self, name: str, parse: Callable[[str], T]) -> list[T]:
        """Convert each label of a column; a ValueError of `parse` names the first bad cell.

        Raises
        ------
        BadTableError
            If `parse` raises a ValueError.
        """
        values: list[T] = []
        try:
            values.extend(map(parse, self.columns[name].labels))
        except ValueError as error:
            # Labels stand in the order of their first rows: the one after those parsed is the
            # first bad cell.
            row = int(np.argmax(self.columns[name].code == len(values)))
            self.bad(row, name, str(error))
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

    def forces(self, *, blank: bool = False) -> Floats:
        """Read newtons from the column of forces, shape (rows,); a blank cell is NaN if allowed.

        Raises
        ------
        BadTableError
            If a cell is no number or no unit of force, or there is no unit.
        """
        column = self.force_column or "force"
        unit = SPELLINGS.get(column.removeprefix("force_"))

        def number(text: str) -> float:
            if blank and not text:
                return float("nan")
            return self.number(text) if unit is None else self.newtons(text, unit)

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
        for at, of in enumerate(self.parsed("unit", _unit)):
            mine = np.flatnonzero((units.code == at) & np.isfinite(force))
            # As written and in its unit, so that the conversion is exact to the last digit.
            known = np.zeros(len(shown.labels))
            for label in np.unique(shown.code[mine]).tolist():
                known[label] = self.newtons(shown.labels[label], of)
            force[mine] = known[shown.code[mine]]
        return force

    def _refuse_other_units(self, column: str, unit: Unit) -> None:
        """Refuse a column of units that contradicts the header of the forces."""
        if "unit" in self.header:
            said = self.parsed("unit", lambda text: _unit(text) if text else unit)
            for at, other in enumerate(said):
                if other is not unit:
                    row = int(np.argmax(self.columns["unit"].code == at))
                    self.bad(
                        row, "unit", f"{other}, but column '{self.typed[column]}' is in {unit}"
                    )


def spelled_once(names: Factor) -> Factor:
    """Make spellings of a name one that differ in case, blanks or the encoding of accents."""
    first: dict[str, str] = {}
    one = [first.setdefault(name_key(name), name) for name in names.labels]
    return names.relabelled(one).sorted()


def _unit(text: str) -> Unit:
    try:
        return parse_unit(text)
    except UnknownUnitError as error:
        raise ValueError(error.what.rstrip(".")) from None
