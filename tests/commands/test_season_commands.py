"""The commands plan, scores, void and capture as a person uses them: what is stored and shown."""

from __future__ import annotations

import itertools
import json
import random
import re
from datetime import date, timedelta

import pytest

from gauge.errors import (
    AlreadyThereError,
    BadTableError,
    CannotWriteError,
    FirmhandError,
    InvalidValueError,
    NoSuchRecordError,
)
from gauge.protocol.capture import load_capture
from gauge.records import Chunk, FingerScore, Gap
from gauge.season.file import open_season
from gauge.sheets.plan import LETTERS, blind_codes
from tests.answers import call
from tests.season_helpers import begun, press, run


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "a.season"
    with begun(path, "C1", "C2") as season:
        for sample, number in itertools.product((1, 2), (1, 2, 3)):
            season.acknowledge_berry(
                1, sample, number, press(10.0 * sample + number), chunks=[Chunk(number, b"1.2\r\n")]
            )
    return path


# --- plan -------------------------------------------------------------------------------------

PLAN = """\
code,berries,crop,selection,harvest_date,storage_day,fruit_temp_c,rain
T1,25,raspberry,R-114,2026-07-01,3,18.5,2.5
T2,20,raspberry,R-120,2026-07-01,3,,
T3,25,raspberry,114,2026-07-02,7,19,-1.5
"""


@pytest.fixture
def plan(tmp_path):
    plan = tmp_path / "monday.csv"
    plan.write_text(PLAN)
    return plan


@pytest.mark.parametrize("crop", ["raspbery", "Blackberries", "monday.csv"])
def test_a_mistyped_crop_is_refused_and_begins_no_season(tmp_path, plan, crop) -> None:
    path, wrong = tmp_path / "a.season", tmp_path / "wrong.csv"
    with pytest.raises(InvalidValueError, match=f"'{crop}' is no crop known here"):
        run("plan", path, "--import", plan, "--crop", crop)
    wrong.write_text(PLAN.replace("raspberry", crop), "utf-8")
    with pytest.raises(BadTableError, match=f"column 'crop': '{crop}' is no crop"):
        run("plan", path, "--import", wrong)
    assert not path.exists()
    run("plan", path, "--import", plan, "--crop", "dewberry")
    with open_season(path) as season:
        assert (season.crop, season.labels) == ("dewberry", ("1", "2", "3", "4", "5"))


def test_the_plan_says_why_a_sample_is_next_out_of_its_order(tmp_path, plan) -> None:
    today, late = date.today(), date.today() - timedelta(days=2)
    plan.write_text(f"code,berries,harvest_date\nA,5,{late}\nB,5,{today}\nC,5,\n", "utf-8")
    lines = run("plan", tmp_path / "a.season", "--import", plan, "--order", "file").splitlines()
    states = [line.split("5  ")[1].strip() for line in lines if " of 5" in line]
    assert states == [f"to do, late, due {late}", "to do, next, due today", "to do"]
    assert any(line.startswith("What is due today comes first") for line in lines)


@pytest.mark.parametrize("planned", ["planned", "Berries planned", "berries_planned"])
def test_a_plan_may_call_its_columns_sample_and_planned(tmp_path, plan, planned) -> None:
    plan.write_text(PLAN.replace("code,berries", f"Sample,{planned}"), "utf-8")
    run("plan", tmp_path / "a.season", "--import", plan, "--seed", 1)
    with open_season(tmp_path / "a.season") as season:
        rows = {row.sample.code: row.sample for row in season.samples()}
    assert [rows[code].berries_planned for code in ("T1", "T2", "T3")] == [25, 20, 25]
    assert rows["T1"].cues == {"rain": "2.5"}


