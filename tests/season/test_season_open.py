"""Opening a season file: what is refused, with which error, and how older files come up to date.

Pragmas and result codes are SQLite's own (sqlite.org/pragma.html, /rescode.html).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from gauge.errors import (
    AlreadyThereError,
    CannotWriteError,
    DamagedSeasonError,
    FirmhandError,
    InvalidValueError,
    LockedSeasonError,
    NewerSeasonError,
    NoSuchRecordError,
    NotASeasonError,
    PortBusyError,
    ReadOnlySeasonError,
    StorageFailedError,
    UnreadableFileError,
)
from gauge.port.claims import claim_port, claim_sample
from gauge.records import Chunk
from gauge.season import schema
from gauge.season.connection import mapped
from gauge.season.file import open_season
from tests.answers import call
from tests.season_helpers import begun, press


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "2026 black?berry #1.season"
    with begun(path) as season:
        season.acknowledge_berry(1, 1, None, press())
    return path


def test_one_file_that_is_safe_to_copy(path) -> None:
    assert list(path.parent.iterdir()) == [path]
    with open_season(path) as season:
        season.acknowledge_berry(1, 1, None, press(5.0))
        copy = path.with_name("copy.season")
        shutil.copy(path, copy)
    assert sorted(path.parent.iterdir()) == sorted([path, copy])
    with open_season(copy, read_only=True) as season:
        assert len(season.berries()) == 2


def test_settings_that_durability_rests_on(path) -> None:
    with open_season(path) as season:
        asked = {
            name: season._rows(f"PRAGMA {name}")[0][0]
            for name in ("synchronous", "journal_mode", "fullfsync", "foreign_keys", "user_version")
        }
        tables = season._rows("SELECT name, strict FROM pragma_table_list WHERE type = 'table'")
    assert asked == {
        "synchronous": 3,  # EXTRA
        "journal_mode": "delete",
        "fullfsync": 1,
        "foreign_keys": 1,
        "user_version": schema.VERSION,
    }
    assert all(strict for name, strict in tables if not name.startswith("sqlite_"))
    assert path.read_bytes()[68:72] == b"fhsn"  # application_id, fileformat2.html section 1.3


def test_creation_and_its_settings(tmp_path) -> None:
    path = tmp_path / "new.season"
    with open_season(path, create=True, crop="Raspberry") as season:
        assert (season.code, season.crop) == ("new", "Raspberry")
        assert season.labels == ("firm", "soft")
    with open_season(path, create=True, code="other") as season:  # opened as it is
        assert season.code == "new"
    for text in ('{"labels": ["1"]}', "[]", '{"labels": ["a", "a"]}', "{",
                 '{"labels": ["a", "b"], "sale_limit": "c"}'):  # fmt: skip
        with pytest.raises(InvalidValueError):
            open_season(tmp_path / "bad.season", create=True, scale_json=text)
        assert not (tmp_path / "bad.season").exists()
    empty = tmp_path / "empty.season"
    empty.touch()
    with open_season(empty, create=True) as season:  # left by a stop while it was begun
        assert season.labels == ("1", "2", "3", "4", "5")


def _foreign(path):
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE t (x)")


def _newer(path):
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        db.execute("PRAGMA user_version = 99")


def _half(path):
    with begun(path) as season:
        season._db.execute("BEGIN")
        for i in range(300):
            season._add_chunks(1, [Chunk(i, os.urandom(500))])
        season._db.execute("COMMIT")
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)


def _scribbled(path):
    _half(path)
    intact = path.read_bytes()
    with path.open("r+b") as file:
        file.write(intact[: 4096 * 8] + b"\xaa" * 4096 * 20)


@pytest.mark.parametrize(
    ("make", "error"),
    [
        (lambda p: None, UnreadableFileError),
        (lambda p: p.mkdir(), UnreadableFileError),
        (lambda p: p.touch(), NotASeasonError),
        (lambda p: p.write_text("force_N,score\n1.2,3\n" * 400), NotASeasonError),
        (lambda p: p.write_text("short"), NotASeasonError),
        (lambda p: p.write_bytes(b"SQLite format 3\x00" + b"\xff" * 2000), NotASeasonError),
        (_foreign, NotASeasonError),
        (_newer, NewerSeasonError),
        (_half, DamagedSeasonError),
        (_scribbled, DamagedSeasonError),
    ],
)
@pytest.mark.parametrize("read_only", [False, True])
def test_what_is_no_season_is_refused_and_left_as_it_is(tmp_path, make, error, read_only) -> None:
    path = tmp_path / "x.season"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(error) as caught:
        open_season(path, read_only=read_only)
    assert type(caught.value) is error
    assert "x.season" in str(caught.value)
    assert caught.value.todo
    assert (path.read_bytes() if path.is_file() else None) == before
    assert len(list(tmp_path.iterdir())) <= 1


def test_create_refuses_foreign_files_and_missing_folders(tmp_path) -> None:
    path = tmp_path / "x.season"
    path.write_text("notes of mine")
    with pytest.raises(NotASeasonError):
        open_season(path, create=True)
    assert path.read_text() == "notes of mine"
    with pytest.raises(UnreadableFileError, match="does not exist"):
        open_season(tmp_path / "no" / "x.season", create=True)


def test_held_by_another_program(path) -> None:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        for read_only in (False, True):
            with pytest.raises(LockedSeasonError):
                open_season(path, wait_s=0.05, read_only=read_only)
        other.execute("ROLLBACK")
        with open_season(path, wait_s=0.05) as season:
            other.execute("BEGIN")
            other.execute("SELECT * FROM season").fetchall()  # a reader keeps us from committing
            with pytest.raises(LockedSeasonError):
                season.acknowledge_berry(1, 1, None, press(9.0))
            other.execute("COMMIT")
            assert len(season.berries()) == 1
            season.acknowledge_berry(1, 1, None, press(9.0))  # sent again, stored once
            assert len(season.berries()) == 2


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs another user")
def test_read_only_file_and_folder(path) -> None:
    path.chmod(0o444)
    path.parent.chmod(0o555)
    for parent in list(path.parents)[1:4]:
        if str(parent).startswith(("/tmp/", "/dev/shm/")):
            parent.chmod(0o755)
    os.seteuid(65534)
    try:
        with pytest.raises(ReadOnlySeasonError, match="may not be written"):
            open_season(path)
        with open_season(path, read_only=True) as season:
            assert len(season.berries()) == 1
        with pytest.raises(ReadOnlySeasonError, match="folder may not be written"):
            open_season(path.with_name("new.season"), create=True)
        os.seteuid(0)
        path.chmod(0o666)  # the file may be written, but no journal made beside it
        os.seteuid(65534)
        with pytest.raises(ReadOnlySeasonError, match="may not be written"):
            open_season(path)
        os.seteuid(0)
        path.chmod(0)
        os.seteuid(65534)
        with pytest.raises(UnreadableFileError):
            open_season(path, read_only=True)
    finally:
        os.seteuid(0)


def test_opened_for_reading_only_writes_nothing(path) -> None:
    before = path.read_bytes()
    with open_season(path, read_only=True) as season:
        with pytest.raises(ReadOnlySeasonError):
            season.void(1, "fell")
        with pytest.raises(sqlite3.OperationalError):
            season._db.execute("DELETE FROM berries")
    assert path.read_bytes() == before


# --- after a crash ----------------------------------------------------------------------------


def _crashed(path, folder):
    """A copy of the season as a crash in the middle of a large change leaves it."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA cache_size = 1")  # so that changes reach the file before the commit
        db.execute("BEGIN")
        db.execute("UPDATE peaks SET peak_shown = '9.99', peak_n = 9.99")
        db.execute("CREATE TABLE filler AS SELECT randomblob(99999) AS x FROM berries")
        for name in (path.name, f"{path.name}-journal"):
            shutil.copy(path.with_name(name), folder / name)
        db.execute("ROLLBACK")
    return folder / path.name


