"""Clamshell sheets: percentages, impossible sheets, the form, and storing in a season."""

import json

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from calibrate.cli import group
from calibrate.data.clamshell import Clamshell, read_sheets
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from calibrate.data.tallyform import TallyForm
from calibrate.tables.measures import shares
from gauge.errors import BadTableError, ImpossibleSheetError, InvalidValueError
from gauge.records import Sample
from gauge.season.file import open_season

HEAD = "sample,selection,s1,s2,s3,s4,s5,leaky,decayed,planned\n"


def write(tmp_path, text, name="sheets.csv"):
    path = tmp_path / name
    path.write_text(text)
    return path


def run(*args, **more):
    return CliRunner().invoke(group, [str(a) for a in args], **more)


def test_percentages_and_their_wilson_intervals(tmp_path):
    path = write(tmp_path, HEAD + "T-1,R-114,3,5,5,4,3,4,2,20\nT-2,R-114,8,7,3,2,0,1,0,20\n")
    document = json.loads(run("tally", path, "--json").stdout)
    one = document["clamshells"][0]
    assert one["n"] == 20
    assert one["counts"] == {"1": 3, "2": 5, "3": 5, "4": 4, "5": 3}
    # 7/20: Wilson 0.18120 to 0.56714 (scipy.stats.binomtest).
    assert one["soft_pct"]["value"] == 35
    assert one["soft_pct"]["low"] == pytest.approx(18.1195, abs=1e-3)
    assert one["soft_pct"]["high"] == pytest.approx(56.7142, abs=1e-3)
    assert (one["at_limit_pct"]["value"], one["leaky_pct"]["value"]) == (25, 20)
    assert one["mean_score"] == pytest.approx(59 / 20)
    # Within the limit 13 berries; 6 defects that may or may not sit on them.
    assert one["marketable_pct"]["value"] == 35
    assert one["marketable_at_most_pct"] == 65
    assert document["mean"]["soft_pct"]["value"] == pytest.approx((35 + 10) / 2)
    assert document["mean"]["clamshells"] == 2


def test_the_printed_table_cuts_no_interval_at_80_columns(tmp_path):
    rows = "".join(f"LONG-CODE-{i:02},R-114,10,10,5,0,0,0,0,25\n" for i in range(12))
    shown = run("tally", write(tmp_path, HEAD + rows), env={"COLUMNS": "80"}).stdout
    assert "\u2026" not in shown
    assert "100 (87-100)" in shown


def test_a_marketable_column_settles_it(tmp_path):
    path = write(tmp_path, "sample,firm,soft,leaky,marketable\nT-1,18,2,3,16\n")
    one = json.loads(run("tally", path, "--json").stdout)["clamshells"][0]
    assert one["marketable_pct"]["value"] == 80
    assert one["marketable_at_most_pct"] == 80
    assert "why" not in one["marketable_pct"]


@pytest.mark.parametrize(
    ("row", "cell"),
    [
        ("T-1,R-114,3,5,5,4,3,21,2,20", "'leaky'"),
        ("T-1,R-114,3,5,5,4,3,2,21,20", "'decayed'"),
        ("T-1,R-114,3,5,5,4,3,2,2,25", "'planned'"),
        ("T-1,R-114,3,-5,5,4,3,2,2,", "'s2'"),
        ("T-1,R-114,3,5.5,5,4,3,2,2,", "'s2'"),
        ("T-1,R-114,3,five,5,4,3,2,2,", "'s2'"),
        ("T-1,R-114,0,0,0,0,0,0,0,", "'1'"),
        ("T-1,R-114,3,5,5,4,3,x,2,", "'leaky'"),
    ],
)
def test_impossible_sheets_name_the_cell(tmp_path, row, cell):
    path = write(tmp_path, HEAD + "T-0,R-114,3,5,5,4,3,2,2,20\n" + row + "\n")
    result = run("tally", path, "--json")
    assert result.exit_code == 1
    assert isinstance(result.exception, ImpossibleSheetError)
    assert result.exception.exit_code == 70
    assert "row 3" in str(result.exception)
    assert cell in str(result.exception)
    assert result.stdout == ""


def test_more_impossible_sheets(tmp_path):
    twice = write(tmp_path, HEAD + "T-1,R-114,3,5,5,4,3,2,2,\n" * 2)
    with pytest.raises(ImpossibleSheetError, match=r"row 3.*stands in row 2"):
        read_sheets(twice)
    colour = write(tmp_path, "sample,firm,soft,colour\nT-1,18,2,4\n")
    with pytest.raises(ImpossibleSheetError, match=r"'colour': 4 is not on the scale 0, 1, 2, 3"):
        read_sheets(colour)
    assert read_sheets(colour, colours=range(6))[0].colour == 4
    market = write(tmp_path, "sample,firm,soft,leaky,marketable\nT-1,18,2,3,19\n")
    with pytest.raises(ImpossibleSheetError, match=r"'marketable'.*15 to 17"):
        read_sheets(market)
    with pytest.raises(BadTableError, match="--scores"):
        read_sheets(write(tmp_path, "sample,low,high\nT-1,18,2\n"))


def test_leaky_and_decayed_need_no_total_of_their_own(tmp_path):
    path = write(tmp_path, "sample,firm,soft,leaky,decayed\nT-1,5,5,10,10\nT-2,5,5,,\n")
    first, second = read_sheets(path)
    assert (first.least, first.most) == (0, 0)
    assert (second.leaky, second.decayed) == (None, None)
    assert "leaky" not in shares([second]).of