def test_a_plan_begins_a_season_in_a_stated_random_order(tmp_path, plan) -> None:
    printed = json.loads(
        run("plan", tmp_path / "a.season", "--import", plan, "--seed", 7, "--json")
    )
    again = json.loads(run("plan", tmp_path / "b.season", "--import", plan, "--seed", 7, "--json"))
    assert printed == again  # the seed settles order and codes
    assert printed["seed"] == 7
    assert [row["order"] for row in printed["samples"]] == [1, 2, 3]
    assert printed["next"] == printed["samples"][0]["code"]
    assert (printed["berries_planned"], printed["berries"]) == (70, 0)
    with open_season(tmp_path / "a.season") as season:
        assert season.labels == ("firm", "soft")  # the crop's scale
        sample = season.sample("T1").sample
        assert (sample.storage_day, sample.fruit_temp_c, sample.cues) == (
            3.0,
            18.5,
            {"rain": "2.5"},
        )
        assert season.sample("T2").sample.cues == {}
        assert season.sample("T3").sample.selection == "114"
        assert "seed 7" in season.notes()[0].text


def test_orders_differ_with_the_seed_and_follow_the_file_on_request(tmp_path, plan) -> None:
    orders = set()
    for seed in range(12):
        text = run("plan", tmp_path / f"{seed}.season", "--import", plan, "--seed", seed, "--json")
        orders.add(tuple(row["code"] for row in json.loads(text)["samples"]))
    assert len(orders) > 3
    text = run("plan", tmp_path / "f.season", "--import", plan, "--order", "file", "--no-blind")
    assert re.findall(r"T\d", text) == ["T1", "T2", "T3"]


def test_samples_are_drawn_within_blocks_and_what_is_due_first_comes_first(tmp_path) -> None:
    sheet = tmp_path / "trial.csv"
    rows = [
        f"{picked}.{day}.{block}{n},5,2026-07-{picked:02},{day},{block}"
        for picked, day in ((9, 0), (1, 4), (1, 0))  # due on the 9th, the 5th and the 1st
        for block in (10, 2)
        for n in "abcd"
    ]
    sheet.write_text("\n".join(["code,berries,harvest_date,storage_day,replicate", *rows]))
    orders = set()
    for seed in range(5):
        blocks = ["--within", "harvest_date, storage_day,replicate", "--seed", seed]
        path = tmp_path / f"{seed}.season"
        codes = [
            row["code"]
            for row in json.loads(run("plan", path, "--import", sheet, *blocks, "--json"))[
                "samples"
            ]
        ]
        orders.add(tuple(codes))
        blocks = ["1.0.2", "1.0.10", "1.4.2", "1.4.10", "9.0.2", "9.0.10"]
        assert [code[:-1] for code in codes[::4]] == blocks
        assert all(len({code[:-1] for code in codes[i : i + 4]}) == 1 for i in range(0, 24, 4))
        shown = run("plan", path)
        assert f"seed {seed} within harvest_date, storage_day, replicate" in " ".join(shown.split())
    assert len(orders) == 5
    with pytest.raises(InvalidValueError, match="has a 'block'"):
        run("plan", tmp_path / "x.season", "--import", sheet, "--within", "block")
    assert not (tmp_path / "x.season").exists()


def test_what_is_due_today_comes_next_and_what_is_due_later_last(tmp_path) -> None:
    sheet, today = tmp_path / "p.csv", date.today()
    due = {"late": today - timedelta(days=2), "later": today + timedelta(days=1), "open": ""}
    due |= {"one": today, "two": today}
    rows = [f"{code},1,{due[code]}" for code in ("later", "open", "one", "late", "two")]
    sheet.write_text("\n".join(["code,berries,harvest_date", *rows]))
    path, worked = tmp_path / "a.season", []
    run("plan", path, "--import", sheet, "--order", "file")
    with begun(path) as season:
        while following := season.next_sample():
            worked.append(following.sample.code)
            assert json.loads(run("plan", path, "--json"))["next"] == following.sample.code
            n = len(worked)
            season.acknowledge_berry(1, following.sample_id, 1, press(float(n)))
    assert worked == ["one", "two", "open", "late", "later"]


