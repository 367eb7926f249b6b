"""CSV in and out: columns of text cells with the row numbers that a spreadsheet shows.

Comma, semicolon (then the comma is the decimal sign) or tab; UTF-8 with or without a byte order
mark. What is written opens in R, pandas and spreadsheets: numbers as numbers, and no text that a
spreadsheet would run as a formula.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path
from typing import NoReturn, TypeVar

from gauge.errors import BadTableError, UnreadableFileError

T = TypeVar("T")
Cell = str | int | float | Decimal | None

# A cell that begins so is run as a formula (CWE-1236, neutralisation of formula elements in a
# CSV file); a leading apostrophe makes it text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


class Sheet:
    """A CSV's header, and its filled rows one by one; cells are kept by what builds on it.

    Parameters
    ----------
    path : Path
    wants : str
        What the CSV should hold, for the message when it holds nothing.

    Attributes
    ----------
    header : list of str
    numbers : sequence of int
        Row number of each entry, counting the header as row 1; set by what builds on it.
    comma : bool
        Whether the comma is the decimal sign.

    Raises
    ------
    UnreadableFileError
        If the file is missing, a folder, or not UTF-8 text.
    BadTableError
        If it is not a CSV, is empty, or has a column twice.
    """

    numbers: Sequence[int]

    def __init__(self, path: Path, wants: str = "a header and one row a berry") -> None:
        self.path = path
        raw = _utf8(path)
        first = raw.split(b"\n", 1)[0].decode("utf-8-sig")
        separator = max(",;\t", key=first.count)
        self.comma = separator == ";"
        self._todo = f"It needs {wants}."
        lines = io.TextIOWrapper(io.BytesIO(raw), "utf-8-sig", newline="")
        self._filled = self._not_blank(csv.reader(lines, delimiter=separator, strict=True))
        _, names = next(self._filled, (0, None))
        if names is None:
            raise BadTableError(f"{path} is empty.", todo=self._todo)
        self.header = [name.strip() for name in names]
        for name in self.header:
            if self.header.count(name) > 1:
                raise BadTableError(f"{path}, row 1: column '{name}' stands there twice.")

    def _not_blank(self, reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str]]]:
        try:
            for number, row in enumerate(reader, 1):
                if any(map(str.strip, row)):
                    yield number, row
        except csv.Error as error:
            raise BadTableError(f"{self.path} is not a CSV: {error}.") from None

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Read the rows below the header, once, each with its number.

        Raises
        ------
        BadTableError
            If there is none, the CSV breaks off in a quote, or a row has the wrong length.
        """
        width, number = len(self.header), 0
        for number, row in self._filled:
            if len(row) != width:
                raise BadTableError(
                    f"{self.path}, row {number}: {len(row)} cells, but the header has {width}.",
                    todo="Complete or remove the row.",
                )
            yield number, row
        if not number:
            raise BadTableError(f"{self.path} has only a header.", todo=self._todo)

    def __len__(self) -> int:
        return len(self.numbers)

    def bad(self, index: int, column: str, what: str) -> NoReturn:
        """Refuse a cell by a BadTableError that names file, row and column."""
        raise BadTableError(f"{self.path}, row {self.numbers[index]}, column '{column}': {what}.")

    def lacks(self, column: str, todo: str = "") -> NoReturn:
        """Refuse a header without a column by a BadTableError that names what it has."""
        raise BadTableError(
            f"{self.path}: the header has no column '{column}' (it has {', '.join(self.header)}).",
            todo=todo,
        )

    def need(self, *columns: str, todo: str = "") -> None:
        """Refuse a header without one of these columns by a BadTableError that names it."""
        for column in columns:
            if column not in self.header:
                self.lacks(column, todo)

    def number(self, text: str) -> float:
        """Read one finite number, by the file's decimal sign; a ValueError is for `bad`."""
        plain = text.replace(",", ".") if self.comma else text
        try:
            value = float(plain)
        except ValueError:
            raise ValueError(f"'{text}' is not a number" if text else "the cell is empty") from None
        if not math.isfinite(value) or "_" in text:
            raise ValueError(f"'{text}' is not a finite number")
        return value

    def whole(self, text: str) -> int:
        """Read one whole number from 0 on; a ValueError is for `bad`."""
        value = self.number(text)
        if value < 0:
            raise ValueError(f"{text} is below zero")
        if not value.is_integer():
            raise ValueError(f"{text} is not a whole number")
        return int(value)


