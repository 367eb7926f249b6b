"""What all tables of a season file share: rows are added and changed here, and read by `chain`.

A row is added with a digest, chained to the row before (`chain`). A change keeps the old and the
new values as a row of the trail, and only then is the row what it says: so each row, with its
changes taken back, still fits its digest, and each changed value is the last one of the trail.
"""

from __future__ import annotations

import getpass
import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gauge.errors import (
    DamagedSeasonError,
    InvalidValueError,
    NotASeasonError,
    ReadOnlySeasonError,
    SeasonGoneError,
    StorageFailedError,
)
from gauge.plaintext import control_in
from gauge.season import chain
from gauge.season.chain import BLOCK, Chain, CheckedRows, Row
from gauge.season.connection import SQLITE_ERRORS, mapped


def now() -> str:
    """Return the present as ISO 8601 text in UTC, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def column(name: str) -> str:
    """Return the column that keeps a field: there, a force ends in `_n`, and a time has no `t_`."""
    return name.removeprefix("t_").replace("_newton", "_n")


def as_json(document: object) -> str:
    """Write a document as it is kept in a column."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False)


def stored(record: Any) -> dict[str, Any]:
    """Return the fields of a record by the columns that keep them."""
    values = {column(f.name): getattr(record, f.name) for f in fields(record)}
    return {n: as_json(v) if isinstance(v, dict) else v for n, v in values.items()}