def test_a_plan_is_worked_through_and_taken_up_again(tmp_path, plan) -> None:
    path = tmp_path / "a.season"
    codes = [
        row["code"]
        for row in json.loads(run("plan", path, "--import", plan, "--seed", 1, "--json"))["samples"]
    ]
    with begun(path, "extra") as season:  # opened as it is; a sample outside of the plan
        first = season.sample(codes[0])
        for number in range(1, (first.sample.berries_planned or 0) + 1):
            season.acknowledge_berry(1, first.sample_id, number, press(float(number)))
    shown = run("plan", path)
    assert "1 of 4 samples done." in shown
    assert "random order with seed 1" in shown
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert json.loads(run("plan", path, "--json"))["next"] == codes[1]
    assert not re.search(r"T\d", run("plan", path, "--blind").partition("samples done")[0])


def test_a_longer_plan_adds_what_is_new_and_a_changed_one_is_refused(tmp_path, plan) -> None:
    path = tmp_path / "a.season"
    run("plan", path, "--import", plan)
    before = run("plan", path, "--json")
    run("plan", path, "--import", plan)
    assert run("plan", path, "--json") == before
    # What the tech noted since of a sample, where the plan leaves it open, contradicts nothing.
    noted = ("--set", "out_of_store_h=0.5", "--why", "noted at the bench")
    run("correct", path, "sample", "T1", *noted)
    run("plan", path, "--import", plan)
    assert run("plan", path, "--json") == before
    plan.write_text(PLAN.replace("R-114", "R-999") + "T4,5,raspberry,R-1,,,,\n")
    with pytest.raises(AlreadyThereError, match="'T1' is in the season with another selection"):
        run("plan", path, "--import", plan)
    assert run("plan", path, "--json") == before
    plan.write_text(PLAN + "T4,5,raspberry,R-1,,,,\n")
    printed = json.loads(run("plan", path, "--import", plan, "--json"))
    assert [(row["code"], row["order"]) for row in printed["samples"]][3] == ("T4", 4)


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("T2,20", ",20", "row 3, column 'code': the cell is empty"),
        ("T3,25", "T1,25", "row 4, column 'code': 'T1' stands in row 2 too"),
        ("T2,20", "T2,0", "row 3, column 'berries'"),
        ("T2,20", "T2,2.5", "row 3, column 'berries'"),
        ("T2,20", "T2,-3", "row 3, column 'berries'"),
        ("2026-07-02", "31.6.2026", "row 4, column 'harvest_date'"),
        ("3,18.5", "3,warm", "row 2, column 'fruit_temp_c'"),
        ("3,18.5", "3,nan", "row 2, column 'fruit_temp_c'"),
        (",7,19", ",-7,19", "row 4, column 'storage_day'"),
        ("code,", "box,", "no column 'code'"),
        ("rain", "code", "column 'code' stands there twice"),
        ("rain", "plan_order", "column 'plan_order' is not read"),
        ("T3,25,", "T3,25", "row 4: 7 cells"),
    ],
)
def test_a_bad_plan_is_named_by_its_cell_and_begins_nothing(
    tmp_path, plan, old, new, where
) -> None:
    plan.write_text(PLAN.replace(old, new, 1))
    with pytest.raises(BadTableError, match=r"monday\.csv") as caught:
        run("plan", tmp_path / "a.season", "--import", plan)
    assert where in str(caught.value)
    assert not (tmp_path / "a.season").exists()


def test_all_that_is_wrong_with_a_plan_is_named_at_once(tmp_path, plan) -> None:
    plan.write_text(PLAN.replace("T2,20", ",20", 1).replace("3,18.5", "3,warm", 1))
    with pytest.raises(BadTableError) as caught:
        run("plan", tmp_path / "a.season", "--import", plan)
    words = ("2 problems", "row 3, column 'code'", "row 2, column 'fruit_temp_c'")
    assert all(word in str(caught.value) for word in words), str(caught.value)


def test_one_slip_in_a_blind_code_is_never_another_blind_code() -> None:
    codes = blind_codes(len(LETTERS) ** 3, rng=random.Random(0))
    assert len(set(codes)) == 3375
    for code in codes[::25]:
        for place, letter in itertools.product(range(4), LETTERS):
            slip = code[:place] + letter + code[place + 1 :]
            assert slip == code or slip not in codes
        for i in range(3):
            swapped = code[:i] + code[i + 1] + code[i] + code[i + 2 :]
            assert swapped == code or swapped not in codes
    assert not set(LETTERS) & set("AEIOUQSZBG0158")
    assert not set(blind_codes(3000, rng=random.Random(1), taken=codes[:300])) & set(codes[:300])
    with pytest.raises(InvalidValueError, match="only 3375"):
        blind_codes(3376, rng=random.Random(0))


