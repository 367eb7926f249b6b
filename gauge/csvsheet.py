"""Sheets that come in: columns of text cells with the row numbers that a spreadsheet shows.

The file is read by `gauge.sheetfile`; what a CSV that is written looks like, `gauge.columns` says.
"""

from __future__ import annotations

import csv
import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import chain, islice
from pathlib import Path
from typing import Any, NamedTuple, NoReturn, TypeVar

from gauge.errors import BadTableError, FirmhandError, UnknownUnitError
from gauge.plaintext import control_in, plural, seen
from gauge.sheetfile import other_sheets, sheet_rows
from gauge.units import SPELLINGS, Unit, newtons, parse_unit

T = TypeVar("T")

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
# Columns that are read somewhere; a header matches them whatever its case, blanks and dashes.
_READ = """
at available berries berry berry_id blind_code clamshell code colour count crop cues decayed firm
flags force fruit_temp_c harvest_date kind label leaky lot marketable mass_g mean_N number occasion
peak peak_N planned berries_planned plan_order plot press_only pressed_on rater replicate sample
score scored_at sd_N season selection site size_mm soft squeeze_order storage_day storage_temp_c
total unit void head_mm loading_rate_N_s out_of_store_h zero_N
"""
_COLUMNS = {name.casefold(): name for name in _READ.split()}
_COLUMNS |= dict.fromkeys(("berry_no", "berry_nr", "berry_number"), "berry")
# "force_lbf", and what gauges' own programs and people write: "Peak (lbf)", "Max. force N"
_FORCE_COLUMN = re.compile(
    r".*(?:force|peak|firmness)(?:_|.*[(\[]_?)([a-z]+)_?[)\]]?", re.IGNORECASE
)
# share; forces that agree to this are the same, written with other digits
ROUNDING = 1e-3
_MOST_TITLES = 20  # rows; a header stands below no more
_MOST_SHOWN = 20  # lines of a message in which cells with other contents stand apart


