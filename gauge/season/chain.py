"""Digests of rows, each over all columns of its row and chained to the row before.

Rows are taken in blocks. A digest is BLAKE2b of the last digest of the block before, then of the
block's rows up to its own: so a whole block is checked with one call, and a row costs about 0.3 us.
This finds rot and careless edits; a forger can compute digests anew. What is read of a season is
compared with them here.
"""

from __future__ import annotations

import json
import marshal
import re
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from hashlib import blake2b
from pathlib import Path
from typing import Any, TypeVar

from gauge.errors import DamagedSeasonError, NoSuchRecordError
from gauge.season.connection import SQLITE_ERRORS, damaged, mapped
from gauge.season.rows import TrailRow, made

Row = tuple[Any, ...]
K = TypeVar("K")
R = TypeVar("R")
# table -> row id -> (values before the first change, values after the last)
_Changes = dict[str, dict[int, tuple[dict[str, Any], dict[str, Any]]]]
# Columns that keep JSON: of which kind, and of what a list is.
_DOCUMENTS: dict[str, tuple[type[Any], ...]] = {
    **dict.fromkeys(("cues", "result", "document", "sheet", "old", "new"), (dict,)),
    "ids": (list, int),
}

# rows; adding a row to an open season hashes the rows of its block once
BLOCK = 64
# bytes; a changed row passes with a chance of 2**-64
_SIZE = 8


def start(table: str) -> str:
    """The digest before the first row of a table."""
    return blake2b(table.encode(), digest_size=_SIZE).hexdigest()


def _packed(rows: Sequence[Row]) -> bytes:
    """Rows as bytes, each the same alone and among others.

    marshal's format 2 is fixed (a test holds its bytes) and ten times as fast as JSON; the five
    bytes before the first row are the list's kind and length.
    """
    return marshal.dumps(list(rows), 2)[5:]


class Chain:
    """The end of a table's chain, to which rows are added.

    `seed` is the last digest of the block before, `rows` are the rows of the block so far.
    """

    def __init__(self, n_rows: int, seed: str, rows: Sequence[Row] = ()) -> None:
        self.n_rows = n_rows
        self._hash = blake2b(seed.encode(), digest_size=_SIZE)
        self._hash.update(_packed(rows))
        self.last = self._hash.hexdigest() if rows else seed

    def add(self, row: Row) -> str:
        """Add a row and return its digest."""
        if self.n_rows % BLOCK == 0:
            self._hash = blake2b(self.last.encode(), digest_size=_SIZE)
        self._hash.update(_packed([row]))
        self.n_rows += 1
        self.last = self._hash.hexdigest()
        return self.last


def last_digest(table: str, rows: Sequence[Row]) -> str:
    """The digest of the last row."""
    last = start(table)
    for at in range(0, len(rows), BLOCK):
        block = last.encode() + _packed(rows[at : at + BLOCK])
        last = blake2b(block, digest_size=_SIZE).hexdigest()
    return last


def digests(table: str, rows: Sequence[Row]) -> list[str]:
    """The digest of each row."""
    chain = Chain(0, start(table))
    return [chain.add(row) for row in rows]


def differing(table: str, rows: Sequence[Row], stored: Sequence[str | None]) -> Iterator[int]:
    """Places of the rows that do not fit their digests, the first of each block."""
    for at in range(0, len(rows), BLOCK):
        chain = Chain(0, (stored[at - 1] or "") if at else start(table))
        for place, row in enumerate(rows[at : at + BLOCK], at):
            if chain.add(row) != stored[place]:
                yield place
                break


def season_digest(ends: Sequence[tuple[str, int, str]]) -> str:
    """One digest of all tables from (name, rows, last digest) of each."""
    return blake2b(_packed(sorted(ends, key=str)), digest_size=_SIZE).hexdigest()


class CheckedRows:
    """A connection from which rows are read that fit their digests and the trail."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db = db
        self.path = path
        self._names: dict[str, tuple[str, ...]] = {}
        self._checking = True
        self._forget()

    def _forget(self) -> None:
        # last digests of a table and of the trail with which its rows were found to fit
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
        if len(rows) != n_rows or last_digest(table, originals) != last:
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
        for place in differing(table, originals, stored):
            row = rows[place]
            berry = row[names.index("berry_id")] if "berry_id" in names else None
            found.append((berry, f"{table}, row {row[0]} does not fit its digest"))
        if len(rows) != n_rows:
            found.append((None, f"{table} holds {len(rows)} rows where {n_rows} were stored"))
        elif not found and (stored or [start(table)])[-1] != last:
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
