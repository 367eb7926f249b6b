"""Opening, making, checking and upgrading a season file. What it stores is in the other modules."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from types import TracebackType
from typing import Self

from gauge.errors import (
    FirmhandError,
    NewerSeasonError,
    NotASeasonError,
    ReadOnlySeasonError,
    UnreadableFileError,
)
from gauge.season import schema
from gauge.season.berries import BerryTables
from gauge.season.calibrations import CalibrationTables
from gauge.season.connection import JOURNAL_PRAGMA, connect, damaged, mapped
from gauge.season.scores import default_scale, labels_of
from gauge.season.tables import now
from gauge.version import __version__

_CREATED = """
INSERT INTO season (id, code, crop, scale, created_at, created_by) VALUES (1, ?, ?, ?, ?, ?)
"""


class SeasonFile(BerryTables, CalibrationTables):
    """An open season file; a context manager. Made by `open_season`.

    Attributes
    ----------
    path : Path
    read_only : bool
    code, crop : str
        Of the season; `crop` may be None.
    latitude_deg, elevation_m : float or None
        Of the bench, for gravity.
    """

    def __init__(self, db: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        super().__init__(db, path, read_only=read_only)
        row = self._row("SELECT code, crop, latitude_deg, elevation_m FROM season")
        if row is None:
            raise damaged(path, "it does not say which season it holds")
        self.code: str = row[0]
        self.crop: str | None = row[1]
        self.latitude_deg: float | None = row[2]
        self.elevation_m: float | None = row[3]

    def set_site(self, *, latitude_deg: float | None, elevation_m: float | None) -> None:
        """Store where the bench stands: degrees of latitude, metres above the sea."""
        with self._write("storing the site") as db:
            sql = "UPDATE season SET latitude_deg = ?, elevation_m = ?"
            db.execute(sql, (latitude_deg, elevation_m))
        self.latitude_deg, self.elevation_m = latitude_deg, elevation_m

    def close(self) -> None:
        """Close the file; nothing is left beside it. May be called again."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_season(
    path: Path | str,
    *,
    create: bool = False,
    read_only: bool = False,
    code: str | None = None,
    crop: str | None = None,
    scale_json: str | None = None,
    wait_s: float = 5.0,
) -> SeasonFile:
    """Open a season file, and bring it up to this version's tables if it is older.

    Parameters
    ----------
    path : path
    create : bool
        Make the file if it is missing (or empty). An existing season is opened as it is, and the
        arguments `code`, `crop` and `scale_json` have no effect on it.
    read_only : bool
        Change nothing; writing methods are refused. An older file is upgraded in memory only.
    code : str, optional
        Of a new season, for example ``"2026 blackberry"``; by default the file's name.
    crop : str, optional
        Of a new season; "raspberry" brings the scale firm/soft.
    scale_json : str, optional
        Of a new season; by default that of the crop.
    wait_s : float
        How long to wait for another program's lock.

    Raises
    ------
    UnreadableFileError
        If the path is missing, a folder, or may not be read.
    NotASeasonError, NewerSeasonError, DamagedSeasonError
        If the file is foreign or empty, from a newer firmhand, or damaged.
    LockedSeasonError, ReadOnlySeasonError, StorageFailedError
        If another program holds it, it may not be written, or the disk refuses.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with open_season(Path(folder) / "a.season", create=True, crop="raspberry") as season:
    ...         season.labels
    ('firm', 'soft')
    """
    path = Path(path)
    create = create and not read_only
    _refuse_what_is_no_file(path, create=create)
    if create:
        scale_json = scale_json or default_scale(crop)
        labels_of(scale_json)
    db = None
    try:
        db = connect(path, "ro" if read_only else "rwc" if create else "rw", wait_s)
        # Asked of SQLite and not of the file: a stop while the file was begun is undone first.
        if db.execute("PRAGMA page_count").fetchone()[0] == 0:
            if not create:
                raise NotASeasonError(
                    f"{path} is empty.", todo="'gauge log' and 'gauge plan' begin a season file."
                )
            made = (code or path.stem, crop, scale_json)
            _migrate(db, 0, made)
        db = _checked(db, path, read_only=read_only)
        return SeasonFile(db, path, read_only=read_only)
    except sqlite3.Error as error:
        if db is not None:
            db.close()
        raise _opening_error(error, path, create=create) from None
    except BaseException:
        if db is not None:
            db.close()
        raise


