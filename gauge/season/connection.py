"""Opening the SQLite connection with the settings that durability rests on, and its errors as ours.

The one place where an error of SQLite becomes an error of firmhand. No table is known here.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

from gauge.errors import (
    AlreadyThereError,
    DamagedSeasonError,
    FirmhandError,
    InvalidValueError,
    LockedSeasonError,
    NoSuchRecordError,
    NotASeasonError,
    ReadOnlySeasonError,
    StorageFailedError,
    UnreadableFileError,
)

# STRICT tables came with SQLite 3.37 (release notes of 2021-11-27).
OLDEST_SQLITE = (3, 37, 0)

# What SQLite raises; and Python, where text or even SQLite's message is not UTF-8.
SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)

# A commit returns only when the data and the removal of the journal have reached the disk:
# EXTRA syncs the folder after the journal is unlinked, fullfsync empties the drive's cache on
# macOS (https://www.sqlite.org/pragma.html). DELETE leaves no file beside the season.
PRAGMAS = (
    "PRAGMA foreign_keys = ON",
    "PRAGMA trusted_schema = OFF",
    "PRAGMA cell_size_check = ON",
    "PRAGMA temp_store = MEMORY",
    "PRAGMA synchronous = EXTRA",
    "PRAGMA fullfsync = ON",
)
JOURNAL_PRAGMA = "PRAGMA journal_mode = DELETE"
# What a stranger's file can make SQLite do (https://www.sqlite.org/security.html): bytes of a
# value, bytes and depth of a statement, columns, other files opened from SQL.
LIMITS = (
    (sqlite3.SQLITE_LIMIT_LENGTH, 1 << 26),
    (sqlite3.SQLITE_LIMIT_SQL_LENGTH, 100_000),
    (sqlite3.SQLITE_LIMIT_COLUMN, 200),
    (sqlite3.SQLITE_LIMIT_EXPR_DEPTH, 100),
    (sqlite3.SQLITE_LIMIT_COMPOUND_SELECT, 3),
    (sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH, 1),
    (sqlite3.SQLITE_LIMIT_ATTACHED, 0),
)
# Steps of SQLite's machine for one statement, which is stopped then: a view can go on without end.
# The longest of a season of 100,000 berries, its integrity check, takes 21 million.
MOST_STEPS = 500_000_000
_COUNTED = 1_000_000  # steps between two counts
# Result codes of values that no table can hold.
_IMPOSSIBLE = {
    sqlite3.SQLITE_CONSTRAINT,
    sqlite3.SQLITE_MISMATCH,
    sqlite3.SQLITE_TOOBIG,
    sqlite3.SQLITE_RANGE,
}


class Bounded(sqlite3.Connection):
    """A connection whose statements end."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._steps = 0
        self.set_progress_handler(self._count, _COUNTED)

    def _count(self) -> bool:
        self._steps += _COUNTED
        return self._steps > MOST_STEPS

    def execute(self, *statement: Any) -> sqlite3.Cursor:
        """Run one statement, its steps counted from zero."""
        self._steps = 0
        return super().execute(*statement)


def connect(path: Path, mode: str, wait_s: float) -> sqlite3.Connection:
    """Open a connection in autocommit mode; transactions are begun and ended by hand.

    `mode` is "ro", "rw" or "rwc" as in https://www.sqlite.org/uri.html; errors are SQLite's.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise UnreadableFileError(
            f"{path}: this Python brings SQLite {sqlite3.sqlite_version}, too old for a season "
            "file.",
            todo="Use a Python with SQLite 3.37 or newer.",
        )
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    db = sqlite3.connect(uri, uri=True, timeout=wait_s, isolation_level=None, factory=Bounded)
    try:
        for limit, value in LIMITS:
            db.setlimit(limit, value)
        for pragma in PRAGMAS:
            db.execute(pragma)
    except BaseException:
        db.close()
        raise
    return db


def roll_back_journal(path: Path, wait_s: float) -> None:
    """Roll back what a crash left half-written; a connection that only reads cannot."""
    try:
        with contextlib.closing(connect(path, "rw", wait_s)) as db:
            db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN}:
            raise ReadOnlySeasonError(
                f"{path}: a write that was interrupted must be rolled back first, and the file or "
                "its folder may not be written.",
                todo="Copy the file together with its -journal where it may, and open it there.",
            ) from None
        raise


def mapped(error: Exception, path: Path, doing: str) -> FirmhandError:
    """Make our error of SQLite's, by its result code (https://www.sqlite.org/rescode.html).

    >>> error = sqlite3.OperationalError("database or disk is full")
    >>> error.sqlite_errorcode = sqlite3.SQLITE_FULL
    >>> print(mapped(error, Path("s.season"), "storing a berry"))
    s.season: storing a berry failed (database or disk is full). Everything acknowledged before is
    safe. Free or repair the disk, then open the season file again.
    """
    extended = getattr(error, "sqlite_errorcode", None)
    if isinstance(error, sqlite3.ProgrammingError | sqlite3.InterfaceError):
        raise error  # our own mistake, and no state of the file
    if extended is None:
        return damaged(path, str(error).partition(" with text")[0])  # which runs over many lines
    code = extended & 0xFF
    what = f"{path}: {doing} failed ({error})."
    if extended in {sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY}:
        return AlreadyThereError(what, todo="Nothing was overwritten.")
    if extended == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
        return NoSuchRecordError(what, todo="It refers to a record that is not there.")
    if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
        return LockedSeasonError(
            f"{path} is held by another program.", todo="Close that program, then try again."
        )
    if code == sqlite3.SQLITE_READONLY:
        return ReadOnlySeasonError(
            f"{path} may not be written (file or folder is read-only).",
            todo="Change its permissions, or copy it elsewhere.",
        )
    if code == sqlite3.SQLITE_CANTOPEN:
        return ReadOnlySeasonError(
            f"{path}: {doing} failed, for a file in its folder cannot be opened.",
            todo="The season file and its folder must both be writable.",
        )
    if code == sqlite3.SQLITE_NOTADB:
        return NotASeasonError(f"{path} is not a season file.", todo="Give the path of a season.")
    if code == sqlite3.SQLITE_INTERRUPT:
        return damaged(path, f"{doing} does not end")
    if code in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR, sqlite3.SQLITE_FORMAT}:
        # SQLITE_ERROR from our own fixed statements means that a table or column is missing.
        return damaged(path, str(error))
    if code in _IMPOSSIBLE:
        return InvalidValueError(what)
    return StorageFailedError(
        what,
        todo="Everything acknowledged before is safe. Free or repair the disk, then open the "
        "season file again.",
    )


def damaged(path: Path, what: str) -> DamagedSeasonError:
    """Say that a season file is damaged, and what to do; it is never repaired in silence.

    >>> print(damaged(Path("a.season"), "no table berries"))
    a.season is damaged: no table berries. Nothing was changed. Keep this file, and work on from
    the last good copy; 'gauge audit' names what differs, as far as it can be read.
    """
    return DamagedSeasonError(
        f"{path} is damaged: {what}.",
        todo="Nothing was changed. Keep this file, and work on from the last good copy; 'gauge "
        "audit' names what differs, as far as it can be read.",
    )
