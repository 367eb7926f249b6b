"""Sheets into a season as a manager imports them: what is stored, refused, asked and corrected."""

from __future__ import annotations

import json
import shlex
import unicodedata
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result

from gauge.cli import group
from gauge.errors import AlreadyThereError, BadTableError
from gauge.season.file import open_season
from gauge.units import Unit, newtons

LAST = """Box;Nr;Peak (lbf);Ines;Marek;selection;remark
C-01;1;0,532;2;2;R-114;
c-01;2;0,31;3;;R-114;wet
C-02;1;0,2;4;5;R-120;
"""
MAPS = ("--map", "sample=Box", "--map", "berry=Nr")


def run(*words: object, text: str | None = None) -> Result:
    result = CliRunner().invoke(group, [str(word) for word in words], input=text)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def answer(*words: object) -> dict:
    """The JSON of a command, also of one that refuses."""
    result = CliRunner().invoke(group, [*(str(word) for word in words), "--json"])
    return json.loads(result.stdout)


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return write(tmp_path, LAST)


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "last.csv"
    path.write_text(text, encoding)
    return path


@pytest.fixture
def season(tmp_path: Path, sheet: Path) -> Path:
    """A season that was imported from the sheet."""
    path = tmp_path / "2025.season"
    run("import", path, sheet, *MAPS)
    return path


def scores_of(path: Path) -> dict[tuple[str, int], dict[str, str]]:
    with open_season(path, read_only=True) as file:
        return {(b.sample, b.number): {s.rater: s.score for s in b.scores} for b in file.berries()}


def test_last_years_sheet_begins_a_season(season: Path) -> None:
    with open_season(season, read_only=True) as file:
        first, *_ = file.berries()
        assert (first.peak_shown, first.peak_unit) == ("0.532", "lbf")
        assert first.peak_newton == newtons("0.532", Unit.LBF)
        assert [(r.sample.code, r.sample.selection) for r in file.samples()] == [
            ("C-01", "R-114"), ("C-02", "R-120"),
        ]  # fmt: skip
        assert file.differences() == []
    assert scores_of(season) == {
        ("C-01", 1): {"Ines": "2", "Marek": "2"},
        ("C-01", 2): {"Ines": "3"},
        ("C-02", 1): {"Ines": "4", "Marek": "5"},
    }


def test_the_same_sheet_adds_nothing_and_a_longer_one_what_is_new(
    season: Path, tmp_path: Path
) -> None:
    longer = write(tmp_path, LAST + "C-02;2;0,25;4;4;R-120;\n")
    found = answer("import", season, longer)  # the columns are remembered
    assert (found["rows"], found["berries"], found["scores"]) == (4, 1, 2)
    assert found["unread"] == ["remark"]
    assert answer("import", season, longer)["berries"] == 0


def test_check_stores_nothing_and_begins_no_season(sheet: Path, tmp_path: Path) -> None:
    path = tmp_path / "none.season"
    found = answer("import", path, sheet, *MAPS, "--check")
    assert (found["berries"], found["problems"]) == (3, [])
    assert not path.exists()


def test_two_columns_of_forces_that_differ_are_refused_by_row(tmp_path: Path) -> None:
    text = "sample,force_N,force_lbf\nC-01,2.37,0.53\nC-01,2.37,0.722\nC-02,,0.5\n"
    found = answer("import", tmp_path / "a.season", write(tmp_path, text))
    assert [(p["row"], p["column"]) for p in found["problems"]] == [
        (3, "force_lbf"),
        (4, "force_N"),
    ]
    assert "contradicts column 'force_N', which says 2.37 N" in found["problems"][0]["what"]


@pytest.mark.parametrize(
    ("cells", "stored"),
    [(("19.11.2026", "2026-11-03"), ("2026-11-19", "2026-11-03")),
     (("3/11/2026", "19/11/2026"), ("2026-11-03", "2026-11-19")),
     (("11/3/2026", "11/19/2026"), ("2026-11-03", "2026-11-19"))],
)  # fmt: skip
def test_days_are_read_where_the_column_settles_their_order(
    tmp_path: Path, cells: tuple[str, ...], stored: tuple[str, ...]
) -> None:
    rows = "".join(f"C-{i},2,{cell}\n" for i, cell in enumerate(cells))
    run("import", tmp_path / "a.season", write(tmp_path, f"sample,force_N,harvest_date\n{rows}"))
    with open_season(tmp_path / "a.season") as file:
        assert tuple(row.sample.harvest_date for row in file.samples()) == stored