# --- scores -----------------------------------------------------------------------------------


def test_a_sheet_by_sample_and_number(path, tmp_path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("sample;number;score;rater\nC1;2;3,0;ines\nC2;1; 5 ;marek\n", "utf-8-sig")
    found = json.loads(run("scores", path, sheet, "--json"))
    assert found["stored"] == 2
    assert found["raters"] == ["ines", "marek"]
    assert found["problems"] == []
    sheet.write_text("berry_id,score,occasion,scored_at\n2,4,2,2026-07-01T10:00:00Z\n")
    run("scores", path, sheet, "--rater", "ines")
    with open_season(path) as season:
        assert season.berry(2).scores[0].score == "3"
        assert season.berry(2).scores[1] == FingerScore(
            rater="ines", score="4", occasion=2, at="2026-07-01T10:00:00Z"
        )
        assert season.berry(4).scores[0].rater == "marek"
        assert set(season.columns("scores", ["source"])["source"]) == {"sheet.csv"}


def test_a_void_berry_leaves_its_number_to_the_next(path, tmp_path) -> None:
    with open_season(path) as season:
        season.void(2, "fell")
        again = season.acknowledge_berry(1, 1, 2, press(99.0))
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("sample,number,score\nC1,2,3\n")
    run("scores", path, sheet, "--rater", "ines")
    with open_season(path) as season:
        assert [s.score for s in season.berry(again).scores] == ["3"]
        assert season.berry(2).scores == ()


def test_scores_of_a_void_berry_are_left_out_and_counted(path, tmp_path) -> None:
    with open_season(path) as season:
        season.void(3, "fell")
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("sample,number,score\nC1,2,3\nC1,3,4\n")
    found = json.loads(run("scores", path, sheet, "--rater", "ines", "--json"))
    assert (found["void"], found["stored"], found["problems"]) == (1, 1, [])
    with open_season(path) as season:
        assert [s.score for s in season.berry(2).scores] == ["3"]
        assert season.berry(3).scores == ()


@pytest.mark.parametrize(
    ("text", "error", "where"),
    [
        ("sample,number,score\nC1,1,6\n", BadTableError, "row 2, column 'score': '6'"),
        ("sample,number,score\nC1,1,\n", BadTableError, "row 2, column 'score'"),
        ("sample,number,score\nC1,1,2\nC9,1,3\n", BadTableError, "row 3, column 'sample'"),
        ("sample,number,score\nC1,1,2\nC1,9,3\n", BadTableError, "row 3, column 'number'"),
        ("sample,number,score\nC1,one,2\n", BadTableError, "row 2, column 'number'"),
        ("sample,berry,score\nC1,9,2\n", BadTableError, "row 2, column 'berry'"),
        ("berry_id,score\n99,2\n", BadTableError, "row 2, column 'berry_id'"),
        ("berry_id,score\n3,2\n", BadTableError, "berry 3 is void (fell)"),
        ("berry_id,score\n1,2\n2,3\n1,2\n", BadTableError, "row 4, column 'berry_id'"),
        ("berry_id,score\n1,2\n5,3\n", AlreadyThereError, "row 3, column 'berry_id'"),
        ("berry_id,score,occasion\n1,2,0\n", BadTableError, "row 2, column 'occasion'"),
        ("berry_id,score,rater\n1,2,ines\n", BadTableError, "column 'rater'"),
        ("berry_id\n1\n", BadTableError, "no column 'score'"),
        ("score\n1\n", BadTableError, "no column 'sample'"),
        ("sample,score\nC1,1\n", BadTableError, "no column 'number'"),
        ("", BadTableError, "is empty"),
        ("berry_id,score\n", BadTableError, "only a header"),
    ],
)
def test_a_bad_sheet_is_named_by_its_cell_and_stores_nothing(
    path, tmp_path, text, error, where
) -> None:
    with open_season(path) as season:
        season.void(3, "fell")
        season.add_scores([(5, FingerScore(rater="ines", score="2"))])
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(text)
    with pytest.raises(error, match=re.escape("sheet.csv")) as caught:
        run("scores", path, sheet, "--rater", "ines")
    assert where in str(caught.value)
    with open_season(path) as season:
        assert len(season.columns("scores", ["score"])["score"]) == 1


def test_a_sheet_needs_to_say_who_scored(path, tmp_path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("berry_id,score\n1,2\n")
    with pytest.raises(BadTableError, match="--rater"):
        run("scores", path, sheet)


# --- void and capture -------------------------------------------------------------------------


def test_void_says_what_it_did_and_refuses_twice(path) -> None:
    assert "Berry 2 is void (sample C1, berry 2, 1.240 N): fell." in run(
        "void", path, 2, "--why", "fell"
    )
    with pytest.raises(AlreadyThereError):
        run("void", path, 2, "--why", "again")
    with pytest.raises(NoSuchRecordError):
        run("void", path, 99, "--why", "why")
    with pytest.raises(InvalidValueError):
        run("void", path, 1, "--why", " ")
    assert json.loads(run("void", path, 1, "--why", "wet", "--json")) == {
        "berry_id": 1,
        "sample": "C1",
        "number": 1,
        "void": "wet",
    }


def test_several_berries_are_voided_together_and_come_back_together(path) -> None:
    """A sheet that was imported with the wrong unit: its berries have ids one after another."""
    run("void", path, 2, "--why", "fell")
    with pytest.raises(AlreadyThereError, match="Void already: 2"):
        run("void", path, "1-3", "--why", "kgf for N")
    with pytest.raises(NoSuchRecordError):
        run("void", path, "1-9999999999", "--why", "kgf for N")
    void = {row["berry_id"]: row["void"] for row in json.loads(run("readings", path, "--json"))}
    assert (void[1], void[3]) == (None, None)
    assert len(json.loads(run("void", path, "1", "3", "--why", "kgf for N", "--json"))) == 2
    shown = run("void", path, "1-3", "--undo", "--why", "N after all")
    assert shown.count("counts again") == 3
    assert all(row["void"] is None for row in json.loads(run("readings", path, "--json")))
    result = call(f"gauge void {path} 3-1 --why no")
    assert result.status == 2
    assert "such as 31-60" in result.err


def test_a_capture_is_written_with_its_gaps(tmp_path) -> None:
    path, out = tmp_path / "g.season", tmp_path / "c.txt"
    with begun(path, "C1") as season:
        season.keep_chunks(1, [Chunk(1, b"1.2\r\n"), Chunk(2, b"1.2\r\n")])
        # The line is lost at the time of what it sent last.
        season.keep_gap(1, Gap(2, 3, "unplugged"))
        season.keep_chunks(1, [Chunk(3, b"1.2\r\n")])
    run("capture", path, 1, "--out", out)
    assert list(load_capture(out)) == [
        Chunk(1, b"1.2\r\n"),
        Chunk(2, b"1.2\r\n"),
        Gap(2, 3, "unplugged"),
        Chunk(3, b"1.2\r\n"),
    ]
    assert re.search(r"^ +1 +berries", run("capture", path), re.M)
    assert json.loads(run("capture", path, "--json"))[0]["operator"] == "ines"
    other = tmp_path / "bench.toml"
    other.write_text('name = "bench"\n', encoding="ascii")
    for words, error in [
        (("capture", path, 1, "--out", other), AlreadyThereError),
        (("capture", path, 9, "--out", out), NoSuchRecordError),
        (("capture", path, 1, "--out", tmp_path), CannotWriteError),
        (("capture", path, 1, "--out", tmp_path / "no" / "c.txt"), CannotWriteError),
    ]:
        with pytest.raises(error):
            run(*words)


@pytest.mark.parametrize("words", [("readings",), ("void", "1", "--why", "x"), ("capture",)])
def test_a_file_that_is_no_season_is_one_clear_error(tmp_path, words) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("hello")
    name, *rest = words
    with pytest.raises(FirmhandError, match=r"notes\.txt is not a season"):
        run(name, path, *rest)
