"""Opening, making, checking and upgrading a season file. What it stores is in the other modules."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import Self

from gauge.errors import (
    AlreadyThereError,
    CannotWriteError,
    DamagedSeasonError,
    FirmhandError,
    NewerSeasonError,
    NotASeasonError,
    ReadOnlySeasonError,
    UnreadableFileError,
)
from gauge.outfile import drafted, refuse_irregular
from gauge.package import __version__
from gauge.season import schema
from gauge.season.calibrations import CalibrationTables
from gauge.season.chain import digests, season_digest, start
from gauge.season.changes import ChangeTables
from gauge.season.connection import (
    JOURNAL_PRAGMA,
    SQLITE_ERRORS,
    Bounded,
    connect,
    damaged,
    mapped,
    roll_back_journal,
)
from gauge.season.scores import default_scale, labels_of
from gauge.season.tables import now

_CREATED = """
INSERT INTO season (id, code, crop, scale, created_at, created_by) VALUES (1, ?, ?, ?, ?, ?)
"""

_BEGIN = "Check the name; 'gauge start', 'gauge log' and 'gauge plan --import' begin a season file."


class SeasonFile(ChangeTables, CalibrationTables):
    """An open season file; a context manager. Made by `open_season`.

    What is named and not there is a NoSuchRecordError, what is there already an AlreadyThereError,
    and what no record can hold, or a change without a reason, an InvalidValueError. A method that
    writes is one transaction: where it raises, nothing is stored. Then the file may also be
    locked, read-only or gone, or the disk refuse (`gauge.errors`); rows that are read and do not
    fit their digests are a DamagedSeasonError.

    `latitude_deg` and `elevation_m` (above the sea) are those of the bench, for gravity.
    """

    def __init__(self, db: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        super().__init__(db, path, read_only=read_only)
        rows = self._dicts("season")
        if len(rows) != 1:
            raise damaged(path, "it does not say which season it holds")
        self.code: str = rows[0]["code"]
        self.crop: str | None = rows[0]["crop"]
        self.latitude_deg: float | None = rows[0]["latitude_deg"]
        self.elevation_m: float | None = rows[0]["elevation_m"]

    def set_site(self, *, latitude_deg: float | None, elevation_m: float | None) -> None:
        """Store where the bench stands: degrees of latitude, metres above the sea."""
        site = {"latitude_deg": latitude_deg, "elevation_m": elevation_m}
        with self._write("storing the site"):
            self._change("season", [1], site, kind="site")
        self.latitude_deg, self.elevation_m = latitude_deg, elevation_m

    @property
    def digest(self) -> str:
        """One short digest of all that is stored: any later change gives another one."""
        return season_digest(self._rows("SELECT name, n_rows, last FROM digests"))

    def differences(self) -> list[tuple[int | None, str]]:
        """All that does not fit within the file, as (berry, in words); empty where it is sound."""
        found: list[tuple[int | None, str]] = [
            (None, text) for (text,) in self._rows("PRAGMA integrity_check") if text != "ok"
        ]
        found += [
            (None, f"{table}, row {row_id} refers to a row of {parent} that is not there")
            for table, row_id, parent, _ in self._rows("PRAGMA foreign_key_check")
        ]
        for table in schema.tables_with_digests():
            found += self._differences(table)
        if not found:
            try:
                self.berries()  # value, unit and newtons; rank and scale; flags
            except DamagedSeasonError as error:
                found.append((None, error.what))
        return found

    def backup(self, copy: Path | str) -> str:
        """Write a checked copy to a new file, also while others write; return its digest.

        A copy that is not sound is removed; a CannotWriteError says that the place may not be
        written, or the disk is full.
        """
        copy = Path(copy)
        folder = copy.absolute().parent
        if os.path.lexists(copy):
            raise AlreadyThereError(f"{copy} exists.", todo="Give the copy another name.")
        if not folder.is_dir():
            raise CannotWriteError(
                f"{copy} cannot be written: there is no folder {folder}.",
                todo="Make the folder first, or choose another place.",
            )
        try:
            with drafted(copy) as draft:
                _copied(self._db, draft)
                with open_season(draft, read_only=True) as copied:
                    if wrong := copied.differences():
                        raise damaged(self.path, wrong[0][1])
                    return copied.digest
        except sqlite3.Error as error:
            raise CannotWriteError(
                f"{copy} cannot be written: {error}.", todo="Choose another place."
            ) from None

    def close(self) -> None:
        """Close the file; nothing is left beside it. May be called again."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
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
    code, crop, scale_json : str, optional
        Of a new season; by default the file's name is the code, and the scale that of the crop.
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
    try:
        if read_only and os.path.lexists(f"{path}-journal"):
            roll_back_journal(path, wait_s)
        with contextlib.ExitStack() as refused:
            db = connect(path, "ro" if read_only else "rwc" if create else "rw", wait_s)
            refused.callback(db.close)
            # By SQLite and not by the file's size: a stop while it was begun is undone first.
            if db.execute("PRAGMA page_count").fetchone()[0] == 0:
                if not create:
                    raise NotASeasonError(f"{path} is empty.", todo=_BEGIN)
                db.execute(JOURNAL_PRAGMA)
                script = "\n".join(schema.MIGRATIONS)
                _build(db, script, schema.VERSION, code or path.stem, crop, scale_json)
            db = _checked(db, path, read_only=read_only)
            refused.callback(db.close)  # it may be a copy in memory now
            season = SeasonFile(db, path, read_only=read_only)
            refused.pop_all()
            return season
    except SQLITE_ERRORS as error:
        raise _opening_error(error, path, create=create) from None


