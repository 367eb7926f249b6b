"""A season proves itself: digests, trail, audit, backup. Nothing damaged or foreign is used.

BLAKE2b is RFC 7693; the bytes that are hashed are those of Python's marshal, format 2.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import shutil
import sqlite3
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gauge.audit.rederive import audit
from gauge.errors import (
    AlreadyThereError,
    DamagedSeasonError,
    InvalidValueError,
    NotASeasonError,
    SeasonGoneError,
)
from gauge.protocol.capture import load_capture
from gauge.protocol.formatfile import load_format
from gauge.records import FingerScore, Gap, Sample, Session
from gauge.season import chain
from gauge.season.file import give_digests, open_season
from gauge.session.events import BerryLogged
from gauge.session.recorder import BerryRecorder, rederivable
from tests.answers import SAMPLE_RUNS, call
from tests.season.test_older_season import older_season
from tests.season_helpers import begun, press


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A season with three berries of two raters' scores, the second void."""
    path = tmp_path / "a.season"
    with begun(path, "C1", "C2") as season:
        for n in range(3):
            marks = [FingerScore(rater=rater, score="3") for rater in ("ines", "marek")]
            season.acknowledge_berry(1, 1, None, press(float(n), f"{n + 1}.25"), scores=marks)
        season.void(2, "slipped")
        season.add_note("rain", berry_id=1)
    return path