@pytest.mark.parametrize(
    ("cells", "said"),
    [(("2026-11-31", "x"), ["row 2, column 'harvest_date': '2026-11-31' is no day: November 2026 "
                            "has 30 days", "row 3, column 'harvest_date': 'x' is not a date"]),
     (("3/11/2026", "4/11/2026"), ["row 2, column 'harvest_date': whether '3/11/2026' begins"]),
     (("13.13.2026", ""), ["'13.13.2026' is not a date"])],
)  # fmt: skip
def test_days_that_are_none_or_not_settled_are_refused(
    tmp_path: Path, cells: tuple[str, ...], said: list[str]
) -> None:
    rows = "".join(f"C-{i},2,{cell}\n" for i, cell in enumerate(cells))
    sheet = write(tmp_path, f"sample,force_N,harvest_date\n{rows}")
    with pytest.raises(BadTableError) as refused:
        run("import", tmp_path / "a.season", sheet)
    assert all(words in str(refused.value) for words in said), str(refused.value)


def test_the_same_fault_of_many_rows_is_said_once_with_all_of_them(tmp_path: Path) -> None:
    wrong = {2, *range(4, 40), 41}
    rows = "".join(f"C,{'2.x' if i in wrong else 2},9{i}\n" for i in range(2, 50))
    sheet = write(tmp_path, f"sample,force_N,score_ines\n{rows}")
    with pytest.raises(BadTableError) as refused:
        run("import", tmp_path / "a.season", sheet)
    title, force, score, _ = str(refused.value).split("\n")
    assert title.endswith("86 problems.")
    assert force == "  rows 2, 4 to 39 and 41, column 'force_N': '2.x' is not a number"
    assert score.startswith("  rows 2 to 49, column 'score_ines': '92' is not a score")
    assert score.endswith(", and the like")


@pytest.mark.parametrize(
    ("text", "options"),
    [("", ()), ("sample\n", ()), ("sample,force\nC-01,2\n", ()), ("sample,sample\n1,2\n", ()),
     ("sample,force_N\nC-01,2\n", ("--map", "berry=Nr")), ("sample,force_N\n1,2,3\n", ()),
     ("sample,force_N\nC-01,2\n", ("--unit", "lbf")), ("sample,x\nC-01,2\n", ()),
     ("sample,force_N,score\nC-01,2,1\n", ()), ("force_N\n2\n", ())],
)  # fmt: skip
def test_every_refusal_is_a_document(tmp_path: Path, text: str, options: tuple[str, ...]) -> None:
    season = tmp_path / "a.season"
    words = ["import", str(season), str(write(tmp_path, text)), *options, "--json"]
    result = CliRunner().invoke(group, words)
    found = json.loads(result.stdout)
    assert result.exit_code != 0
    assert found["stored"] == 0
    assert [set(problem) for problem in found["problems"]] == [{"row", "column", "what"}]
    assert not season.exists()


def test_a_season_that_cannot_be_read_is_a_document_too(tmp_path: Path, sheet: Path) -> None:
    found = answer("import", sheet, sheet)
    assert [problem["row"] for problem in found["problems"]] == [None]


def test_all_problems_are_listed_by_row_and_column(season: Path, tmp_path: Path) -> None:
    bad = write(tmp_path, "sample,berry,force_lbf,rater,score\n"
                "C-01,1,0.9,ines,2\n"       # another force than the season's
                "C-03,1,722,ines,2\n"       # a lost comma
                "C-03,2,0,ines,2\n"
                "C-03,x,0.4,ines,2\n"
                "C-03,3,0.4,ines,33\n"
                "C-03,4,0.4,inès müller,2\n"
                "C-03,5,0.4,marek,2\n"
                "C-03,5,0.5,marek,2\n"      # one berry, two forces
                "C-03,6,,marek,2\n")  # fmt: skip
    before = season.read_bytes()
    found = answer("import", season, bad)
    rows = [(p["row"], p["column"]) for p in found["problems"]]
    assert rows == [
        (2, "force_lbf"), (3, "force_lbf"), (4, "force_lbf"), (5, "berry"), (6, "score"),
        (7, "rater"), (9, "berry"), (9, "force_lbf"), (10, "force_lbf"),
    ]  # fmt: skip
    with pytest.raises(BadTableError, match=r"9 problems") as caught:
        run("import", season, bad)
    assert "row 3, column 'force_lbf': 722 lbf is 3212 N, a force that no berry has" in str(
        caught.value
    )
    assert season.read_bytes() == before


