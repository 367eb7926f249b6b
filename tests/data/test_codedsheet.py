"""Coded columns hold what Python's csv module reads, cell for cell and message for message."""

import csv
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibrate.data.codedsheet import CodedSheet
from gauge.csvsheet import CsvSheet
from gauge.errors import BadTableError, FirmhandError

# Texts that differ in their last byte about the ends of words, blanks of several kinds, quotes.
CELLS = st.sampled_from(
    ["a", "", "1", " x", "x y ", "1,5", "é", "\xa0", "\x1c", '"q"', '"', "\r", "\0", "abcdefgh"]
    + [f"abcdefghijklmno{tail}" for tail in ("", "p", "q", "pq", "pqrstuvwx", "pqrstuvwy")]
)


@st.composite
def tables(draw: st.DrawFn) -> str:
    width, separator = draw(st.integers(1, 3)), draw(st.sampled_from(",;\t"))
    rows = draw(st.lists(st.lists(CELLS, min_size=width, max_size=width), max_size=8))
    header = [f"h{at}" for at in range(width)]
    lines = [separator.join(row) for row in (header, *rows)]
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return (
        draw(st.sampled_from(["", "\ufeff"]))
        + end.join(lines)
        + draw(st.sampled_from(["", end, end * 2]))
    )


def read_by(path: Path, kind: type[CodedSheet] | type[CsvSheet]) -> object:
    try:
        sheet = kind(path, "rows")
    except FirmhandError as error:
        return type(error), str(error)
    if isinstance(sheet, CsvSheet):
        cells = {name: list(column) for name, column in sheet.columns.items()}
    else:
        cells = {name: [one.labels[c] for c in one.code] for name, one in sheet.columns.items()}
    return sheet.header, cells, list(sheet.numbers), sheet.comma


@settings(max_examples=300, deadline=None)
@given(tables() | st.text('ab1,;\t\n\r" é\xa0\x0b', max_size=30))
def test_columns_are_those_of_the_csv_module(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.csv")
        path.write_bytes(text.encode())
        assert read_by(path, CodedSheet) == read_by(path, CsvSheet)


def test_first_bad_cell_is_named_in_either_reader(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    for quoted in ("R-1", '"R-1"'):
        path.write_text(f"selection,force_N\n{quoted},1.2\nR-1,1.2\nR-1,soft\nR-1,x\n")
        sheet = CodedSheet(path, "rows")
        with pytest.raises(BadTableError, match="row 4, column 'force_N': 'soft' is not a number"):
            sheet.values("force_N", sheet.number)


def test_long_columns_come_back_as_they_stand(tmp_path: Path) -> None:
    cells = [(f"berry {i % 977:09}", f"{i / 7:.17g}") for i in range(5000)]
    path = tmp_path / "x.csv"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows([("berry", "force_N"), *cells])
    sheet = CodedSheet(path, "rows")
    berry = sheet.columns["berry"]
    assert [berry.labels[c] for c in berry.code] == [name for name, _ in cells]
    assert sheet.values("force_N", sheet.number).tolist() == [float(text) for _, text in cells]