def _refuse_what_is_no_file(path: Path, *, create: bool) -> None:
    try:
        if path.is_dir():
            raise UnreadableFileError(f"{path} is a folder.", todo="Give a season file.")
        path.stat()
    except FileNotFoundError:
        if not create:
            raise UnreadableFileError(
                f"{path} does not exist.", todo="'gauge log' and 'gauge plan' begin a season file."
            ) from None
        if not path.absolute().parent.is_dir():
            raise UnreadableFileError(
                f"{path.absolute().parent} does not exist.", todo="Make the folder first."
            ) from None
    except OSError as error:
        raise UnreadableFileError(f"{path} cannot be read: {error.strerror or error}.") from None


def _checked(db: sqlite3.Connection, path: Path, *, read_only: bool) -> sqlite3.Connection:
    """Refuse what is not ours, newer or damaged; upgrade what is older."""
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if application != schema.APPLICATION_ID:
        raise NotASeasonError(
            f"{path} is an SQLite file, but not a season file.", todo="Give the path of a season."
        )
    if version > schema.VERSION:
        raise NewerSeasonError(
            f"{path} was written by a newer firmhand (tables {version}, known here "
            f"{schema.VERSION}).",
            todo="Upgrade firmhand on this machine.",
        )
    problems = [row[0] for row in db.execute("PRAGMA quick_check(1)")]
    if problems != ["ok"]:
        raise damaged(path, problems[0])
    if version == 0:
        raise damaged(path, "it has no tables")
    if read_only:
        if version < schema.VERSION:
            copy = sqlite3.connect(":memory:", isolation_level=None)
            db.backup(copy)
            db.close()
            db = copy
            _migrate(db, version)
        db.execute("PRAGMA query_only = ON")
        return db
    db.execute(JOURNAL_PRAGMA)
    if version < schema.VERSION:
        _migrate(db, version)
    else:
        # SQLite opens a write-protected file for reading without a word; find out now, and also
        # whether a journal can be made beside it.
        db.execute("BEGIN IMMEDIATE")
        try:
            db.execute(f"PRAGMA user_version = {version}")
        finally:
            if db.in_transaction:  # an error of the disk ends the transaction by itself
                db.execute("ROLLBACK")
    return db


def _migrate(db: sqlite3.Connection, version: int, made: tuple[object, ...] | None = None) -> None:
    """Apply what is missing, each step one transaction: a failed one leaves its old version.

    A new season is one transaction with its first row, so that no half-made file ever exists.
    """
    if made is not None:
        db.execute(JOURNAL_PRAGMA)
        _transact(db, schema.MIGRATIONS, schema.VERSION, made)
        return
    for step in range(version, schema.VERSION):
        _transact(db, schema.MIGRATIONS[step : step + 1], step + 1, None)


def _transact(
    db: sqlite3.Connection,
    steps: tuple[str, ...],
    version: int,
    made: tuple[object, ...] | None,
) -> None:
    db.execute("BEGIN EXCLUSIVE")
    try:
        # Another program may have done the same while we waited for the lock.
        if db.execute("PRAGMA user_version").fetchone()[0] < version:
            for statement in (s for step in steps for s in schema.statements(step)):
                db.execute(statement)
            if made is not None:
                db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
                db.execute(_CREATED, (*made, now(), __version__))
            db.execute(f"PRAGMA user_version = {version}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _opening_error(error: sqlite3.Error, path: Path, *, create: bool) -> FirmhandError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_CANTOPEN and (path.exists() or not create):
        return UnreadableFileError(
            f"{path} cannot be opened ({error}).", todo="Check its permissions."
        )
    if code == sqlite3.SQLITE_CANTOPEN:
        return ReadOnlySeasonError(
            f"{path} cannot be made, for its folder may not be written.",
            todo="Choose another folder.",
        )
    return mapped(error, path, "opening")
