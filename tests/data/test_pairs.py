"""Reading pairs: what is accepted, and how each bad cell is named."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from calibrate.data.pairs import Pairs, load_pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale, parse_scale
from gauge.errors import (
    BadTableError,
    InvalidValueError,
    NoSuchRaterError,
    NotASeasonError,
    UnreadableFileError,
)
from gauge.records import FingerScore, Press, Sample, Session
from gauge.season.file import open_season
from gauge.units import Unit, newtons


def sheet(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "scores.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_all_columns(tmp_path: Path) -> None:
    path = sheet(
        tmp_path,
        "berry,rater,force_N,score,count,selection,storage_day\n"
        "7,marek,2.37,4,2,R-114,3\n"
        "7,ines,2.37,3,1,,3.5\n"
        "8,marek,2.5,2,0,R-114,\n",
    )
    pairs = load_pairs(path)
    # Row 4 counts zero berries and is gone; names stand in their sorted order.
    assert pairs.force_newton.tolist() == [2.37, 2.37]
    assert pairs.raters == ("ines", "marek")
    assert pairs.rater.tolist() == [1, 0]
    assert pairs.count.tolist() == [2.0, 1.0]
    assert pairs.scale == BLACKBERRY
    assert pairs.rank.tolist() == [3, 2]
    assert pairs.n == 3
    assert pairs.berries == ("7", "8")
    assert pairs.extra["selection"].tolist() == ["R-114", None]
    assert pairs.extra["storage_day"].tolist() == [3.0, 3.5]
    assert pairs.source == str(path)


def test_force_and_unit_convert_exactly_from_the_digits_shown(tmp_path: Path) -> None:
    path = sheet(tmp_path, "force,unit,score\n0.279,lbF,1\n0.10,kg,2\n2.37,N,2\n")
    pairs = load_pairs(path)
    assert pairs.force_newton.tolist() == [
        newtons("0.279", Unit.LBF),
        newtons("0.10", Unit.KGF),
        2.37,
    ]


@pytest.mark.parametrize(
    "text",
    [
        "force_N;score;rater\r\n1,25;2;ines\r\n0,9;5;ines\r\n",
        "force_N\tscore\trater\n1.25\t2\tines\n0.9\t5\tines\n",
        "\ufeffforce_N,score,rater\n1.25, 2 ,ines\n\n0.9,5.0,ines\n",
        'score,"force_N",rater\n2,"1.25",ines\n5,0.9,ines',
    ],
)
def test_the_csvs_that_spreadsheets_write(tmp_path: Path, text: str) -> None:
    pairs = load_pairs(sheet(tmp_path, text))
    assert pairs.force_newton.tolist() == [1.25, 0.9]
    assert pairs.scale == BLACKBERRY
    assert pairs.rank.tolist() == [1, 4]


def test_scales(tmp_path: Path) -> None:
    numbers = sheet(tmp_path, "force_N,score\n4,1\n3,2\n2,4\n1,5\n")
    assert load_pairs(numbers).scale == BLACKBERRY
    last = load_pairs(numbers, firmest="last")
    assert last.scale.labels == ("5", "4", "3", "2", "1")
    assert last.rank.tolist() == [4, 3, 1, 0]
    wide = load_pairs(numbers, scale=parse_scale("1-9"))
    assert len(wide.scale.labels) == 9
    words = sheet(tmp_path, "force_N,score\n4,firm\n3,soft\n")
    assert load_pairs(words).scale == RASPBERRY
    three = sheet(tmp_path, "force_N,score\n4,hard\n3,ripe\n1,mush\n")
    assert load_pairs(three, scale=parse_scale("hard,ripe,mush")).rank.tolist() == [0, 1, 2]
    with pytest.raises(BadTableError, match=r"(?s)row 2, column 'score'.*--scores"):
        load_pairs(three)
    with pytest.raises(BadTableError, match=r"row 4, column 'score': 'mush' is no score"):
        load_pairs(three, scale=parse_scale("hard,ripe"))


@pytest.mark.parametrize("text", ["1", "1-", "5-1", "a,,b", "a,a", ""])
def test_what_is_no_scale(text: str) -> None:
    with pytest.raises(InvalidValueError):
        parse_scale(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("force_N,score\n", "only a header"),
        ("force,score\n1,2\n", "column 'force' has no unit"),
        ("weight,score\n1,2\n", "no column 'force_N'"),
        ("force_N,grade\n1,2\n", "no column 'score'"),
        ("force_N,score,score\n1,2,2\n", "stands there twice"),
        ("force_N,score\n1.0,1\nabc,2\n", "row 3, column 'force_N': 'abc' is not a number"),
        ("force_N,score\n1.0,1\n,2\n", "row 3, column 'force_N': the cell is empty"),
        ("force_N,score\n1.0,1\nnan,2\n", "row 3, column 'force_N': 'nan' is not a finite number"),
        ("force_N,score\n1.0,1\n-inf,2\n", "row 3, column 'force_N'"),
        ("force_N,score\n1.0,1\n1e999,2\n", "row 3, column 'force_N'"),
        ("force_N,score\n1.0,1\n-0.1,2\n", "row 3, column 'force_N': a force of -0.1 N is below"),
        ("force_N,score\n1.0,1\n1_0,2\n", "row 3, column 'force_N'"),
        ("force_N,score\n1.0,1\n\n\n2.0,x\n", "row 5, column 'score'"),
        ("force_N,score\n1.0,\n", "row 2, column 'score': the cell is empty"),
        ("force_N,score\n1.0,2.5\n", "row 2, column 'score'"),
        (
            "force_N,score\n1.0,1\n1.0,900\n",
            "row 3, column 'score': '900' is no score of the scale 1, 2, 3, 4, 5",
        ),
        (
            "force_N,score,count\n1,1,1\n1,2,1.5\n",
            "row 3, column 'count': 1.5 is not a whole number",
        ),
        ("force_N,score,count\n1,1,-1\n", "row 2, column 'count'"),
        ("force_N,score,count\n1,1,0\n", "every count is zero"),
        ("force_N,score,rater\n1,1,ines\n2,2,\n", "row 3, column 'rater': the cell is empty"),
        ("force_N,unit,score\n1,,1\n2,lbf,2\n", "row 3, column 'unit': lbf, but column 'force_N'"),
        ("force,unit,score\n1,N,1\n2,stone,2\n", "row 3, column 'unit': 'stone' is not a unit"),
        ("force_N,score\n1.0,1\n2.0\n", "row 3: 1 cell, but the header has 2"),
        ('force_N,score\n"1.0,1\n', "not a CSV"),
    ],
)
def test_bad_cells_are_named(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(BadTableError) as caught:
        load_pairs(sheet(tmp_path, text))
    assert message in str(caught.value)
    assert "scores.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_all_bad_cells_are_named_at_once(tmp_path: Path) -> None:
    text = "force_N,score,rater,count\nx,1,ines,1\n2,7,ines,1\n-3,2,,y\n1,2,ines\n2,3,ines,1\n"
    with pytest.raises(BadTableError) as caught:
        load_pairs(sheet(tmp_path, text))
    for place in (
        "6 problems", "row 2, column 'force_N': 'x'", "row 3, column 'score': '7'",
        "row 4, column 'force_N': a force of -3", "row 4, column 'rater'", "row 4, column 'count'",
        "row 5: 3 cells",
    ):  # fmt: skip
        assert place in str(caught.value)


@pytest.mark.parametrize(
    ("head", "row"),
    [("force_N,force_lbf", "2.37,0.722"), ("force_N,force,unit", "2.37,0.722,lbf"),
     ("force_lbf,force_kgf", "0.722,1.2"), ("force,unit,force_N", "0.722,lbf,2.37")],
)  # fmt: skip
def test_two_columns_of_forces_that_differ_are_refused_by_row(
    tmp_path: Path, head: str, row: str
) -> None:
    # 0.53 lbf is 2.358 N (NIST SP 811, Appendix B): 2.37 N, but for its last digit
    alike = {"force_N": "2.37", "force_lbf": "0.53", "force_kgf": "0.24", "force": "0.53"}
    sound = ",".join(alike.get(name, "lbf") for name in head.split(","))
    path = sheet(tmp_path, f"{head},score\n{sound},1\n{row},2\n")
    with pytest.raises(BadTableError, match=r"row 3, column '.*contradicts column 'force_"):
        load_pairs(path)
    path.write_text(f"{head},score\n{sound},1\n")
    assert load_pairs(path).force_newton[0] == pytest.approx(2.36, abs=0.02)


def test_zero_force_only_as_typed_and_without_logarithm(tmp_path: Path) -> None:
    path = sheet(tmp_path, "force_N,score\n1.0,1\n0,2\n")
    with pytest.raises(BadTableError, match="row 3: a force of 0 N is no press"):
        load_pairs(path)
    assert load_pairs(path, as_typed=True).force_newton.tolist() == [1.0, 0.0]
    with pytest.raises(BadTableError, match=r"row 3, column 'force_N'.*no logarithm"):
        load_pairs(path, positive=True)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match="nowhere"):
        load_pairs(tmp_path / "nowhere.csv")
    with pytest.raises(UnreadableFileError):
        load_pairs(tmp_path)
    bad = tmp_path / "bad.csv"
    for raw in (b"\x89PNG\x1a\x00", b"force_N,score\n1,1\x81\n", b"\xff\xfea"):
        bad.write_bytes(raw)
        with pytest.raises(UnreadableFileError, match="UTF-8"):
            load_pairs(bad)


def test_raters(tmp_path: Path) -> None:
    path = sheet(tmp_path, "force_N,score,rater\n3,1,ines\n2,2,marek\n1,3,odile\n2.5,2,ines\n")
    some = load_pairs(path, raters=["odile", "ines"])
    assert some.raters == ("ines", "odile")
    assert some.rater.tolist() == [0, 1, 0]
    assert some.force_newton.tolist() == [3.0, 1.0, 2.5]
    assert some.scale == BLACKBERRY
    with pytest.raises(NoSuchRaterError, match="ines, marek, odile"):
        load_pairs(path, raters=["jo"])
    with pytest.raises(NoSuchRaterError, match="no rater column"):
        load_pairs(sheet(tmp_path, "force_N,score\n3,1\n1,2\n"), raters=["ines"])


def test_arrays_are_checked_too() -> None:
    zero = np.zeros(2, dtype=np.int64)
    good = {"scale": RASPBERRY, "force_newton": np.ones(2), "rank": zero, "count": np.ones(2)}
    for bad in (
        {"force_newton": np.array([1.0, np.nan])},
        {"rank": np.array([0, 2])},
        {"count": np.array([1.0, 0.0])},
        {"count": np.ones(3)},
    ):
        with pytest.raises(InvalidValueError):
            Pairs(**(good | bad), rater=zero, berry=zero)
    with pytest.raises(InvalidValueError):
        Scale(labels=("1",))


# --- season files ---------------------------------------------------------------------------------


def a_season(path: Path, scored: list[tuple[float, dict[str, str]]], *, void: int | None = None):
    """Make a season file of berries with a peak (N) and finger scores by rater."""
    with open_season(path, create=True, crop="blackberry") as season:
        sample = season.add_sample(Sample(code="R114-1", selection="R-114", storage_day=3.0))
        session = season.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        for number, (peak_newton, scores) in enumerate(scored, 1):
            press = Press(
                t_start_s=10.0 * number,
                t_peak_s=10.0 * number + 1,
                t_end_s=10.0 * number + 2,
                peak_shown=str(peak_newton),
                peak_unit=Unit.N,
                peak_newton=peak_newton,
                baseline_newton=0.0,
                noise_newton=0.002,
                n_readings=100,
                n_ramp=50,
                rate_hz=50.0,
                loading_rate_newton_s=1.0,
                sampling_loss_newton=0.02,
            )
            given = [FingerScore(rater=rater, score=score) for rater, score in scores.items()]
            berry = season.acknowledge_berry(session, sample, number, press, scores=given)
            if number == void:
                season.void(berry, "dropped")


def test_a_season_file(tmp_path: Path) -> None:
    path = tmp_path / "july.season"
    a_season(
        path,
        [(3.1, {"ines": "1", "marek": "2"}), (2.0, {}), (1.4, {"ines": "4"}), (9.9, {"ines": "5"})],
        void=4,
    )
    pairs = load_pairs(path)
    # The berry without scores and the void one are no pairs.
    assert sorted(zip(pairs.force_newton, pairs.rank, strict=True)) == [
        (1.4, 3),
        (3.1, 0),
        (3.1, 1),
    ]
    assert pairs.raters == ("ines", "marek")
    assert len(pairs.berries) == 2
    assert pairs.scale == BLACKBERRY
    assert set(pairs.extra["selection"]) == {"R-114"}
    assert set(pairs.extra["storage_day"]) == {3.0}
    assert load_pairs(path, raters=["marek"]).force_newton.tolist() == [3.1]
    assert load_pairs(path, firmest="last").scale.labels == ("5", "4", "3", "2", "1")


def test_season_and_csv_give_the_same_pairs(tmp_path: Path) -> None:
    scored = [(3.1, {"ines": "1", "marek": "2"}), (1.45, {"ines": "3", "marek": "5"})]
    a_season(tmp_path / "july.season", scored)
    rows = [f"{f},{s},{r}" for f, given in scored for r, s in given.items()]
    text = "force_N,score,rater\n" + "\n".join(rows) + "\n"
    one = load_pairs(tmp_path / "july.season")
    other = load_pairs(sheet(tmp_path, text))
    order = [np.lexsort((p.rank, p.force_newton)) for p in (one, other)]
    for name in ("force_newton", "rank", "rater"):
        left, right = (getattr(p, name)[o] for p, o in zip((one, other), order, strict=True))
        assert left.tolist() == right.tolist()


def test_a_season_without_pairs_or_not_ours(tmp_path: Path) -> None:
    a_season(tmp_path / "july.season", [(3.1, {})])
    with pytest.raises(BadTableError, match="no berry with both"):
        load_pairs(tmp_path / "july.season")
    foreign = tmp_path / "foreign.db"
    with contextlib.closing(sqlite3.connect(foreign)) as db:
        db.execute("CREATE TABLE t (x)")
    with pytest.raises(NotASeasonError):
        load_pairs(foreign)


def test_forces_in_other_units_by_the_name_of_their_column(tmp_path: Path) -> None:
    for header, unit in (("force_lbf", Unit.LBF), (" Force_KGF", Unit.KGF), ("Peak (gf)", Unit.GF)):
        path = sheet(tmp_path, f"{header}; Score\n1,5;1\n0,25;2\n")
        expected = [newtons("1.5", unit), newtons("0.25", unit)]
        assert load_pairs(path).force_newton.tolist() == expected


def test_an_order_of_squeezes_that_cannot_be_is_refused_by_row(tmp_path):
    path = tmp_path / "a.csv"
    head = "Berry,Rater,force_N,score, Squeeze_Order \n"
    path.write_text(head + "1,a,3,2,0\n1,b,3,2,two\n2,a,4,2,1.5\n")
    with pytest.raises(BadTableError) as caught:
        load_pairs(path)
    for row, what in ((2, "has 1"), (3, "'two' is not a number"), (4, "not a whole number")):
        assert f"row {row}, column 'Squeeze_Order': " in str(caught.value)
        assert what in str(caught.value)
    path.write_text(head + "1,a,3,2,1\n1,b,3,2,1\n2,a,4,2,\n2,b,4,2,\n")
    with pytest.raises(BadTableError, match="row 3: somebody else squeezed this berry"):
        load_pairs(path)
    path.write_text(head + "1,a,3,2,2\n1,b,3,2,1\n2,a,4,2,\n2,b,4,2,\n")
    assert load_pairs(path).squeezes.tolist() == [1, 2, 1.5, 1.5]
