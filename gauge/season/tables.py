"""What all tables of a season file share: rows are added and changed, checked and read here.

A row is added with a digest, chained to the row before (`chain`). A change keeps the old and the
new values as a row of the trail, and only then is the row what it says: so each row, with its
changes taken back, still fits its digest, and each changed value is the last one of the trail.
"""

from __future__ import annotations

import getpass
import json
import re
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from gauge.errors import (
    DamagedSeasonError,
    InvalidValueError,
    NoSuchRecordError,
    NotASeasonError,
    ReadOnlySeasonError,
    SeasonGoneError,
    StorageFailedError,
)
from gauge.plaintext import control_in
from gauge.season import chain
from gauge.season.chain import BLOCK, Chain, Row
from gauge.season.connection import SQLITE_ERRORS, damaged, mapped
from gauge.season.rows import TrailRow

# table -> row id -> (values before the first change, values after the last)
_Changes = dict[str, dict[int, tuple[dict[str, Any], dict[str, Any]]]]
K = TypeVar("K")
R = TypeVar("R")
# Columns that keep JSON: of which kind, and of what a list is.
_DOCUMENTS: dict[str, tuple[type[Any], ...]] = {
    **dict.fromkeys(("cues", "result", "document", "sheet", "old", "new"), (dict,)),
    "ids": (list, int),
}


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


def made(kind: type[R], row: Mapping[str, Any], **more: Any) -> R:
    """Make a record of those of its fields that a row has, and of `more`."""
    names = {f.name for f in fields(kind)} & row.keys()  # type: ignore[arg-type]
    return kind(**{name: row[name] for name in names} | more)


