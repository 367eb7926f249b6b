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


def test_cells_merged_over_rows_are_refused_and_a_title_over_columns_is_not(tmp_path: Path) -> None:
    rows = (("Firmness",), ("sample", "force_N"), ("C-01", 2.5), (None, 2.4), ("C-02", 2.3))
    path = workbook(tmp_path / "sheet.xlsx", *rows)
    book = openpyxl.load_workbook(path)
    book.active.merge_cells("A1:B1")
    book.save(path)
    assert CsvSheet(path).columns["sample"] == ("C-01", "", "C-02")
    book.active.merge_cells("A3:A4")
    book.save(path)
    with pytest.raises(BadTableError, match=r"sheet 'Sheet': A3:A4 are merged over several rows"):
        CsvSheet(path)


def test_a_formula_is_read_by_its_value_or_refused_where_that_is_not_stored(tmp_path: Path) -> None:
    path = workbook(tmp_path / "new.xlsx", ("force_N", "note"), (2.5, "=1"), ("=A2*2", '=""'))
    with pytest.raises(BadTableError, match=r"A3, B2, B3 hold formulas without a stored value"):
        CsvSheet(path)
    # Values as a spreadsheet program stores them beside the formula (ECMA-376, part 1, 18.3.1.96).
    stored = tmp_path / "stored.xlsx"
    page = "xl/worksheets/sheet1.xml"
    with zipfile.ZipFile(path) as new, zipfile.ZipFile(stored, "w") as saved:
        for name in new.namelist():
            text = new.read(name)
            if name == page:
                text = text.replace(b"<f>A2*2</f><v />", b"<f>A2*2</f><v>5</v>")
                text = text.replace(b"<f>1</f><v />", b"<f>1</f><v>1</v>")
                text = text.replace(b'r="B3"', b'r="B3" t="str"')
            saved.writestr(name, text)
    assert CsvSheet(stored).columns == {"force_N": ("2.5", "5"), "note": ("1", "")}


def test_characters_that_nobody_sees_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("rater\u200b,force_N\n\ufeffines\u200b ,2.5\nin\u00ades,\u200e2.4\n", "utf-8")
    sheet = CsvSheet(path)
    assert sheet.columns["rater"] == ("ines", "ines")
    assert sheet.parsed("force_N", sheet.number) == [2.5, 2.4]


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
