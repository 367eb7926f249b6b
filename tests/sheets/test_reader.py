"""One table in every dress that spreadsheets give it: the cells are the same."""

from __future__ import annotations

import contextlib
import sys
import zipfile
from datetime import datetime
from pathlib import Path

import openpyxl
import openpyxl.chart
import pytest

from gauge.csvsheet import CsvSheet
from gauge.errors import BadTableError, UnreadableFileError

PLAIN = "sample,berry,force_N,rater,score\nC-01,1,2.37,inès müller,2\nC-01,2,1.5,marek,3\n"
SEMICOLON = PLAIN.replace(",", ";").replace(".", ",")
FORCES = [2.37, 1.5]
DRESSES = {
    "plain": PLAIN.encode(),
    "byte order mark": PLAIN.encode("utf-8-sig"),
    "semicolons and decimal commas": SEMICOLON.encode(),
    "semicolons and points": PLAIN.replace(",", ";").encode(),
    "tabs": PLAIN.replace(",", "\t").encode(),
    "tabs and decimal commas": SEMICOLON.replace(";", "\t").encode(),
    "quoted decimal commas": PLAIN.replace("2.37", '"2,37"').replace("1.5", '"1,5"').encode(),
    "Windows-1252": PLAIN.encode("cp1252"),
    "UTF-16": PLAIN.replace(",", "\t").encode("utf-16"),
    "blanks and capitals": PLAIN.replace("force_N,rater", " FORCE_n , Rater ").encode(),
    "unit in the header": PLAIN.replace("force_N", "Peak force (N)").encode(),
    "a title above": f"Firmness 2025,,,,\n\n{PLAIN}".encode(),
    "empty columns and rows": PLAIN.replace("\n", ",,\n").encode() + b",,,,,,\n",
}


@pytest.mark.parametrize("raw", DRESSES.values(), ids=DRESSES)
def test_a_table_reads_the_same_in_every_dress(raw: bytes, tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_bytes(raw)
    check(CsvSheet(path))


def check(sheet: CsvSheet) -> None:
    assert sheet.header == ["sample", "berry", "force_N", "rater", "score"]
    assert sheet.parsed("force_N", sheet.number) == FORCES
    assert sheet.parsed("berry", sheet.whole) == [1, 2]
    assert sheet.columns["rater"] == ("inès müller", "marek")


def workbook(path: Path, *rows: tuple[object, ...], page: str = "Sheet") -> Path:
    book = openpyxl.Workbook()
    book.active.title = page
    for row in rows:
        book.active.append(row)
    book.create_sheet("other").append(["nothing"])
    book.save(path)
    return path


def test_a_workbook_reads_the_same(tmp_path: Path) -> None:
    path = workbook(
        tmp_path / "sheet.xlsx",
        ("Firmness 2025",), (), ("Sample ", "Berry", "Force N", "rater", "score"),
        ("C-01", 1, 2.37, "inès müller", 2.0), ("C-01", 2, 1.5, "marek", 3, None),
    )  # fmt: skip
    check(CsvSheet(path))
    assert list(CsvSheet(path).numbers) == [4, 5]  # as the spreadsheet shows them
    check(CsvSheet(path, page="SHEET"))
    with pytest.raises(BadTableError, match=r"no sheet 'x'.*Sheet, other"):
        CsvSheet(path, page="x")


def test_dates_of_a_workbook_are_dates(tmp_path: Path) -> None:
    day, moment = datetime(2025, 7, 31), datetime(2025, 7, 31, 8, 5)
    path = workbook(tmp_path / "sheet.xlsx", ("harvest_date", "at"), (day, moment))
    assert CsvSheet(path).columns == {
        "harvest_date": ("2025-07-31",),
        "at": ("2025-07-31T08:05:00",),
    }


def test_what_is_no_sheet_is_named_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "sheet.xls"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
    with pytest.raises(UnreadableFileError, match=r"old kind.*Save it as .xlsx"):
        CsvSheet(path)
    path.write_bytes(b"PK\3\4 no workbook")
    with pytest.raises(UnreadableFileError, match="no workbook that can be read"):
        CsvSheet(path)
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(UnreadableFileError, match=r"is a workbook.*pip install 'firmhand\[xlsx\]'"):
        CsvSheet(path)


@pytest.mark.parametrize("at", [0.3, 0.6, 0.9])
def test_a_damaged_workbook_is_refused_or_read(at: float, tmp_path: Path) -> None:
    path = workbook(tmp_path / "sheet.xlsx", ("sample", "berry"), ("C-01", 1))
    raw = bytearray(path.read_bytes())
    for place in range(int(at * len(raw)), int(at * len(raw)) + 40):
        raw[place] ^= 0x5A
    path.write_bytes(bytes(raw))
    with contextlib.suppress(UnreadableFileError, BadTableError):
        CsvSheet(path)


def test_a_workbook_that_unpacks_to_too_much_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed, packed.open("x", "w") as part:
        for _ in range(300):
            part.write(bytes(1 << 20))
    with pytest.raises(UnreadableFileError, match="when unpacked"):
        CsvSheet(path)


@pytest.mark.parametrize("cell", ['"1,250"', '"1.234,5"'])
def test_a_comma_that_may_part_thousands_is_no_decimal_sign(cell: str, tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(f"berry,force_gf\n1,{cell}\n")
    sheet = CsvSheet(path)
    with pytest.raises(BadTableError, match=r"row 2, column 'force_gf'.*is not a number"):
        sheet.parsed("force_gf", sheet.number)


def test_headers_that_are_not_ours_are_mapped(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("Box,Nr,Kraft\nC-01,x,1.5\n")
    names = {"box ": "sample", "nr": "berry", "KRAFT": "force"}
    sheet = CsvSheet(path, names=names, problems=[])
    assert sheet.header == ["sample", "berry", "force"]
    assert sheet.parsed("berry", sheet.whole) == [None]
    with pytest.raises(BadTableError, match="row 2, column 'Nr': 'x' is not a number"):
        sheet.refuse()


@pytest.mark.parametrize(
    ("part", "old", "new"),
    [("sheet1.xml", b"<v>1.25</v>", b"<v>one</v>"), ("sheet1.xml", b"</sheetData>", b""),
     ("styles.xml", b"<styleSheet", b"<")],
)  # fmt: skip
def test_a_damaged_workbook_is_named(part: str, old: bytes, new: bytes, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["sample", "force_N"])
    book.active.append(["C", 1.25])
    book.save(tmp_path / "whole.xlsx")
    path = tmp_path / "damaged.xlsx"
    with zipfile.ZipFile(tmp_path / "whole.xlsx") as whole, zipfile.ZipFile(path, "w") as damaged:
        for name in whole.namelist():
            data = whole.read(name)
            damaged.writestr(name, data.replace(old, new) if name.endswith(part) else data)
    with pytest.raises(UnreadableFileError, match="no workbook that can be read"):
        CsvSheet(path)


def test_a_workbook_of_charts_has_no_sheet(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.create_chartsheet().add_chart(openpyxl.chart.BarChart())
    book.remove(book.active)
    book.save(tmp_path / "charts.xlsx")
    with pytest.raises((BadTableError, UnreadableFileError), match=r"no sheet|no workbook"):
        CsvSheet(tmp_path / "charts.xlsx")