class Tables:
    """A guarded connection. Not for direct use; see `gauge.season.file.open_season`."""

    def __init__(self, db: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        self._db = db
        self.path = path
        self.read_only = read_only
        self._failed = ""
        self._names: dict[str, tuple[str, ...]] = {}
        self._inode = _inode(path)
        self._checking = True
        # table, row id and digest of the row added last, in this transaction and on the disk
        self._newest: tuple[str, int, str] | None = None
        self._committed: tuple[str, int, str] | None = None
        self._forget()

    def _forget(self) -> None:
        self._chains: dict[str, Chain] = {}
        self._fits: dict[str, tuple[str, str]] = {}
        self._trail: tuple[str, _Changes] = "", {}

    @contextmanager
    def unchecked(self) -> Iterator[None]:
        """Read rows as they are, for an audit that has named those that do not fit."""
        self._checking = False
        try:
            yield
        finally:
            self._checking = True

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

    # --- reading ------------------------------------------------------------------------------

    def _rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[Any]:
        try:
            return self._db.execute(sql, values).fetchall()
        except SQLITE_ERRORS as error:
            raise mapped(error, self.path, "reading") from None

    def _row(self, sql: str, values: Sequence[Any] = ()) -> Any | None:
        rows = self._rows(sql, values)
        return rows[0] if rows else None

    def _from_json(self, text: str, kind: type[Any], of: type | None = None) -> Any:
        """Read the document of a column, refused where it is not of that kind."""
        try:
            found = json.loads(text)
        except ValueError:
            found = None
        if not isinstance(found, kind) or (of and not all(isinstance(one, of) for one in found)):
            raise damaged(self.path, f"{text[:40]!r} is no JSON of the kind that stands there")
        return found

    def _columns(self, table: str) -> tuple[str, ...]:
        """Columns of a table in their order, without the digest."""
        if table not in self._names:
            found = self._rows("SELECT name FROM pragma_table_info(?)", (table,))
            self._names[table] = tuple(name for (name,) in found if name != "digest")
        return self._names[table]

    def _places(self, table: str, *names: str) -> list[int]:
        """Where these columns stand in a row."""
        return [self._columns(table).index(name) for name in names]

    def _listed(self, table: str) -> str:
        return ", ".join(self._columns(table))

    def _read(self, table: str, where: str = "TRUE", values: Sequence[Any] = ()) -> list[Row]:
        """Rows of a table in the order in which they were added, compared with the digests.

        No index is used: it could leave out rows, and no digest would show it.
        """
        select = f"SELECT {self._listed(table)} FROM {table} NOT INDEXED"
        rows: list[Row] | None = None
        if self._fits.get(table) != (self._stored_end(table)[1], self._stored_end("trail")[1]):
            rows = self._rows(f"{select} ORDER BY rowid")
            self._check(table, rows)
        if rows is None or where != "TRUE":
            rows = self._rows(f"{select} WHERE {where} ORDER BY rowid", values)
        return rows

    def _records(self, table: str, *names: str, where: str = "TRUE", values: Any = ()) -> list[Row]:
        """These columns of the rows of a table; see `_read`."""
        at = self._places(table, *names)
        return [tuple([row[i] for i in at]) for row in self._read(table, where, values)]

    def _dicts(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table by the fields that their columns keep, documents read; see `_read`."""
        rows = self._read(table)
        names = [re.sub(r"_n(?=$|_s$)", "_newton", name) for name in self._columns(table)]
        found = [dict(zip(names, row, strict=True)) for row in rows]
        for name in _DOCUMENTS.keys() & set(names):
            for row in found:
                row[name] = self._from_json(row[name], *_DOCUMENTS[name])
        return found

    def _one_of(self, known: Mapping[K, R], key: K, what: str) -> R:
        """Pick a record; where there is none of that key, the error names those that there are."""
        if key in known:
            return known[key]
        listed = ", ".join(map(str, known)) or "none at all"
        raise NoSuchRecordError(f"{self.path} holds no {what}.", todo=f"It holds {listed}.")

    def _check(self, table: str, rows: Sequence[Row]) -> None:
        """Refuse rows that do not fit the digests or the trail."""
        if not self._checking:
            return
        n_rows, last = self._stored_end(table)
        originals = self._taken_back(table, rows)
        if len(rows) != n_rows or chain.last_digest(table, originals) != last:
            raise self._damaged_table(table)
        self._fits[table] = last, self._stored_end("trail")[1]

    def _damaged_table(self, table: str) -> DamagedSeasonError:
        found = self._differences(table)
        berry, what = found[0] if found else (None, f"table {table}")
        where = "" if berry is None else f"berry {berry}: "
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        return damaged(self.path, f"{where}{what}{more}")

    def _differences(self, table: str) -> list[tuple[int | None, str]]:
        """What does not fit in a table, as (berry, in words): the first row of each block."""
        names = self._columns(table)
        n_rows, last = self._stored_end(table)
        rows = self._rows(f"SELECT {self._listed(table)}, digest FROM {table} ORDER BY rowid")
        stored = [row[-1] for row in rows]
        found: list[tuple[int | None, str]] = []
        try:
            originals = self._taken_back(table, [row[:-1] for row in rows])
        except DamagedSeasonError as error:
            return [(None, error.what)]
        for place in chain.differing(table, originals, stored):
            row = rows[place]
            berry = row[names.index("berry_id")] if "berry_id" in names else None
            found.append((berry, f"{table}, row {row[0]} does not fit its digest"))
        if len(rows) != n_rows:
            found.append((None, f"{table} holds {len(rows)} rows where {n_rows} were stored"))
        elif not found and (stored or [chain.start(table)])[-1] != last:
            found.append((None, f"the last digest of {table} is not that of its last row"))
        return found

    def _stored_end(self, table: str) -> tuple[int, str]:
        row = self._row("SELECT n_rows, last FROM digests NOT INDEXED WHERE name = ?", (table,))
        if row is None:
            raise damaged(self.path, f"the digests do not name the table {table}")
        n_rows, last = row
        return n_rows, last

    def _changes(self) -> _Changes:
        """What the trail says of each changed row."""
        _, last = self._stored_end("trail")
        if self._trail[0] != last:
            found: _Changes = {}
            for row in self.trail():
                for row_id in row.ids:
                    before, after = found.setdefault(row.table, {}).setdefault(row_id, ({}, {}))
                    before |= {k: v for k, v in row.old.items() if k not in before}
                    after |= row.new
            self._trail = last, found
        return self._trail[1]

    def _taken_back(self, table: str, rows: Sequence[Row]) -> Sequence[Row]:
        """Rows as they were added: with their changes of the trail taken back."""
        changes = {} if table == "trail" else self._changes().get(table, {})
        if not changes:
            return rows
        names = self._columns(table)
        originals = list(rows)
        for place, row in enumerate(originals):
            if row[0] in changes:
                before, after = changes[row[0]]
                values = dict(zip(names, row, strict=True))
                for name, value in after.items():
                    if values.get(name) != value:
                        raise damaged(
                            self.path,
                            f"{table}, row {row[0]}: {name} is {values.get(name)!r}, but the "
                            f"trail says {value!r}",
                        )
                originals[place] = tuple((values | before).values())
        return originals

    def trail(self) -> list[TrailRow]:
        """All changes, oldest first: who changed what, when and why."""
        return [
            made(TrailRow, row, table=row["tbl"], ids=tuple(row["ids"]))
            for row in self._dicts("trail")
        ]


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