def test_an_unknown_rater_is_refused_with_the_likely_name(season: Path, tmp_path: Path) -> None:
    stray = write(tmp_path, "sample,number,rater,score\nC-01,2,Mareck,2\n")
    with pytest.raises(BadTableError, match=r"'Mareck' has scored nothing.*--new-rater 'Mareck'"):
        run("scores", season, stray)
    with pytest.raises(BadTableError, match="'Mareck'"):
        run("import", season, write(tmp_path, "sample,number,rater,score,force_N\nC,2,Mareck,2,1"))
    stray = write(tmp_path, "sample,number,rater,score\nC-01,2,Mareck,2\n")
    run("scores", season, stray, "--new-rater", "mareck")
    assert scores_of(season)["C-01", 2] == {"Ines": "3", "Mareck": "2"}


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_a_name_matches_whatever_its_case_blanks_and_encoding(form: str, tmp_path: Path) -> None:
    rows = "C,1,1.5,Inès Müller,2\nC,2,2.5, inès  MÜLLER,1\n"
    text = unicodedata.normalize(form, f"sample,berry,force_N,rater,score\n{rows}")
    path = tmp_path / "a.season"
    run("import", path, write(tmp_path, text))
    run("scores", path, write(tmp_path, "sample,berry,rater,score,occasion\nc,1,INÈS MÜLLER,3,2\n"))
    with open_season(path) as file:
        assert len(file.rater_names()) == 1