def test_a_command_that_only_reads_rolls_back_what_a_crash_left(path, tmp_path) -> None:
    folder = tmp_path / "crashed"
    folder.mkdir()
    crashed = _crashed(path, folder)
    assert b"9.99" in crashed.read_bytes()
    for command in ("gauge readings", "gauge plan", "gauge audit", "calibrate table"):
        assert call(f"{command} '{crashed}' --json").status == 0, command
        crashed = _crashed(path, folder)
    with open_season(crashed, read_only=True) as season:
        assert [berry.peak_shown for berry in season.berries()] == ["1.240"]
    assert list(folder.iterdir()) == [crashed]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs another user")
def test_a_crash_in_a_folder_that_may_not_be_written_is_told(path, tmp_path) -> None:
    folder = tmp_path / "crashed"
    folder.mkdir()
    crashed = _crashed(path, folder)
    folder.chmod(0o555)
    for parent in list(folder.parents)[:4]:
        if str(parent).startswith(("/tmp/", "/dev/shm/")):
            parent.chmod(0o755)
    os.seteuid(65534)
    try:
        with pytest.raises(ReadOnlySeasonError, match="rolled back first"):
            open_season(crashed, read_only=True)
    finally:
        os.seteuid(0)


# --- migrations -------------------------------------------------------------------------------