def edit(path: Path, *statements: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as db:
        for statement in statements:
            db.execute(statement)
        db.commit()


def read_all(path: Path) -> None:
    with open_season(path, read_only=True) as season:
        season.berries()
        season.notes()


# --- digests ----------------------------------------------------------------------------------


def test_a_digest_is_as_its_definition_says() -> None:
    # marshal, format 2: "(" and the number of columns, then "i" and 4 bytes, "g" and the 8 bytes of
    # an IEEE 754 double, "u", length and UTF-8, "N" for null; little-endian.
    row = (7, 2.5, "é", None)
    packed = b"(" + struct.pack("<i", 4) + b"i" + struct.pack("<i", 7) + b"g"
    packed += struct.pack("<d", 2.5) + b"u" + struct.pack("<i", 2) + "é".encode() + b"N"
    first = hashlib.blake2b(b"peaks", digest_size=8).hexdigest()
    expected = hashlib.blake2b(first.encode() + packed, digest_size=8).hexdigest()
    assert chain.digests("peaks", [row]) == [expected]


@given(rows=st.lists(st.tuples(st.integers(), st.text(), st.floats(allow_nan=False)), max_size=150))
@settings(max_examples=50, deadline=None)
def test_rows_at_once_and_one_by_one_give_the_same_digest(rows) -> None:
    found = chain.digests("t", rows)
    assert chain.last_digest("t", rows) == (found[-1] if found else chain.start("t"))
    assert list(chain.differing("t", rows, found)) == []
    assert len(set(found)) == len(rows)


@pytest.mark.parametrize("place", [0, 63, 64, 90])
def test_the_damaged_row_is_found(place) -> None:
    rows = [(i, "x") for i in range(150)]
    stored = chain.digests("t", rows)
    rows[place] = (place, "y")
    assert list(chain.differing("t", rows, stored)) == [place]
    assert chain.last_digest("t", rows) != stored[-1]


EDITS = [
    "UPDATE peaks SET peak_n = 9.99, peak_shown = '9.99' WHERE berry_id = 1",
    "UPDATE peaks SET flags = '[]' WHERE berry_id = 1",
    "UPDATE scores SET rater = 'tove' WHERE score_id = 2",
    "UPDATE scores SET score = '4', score_rank = 4 WHERE score_id = 2",
    "UPDATE berries SET number = 9 WHERE berry_id = 3",
    "UPDATE berries SET void_why = NULL, void_at = NULL WHERE berry_id = 2",
    "UPDATE berries SET void_why = 'other' WHERE berry_id = 2",
    "UPDATE samples SET selection = 'R-120' WHERE sample_id = 1",
    "UPDATE notes SET text = 'sun'",
    "DELETE FROM scores WHERE score_id = 1",
    "DELETE FROM scores WHERE score_id = 6",
    "DELETE FROM trail",
    "UPDATE trail SET why = 'nothing'",
    "INSERT INTO scores (berry_id, rater, score, score_rank, at) VALUES (1, 'tove', '1', 1, 't')",
    "UPDATE digests SET last = 'x' WHERE name = 'peaks'",
    "DELETE FROM digests WHERE name = 'peaks'",
]


@pytest.mark.parametrize("statement", EDITS)
def test_an_edit_is_refused_by_what_reads_it_and_named_by_the_audit(path, statement) -> None:
    edit(path, statement)
    before = path.read_bytes()
    with pytest.raises(DamagedSeasonError, match="gauge audit"):
        read_all(path)
    result = call(f"gauge audit {path} --json")
    found = json.loads(result.out)
    assert result.status == 24
    assert not found["ok"]
    assert found["differences"]
    if "berry_id = 1" in statement:
        assert {row["berry"] for row in found["differences"]} == {1}
    assert path.read_bytes() == before


def test_a_damaged_season_takes_no_more_berries_of_that_table(path) -> None:
    edit(path, EDITS[0])
    with open_season(path) as season, pytest.raises(DamagedSeasonError, match="berry 1"):
        season.acknowledge_berry(1, 1, None, press(9.0))


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        ("UPDATE peaks SET peak_n = 1.26 WHERE berry_id = 1", "1.25 N is not 1.26 N"),
        ("UPDATE peaks SET peak_unit = 'lbf' WHERE berry_id = 1", "1.25 lbf is not 1.25 N"),
        ("UPDATE peaks SET peak_unit = 'bar' WHERE berry_id = 1", "1.25 bar"),
        ("UPDATE peaks SET flags = '[' WHERE berry_id = 1", "no JSON"),
        ("UPDATE peaks SET flags = '[1]' WHERE berry_id = 1", "no JSON"),
        ("UPDATE scores SET score_rank = 10 WHERE score_id = 1", "rank 10"),
        ("UPDATE scores SET score = '10' WHERE score_id = 1", "'10' has rank 3"),
    ],
)
def test_a_row_that_contradicts_itself_is_refused_even_with_digests_made_anew(
    path, statement, what
) -> None:
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("DELETE FROM trail")
        db.execute(statement)
        give_digests(db)
        db.commit()
    for read in (
        lambda file: file.berries(), lambda file: file.columns("pair", ["force_N"]),
        lambda file: [*file.columns("peaks", ["flags"]), file.berries()],
    ):  # fmt: skip
        with (
            pytest.raises(DamagedSeasonError, match=re.escape(what)),
            open_season(path, read_only=True) as season,
        ):
            read(season)


def test_digests_follow_berries_of_several_connections(path) -> None:
    with open_season(path) as one, open_season(path) as other:
        for n in range(40):
            (one, other)[n % 3 == 0].acknowledge_berry(1, 2, None, press(10.0 + n))
        assert len(one.berries()) == len(other.berries()) == 43
    with open_season(path, read_only=True) as season:
        assert season.differences() == []


def test_the_last_digest_changes_with_anything_that_is_stored(path) -> None:
    with open_season(path) as season:
        seen = {season.digest}
        for change in (
            lambda: season.add_note("x"),
            lambda: season.void(1, "leaky"),
            lambda: season.take_back_void(1, "not leaky"),
            lambda: season.set_site(latitude_deg=35.5, elevation_m=250),
            lambda: season.keep_gap(1, Gap(1, 2, "unplugged")),
        ):
            change()
            seen.add(season.digest)
    assert len(seen) == 6


# --- the trail --------------------------------------------------------------------------------