def name_key(text: str) -> str:
    """Return what two spellings of a name share: case, blanks and encoding of accents left out.

    Examples
    --------
    >>> name_key(" Ine\u0300s  M") == name_key("in\u00e8s m")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", seen(text)).casefold().split())


def column_name(typed: str) -> str:
    """Return our name of a column; that of an unknown one as it is typed.

    Examples
    --------
    >>> column_name(" Storage Day"), column_name("FORCE_n"), column_name("Peak (LBF)")
    ('storage_day', 'force_N', 'force_lbf')
    """
    typed = seen(typed)
    key = re.sub(r"[\s_-]+", "_", typed)
    known = _COLUMNS.get(name_key(key))
    if known is None and (found := _FORCE_COLUMN.fullmatch(key)):
        for spelling in (found[1], found[1].lower(), found[1].upper()):
            if spelling in SPELLINGS:
                return f"force_{SPELLINGS[spelling]}"
    return known or " ".join(typed.split())


def plain_number(text: str, *, comma: bool = False) -> float:
    """Read a finite number, also with a decimal comma; a ValueError says what is wrong with it."""
    try:
        value = float(text.replace(",", ".") if comma else text)
    except ValueError:
        raise ValueError(f"'{text}' is not a number") from None
    if not math.isfinite(value) or "_" in text:
        raise ValueError(f"'{text}' is not a finite number")
    return value


class Problem(NamedTuple):
    """What is wrong with a cell, by its row and column as the spreadsheet shows them."""

    row: int
    column: str
    what: str


def _grouped(problems: Sequence[Problem], kind: Callable[[str], str]) -> list[str]:
    """Say each kind of problem of a column once, with all its rows."""
    groups: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        groups.setdefault((problem.column, kind(problem.what)), []).append(problem)
    lines = []
    for (column, _), group in groups.items():
        where = f", column '{column}'" if column else ""
        like = ", and the like" if len({problem.what for problem in group}) > 1 else ""
        lines.append(f"{_rows([one.row for one in group])}{where}: {group[0].what}{like}")
    return lines


def _rows(numbers: Sequence[int]) -> str:
    """Name rows, those that follow one another by the first and the last."""
    runs: list[list[int]] = []
    for number in dict.fromkeys(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1][1:] = [number]
        else:
            runs.append([number])
    words = [" to ".join(map(str, run)) for run in runs]
    row = "row" if words == [str(numbers[0])] else "rows"
    return f"{row} {', '.join(words[:-1])}{' and ' if words[1:] else ''}{words[-1]}"


class Sheet:
    """A sheet's header, and its filled rows one by one; cells are kept by what builds on it.

    An UnreadableFileError refuses a file that is missing or neither text nor a workbook, a
    BadTableError one that is empty, has a column twice, no rows or one of the wrong length.

    Parameters
    ----------
    path : Path
        A CSV or an .xlsx workbook.
    wants : str
        What the sheet should hold, for the message when it holds nothing.
    names : mapping of str to str
        Our names of columns by what the header says, "" of one that is not read; known ones need
        none.
    page : str, optional
        Which sheet of a workbook, if not the first.
    problems : list of Problem, optional
        Where given, bad cells are added to it by `note`; else the first one is refused.
    """

    numbers: Sequence[int]
    """Row number of each entry, as the spreadsheet shows it; set by what builds on it."""

    def __init__(
        self,
        path: Path,
        wants: str = "a header and one row a berry",
        *,
        names: Mapping[str, str] | None = None,
        page: str | None = None,
        problems: list[Problem] | None = None,
    ) -> None:
        self.path = path
        self.problems = problems
        self._todo = f"It needs {wants}."
        self._page = page
        cells, self.comma = sheet_rows(path, page)
        self._filled = self._not_blank(cells)
        number, titles = self._head()
        if not titles:
            raise BadTableError(f"{path} is empty.", todo=self._todo + self._others)
        own = {name_key(typed): name for typed, name in (names or {}).items()}
        # Our names of the columns; and what the header says, by our names.
        self.header = [own.get(name_key(text), column_name(text)) for text in titles]
        self.typed = dict(zip(self.header, map(seen, titles), strict=True))
        for name in self.header:
            if name and self.header.count(name) > 1:
                raise BadTableError(f"{path}, row {number}: column '{name}' stands there twice.")

    def _head(self) -> tuple[int, list[str]]:
        """Find the header: the first filled row, or the first of several words below a title."""
        first = list(islice(self._filled, _MOST_TITLES))
        start = 0
        for at, (_, row) in enumerate(first):
            cells = [cell for cell in map(str.strip, row) if cell]
            if len(cells) > 1:
                start = 0 if any(map(_NUMBER.fullmatch, cells)) else at
                break
        self._filled = chain(first[start + 1 :], self._filled)
        number, titles = first[start] if first else (0, [])
        while titles and not titles[-1].strip():
            titles = titles[:-1]
        return number, titles

    def _not_blank(self, reader: Iterator[list[str]]) -> Iterator[tuple[int, list[str]]]:
        try:
            for number, row in enumerate(reader, 1):
                if any(map(str.strip, row)):
                    yield number, row
        except csv.Error as error:
            raise BadTableError(f"{self.path} is not a CSV: {error}.") from None

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Read the rows below the header, once, each with its number."""
        width, number = len(self.header), 0
        for number, row in self._filled:
            while len(row) > width and not row[-1].strip():
                row.pop()
            if len(row) == width:
                yield number, row
                continue
            what = f"{plural(len(row), 'cell')}, but the header has {width}"
            if self.problems is None:
                raise BadTableError(
                    f"{self.path}, row {number}: {what}.", todo="Complete or remove the row."
                )
            self.problems.append(Problem(number, "", what))
        if not number:
            raise BadTableError(f"{self.path} has only a header.", todo=self._todo + self._others)

    @property
    def _others(self) -> str:
        return other_sheets(self.path) if self._page is None else ""

    def __len__(self) -> int:
        return len(self.numbers)

    def bad(self, index: int, column: str, what: str) -> NoReturn:
        """Refuse a cell by a BadTableError that names file, row and column."""
        column = self.typed.get(column, column)
        raise BadTableError(f"{self.path}, row {self.numbers[index]}, column '{column}': {what}.")

    def note(self, index: int, column: str, what: str) -> None:
        """Add a bad cell to the problems; refuse it where none are collected."""
        if self.problems is None:
            self.bad(index, column, what)
        problem = Problem(self.numbers[index], self.typed.get(column, column), what)
        if problem not in self.problems[-_MOST_SHOWN:]:
            self.problems.append(problem)

    def refuse(
        self, todo: str = "Nothing was stored.", error: type[FirmhandError] = BadTableError
    ) -> None:
        """Refuse a sheet that has problems by an error that names them all."""
        if self.problems:
            found = sorted(set(self.problems))
            lines = _grouped(found, lambda what: what)
            if len(lines) > _MOST_SHOWN:  # cells that differ, and are wrong in the same way
                lines = _grouped(found, lambda what: re.sub(r"'[^']*'|\d+", "", what))
            if len(found) == 1:
                raise error(f"{self.path}, {lines[0]}.", todo=todo)
            listed = "\n  ".join(lines)
            raise error(f"{self.path}: {len(found)} problems.\n  {listed}\n{todo}")

    def lacks(self, column: str, todo: str = "") -> NoReturn:
        """Refuse a header without a column by a BadTableError that names what it has."""
        raise BadTableError(
            f"{self.path}: the header has no column '{column}' (it has {', '.join(self.header)}).",
            todo=(todo + self._others).strip(),
        )

    def need(self, *columns: str, todo: str = "") -> None:
        """Refuse a header without one of these columns by a BadTableError that names it."""
        for column in columns:
            if column not in self.header:
                self.lacks(column, todo)

    def number(self, text: str) -> float:
        """Read one finite number, by the file's decimal sign; a ValueError is for `bad`."""
        if not text:
            raise ValueError("the cell is empty")
        if "," in text and not self.comma:
            sign = "the decimal sign of this file is the point"
            raise ValueError(f"'{text}' is not a number; {sign}")
        return plain_number(text, comma=self.comma)

    def newtons(self, text: str, unit: Unit) -> float:
        """Read a force in a unit, to the last digit; a ValueError is for `bad`."""
        value = self.number(text)
        if unit is Unit.N:
            return value
        return newtons(text.replace(",", ".") if self.comma else text, unit)

    @property
    def force_columns(self) -> list[str]:
        """Names of the columns of forces: the one that is read, and those that repeat it."""
        names = [*(f"force_{unit}" for unit in Unit), "force", "peak_N"]
        return [name for name in names if name in self.header]

    @property
    def force_column(self) -> str | None:
        """Name of the column of forces: `force_N`, that of another unit, `force`; None without."""
        return next((name for name in self.force_columns if name != "peak_N"), None)

    def last_digit(self, text: str, unit: Unit) -> float:
        """Newtons of one in the last digit of a number as shown, by which it may be rounded."""
        self.number(text)
        exponent = Decimal(text.replace(",", ".") if self.comma else text).as_tuple().exponent
        return newtons(Decimal(1).scaleb(int(exponent)), unit)

    def contradiction(self, text: str, column: str, said_newton: float) -> str:
        """Say in words that a cell of one column of forces is not what another one says."""
        return f"{text} contradicts column '{self.typed[column]}', which says {said_newton:.4g} N"

    def whole(self, text: str) -> int:
        """Read one whole number from 0 on; a ValueError is for `bad`."""
        value = self.number(text)
        if value < 0:
            raise ValueError(f"{text} is below zero")
        if not value.is_integer():
            raise ValueError(f"{text} is not a whole number")
        return int(value)

    def unit(self, text: str) -> Unit:
        """Read one unit of force; a ValueError is for `bad`."""
        try:
            return parse_unit(text)
        except UnknownUnitError as error:
            raise ValueError(error.what.rstrip(".")) from None