def test_the_same_clamshell_number_in_two_selections_is_two_clamshells(tmp_path):
    path = write(tmp_path, "selection,clamshell,firm,soft\nR-1,1,5,5\nR-2,1,6,4\n")
    assert len(read_sheets(path)) == 2


@given(
    st.lists(st.integers(0, 9), min_size=5, max_size=5).filter(sum),
    st.integers(0, 9),
    st.integers(0, 9),
)
def test_bounds_of_marketable_hold_for_every_way_the_defects_may_sit(counts, leaky, decayed):
    n = sum(counts)
    leaky, decayed = min(leaky, n), min(decayed, n)
    one = Clamshell(
        sample="T", scale=BLACKBERRY, counts=tuple(counts), leaky=leaky, decayed=decayed
    )
    soft = set(range(one.soft))
    # Two arrangements of the defects on berries numbered 0 to n - 1.
    together = n - len(soft | set(range(leaky)) | set(range(decayed)))
    apart = n - len(
        soft
        | {(one.soft + i) % n for i in range(leaky)}
        | {(one.soft + leaky + i) % n for i in range(decayed)}
    )
    assert one.least <= apart <= one.most
    assert one.least <= together == one.most


def test_declared_scale_and_limit(tmp_path):
    path = write(tmp_path, "code,1,2,3,4\nT-1,5,5,5,5\n")
    result = run("tally", path, "--scores", "1-4", "--sale-limit", "2", "--json")
    assert json.loads(result.stdout)["clamshells"][0]["soft_pct"]["value"] == 50
    text = run("tally", path, "--scores", "1-4")
    assert "no sale limit is known" in text.stderr


def test_terminal_table_fits_80_columns(tmp_path):
    path = write(tmp_path, HEAD + "T-1,R-114,3,5,5,4,3,4,2,20\nT-2,R-114,8,7,3,2,0,1,0,20\n")
    result = run("tally", path)
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines()[:5])) <= 80
    assert "35 (18-57)" in result.stdout
    assert "local grades" in result.stdout


# --- the form --------------------------------------------------------------------------------


def keys(form, text):
    for key in text:
        form = form.press(key)
    return form


def test_form_counts_undoes_and_finishes():
    form = keys(TallyForm(sample="T", scale=BLACKBERRY, planned=4), "1123+-")
    assert (form.counts, form.count("+"), form.count("-")) == ((2, 1, 1, 0, 0), 1, 1)
    assert keys(form, "5").message == "all 4 berries are in"
    form = keys(form, "\x7f\x7f/")
    assert (form.n, form.count("+")) == (3, 0)
    assert "plan says 4" in keys(form, "\r").message
    assert not keys(form, "\r").done
    done = keys(form, "5*2\r")
    assert done.done
    assert done.sheet().colour == 2
    assert done.sheet().counts == (2, 1, 0, 0, 1)


def test_form_refuses_what_cannot_be():
    form = TallyForm(sample="T", scale=RASPBERRY)
    assert keys(form, "+").n == 0
    assert keys(form, "3").message == "no such key here"
    assert keys(form, "\r").message
    assert not keys(form, "\r").done
    assert keys(form, "/").message == "nothing to undo"
    assert keys(form, "*9").message.startswith("colour must be")
    with pytest.raises(InvalidValueError):
        TallyForm(sample="T", scale=BLACKBERRY.__class__(labels=tuple("abcdefghijk")))


@given(st.text(alphabet="12345+-*0/\x7fx", max_size=40))
def test_whatever_is_typed_the_sheet_is_possible(text):
    form = keys(TallyForm(sample="T", scale=BLACKBERRY), text)
    if form.n:
        assert max(form.sheet().leaky, form.sheet().decayed) <= form.sheet().n


def test_form_stores_in_the_season(tmp_path, monkeypatch):
    path = tmp_path / "2026.season"
    with open_season(path, create=True, code="2026", scale_json=BLACKBERRY.to_json()) as season:
        season.add_samples([Sample(code="T-1", berries_planned=3), Sample(code="T-2")])
    typed = iter(["11", "\x1b[A", "4+", "\r"])  # a terminal hands over all that was struck
    monkeypatch.setattr("click.getchar", lambda: next(typed))
    result = run("tally", "--form", path, "--sample", "T-1", "--rater", "ines", "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["clamshells"][0]["counts"]["4"] == 1
    with open_season(path, read_only=True) as season:
        (row,) = season.clamshell_counts()
    assert (row.sample, row.rater, row.sheet["leaky"]) == ("T-1", "ines", 1)


def test_sheets_from_a_csv_are_stored_all_or_none(tmp_path):
    path = tmp_path / "2026.season"
    with open_season(path, create=True, code="2026", scale_json=BLACKBERRY.to_json()) as season:
        season.add_samples([Sample(code="T-1", berries_planned=20), Sample(code="T-2")])
    good = "T-1,R-114,3,5,5,4,3,2,2,\n"
    bad = write(tmp_path, HEAD + good + "T-9,R-114,3,5,5,4,3,2,2,\n")
    assert run("tally", bad, "--season", path).exit_code != 0
    short = write(tmp_path, HEAD + "T-1,R-114,3,5,5,4,2,2,2,\n")
    wrong = run("tally", short, "--season", path)
    assert isinstance(wrong.exception, ImpossibleSheetError)  # 19 berries, the plan says 20
    result = run("tally", write(tmp_path, HEAD + good), "--season", path, "--rater", "ines")
    assert result.exit_code == 0, result.output
    with open_season(path, read_only=True) as season:
        assert [row.sample for row in season.clamshell_counts()] == ["T-1"]