def _refuse_what_is_no_file(path: Path, *, create: bool) -> None:
    try:
        refuse_irregular(path)
        path.stat()
    except FileNotFoundError:
        if not create:
            raise UnreadableFileError(f"{path} does not exist.", todo=_BEGIN) from None
        if not path.absolute().parent.is_dir():
            raise UnreadableFileError(
                f"{path.absolute().parent} does not exist.", todo="Make the folder first."
            ) from None
    except OSError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {error.strerror or error}.", todo="Give a season file."
        ) from None


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
    if version == 0:
        raise damaged(path, "it has no tables")
    # Before anything of it is read: what is not ours could answer in the place of what was stored.
    if foreign := schema.foreign_object(db, version):
        raise NotASeasonError(
            f"{path} {foreign}; nothing of it was read.",
            todo="Ask who made it; a season file is written by firmhand alone.",
        )
    problems = [row[0] for row in db.execute("PRAGMA quick_check(1)")]
    if problems != ["ok"]:
        raise damaged(path, problems[0])
    if read_only:
        if version < schema.VERSION:
            copy = sqlite3.connect(":memory:", isolation_level=None, factory=Bounded)
            db.backup(copy)
            db.close()
            db = copy
            _migrate(db, version)
        db.execute("PRAGMA query_only = ON")
        return db
    db.execute(JOURNAL_PRAGMA)
    if version < schema.VERSION:
        _keep_older(db, path)
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


def _copied(db: sqlite3.Connection, target: Path) -> None:
    """Copy a database to a new file, and the file to the disk."""
    with contextlib.closing(sqlite3.connect(target)) as copy:
        db.backup(copy)
    with target.open("r+b") as file:
        os.fsync(file.fileno())


def _keep_older(db: sqlite3.Connection, path: Path) -> None:
    """Keep a copy beside a season that is about to be upgraded."""
    names = (f"{path.stem}.before-upgrade{n}{path.suffix}" for n in ("", *range(2, 100)))
    kept = next(path.with_name(name) for name in names if not path.with_name(name).exists())
    # One name for what is not whole yet: what a kill left is written over, and nothing looks kept.
    draft = path.with_name(f".{path.name}.before-upgrade.part")
    try:
        draft.unlink(missing_ok=True)
        _copied(db, draft)
        draft.rename(kept)
    except (OSError, sqlite3.Error) as error:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
        raise ReadOnlySeasonError(
            f"{path} is of an older firmhand, and no copy can be kept beside it ({error}).",
            todo="Make its folder writable, or free the disk.",
        ) from None


def give_digests(db: sqlite3.Connection) -> None:
    """Give each row of a file its digest anew, within a transaction.

    Only for rows that were never acknowledged under a digest: those of an older version.
    """
    db.execute("DELETE FROM digests")
    for table in schema.tables_with_digests():
        names = [row[0] for row in db.execute("SELECT name FROM pragma_table_info(?)", (table,))]
        listed = ", ".join(name for name in names if name != "digest")
        rows = db.execute(f"SELECT rowid, {listed} FROM {table} ORDER BY rowid").fetchall()
        found = digests(table, [row[1:] for row in rows])
        db.executemany(
            f"UPDATE {table} SET digest = ? WHERE rowid = ?",
            [(digest, row[0]) for digest, row in zip(found, rows, strict=True)],
        )
        end = found[-1] if found else start(table)
        db.execute("INSERT INTO digests VALUES (?, ?, ?)", (table, len(rows), end))


def _migrate(db: sqlite3.Connection, version: int) -> None:
    """Apply what is missing, each step one transaction: a failed one leaves its old version."""
    for target in range(version + 1, schema.VERSION + 1):
        _build(db, schema.MIGRATIONS[target - 1], target)


def _build(db: sqlite3.Connection, script: str, version: int, *made: object) -> None:
    """Bring the tables up to a version in one transaction.

    So is a new season, `made` of its first row: no half-made file ever exists.
    """
    db.execute("BEGIN EXCLUSIVE")
    try:
        # Another program may have done the same while we waited for the lock.
        if db.execute("PRAGMA user_version").fetchone()[0] < version:
            for statement in schema.statements(script):
                db.execute(statement)
            if made:
                db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
                db.execute(_CREATED, (*made, now(), __version__))
            if version == schema.VERSION:
                give_digests(db)
            db.execute(f"PRAGMA user_version = {version}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _opening_error(error: Exception, path: Path, *, create: bool) -> FirmhandError:
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