def test_a_void_is_taken_back_and_the_trail_keeps_both(path) -> None:
    with open_season(path) as season:
        with pytest.raises(InvalidValueError, match="needs a reason"):
            season.take_back_void(2, " ")
        assert season.take_back_void(2, "it was the third that slipped") == 2
        assert season.berry(2).void is None
        season.void(2, "after all")
        season.acknowledge_berry(1, 1, 2, press(9.0))
        assert season.take_back_void(2, "no") == season.berry(2).number == 4  # the next free one
        kinds = [(row.kind, row.why, row.ids) for row in season.trail()]
        with pytest.raises(AlreadyThereError, match="not void"):
            season.take_back_void(2, "again")
    assert kinds == [
        ("void", "slipped", (2,)),
        ("undo", "it was the third that slipped", (2,)),
        ("void", "after all", (2,)),
        ("undo", "no", (2,)),
    ]


def test_void_undo_says_the_new_number(path) -> None:
    with open_season(path) as season:
        season.acknowledge_berry(1, 1, 2, press(9.0))
    result = call(f"gauge void {path} 2 --undo --why 'another slipped'")
    assert result.status == 0
    assert "number 2 was pressed again, so it is 4 now" in result.out


def test_scores_stand_in_the_trail(path) -> None:
    with open_season(path) as season:
        season.add_scores([(1, FingerScore(rater="odile", score="2"))], source="monday.csv")
        rows = {row.kind: row for row in season.trail()}
        assert season.columns("pair", ["score_rank"])["score_rank"] == [3, 3, 3, 3, 2]
    assert rows["scores"].new == {"source": "monday.csv", "scores": 1, "first": 7}
    assert rows["scores"].who


# --- audit and backup -------------------------------------------------------------------------


@pytest.fixture
def replayed(tmp_path: Path) -> Path:
    """A season with a sample run's twenty berries, from their bytes."""
    path = tmp_path / "r.season"
    with open_season(path, create=True) as season:
        season.add_sample(Sample(code="C1"))
        fmt = load_format(SAMPLE_RUNS / "gauge.toml")
        session = rederivable(Session(started_at="2026-07-01T08:00:00Z"), fmt)
        recorder = BerryRecorder(
            fmt, season=season, session_id=season.add_session(session), sample=season.sample("C1")
        )
        for item in load_capture(SAMPLE_RUNS / "2026-blackberry/captures/B26-01.txt"):
            recorder.feed(item)
        recorder.close()
    return path


def test_every_peak_is_derived_again(replayed, tmp_path) -> None:
    with open_season(replayed, read_only=True) as season:
        found = audit(season)
    assert (found.ok, found.berries, found.rederived) == (True, 10, 10)
    older = older_season(tmp_path / "old.season")
    with open_season(older, read_only=True) as season:
        found = audit(season)
    # Found by the first detector: this one may differ, and a season is no worse for it.
    assert (found.ok, found.berries, found.detector_changed) == (True, 60, 60)


def test_a_forged_peak_is_found_in_the_bytes(replayed) -> None:
    with contextlib.closing(sqlite3.connect(replayed)) as db:
        db.execute("UPDATE peaks SET peak_n = 9.99, peak_shown = '9.99' WHERE berry_id = 7")
        db.execute("UPDATE peaks SET start_s = start_s + 0.001 WHERE berry_id = 8")
        db.execute("DELETE FROM trail")
        give_digests(db)
        db.commit()
    with open_season(replayed, read_only=True) as season:
        found = audit(season)
    assert [(berry, what.split(" ")[0]) for berry, what in found.differences] == [
        (7, "peak_shown"),
        (7, "peak_newton"),
        (8, "no"),
    ]


@pytest.mark.parametrize(
    ("change", "changed", "not_rederivable"),
    [("detector = '0'", 10, 0), ("format_text = NULL, line_format = 'lost'", 0, 10)],
)
def test_what_cannot_be_derived_again_is_no_fault(
    replayed, change, changed, not_rederivable
) -> None:
    with contextlib.closing(sqlite3.connect(replayed)) as db:
        db.execute(f"UPDATE sessions SET {change}, ended_at = NULL")
        db.execute("DELETE FROM trail")
        give_digests(db)
        db.commit()
    with open_season(replayed, read_only=True) as season:
        found = audit(season)
    assert (found.ok, found.detector_changed, found.not_rederivable) == (
        True,
        changed,
        not_rederivable,
    )