class CsvSheet(Sheet):
    r"""The cells of a CSV.

    Parameters
    ----------
    path : Path
    wants : str
        What the CSV should hold, for the message when it holds nothing.

    Attributes
    ----------
    columns : dict of str to tuple of str
        Cells without surrounding blanks.

    Raises
    ------
    UnreadableFileError
        If the file is missing, a folder, or not UTF-8 text.
    BadTableError
        If it is not a CSV, has no rows, a column twice, or a row of the wrong length.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "berries.csv")
    ...     _ = path.write_text("selection;force_N\nR-114;1,25\n")
    ...     sheet = CsvSheet(path)
    >>> sheet.parsed("force_N", sheet.number)
    [1.25]
    """

    def __init__(self, path: Path, wants: str = "a header and one row a berry") -> None:
        super().__init__(path, wants)
        self.numbers, rows = zip(*self.rows(), strict=True)
        cells = zip(*rows, strict=True)
        self.columns = {
            name: tuple(map(str.strip, column))
            for name, column in zip(self.header, cells, strict=True)
        }

    def parsed(self, column: str, parse: Callable[[str], T]) -> list[T]:
        """Convert a column, each distinct text once; a ValueError names the first bad cell."""
        cells = self.columns[column]
        known: dict[str, T] = {}
        try:
            for cell in set(cells):
                known[cell] = parse(cell)
        except ValueError:
            for index, cell in enumerate(cells):
                try:
                    parse(cell)
                except ValueError as error:
                    self.bad(index, column, str(error))
        return list(map(known.__getitem__, cells))


def _utf8(path: Path) -> bytes:
    """Read a file whose bytes are UTF-8 text."""
    try:
        raw = path.read_bytes()
        raw.decode("utf-8-sig")
        return raw
    except OSError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {error.strerror or error}.", todo="Give a CSV file."
        ) from None
    except UnicodeDecodeError as error:
        if error.object.startswith(b"SQLite format 3\0"):
            raise UnreadableFileError(
                f"{path} is a season file or another database.", todo="Give a CSV here."
            ) from None
        raise UnreadableFileError(
            f"{path} is not UTF-8 text (byte {error.start + 1}).",
            todo="Save it again as 'CSV UTF-8'.",
        ) from None


def csv_lines(
    header: Sequence[str],
    rows: Iterable[Sequence[Cell]],
    *,
    delimiter: str = ",",
    decimal_comma: bool = False,
) -> Iterator[str]:
    r"""Write a table as lines of CSV with their line ends (RFC 4180: CRLF, quotes doubled).

    Parameters
    ----------
    header : sequence of str
    rows : iterable of sequence
        None is an empty cell. A Decimal keeps its digits as shown (``2.370``). Text that is a plain
        number is a number; other text that a spreadsheet would run gets a leading apostrophe.
    delimiter : str
        One character.
    decimal_comma : bool
        Write ``2,37`` for spreadsheets of countries that do; the delimiter must not be a comma.

    Examples
    --------
    >>> "".join(csv_lines(["force_N", "note"], [[-0.5, "=1+1"]], delimiter=";", decimal_comma=True))
    "force_N;note\r\n-0,5;'=1+1\r\n"
    """

    def cell(value: Cell) -> str:
        if value is None:
            return ""
        text = str(value)
        if _NUMBER.fullmatch(text) or not isinstance(value, str):
            return text.replace(".", ",") if decimal_comma else text
        return f"'{text}" if text.startswith(_FORMULA) else text

    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    for row in (header, *rows):
        writer.writerow([cell(value) for value in row])
        yield out.getvalue()
        out.seek(0)
        out.truncate()
