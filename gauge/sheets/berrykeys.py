"""Which berry each row of a sheet means: by its id, its sample and number, or its label."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from itertools import count

from gauge.csvsheet import CsvSheet
from gauge.season.rows import Key, code_key
from gauge.sheets.known import Known

# What a clamshell is called where there is no column of that name.
_SAMPLE_COLUMNS = ("sample", "clamshell", "code")
_MOST_COUNTED = 10**9  # of a berry, an occasion, a place: what SQLite holds and a float counts


@dataclass(kw_only=True)
class BerryKeys:
    """Finds the berry of each row in what a season holds; with `new` others are new ones.

    `void` counts rows of void berries, which are left out.
    """

    sheet: CsvSheet
    known: Known
    new: bool
    void: int = 0
    _codes: dict[str, str] = field(default_factory=dict)

    def find(self) -> list[int | Key | None]:
        """Find the berry of each row: an id, sample and number of a new one, None of a bad row."""
        sheet, columns = self.sheet, self.sheet.columns
        if "berry_id" in columns and not self.new:
            return [
                None if berry_id is None else self._by_id(index, berry_id)
                for index, berry_id in enumerate(sheet.parsed("berry_id", partial(from_one, sheet)))
            ]
        column = next((name for name in ("number", "berry") if name in columns), "number")
        where = next((name for name in _SAMPLE_COLUMNS if name in columns), None)
        labelled = column in columns and "-" in "".join(columns[column])
        missing = [] if where or labelled else ["sample"]
        missing += ["force"] if self.new and sheet.force_column is None else []
        if missing:
            maps = " ".join(f"--map {name}=HEADER" for name in missing)
            sheet.lacks("' or '".join(missing), todo=f"Say which column it is: {maps}.")
        if where is not None:
            codes: list[str | None] = sheet.parsed(where, _filled)
            numbers: list[int | None]
            if column in columns:
                numbers = sheet.parsed(column, self._number)
            elif self.new:
                # Each row is a berry, the next of its sample.
                counted: dict[str, Iterator[int]] = defaultdict(partial(count, 1))
                numbers = [next(counted[code_key(code or "")]) for code in codes]
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

    def _by_number(self, index: int, code: str, number: int, column: str) -> int | Key | None:
        sample = self.known.samples.get(code_key(code))
        # A new sample's code has its first spelling.
        known = sample.code if sample else self._codes.setdefault(code_key(code), code)
        key = (known, number)
        if key in self.known.ids:
            return self.known.ids[key]
        if self.new:
            return key
        if key in self.known.void:
            self.void += 1
            return None
        if not any(known == key[0] for known, _ in self.known.ids):
            what = f"the season has no berry of a sample '{code}'"
            self.sheet.note(index, "sample" if "sample" in self.sheet.columns else column, what)
        else:
            what = f"sample '{code}' has no berry {number}"
            self.sheet.note(index, column, what)
        return None

    def _number(self, text: str) -> int:
        """Read a berry's number, also of its label such as "C-01-7"."""
        code, _, number = text.rpartition("-")
        return from_one(self.sheet, number if code.strip() else text)

    def _label(self, text: str) -> tuple[str, int]:
        code, dash, _ = text.rpartition("-")
        if not dash or not code.strip():
            raise ValueError(f"'{text}' is no label such as C-01-7, and there is no column sample")
        return code.strip(), self._number(text)


def from_one(sheet: CsvSheet, text: str) -> int:
    """Read a whole number from 1 on; a ValueError is for a cell."""
    if (number := sheet.whole(text)) < 1:
        raise ValueError("counting begins at 1")
    if number > _MOST_COUNTED:
        raise ValueError(f"{text} is too high for a number that is counted")
    return number


def _filled(text: str) -> str:
    if not text:
        raise ValueError("the cell is empty")
    return text