def test_a_backup_of_a_season_in_use_is_restored_by_copying_it_back(path, tmp_path) -> None:
    copy = tmp_path / "copy.season"
    with open_season(path) as logging:
        logging.acknowledge_berry(1, 2, None, press(9.0))
        assert call(f"gauge backup {path} {copy}").status == 0
        logging.acknowledge_berry(1, 2, None, press(10.0))
    with open_season(path, read_only=True) as season:
        assert len(season.berries()) == 5
    edit(path, EDITS[0])
    shutil.copy(copy, path)
    with open_season(path, read_only=True) as season:
        assert len(season.berries()) == 4
        assert season.differences() == []
    result = call(f"gauge backup {path} {copy}")
    assert result.status == 27
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a.season", "copy.season"]


def test_no_backup_is_made_of_a_damaged_season(path, tmp_path) -> None:
    edit(path, EDITS[0])
    assert call(f"gauge backup {path} {tmp_path / 'copy.season'}").status == 24
    assert [file.name for file in tmp_path.iterdir()] == ["a.season"]


# --- older seasons ----------------------------------------------------------------------------


def test_an_older_season_is_upgraded_after_a_copy_is_kept(tmp_path) -> None:
    older = older_season(tmp_path / "old.season")
    with open_season(older) as season:
        season.add_note("the first write")
        assert [row.retired_why is not None for row in season.anchors()].count(True) == 1
        assert season.differences() == []
    same = older_season(tmp_path / "same.season")
    with (
        contextlib.closing(sqlite3.connect(tmp_path / "old.before-upgrade.season")) as kept,
        contextlib.closing(sqlite3.connect(same)) as db,
    ):
        assert list(kept.iterdump()) == list(db.iterdump())
    open_season(older).close()
    assert len(list(tmp_path.iterdir())) == 3


# --- a stranger's season ----------------------------------------------------------------------

FOREIGN = [
    "CREATE TRIGGER t AFTER INSERT ON peaks BEGIN DELETE FROM berries; END",
    "CREATE TABLE berry_copy (x)",
    "CREATE INDEX peak_index ON peaks (peak_n)",
    "DROP VIEW pair",
    "DROP INDEX berry_number",
    "DROP VIEW pair; CREATE VIEW pair AS SELECT * FROM berry",
    "DROP VIEW pair; CREATE VIEW pair AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 "
    "FROM n) SELECT * FROM n",
    "ALTER TABLE peaks ADD COLUMN twice REAL GENERATED ALWAYS AS (peak_n * 2) VIRTUAL",
    "ALTER TABLE berries ADD COLUMN more TEXT DEFAULT 'x'",
    "ALTER TABLE notes RENAME TO remarks",
]


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize("statement", FOREIGN)
@pytest.mark.parametrize("old", [False, True])
def test_an_object_that_is_not_ours_is_refused_by_name(
    path, tmp_path, statement, read_only, old
) -> None:
    if old:
        path = older_season(tmp_path / "old.season")
    edit(path, *re.split("; (?=CREATE VIEW)", statement))
    before = path.read_bytes()
    with pytest.raises(NotASeasonError, match=r"trigger|table|index|view"):
        open_season(path, read_only=read_only)
    assert path.read_bytes() == before


@pytest.mark.parametrize("column", ["name", "sql", "type"])
def test_a_text_of_the_schema_that_became_bytes_is_refused(path, column) -> None:
    change = f"UPDATE sqlite_schema SET {column} = CAST({column} AS BLOB) WHERE name = 'scores'"
    edit(path, "PRAGMA writable_schema = ON", change)
    with pytest.raises((NotASeasonError, DamagedSeasonError)):
        open_season(path, read_only=True)