def test_a_column_of_occasions_is_no_raters_column(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    sheet = write(tmp_path, "sample,number,force_N,ines,occasion\nA,1,2.1,2,2\nA,2,3.1,1,2\n")
    run("import", path, sheet)
    with open_season(path) as file:
        marks = [mark for berry in file.berries() for mark in berry.scores]
        assert [(mark.rater, mark.occasion) for mark in marks] == [("ines", 2), ("ines", 2)]


def test_a_control_character_is_named_by_its_cell_and_nothing_else_of_it(tmp_path: Path) -> None:
    sheet = write(tmp_path, "sample,number,force_N,rater,score\nA,1,2.1,in\x07es,2\nA,2,3,ines,1\n")
    with pytest.raises(BadTableError, match=r"row 2, column 'rater': .* holds the control") as one:
        run("import", tmp_path / "a.season", sheet)
    assert "problems" not in str(one.value)
    plan = write(tmp_path, "code,berries\nC-\x071,20\n")
    with pytest.raises(BadTableError, match=r"row 2, column 'code': .* holds the control"):
        run("plan", tmp_path / "a.season", "--import", plan)


def test_scores_are_corrected_and_the_trail_keeps_the_old(season: Path, tmp_path: Path) -> None:
    other = write(tmp_path, "sample,number,score\nC-01,1,3\nC-02,1,4\n")
    with pytest.raises(AlreadyThereError, match=r"scored this berry 2 on occasion 1 already"):
        run("scores", season, other, "--rater", "ines")
    run("scores", season, other, "--rater", "ines", "--correct", "--why", "wrong line")
    assert scores_of(season)["C-01", 1] == {"Ines": "3", "Marek": "2"}
    with open_season(season, read_only=True) as file:
        (change,) = [row for row in file.trail() if row.kind == "correct"]
        assert (change.old["score"], change.new["score"], change.why) == ("2", "3", "wrong line")
        assert file.differences() == []


def test_what_readings_exports_comes_in_again(season: Path, tmp_path: Path) -> None:
    with open_season(season) as file:
        file.void(3, "fell")
    for more in ((), ("--decimal", "comma", "--bom"), ("--long",)):
        out = tmp_path / "export.csv"
        run("readings", season, "--csv", out, *more)
        again = tmp_path / f"again{len(more)}.season"
        run("import", again, out)
        stored = scores_of(season)
        assert scores_of(again) == {key: stored[key] for key in list(stored)[:2]}


def test_a_sheet_without_numbers_counts_the_berries_of_each_sample(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    run("import", path, write(tmp_path, "sample,Force [kgf]\nA,0.2\nB,0.3\nA,0.1\n"))
    assert list(scores_of(path)) == [("A", 1), ("A", 2), ("B", 1)]


def test_all_columns_that_are_missing_are_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(BadTableError, match=r"no column .sample. or .force. .*--map force=HEADER"):
        run("import", tmp_path / "a.season", write(tmp_path, "Schale,Beere,Kraft\nA,1,2\n"))


def test_a_clamshell_is_a_sample_where_there_is_none_of_that_name(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    run("import", path, write(tmp_path, "Clamshell,Berry no,Max force N\nC-01,7,2.5\n"))
    assert list(scores_of(path)) == [("C-01", 7)]


def test_new_names_that_look_like_another_are_asked_about(tmp_path: Path) -> None:
    text = "sample,berry,force_N,rater,score\nC,1,2,marek,3\nC,2,2,mareck,3\nC,3,2,tove,3\n"
    shown = run("import", tmp_path / "a.season", write(tmp_path, text)).output
    assert "Is mareck the same rater as marek?" in shown
    assert "tove the same" not in shown


def test_labels_stand_for_sample_and_number(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    run("import", path, write(tmp_path, "berry,force_N\nC-01-7,2.5\nC-01-8,2.4\n"))
    assert list(scores_of(path)) == [("C-01", 7), ("C-01", 8)]


def test_a_workbook_is_imported_by_the_name_of_its_sheet(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.create_sheet("day 1")
    for row in (("Sample", "Berry", "Force", "score_ines"), ("C1", 1, 0.5, 2), ("C1", 2, 0.6, 1)):
        page.append(row)
    book.save(tmp_path / "last.xlsx")
    path = tmp_path / "a.season"
    sheet = ("import", path, tmp_path / "last.xlsx", "--sheet", "Day 1")
    with pytest.raises(BadTableError, match="'Force' has no unit"):
        run(*sheet)
    run(*sheet, "--unit", "lbf")
    assert scores_of(path) == {("C1", 1): {"ines": "2"}, ("C1", 2): {"ines": "1"}}


@pytest.mark.parametrize("notes", [["Notes of July"], ["Notes", "by"]])
def test_a_workbook_that_begins_with_notes_names_its_sheets(
    tmp_path: Path, notes: list[str]
) -> None:
    book = openpyxl.Workbook()
    book.active.title = "Read me"
    book.active.append(notes)
    for row in (["sample", "force_N"], ["C1", 2.3]):
        book["Data" if "Data" in book else book.create_sheet("Data").title].append(row)
    book["Read me"].append(notes)
    book.save(tmp_path / "lab.xlsx")
    words = ("import", tmp_path / "a.season", tmp_path / "lab.xlsx")
    with pytest.raises(BadTableError, match="first sheet was read, of Read me, Data: --sheet"):
        run(*words)
    run(*words, "--sheet", "data")


def test_an_import_that_fails_says_how_to_repeat_it(tmp_path: Path) -> None:
    path, sheet = tmp_path / "a.season", write(tmp_path, LAST.replace("0,31", "x"))
    with pytest.raises(BadTableError) as refused:
        run("import", path, sheet, *MAPS, "--map", "force=Peak (lbf)", "--check")
    words = shlex.split(str(refused.value).split("To repeat it: gauge ")[1])
    write(tmp_path, LAST)
    run(*words[:-1])
    assert (words[-1], scores_of(path)["C-01", 2]) == ("--check", {"Ines": "3"})


def test_a_slip_in_a_column_of_scores_does_not_hide_the_column(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    text = "sample,berry,force_N,Ines,Defects\nC,1,2,3,0\nC,2,2,33,1\nC,3,2,2,2\n"
    with pytest.raises(BadTableError, match=r"row 3, column 'Ines': '33'") as caught:
        run("import", path, write(tmp_path, text))
    assert "row 2, column 'Defects': '0'" in str(caught.value)
    assert "--map -='Defects'" in str(caught.value)
    sheet = write(tmp_path, text.replace("33", "3"))
    assert "is -=Defects" in run("import", path, sheet, "--map", "Defects=-").stderr
    run("import", path, sheet, "--map", "-=Defects")
    assert scores_of(path)["C", 2] == {"Ines": "3"}
    for more, told in ((), "nothing new; nothing stored."), (("--check",), "no problem."):
        assert told in run("import", path, sheet, *more).stderr


def test_squeeze_orders_come_in(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    text = "sample,berry,force_N,rater,score,squeeze_order\nC,1,2,ines,3,1\nC,1,2,marek,3,2\n"
    run("import", path, write(tmp_path, text))
    with open_season(path, read_only=True) as file:
        assert file.columns("pair", ["squeeze_order"]) == {"squeeze_order": [1, 2]}


def test_squeeze_orders_that_cannot_be_right_are_refused_by_row(tmp_path: Path) -> None:
    head = "sample,berry,force_N,press_only,rater,score,squeeze_order\n"
    rows = ["C,1,2,,ines,3,0", "C,1,2,,marek,3,two", "C,2,2,,ines,3,1", "C,2,2,,marek,3,1"]
    sheet = write(tmp_path, head + "\n".join([*rows, "C,3,2,yes,marek,3,", "C,4,2,perhaps,,,"]))
    found = answer("import", tmp_path / "a.season", sheet)["problems"]
    assert [(one["row"], one["column"]) for one in found] == [
        (2, "squeeze_order"), (3, "squeeze_order"), (5, "squeeze_order"), (6, "score"),
        (7, "press_only"),
    ]  # fmt: skip
    assert "ines squeezed this berry as number 1, too" in found[2]["what"]
    wide = write(tmp_path, "sample,berry,force_N,ines,marek,squeeze_order\nC,1,2,3,3,1\n")
    with pytest.raises(BadTableError, match="squeeze_order_ines"):
        run("import", tmp_path / "a.season", wide, "--new-rater", "ines", "--new-rater", "marek")


def test_the_order_of_squeezes_goes_out_and_in_again_and_may_come_later(tmp_path: Path) -> None:
    path, scores = tmp_path / "a.season", ("berry_id", "rater", "score", "squeeze_order")
    head = "sample,berry,press_only,score_ines,score_marek,"
    run("import", path, write(tmp_path, f"{head}force_N\nC,1,,3,2,4.1\nC,2,1,,,3.9\n"))
    orders = f"{head}squeeze_order_ines,squeeze_order_marek\nC,1,,3,2,2,1\nC,2,1,,,,\n"
    run("scores", path, write(tmp_path, orders))
    swapped = orders.replace("3,2,2,1", "3,2,1,2")
    with pytest.raises(BadTableError, match="squeezed this berry as number"):
        run("scores", path, write(tmp_path, swapped))
    run("scores", path, write(tmp_path, swapped), "--correct", "--why", "read the wrong way")
    run("scores", path, write(tmp_path, orders), "--correct", "--why", "it was right")
    with open_season(path, read_only=True) as file:
        stored = file.columns("pair", scores)
        assert stored["squeeze_order"] == [2, 1]
        assert [berry.press_only for berry in file.berries()] == [False, True]
        assert file.differences() == []
    out = tmp_path / "out.csv"
    run("readings", path, "--csv", out)
    run("import", tmp_path / "b.season", out)
    with open_season(tmp_path / "b.season", read_only=True) as file:
        assert file.columns("pair", scores) == stored
        assert file.berries()[1].press_only


def test_an_imported_berry_cannot_be_derived_again_and_the_audit_says_so(season: Path) -> None:
    found = answer("audit", season)
    assert (found["ok"], found["berries"], found["not_rederivable"]) == (True, 3, 3)


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        ("sample,force_N,unit\nC,1.5,N\nC,2.5,lbf", "row 3, column 'unit': lbf, but column"),
        ("sample,force_N\nC\x1b[31m,1.5", r"row 2, column 'sample': 'C\\x1b\[31m' holds"),
        ("sample,number,force_N\nC,99999999999999999999,1.5", "row 2, column 'number'"),
        ("sample,number,force_N,ines,Ines \nC,1,1.5,2,4", "column 'Ines': ines scored this"),
    ],
)
def test_what_cannot_be_stored_is_a_problem_of_its_cell(
    table: str, problem: str, tmp_path: Path
) -> None:
    path = tmp_path / "new.season"
    with pytest.raises(BadTableError, match=problem):
        run("import", path, write(tmp_path, table), "--new-rater", "ines")
    assert not path.exists()


def test_a_unit_that_contradicts_the_header_is_refused(tmp_path: Path) -> None:
    sheet = write(tmp_path, "sample,force_N\nC,1.5")
    with pytest.raises(BadTableError, match="column 'force_N' is in N"):
        run("import", tmp_path / "new.season", sheet, "--unit", "lbf")