def _version_1(path):
    """A file as migration 1 alone makes it, with a berry in it."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.executescript(schema.MIGRATIONS[0])
        db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        db.execute("PRAGMA user_version = 1")
        db.execute(
            "INSERT INTO season VALUES (1, 'old', NULL, "
            """'{"labels": ["firm", "soft"], "sale_limit": "firm"}', NULL, NULL, 't', '0.0')"""
        )
        db.execute("INSERT INTO samples (code) VALUES ('C1')")
        db.execute("INSERT INTO sessions (started_at) VALUES ('2026-07-01T08:00:00Z')")
        db.execute("INSERT INTO berries (sample_id, number, at) VALUES (1, 7, 't')")
        db.execute(
            "INSERT INTO peaks VALUES (1, 1, 0.0, 0.5, 0.8, '0.279', 'lbf', 1.2410538306, 0, "
            "0.001, 40, 20, 50, 2.5, 0.02, '[]', 't')"
        )


def _tables(path):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return (
            db.execute("PRAGMA user_version").fetchone()[0],
            sorted(db.execute("SELECT type, name, sql FROM sqlite_schema").fetchall(), key=str),
        )


def test_a_version_1_file_comes_up_to_date_with_its_data(tmp_path) -> None:
    path, new = tmp_path / "old.season", tmp_path / "new.season"
    _version_1(path)
    with open_season(path) as season:
        (berry,) = season.berries()
        assert (berry.number, berry.peak_shown, berry.peak_unit) == (7, "0.279", "lbf")
        season.add_note("a table of a later version")
        assert season.verifications() == []
        assert season.calibrations() == []
    open_season(new, create=True).close()
    assert _tables(path) == _tables(new)


def test_an_older_file_is_read_without_being_changed(tmp_path) -> None:
    path = tmp_path / "old.season"
    _version_1(path)
    before = path.read_bytes()
    with open_season(path, read_only=True) as season:
        assert season.berry(1).peak_shown == "0.279"
        assert season.notes() == []
        with pytest.raises(ReadOnlySeasonError):
            season.void(1, "fell")
    assert path.read_bytes() == before


@pytest.mark.parametrize("broken", range(1, schema.VERSION))
def test_a_failed_migration_leaves_the_version_before_it(tmp_path, monkeypatch, broken) -> None:
    path = tmp_path / "old.season"
    _version_1(path)
    steps = list(schema.MIGRATIONS)
    steps[broken] += "CREATE TABLE season (x);"  # exists already
    monkeypatch.setattr(schema, "MIGRATIONS", tuple(steps))
    with pytest.raises(FirmhandError):
        open_season(path)
    monkeypatch.undo()
    assert _tables(path)[0] == broken
    with open_season(path) as season:
        assert season.berry(1).peak_shown == "0.279"
    assert _tables(path)[0] == schema.VERSION


# --- errors of the disk -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "error"),
    [
        (sqlite3.SQLITE_FULL, StorageFailedError),
        (sqlite3.SQLITE_IOERR, StorageFailedError),
        (sqlite3.SQLITE_IOERR_FSYNC, StorageFailedError),
        (sqlite3.SQLITE_IOERR_DIR_FSYNC, StorageFailedError),
        (sqlite3.SQLITE_NOMEM, StorageFailedError),
        (sqlite3.SQLITE_READONLY, ReadOnlySeasonError),
        (sqlite3.SQLITE_READONLY_ROLLBACK, ReadOnlySeasonError),
        (sqlite3.SQLITE_CANTOPEN, ReadOnlySeasonError),
        (sqlite3.SQLITE_BUSY, LockedSeasonError),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, LockedSeasonError),
        (sqlite3.SQLITE_CORRUPT, DamagedSeasonError),
        (sqlite3.SQLITE_NOTADB, NotASeasonError),
        (sqlite3.SQLITE_CONSTRAINT_UNIQUE, AlreadyThereError),
        (sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY, NoSuchRecordError),
        (sqlite3.SQLITE_CONSTRAINT_CHECK, InvalidValueError),
    ],
)
def test_result_codes_of_sqlite(tmp_path, code, error) -> None:
    theirs = sqlite3.OperationalError("words")
    theirs.sqlite_errorcode = code
    ours = mapped(theirs, tmp_path / "x.season", "storing a berry")
    assert type(ours) is error
    assert "x.season" in str(ours)


class _FullDisk:
    """A connection whose COMMIT fails once."""

    def __init__(self, db):
        self._db = db
        self.left = 1

    def execute(self, sql, *values):
        if sql == "COMMIT" and self.left:
            self.left -= 1
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise error
        return self._db.execute(sql, *values)

    def __getattr__(self, name):
        return getattr(self._db, name)


def test_after_a_failed_commit_the_connection_is_not_trusted(path) -> None:
    with open_season(path) as season:
        season._db = _FullDisk(season._db)
        with pytest.raises(StorageFailedError, match="storing a berry failed"):
            season.acknowledge_berry(1, 1, None, press(5.0))
        with pytest.raises(StorageFailedError, match="Open the season file again"):
            season.acknowledge_berry(1, 1, None, press(5.0))
    with open_season(path) as season:
        assert len(season.berries()) == 1
        season.acknowledge_berry(1, 1, None, press(5.0))
        assert len(season.berries()) == 2


# --- claims -----------------------------------------------------------------------------------


def test_a_sample_and_a_port_are_held_once(path, tmp_path) -> None:
    link = tmp_path / "link.season"
    link.symlink_to(path)
    with claim_sample(path, "C1"):
        with pytest.raises(LockedSeasonError, match="C1"), claim_sample(link, "C1"):
            pass
        with claim_sample(path, "C2"), claim_sample(tmp_path / "b.season", "C1"):
            pass
    with claim_sample(path, "C1"), claim_port("socket://127.0.0.1:9"):
        with pytest.raises(PortBusyError), claim_port("socket://127.0.0.1:9"):
            pass
        with claim_port("/dev/ttyUSB7"):
            pass
    assert link.parent == path.parent
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([link.name, path.name])


def test_a_killed_logger_frees_its_sample(path) -> None:
    program = (
        "import sys, time\nfrom gauge.port.claims import claim_sample\n"
        "with claim_sample(sys.argv[1], 'C1'):\n    print('held', flush=True)\n    time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(LockedSeasonError), claim_sample(path, "C1"):
            pass
        other.kill()
    with claim_sample(path, "C1"):
        pass


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs another user")
def test_another_user_of_the_machine_meets_the_same_lock(tmp_path) -> None:
    with claim_port("/dev/ttyUSB8"):
        os.seteuid(65534)
        try:
            with pytest.raises(PortBusyError), claim_port("/dev/ttyUSB8"):
                pass
        finally:
            os.seteuid(0)
    os.seteuid(65534)
    try:
        with claim_port("/dev/ttyUSB8"):
            pass
    finally:
        os.seteuid(0)


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
@pytest.mark.parametrize("kind", ["link", "file"])
def test_a_lock_folder_that_is_a_link_is_refused_and_not_opened_to_all(
    tmp_path, monkeypatch, kind
) -> None:
    private = tmp_path / "private"
    private.mkdir(mode=0o700)
    locks = tmp_path / "firmhand-locks"
    if kind == "link":
        locks.symlink_to(private)
    else:
        locks.touch()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with pytest.raises(CannotWriteError, match="no folder"), claim_port("/dev/ttyUSB9"):
        pass
    assert private.stat().st_mode & 0o777 == 0o700
    assert list(private.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="modes are of POSIX")
def test_a_private_lock_folder_stays_private(tmp_path, monkeypatch) -> None:
    locks = tmp_path / "firmhand-locks"
    locks.mkdir(mode=0o700)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with claim_port("/dev/ttyUSB9"):
        pass
    assert locks.stat().st_mode & 0o777 == 0o700


# --- what is no file --------------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_a_pipe_or_a_device_is_neither_read_nor_replaced(path, tmp_path) -> None:
    pipe, null = tmp_path / "pipe.csv", Path("/dev/null")
    os.mkfifo(pipe)
    for line, status in (
        (f"gauge readings {pipe}", 12),
        (f"gauge replay {pipe} --format number-unit", 12),
        (f"calibrate fit {pipe}", 12),
        (f"gauge readings '{path}' --csv {pipe}", 16),
        (f"gauge readings '{path}' --csv {null}", 16),
    ):
        result = call(line)
        assert result.status == status, (line, result)
        assert "pipe" in result.err
    assert not null.is_file()
    result = call(f"gauge readings '{path}' --csv -")
    assert result.out.startswith("berry_id,")