# --- a file that is taken away ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lambda path: path.unlink(), "removed or moved"),
        (lambda path: path.rename(path.with_name("b.season")), "removed or moved"),
        (lambda path: (path.unlink(), path.write_bytes(b"x" * 9999)), "replaced"),
        (lambda path: path.write_bytes(b"x" * 99999), "overwritten"),
        (lambda path: path.write_bytes(b""), "overwritten"),
    ],
)
def test_a_file_taken_away_in_use_is_told_at_the_next_berry(path, harm, words) -> None:
    with open_season(path) as season:
        season.acknowledge_berry(1, 2, None, press(9.0))
        harm(path)
        with pytest.raises(SeasonGoneError, match=words):
            season.acknowledge_berry(1, 2, None, press(10.0))


def test_a_restored_backup_under_a_running_session_is_told(path, tmp_path) -> None:
    copy = tmp_path / "copy"
    shutil.copy(path, copy)
    with open_season(path) as season:
        season.acknowledge_berry(1, 2, None, press(9.0))
        path.write_bytes(copy.read_bytes())
        with pytest.raises(SeasonGoneError, match="overwritten"):
            season.acknowledge_berry(1, 2, None, press(10.0))
    with open_season(path, read_only=True) as season:
        assert len(season.berries()) == 3


# --- control characters -----------------------------------------------------------------------


@pytest.mark.parametrize("text", ["a\x1b[2Jb", "a\nb", "a\x7f", "a\x9bb", "\x07", "a\u200b"])
def test_control_characters_are_refused_on_entry(path, text) -> None:
    with open_season(path) as season:
        for call_ in (
            lambda: season.void(1, text + "x"),
            lambda: season.add_note(text),
            lambda: season.add_sample(Sample(code=text)),
            lambda: season.add_scores([(1, FingerScore(rater=text, score="3"))]),
            lambda: season.add_session(Session(started_at="t", operator=text)),
        ):
            with pytest.raises(InvalidValueError, match="control character"):
                call_()
        assert season.differences() == []


# --- a file that is taken away under the recorder ---------------------------------------------


@pytest.mark.parametrize("readable", [True, False])
def test_what_was_received_is_saved_beside_a_season_that_is_gone(tmp_path, readable) -> None:
    path = tmp_path / "r.season"
    season = open_season(path, create=True)
    season.add_sample(Sample(code="C1"))
    fmt = load_format(SAMPLE_RUNS / "gauge.toml")
    session_id = season.add_session(rederivable(Session(started_at="2026-07-01T08:00:00Z"), fmt))
    recorder = BerryRecorder(fmt, season=season, session_id=session_id, sample=season.sample("C1"))
    items = list(load_capture(SAMPLE_RUNS / "2026-blackberry/captures/B26-01.txt"))
    shown: list[BerryLogged] = []

    def log_until_it_is_told() -> None:
        for item in items:
            shown.extend(e for e in recorder.feed(item) if isinstance(e, BerryLogged))
            if len(shown) == 3:
                if readable:
                    path.unlink(missing_ok=True)
                else:
                    path.write_bytes(b"")

    with pytest.raises(SeasonGoneError, match=r"r\.rescued\.txt is what was received"):
        log_until_it_is_told()
    with pytest.raises(SeasonGoneError):
        recorder.close()
    season.close()
    assert len(shown) == 3
    names = {file.name for file in tmp_path.iterdir()} - {"r.season"}
    assert names == {"r.rescued.txt"} | ({"r.rescued.season"} if readable else set())
    if readable:
        with open_season(tmp_path / "r.rescued.season", read_only=True) as saved:
            assert [b.peak_shown for b in saved.berries()] == [e.press.peak_shown for e in shown]
        again = list(load_capture(tmp_path / "r.rescued.txt"))
        assert again == items[: len(again)]
        assert len(again) > 100
