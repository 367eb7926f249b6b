"""Files of sheets as rows of text: workbooks (.xlsx), and CSVs as any program writes them.

A CSV is parted by commas, semicolons or tabs, in UTF-8, UTF-16 or Windows-1252, with a decimal
point or comma. The one importer of openpyxl, which is an optional extra.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import datetime, time
from pathlib import Path
from typing import Any

from gauge.errors import BadTableError, FirmhandError, UnreadableFileError
from gauge.outfile import refuse_irregular

_ZIP = b"PK\3\4"  # a workbook is a ZIP file
_LARGEST = 1 << 28  # bytes, unpacked; a season's sheets have a hundredth of that
# A decimal comma that cannot be one between thousands, in a cell of its own.
_DECIMAL_COMMA = {
    ",": re.compile(rb'"[+-]?\d+,(\d{1,2}|\d{4,})"'),
    "\t": re.compile(rb"(^|\t)[+-]?\d+,(\d{1,2}|\d{4,})[\t\r\n]", re.M),
}
_ODD = re.compile(rb"<(\w+:)?(mergeCell|f)[ >/]")  # merged cells and formulas
_MOST_SHOWN = 6  # cells named in one message


def other_sheets(path: Path) -> str:
    """Say which sheets a workbook has, of which the first is read; nothing where it has one."""
    if not _bytes(path).startswith(_ZIP):
        return ""
    import openpyxl

    names = openpyxl.load_workbook(path, read_only=True).sheetnames
    if len(names) < 2:
        return ""
    return f" Only its first sheet was read, of {', '.join(names)}: --sheet NAME imports another."


def sheet_rows(path: Path, page: str | None = None) -> tuple[Iterator[list[str]], bool]:
    """Read the rows of a sheet, and whether the comma is its decimal sign.

    `page` is the sheet of a workbook, if not the first. A CSV that breaks off in a quote is a
    csv.Error of the iterator.
    """
    raw = _bytes(path)
    if raw.startswith(_ZIP):
        return _workbook_rows(raw, path, page), False
    encoding = _encoding(raw, path)
    if encoding == "utf-16":
        raw, encoding = raw.decode(encoding).encode(), "utf-8"
    lines = io.TextIOWrapper(io.BytesIO(raw), encoding, newline="")
    first = next((line for line in lines if any(sign in line for sign in ",;\t")), "")
    separator = max(",;\t", key=first.count)
    rule = _DECIMAL_COMMA.get(separator)
    comma = rule is None or bool(rule.search(raw))
    lines.seek(0)
    return csv.reader(lines, delimiter=separator, strict=True), comma


def _bytes(path: Path) -> bytes:
    try:
        refuse_irregular(path)
        return path.read_bytes()
    except OSError as error:
        missing = isinstance(error, FileNotFoundError)
        raise UnreadableFileError(
            f"{path} cannot be read: {error.strerror or error}.",
            todo="Check the name and the folder." if missing else "Give a CSV file.",
        ) from None


def _encoding(raw: bytes, path: Path) -> str:
    """Find the encoding of text; what is none is refused."""
    if raw.startswith(b"SQLite format 3\0"):
        raise UnreadableFileError(
            f"{path} is a season file or another database.", todo="Give a CSV here."
        )
    if raw.startswith(b"\xd0\xcf\x11\xe0"):  # the mark of a compound file, as .xls is
        raise UnreadableFileError(
            f"{path} is a workbook of the old kind (.xls).", todo="Save it as .xlsx or CSV UTF-8."
        )
    encodings = ["utf-16"] if raw.startswith((b"\xff\xfe", b"\xfe\xff")) else ["utf-8-sig"]
    # Every byte but five is a letter of Windows-1252: what is no text shows by control characters.
    if encodings == ["utf-8-sig"] and not re.search(rb"[\0-\x08\x0e-\x1f]", raw):
        encodings.append("cp1252")
    for encoding in encodings:
        try:
            raw.decode(encoding)
            return encoding
        except UnicodeDecodeError as error:
            place = error.start + 1
    raise UnreadableFileError(
        f"{path} is not UTF-8 text (byte {place}).", todo="Save it again as 'CSV UTF-8'."
    )


def _workbook_rows(raw: bytes, path: Path, page: str | None = None) -> Iterator[list[str]]:
    """Read the rows of one sheet, the first unless `page` names another; formulas as their values.

    Cells of several rows that are merged, and formulas without a stored value, are refused.
    """
    import warnings
    import zipfile

    try:
        import openpyxl
    except ImportError:
        raise UnreadableFileError(
            f"{path} is a workbook (.xlsx), and what reads those is not installed.",
            todo="Install it with pip install 'firmhand[xlsx]', or save the sheet as 'CSV UTF-8'.",
        ) from None
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            if sum(part.file_size for part in packed.infolist()) > _LARGEST:
                raise ValueError(f"more than {_LARGEST} bytes when unpacked")
            odd = any(map(_ODD.search, map(packed.read, packed.namelist())))
        with warnings.catch_warnings(action="ignore"):
            book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
            sheet = _sheet(book, path, page)
            if odd:
                formulas = openpyxl.load_workbook(io.BytesIO(raw))
                _refuse_odd(formulas[sheet.title], sheet, path)
            rows = [[_text(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
    except FirmhandError:
        raise
    except Exception as error:  # a damaged one fails in openpyxl in any way
        raise UnreadableFileError(
            f"{path} is no workbook that can be read ({error}).",
            todo="Save the sheet as 'CSV UTF-8'.",
        ) from None
    width = max(map(len, rows), default=0)
    return iter([row + [""] * (width - len(row)) for row in rows])


def _sheet(book: Any, path: Path, page: str | None) -> Any:
    names = {sheet.title.casefold(): sheet for sheet in book.worksheets}
    if not names or (page is not None and page.casefold() not in names):
        raise BadTableError(
            f"{path} has no sheet '{page}'." if names else f"{path} has no sheet with cells.",
            todo=f"It has {', '.join(sheet.title for sheet in book.worksheets) or 'none'}.",
        )
    sheet = book.worksheets[0] if page is None else names[page.casefold()]
    sheet.reset_dimensions()  # some programs write a size that is not the sheet's
    return sheet


def _refuse_odd(formulas: Any, values: Any, path: Path) -> None:
    """Refuse cells that look empty here and do not in a spreadsheet: nobody would miss them."""
    merged = [str(area) for area in formulas.merged_cells.ranges if area.max_row > area.min_row]
    # A formula whose value is an empty text is of another type.
    unknown = [
        cell.coordinate
        for row, known in zip(formulas.iter_rows(), values.iter_rows(), strict=False)
        for cell, value in zip(row, known, strict=False)
        if cell.data_type == "f" and value.value is None and value.data_type == "n"
    ]
    for found, what, todo in (
        (merged, "are merged over several rows", "Part them, and fill each cell."),
        (unknown, "hold formulas without a stored value",
         "Open the workbook in a spreadsheet program and save it there, or give a CSV."),
    ):  # fmt: skip
        if found:
            more = f" and {len(found) - _MOST_SHOWN} more" if len(found) > _MOST_SHOWN else ""
            cells = ", ".join(sorted(found)[:_MOST_SHOWN])
            raise BadTableError(f"{path}, sheet '{values.title}': {cells}{more} {what}.", todo=todo)


def _text(value: object) -> str:
    """Write a cell as a CSV would have it."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime):
        return (value.date() if value.time() == time() else value).isoformat()
    return "" if value is None else str(value)