class CsvSheet(Sheet):
    r"""A sheet whose cells are kept, without surrounding blanks: `columns` by name.

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

    def __init__(self, path: Path, wants: str = "a header and one row a berry", **how: Any) -> None:
        super().__init__(path, wants, **how)
        numbered = list(self.rows())
        if not numbered:
            self.refuse()
        self.used: set[str] = set()  # columns of which something was read
        self.numbers, rows = zip(*numbered, strict=True)
        cells = zip(*rows, strict=True)
        self.columns = {
            name: tuple(map(seen, column)) for name, column in zip(self.header, cells, strict=True)
        }

    def rename(self, name: str, *others: str) -> None:
        """Give the first column with one of the other names this one, where no column has it."""
        other = next((other for other in others if other in self.columns), None)
        if name not in self.columns and other is not None:
            self.header[self.header.index(other)] = name
            self.columns[name] = self.columns.pop(other)
            self.typed[name] = self.typed.pop(other)

    def parsed(self, column: str, parse: Callable[[str], T]) -> list[T]:
        """Convert a column, each distinct text once; a ValueError is a problem of its cells.

        Where problems are collected, a bad cell is None.
        """
        self.used.add(column)
        cells = self.columns[column]
        known: dict[str, Any] = {}
        wrong: dict[str, str] = {}
        for cell in dict.fromkeys(cells):
            try:
                if char := control_in(cell):
                    what = f"{cell!r} holds the control character {char!r}; type it without"
                    raise ValueError(what)
                known[cell] = parse(cell)
            except ValueError as error:
                known[cell], wrong[cell] = None, str(error)
        if wrong:
            for index, cell in enumerate(cells):
                if cell in wrong:
                    self.note(index, column, wrong[cell])
        return list(map(known.__getitem__, cells))
