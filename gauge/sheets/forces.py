"""The forces of a sheet: as shown, with their unit and in newtons, of one column or of several."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from gauge.csvsheet import ROUNDING, CsvSheet
from gauge.errors import BadTableError
from gauge.units import MOST_NEWTON, SPELLINGS, Unit, parse_unit


class Force(NamedTuple):
    """A force as a sheet shows it, with a decimal point."""

    shown: str
    unit: Unit
    newton: float

    def same(self, newton: float | None) -> bool:
        """Return whether these newtons are the same, written with other digits."""
        return newton is not None and abs(self.newton - newton) <= ROUNDING * newton


def read_forces(sheet: CsvSheet, column: str, unit: Unit | None) -> list[Force | None]:
    """Read a column of forces, in `unit` where the sheet names none; None of blank and bad cells.

    Other columns of forces must say the same.
    """
    if column != "force":
        _note_other_units(sheet, column, unit)
    found = _read(sheet, column, unit)
    for other in sheet.force_columns:
        for index, (force, said) in enumerate(zip(found, _read(sheet, other, unit), strict=True)):
            if other != column and force and said:
                digits = sum(sheet.last_digit(one.shown, one.unit) for one in (force, said))
                if abs(said.newton - force.newton) > digits + ROUNDING * force.newton:
                    text = f"{said.shown} {said.unit}"
                    sheet.note(index, other, sheet.contradiction(text, column, force.newton))
    return found


def _read(sheet: CsvSheet, column: str, unit: Unit | None) -> list[Force | None]:
    units: Sequence[Unit | None] = [unit] * len(sheet)
    if column != "force":
        units = [parse_unit(column.rpartition("_")[2])] * len(sheet)
    elif "unit" in sheet.columns:
        units = sheet.parsed("unit", lambda text: sheet.unit(text) if text else unit)
    elif bracket := re.search(r"[(\[]\s*(\w+)\s*[)\]]\s*$", sheet.typed[column]):
        units = [SPELLINGS.get(bracket[1], unit)] * len(sheet)
    values = sheet.parsed(column, lambda text: sheet.number(text) if text else None)
    if all(one is None for one in units):
        raise BadTableError(
            f"{sheet.path}: column '{sheet.typed[column]}' has no unit.",
            todo="Say which: --unit lbf, or a column unit.",
        )
    found: list[Force | None] = []
    for index, (value, own) in enumerate(zip(values, units, strict=True)):
        force = None
        if value is not None and own is not None:
            text = sheet.columns[column][index]
            newton = sheet.newtons(text, own)
            if 0 < newton <= MOST_NEWTON:
                force = Force(text.replace(",", ".") if sheet.comma else text, own, newton)
            else:
                high = "" if own is Unit.N else f"{newton:.0f} N, "
                what = "no press" if newton <= 0 else f"{high}a force that no berry has"
                sheet.note(index, column, f"{text} {own} is {what}")
        found.append(force)
    return found


def _note_other_units(sheet: CsvSheet, column: str, unit: Unit | None) -> None:
    """Refuse what contradicts the unit that the header of the forces names."""
    own = parse_unit(column.rpartition("_")[2])
    header = f"column '{sheet.typed[column]}' is in {own}"
    if unit not in {None, own}:
        raise BadTableError(f"{sheet.path}: {header}.", todo=f"Leave out --unit {unit}.")
    if "unit" in sheet.columns and "force" not in sheet.columns:
        said = sheet.parsed("unit", lambda text: sheet.unit(text) if text else None)
        for index, other in enumerate(said):
            if other not in {None, own}:
                sheet.note(index, "unit", f"{other}, but {header}")
