"""`gauge readings`: what the table, JSON and CSV say, and that others read the CSV rightly.

The readers outside are pandas, R and LibreOffice, the last two where they are installed.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import time
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from matplotlib.figure import Figure

from calibrate.cli import group as calibrate
from gauge.cli import group
from gauge.columns import UNKNOWN, csv_lines
from gauge.csvsheet import CsvSheet
from gauge.errors import (
    AlreadyThereError,
    CannotWriteError,
    InvalidValueError,
    UnreadableFileError,
)
from gauge.outfile import save_picture, write_whole
from gauge.records import FingerScore, Flag, Sample, Session
from gauge.season.file import open_season
from gauge.units import Unit
from tests.season_helpers import begun, press, run
from tests.seasons import make_season

DANGEROUS = '=HYPERLINK("x";"y")'


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "a.season"
    with begun(path, "C1", "C2") as season:
        season.add_sample(
            Sample(
                code="Ü-3",
                selection=DANGEROUS,
                plot="-2",
                storage_temp_c=-1.5,
                cues={"night": "-3.5", "note": 'two\nlines, and "quotes"', "void": "@x"},
            )
        )
        ines, marek = (FingerScore(rater=r, score=s) for r, s in (("ines", "2"), ("marek", "3")))
        season.acknowledge_berry(1, 1, 1, press(1.0, "0.2790", Unit.LBF), scores=[ines, marek])
        season.acknowledge_berry(
            1, 1, 2, press(2.0, "1.30", flags=(Flag.OVERLOAD, Flag.DOUBLE_RISE)),
            scores=[ines, FingerScore(rater="ines", score="3", occasion=2)],
        )  # fmt: skip
        season.acknowledge_berry(1, 3, 1, press(3.0, "12.5", flags=()), scores=[marek])
        season.void(3, "-fell, on the floor")
    return path


def test_json_gives_every_berry(path) -> None:
    first, second, third = json.loads(run("readings", path, "--json"))
    expected = {
        "berry_id": 1,
        "sample": "C1",
        "number": 1,
        "peak": 0.279,
        "peak_shown": "0.2790",
        "unit": "lbf",
        "flags": ["few readings"],
        "void": None,
        "selection": "R-114",
    }
    assert {key: first[key] for key in expected} == expected
    assert first["peak_N"] == pytest.approx(0.279 * 4.4482216152605, rel=1e-15)  # NIST SP 811 B.8
    assert second["scores"] == [
        {"rater": "ines", "score": "2", "occasion": 1},
        {"rater": "ines", "score": "3", "occasion": 2},
    ]
    assert third["void"] == "-fell, on the floor"
    assert third["cues"]["night"] == "-3.5"
    assert [
        b["berry_id"] for b in json.loads(run("readings", path, "--sample", "C1", "--json"))
    ] == [
        1,
        2,
    ]


def test_a_sample_without_a_crop_of_its_own_is_of_the_seasons(tmp_path) -> None:
    path, out = tmp_path / "p.season", tmp_path / "b.csv"
    with begun(path, "C1", crop="raspberry") as season:
        season.add_sample(Sample(code="C2", crop="blackberry"))
        for sample in (1, 2):
            season.acknowledge_berry(1, sample, 1, press(float(sample)))
    run("readings", path, "--csv", out)
    assert list(pd.read_csv(out)["crop"]) == ["raspberry", "blackberry"]


def test_the_table_fits_a_narrow_terminal_and_says_what_is_void(path) -> None:
    shown = run("readings", path)
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert "0.2790 lbf" in shown
    assert "VOID: -fell" in shown
    assert "3 berries, 1 of them void." in shown


def test_pandas_reads_the_csv(path, tmp_path) -> None:
    out = tmp_path / "b.csv"
    run("readings", path, "--voided", "--csv", out)
    for _ in range(2):
        table = pd.read_csv(out)
        assert list(table["peak"]) == [0.279, 1.3, 12.5]
        assert table["peak_N"].dtype == float
        assert list(table["score_ines"].fillna(0)) == [2, 2, 0]
        assert list(table["score_ines_2"].fillna(0)) == [0, 3, 0]
        assert list(table["storage_temp_c"])[2] == -1.5
        assert list(table["night"])[2] == -3.5
        assert table["sample"][2] == "Ü-3"
        assert table["note"][2] == 'two\nlines, and "quotes"'
        assert table["selection"][2] == "'" + DANGEROUS
        assert table["void"][2] == "'-fell, on the floor"
        assert table["plan_void"][2] == "'@x"
        run("readings", path, "--voided", "--csv", out, "--bom")
    assert out.read_bytes().startswith(b"\xef\xbb\xbf")
    assert "0.2790" in out.read_text("utf-8")  # as shown, to the last digit


def test_a_decimal_comma_for_spreadsheets_that_use_one(path, tmp_path) -> None:
    out = tmp_path / "b.csv"
    run("readings", path, "--voided", "--csv", out, "--decimal", "comma")
    table = pd.read_csv(out, sep=";", decimal=",")
    assert list(table["peak"]) == [0.279, 1.3, 12.5]
    assert list(table["night"])[2] == -3.5
    sheet = CsvSheet(out)
    assert sheet.parsed("peak_N", sheet.number)[1] == 1.3
    refused = CliRunner().invoke(
        group,
        ["readings", str(path), "--csv", str(out), "--decimal", "comma", "--delimiter", "comma"],
    )
    assert refused.exit_code == 2


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed")
def test_r_reads_the_csv(path, tmp_path) -> None:
    out = tmp_path / "b.csv"
    run("readings", path, "--voided", "--csv", out)
    code = (
        f'd <- read.csv("{out}", encoding = "UTF-8"); stopifnot(nrow(d) == 3, is.numeric(d$peak), '
        "is.numeric(d$peak_N), d$peak == c(0.279, 1.3, 12.5), d$storage_temp_c[3] == -1.5, "
        'd$night[3] == -3.5, startsWith(d$selection[3], "\'="))'
    )
    subprocess.run(["Rscript", "-e", code], check=True, capture_output=True)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
@pytest.mark.parametrize("comma", [False, True])
def test_libreoffice_reads_the_csv(path, tmp_path, comma) -> None:
    out = tmp_path / "b.csv"
    run(
        "readings",
        path,
        "--voided",
        "--csv",
        out,
        *(["--decimal", "comma", "--bom"] if comma else []),
    )
    # Token 1: separator, 2: quote, 3: UTF-8, 4: from line 1, 6: language (1031 is German).
    tokens = f"{ord(';' if comma else ',')},34,76,1,,{1031 if comma else 1033},false,true"
    subprocess.run(
        ["soffice", f"-env:UserInstallation=file://{tmp_path}/office", "--headless",
         f"--infilter=CSV:{tokens}", "--convert-to", "fods", "--outdir", str(tmp_path), str(out)],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    text = (tmp_path / "b.fods").read_text("utf-8")
    for number in ("0.279", "1.3", "12.5", "-1.5", "-3.5"):
        assert f'office:value-type="float" office:value="{number}"' in text
    assert "HYPERLINK" in text
    assert "table:formula" not in text


def test_the_csv_counts_valid_berries_alone_and_says_where_and_when(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("TZ", "Etc/GMT-2")  # two hours ahead of UTC
    time.tzset()
    path, out = tmp_path / "a.season", tmp_path / "b.csv"
    with begun(path, "007") as season:
        session = Session(
            started_at="2026-07-01T08:00:00Z", gauge="FG-2", gauge_serial="0012", operator="jo"
        )
        ours = season.add_session(session)
        for i, peak in enumerate((1.0, 2.0, 9.0), 1):
            season.acknowledge_berry(ours, 1, i, press(float(i), str(peak), flags=()))
        season.void(3, "fell")
    result = CliRunner().invoke(group, ["readings", str(path), "--csv", str(out)])
    assert "2 berries written" in result.stderr
    assert "1 void left out" in result.stderr
    table = pd.read_csv(out)
    assert table["peak_N"].mean() == 1.5
    assert list(table["sample"]) == ["'007", "'007"]
    known = table[["gauge", "serial_number", "operator"]].drop_duplicates().to_numpy()
    assert known.tolist() == [["FG-2", "'0012", "jo"]]
    assert table["at"].str.endswith("+02:00").all()
    assert json.loads(run("readings", path, "--json"))[2]["void"] == "fell"
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    "code", ["007", "1-2", "3E5", "1/2", "MAR1", "Sept 7", "12345678901234567", " =1+1", "\n=1"]
)
def test_codes_stay_text_in_a_spreadsheet(code) -> None:
    (line,) = list(csv_lines(["a"], [[code]]))[1:]
    assert next(csv.reader(io.StringIO(line, newline="")))[0] == "'" + code


@pytest.mark.parametrize("code", ["7", "0.5", "B-01", "2026-07-01", "R-114", "0", "12"])
def test_other_text_is_left_alone(code) -> None:
    (line,) = list(csv_lines(["a"], [[code]]))[1:]
    assert line.strip() == code


def test_no_text_runs_as_a_formula_and_numbers_stay_numbers() -> None:
    texts = ["=1", "+a", "-a", "@a", "\ta", "\ra", "=-1", "-1+1", "--1", "1e5"]
    plain = ["-1", "+1.5", "-0.25", "a=1", "", "R-114", "'x"]
    numbers = [-1.5, -2, None, 1e-7]
    lines = "".join(csv_lines(["a"], [[x] for x in (*texts, *plain, *numbers)]))
    (_, *cells) = [row[0] if row else "" for row in csv.reader(io.StringIO(lines, newline=""))]
    assert cells == [*("'" + x for x in texts), *plain, "-1.5", "-2", "", "1e-07"]


# --- the target -------------------------------------------------------------------------------


def test_a_target_that_cannot_be_written_is_a_clear_error(path, tmp_path, monkeypatch) -> None:
    out = tmp_path / "b.csv"
    out.write_text("berry_id,sample,number\n")  # an earlier one
    for folder in (tmp_path, "", "/"):
        with pytest.raises(CannotWriteError, match="a folder"):
            run("readings", path, "--csv", folder)
    with pytest.raises(CannotWriteError, match="No such file"):
        run("readings", path, "--csv", tmp_path / "no" / "b.csv")

    def locked(*_: object) -> None:  # as Windows answers for a file that a spreadsheet holds
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.replace", locked)
    with pytest.raises(CannotWriteError, match="Close it where it is open"):
        run("readings", path, "--csv", out)
    assert out.read_text() == "berry_id,sample,number\n"
    assert {p.name for p in tmp_path.iterdir()} == {"a.season", "b.csv"}


def test_a_sheet_of_somebodys_is_never_written_over(path, tmp_path) -> None:
    """A slip of the hand names the sheet that was read, in place of the file to write."""
    sheet = tmp_path / "scores.csv"
    sheet.write_text("sample,number,rater,score\nC1,1,ines,2\n")
    before = sheet.read_bytes()
    for call in (
        [group, "readings", path, "--csv", sheet],
        [calibrate, "report", path, "--out", sheet],
        [calibrate, "table", path, "--csv", sheet],
        [group, "simulate", "--capture", sheet],
    ):
        refused = CliRunner().invoke(call[0], [*map(str, call[1:])])
        assert isinstance(refused.exception, AlreadyThereError), call
        assert "scores.csv exists and is no " in str(refused.exception)
        assert sheet.read_bytes() == before
    named_so = tmp_path / "cuts.png"
    named_so.write_text("a note")
    with pytest.raises(AlreadyThereError, match="is no PNG"):
        save_picture(Figure(), named_so)
    assert {p.name for p in tmp_path.iterdir()} == {"a.season", "scores.csv", "cuts.png"}


def test_an_earlier_csv_is_replaced_whatever_its_layout(path, tmp_path) -> None:
    out = tmp_path / "b.csv"
    for more in ([], ["--long"], ["--decimal", "comma", "--bom"], []):
        run("readings", path, "--csv", out, *more)
    assert pd.read_csv(out).columns[0] == "berry_id"
    (tmp_path / "b_columns.csv").unlink()
    run("readings", path, "--csv", out)


def test_no_csv_is_named_like_a_workbook(path, tmp_path) -> None:
    with pytest.raises(InvalidValueError, match=r"Name it b\.csv"):
        run("readings", path, "--csv", tmp_path / "b.xlsx")
    assert [p.name for p in tmp_path.iterdir()] == ["a.season"]


def test_a_failure_half_way_leaves_the_old_file(tmp_path) -> None:
    out = tmp_path / "b.csv"
    out.write_text("old")

    def parts():
        yield "new"
        raise OSError(28, "No space left on device")

    with pytest.raises(CannotWriteError, match="No space left"):
        write_whole(out, parts())
    assert out.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["b.csv"]


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
def test_a_link_is_followed(tmp_path) -> None:
    link, real = tmp_path / "link.csv", tmp_path / "real.csv"
    real.write_text("old")
    link.symlink_to(real)
    write_whole(link, ["new"])
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_a_season_file_is_never_written_over(path) -> None:
    before = path.read_bytes()
    assert before.startswith(b"SQLite format 3\0")  # sqlite.org/fileformat2.html, section 1.3
    result = CliRunner().invoke(group, ["readings", str(path), "--csv", str(path)])
    assert isinstance(result.exception, CannotWriteError)
    assert "season file" in str(result.exception)
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_season_file_given_for_a_csv_is_called_by_its_name(path) -> None:
    with pytest.raises(UnreadableFileError, match="is a season file"):
        CsvSheet(path)


def test_each_csv_has_a_dictionary_of_all_its_columns_beside_it(path, tmp_path) -> None:
    with open_season(path) as season:
        session = Session(started_at="2026-07-01T08:00:00Z", head_mm=12.0, operator="jo")
        ours = season.add_session(session)
        scores = [FingerScore(rater="ines", score="2", squeeze_order=2)]
        season.acknowledge_berry(ours, 1, 3, press(9.0, "2.50"), scores=scores)
        season.measure_berry(4, {"size_mm": 22.5, "mass_g": 7.5}, "callipers")
    tables = {}
    for name, more in (("b.csv", ()), ("long.csv", ("--long",))):
        out = tmp_path / name
        run("readings", path, "--csv", out, *more)
        table = tables[name] = pd.read_csv(out)
        columns = pd.read_csv(tmp_path / f"{out.stem}_columns.csv").fillna("")
        assert list(columns["column"]) == list(table.columns)
        theirs = {"night", "note", "plan_void"}  # of the plan of this season
        assert set(columns["column"][columns["meaning"] == UNKNOWN.meaning]) <= theirs
        assert columns["meaning"].str.len().min() > 3
        units = dict(zip(columns["column"], columns["unit"], strict=True))
        assert (units["zero_N"], units["loading_rate_N_s"], units["mass_g"]) == ("N", "N/s", "g")
    row = tables["long.csv"].set_index("berry").loc["C1-3"]
    expected = {
        "force_N": 2.5, "zero_N": 0.002, "loading_rate_N_s": 2.5, "head_mm": 12.0, "operator": "jo",
        "squeeze_order": 2, "size_mm": 22.5, "mass_g": 7.5, "flags": "few readings",
    }  # fmt: skip
    assert row[list(expected)].to_dict() == pytest.approx(expected)


def test_the_csv_of_a_table_has_a_dictionary_too(tmp_path) -> None:
    sheets = Path(__file__).parents[2] / "sample_runs" / "2026-blackberry" / "clamshells.csv"
    season = make_season(tmp_path / "2026.season")
    for source, levels in ((season, ["selection"]), (sheets, ["selection", "storage_day"])):
        out = tmp_path / "t.csv"
        by = [word for level in levels for word in ("--by", level)]
        done = CliRunner().invoke(calibrate, ["table", str(source), *by, "--csv", str(out)])
        assert done.exit_code == 0, done.output
        columns = pd.read_csv(tmp_path / "t_columns.csv").fillna("")
        assert list(columns["column"]) == list(pd.read_csv(out).columns)
        assert UNKNOWN.meaning not in set(columns["meaning"])
