"""The connection that all tables of a season file share: one transaction a change, bulk reads.

What is stored in which table is in bench, berries and desk.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gauge.errors import InvalidValueError, ReadOnlySeasonError, StorageFailedError
from gauge.season.connection import mapped


def now() -> str:
    """The present as ISO 8601 text in UTC, to the millisecond.

    Examples
    --------
    >>> text = now()
    >>> len(text), text[10], text[-1]
    (24, 'T', 'Z')
    """
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def column(name: str) -> str:
    """Return the column that keeps a field: there, the name of a force ends in `_n`.

    Examples
    --------
    >>> column("capacity_newton")
    'capacity_n'
    """
    return name.replace("_newton", "_n")


class SeasonBase:
    """A guarded connection. Not for direct use; see `gauge.season.file.open_season`."""

    def __init__(self, db: sqlite3.Connection, path: Path, *, read_only: bool) -> None:
        self._db = db
        self.path = path
        self.read_only = read_only
        self._failed = ""

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
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield self._db
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back()
            ours = mapped(error, self.path, doing)
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
        if not self._db.in_transaction:
            return
        try:
            self._db.execute("ROLLBACK")
        except sqlite3.Error as error:
            # The journal stays; SQLite plays it back when the file is next opened.
            self._failed = str(error)

    def _rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[Any]:
        try:
            return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise mapped(error, self.path, "reading") from None

    def _row(self, sql: str, values: Sequence[Any] = ()) -> Any | None:
        rows = self._rows(sql, values)
        return rows[0] if rows else None

    def columns(self, view: str, names: Iterable[str]) -> dict[str, list[Any]]:
        """Read whole columns of a view or table at once.

        Parameters
        ----------
        view : str
            ``"berry"``, ``"pair"``, or any table of the season file.
        names : iterable of str
            Columns wanted.

        Returns
        -------
        dict of str to list
            In the order of `names`; all lists have one value a row, None where nothing is known.

        Raises
        ------
        InvalidValueError
            If there is no such view or column.
        """
        names = list(names)
        known = [row[0] for row in self._rows("SELECT name FROM pragma_table_info(?)", (view,))]
        for name in names:
            if name not in known:
                raise InvalidValueError(f"{self.path}: '{view}' has no column '{name}'")
        listed = ", ".join(f'"{name}"' for name in names)
        rows = self._rows(f'SELECT {listed} FROM "{view}"')  # names were checked above
        if not rows:
            return {name: [] for name in names}
        return {name: list(c) for name, c in zip(names, zip(*rows, strict=True), strict=True)}