class Tables(CheckedRows):
    """A guarded connection. Not for direct use; see `gauge.season.file.open_season`."""

    def __init__(self, db: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        super().__init__(db, path)
        self.read_only = read_only
        self._failed = ""
        self._inode = _inode(path)
        # table, row id and digest of the row added last, in this transaction and on the disk
        self._newest: tuple[str, int, str] | None = None
        self._committed: tuple[str, int, str] | None = None
        self._chains: dict[str, Chain] = {}

    # --- transactions -------------------------------------------------------------------------

    @contextmanager
    def _write(self, doing: str) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it is on the disk when the block is left, or nothing is.

        After the disk refused a write, the state of this connection is not to be trusted: every
        further write is refused until the file is opened anew.
        """
        if self.read_only:
            raise ReadOnlySeasonError(
                f"{self.path} was opened for reading only.", todo="Open it for writing."
            )
        if self._failed:
            raise StorageFailedError(
                f"{self.path}: {doing} refused, for an earlier write failed ({self._failed}).",
                todo="Everything acknowledged before is safe. Open the season file again.",
            )
        self._refuse_if_replaced()
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._refuse_if_overwritten()
            yield self._db
            self._db.execute("COMMIT")
            self._committed = self._newest
        except SQLITE_ERRORS as error:
            self._roll_back()
            self._refuse_if_replaced()
            ours = mapped(error, self.path, doing)
            if isinstance(ours, NotASeasonError):
                raise self._overwritten() from None
            if isinstance(ours, StorageFailedError):
                self._failed = str(error)
            raise ours from None
        except (UnicodeEncodeError, OverflowError) as error:
            self._roll_back()
            raise InvalidValueError(f"{self.path}: {doing} failed ({error}).") from None
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        self._chains.clear()
        self._forget()
        self._newest = self._committed
        if not self._db.in_transaction:
            return
        try:
            self._db.execute("ROLLBACK")
        except sqlite3.Error as error:
            # The journal stays; SQLite plays it back when the file is next opened.
            self._failed = str(error)

    @property
    def still_readable(self) -> bool:
        """Whether what was stored can be read yet, also where the file lost its name."""
        try:
            self._refuse_if_overwritten()
        except SeasonGoneError:
            return False
        return True

    def _refuse_if_replaced(self) -> None:
        """Refuse to go on when the file of this name is not the one that was opened."""
        found = _inode(self.path)
        if found != self._inode:
            what = "was removed or moved" if found is None else "was replaced by another file"
            raise SeasonGoneError(
                f"{self.path} {what} while it was in use; nothing more is stored.",
                todo="Put it back, or begin a new season.",
            )

    def _refuse_if_overwritten(self) -> None:
        """Refuse to go on when the row added last is not in the file any more."""
        if self._committed is None:
            return
        table, row_id, digest = self._committed
        try:
            found = self._row(f"SELECT digest FROM {table} WHERE rowid = ?", (row_id,))
        except (DamagedSeasonError, NotASeasonError):
            found = None
        if found != (digest,):
            raise self._overwritten()

    def _overwritten(self) -> SeasonGoneError:
        return SeasonGoneError(
            f"{self.path} was overwritten while it was in use: what was stored last is not in it; "
            "nothing more is stored.",
            todo="Keep this file apart and put the right one back, or begin a new season.",
        )

    # --- adding and changing ------------------------------------------------------------------

    def _add(self, table: str, **values: Any) -> int:
        """Within a transaction, add a row with its digest; return its id."""
        if table != "gaps":  # whose reasons the operating system words, and which must be kept
            _refuse_control(values)
        end = self._end(table)
        fits = self._fits.get(table) == (end.last, self._trail[0])
        marks = ", ".join("?" * len(values))
        added = self._db.execute(
            f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values())
        )
        row_id = int(added.lastrowid or 0)
        # As SQLite gives it back, not as it was handed over: a whole number may have become a real.
        row = self._db.execute(
            f"SELECT {self._listed(table)} FROM {table} WHERE rowid = ?", (row_id,)
        ).fetchone()
        digest = end.add(row)
        self._db.execute(f"UPDATE {table} SET digest = ? WHERE rowid = ?", (digest, row_id))
        self._db.execute(
            "UPDATE digests SET n_rows = ?, last = ? WHERE name = ?", (end.n_rows, digest, table)
        )
        self._newest = table, row_id, digest
        if fits:
            self._fits[table] = digest, self._trail[0]
        return row_id

    def _change(
        self,
        table: str,
        ids: Sequence[int],
        new: Mapping[str, Any],
        *,
        kind: str,
        why: str | None = None,
    ) -> None:
        """Within a transaction, write a change into the trail, then into the rows."""
        _refuse_control(new)
        if why is not None:
            why = why.strip()
            _refuse_control({"reason": why})
            if not why:
                raise InvalidValueError("a change needs a reason.", todo="Give one, in words.")
        olds: dict[Row, list[int]] = defaultdict(list)
        chosen = set(ids)
        for row_id, *old in self._records(table, self._columns(table)[0], *new):
            if row_id in chosen:
                olds[tuple(old)].append(row_id)
        assignments = ", ".join(f"{name} = ?" for name in new)
        for before, same in olds.items():
            self._note_change(table, same, dict(zip(new, before, strict=True)), new, kind, why)
            self._db.executemany(
                f"UPDATE {table} SET {assignments} WHERE rowid = ?",
                [(*new.values(), row_id) for row_id in same],
            )

    def _note_change(
        self,
        table: str,
        ids: Sequence[int],
        old: Mapping[str, Any],
        new: Mapping[str, Any],
        kind: str,
        why: str | None,
    ) -> None:
        """Within a transaction, add a row to the trail."""
        self._add(
            "trail", at=now(), who=_user(), kind=kind, why=why, tbl=table, ids=as_json(list(ids)),
            old=as_json(old), new=as_json(new),
        )  # fmt: skip

    def setting(self, name: str) -> Any:
        """What was set under a name; None if nothing was."""
        known: dict[str, str] = dict(self._records("settings", "name", "value"))
        return self._from_json(known[name], object) if name in known else None

    def set_setting(self, name: str, value: Any, *, kind: str = "setting") -> None:
        """Set a value that JSON can hold; the trail keeps the old one."""
        with self._write(f"storing the {name}"):
            self._set(name, value, kind=kind)

    def _set(self, name: str, value: Any, *, kind: str, why: str | None = None) -> None:
        """Within a transaction, set a value."""
        ids: dict[str, int] = dict(self._records("settings", "name", "setting_id"))
        at = ids.get(name) or self._add("settings", name=name, value="null")
        self._change("settings", [at], {"value": as_json(value)}, kind=kind, why=why)

    def _end(self, table: str) -> Chain:
        """The end of a table's chain; read again where another program has added rows."""
        n_rows, last = self._stored_end(table)
        end = self._chains.get(table)
        if end is None or (end.n_rows, end.last) != (n_rows, last):
            n_open = n_rows % BLOCK
            tail = self._rows(
                f"SELECT digest, {self._listed(table)} FROM {table} ORDER BY rowid DESC LIMIT ?",
                (n_open + 1,),
            )[::-1]
            seed = tail.pop(0)[0] if len(tail) > n_open else chain.start(table)
            end = Chain(n_rows, seed, self._taken_back(table, [row[1:] for row in tail]))
            if end.last != last:
                raise self._damaged_table(table)
            self._chains[table] = end
        return end


def _inode(path: Path) -> tuple[int, int] | None:
    """Which file bears that name; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _user() -> str | None:
    """The name of the user at this machine, where it has one."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return None


def _refuse_control(values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        if isinstance(value, str) and (found := control_in(value)):
            raise InvalidValueError(
                f"the {name.replace('_', ' ')} {value!r} holds the control character "
                f"{found!r}, which no text of a season may.",
                todo="Type it without.",
            )
