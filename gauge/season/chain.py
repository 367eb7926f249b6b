"""Digests of rows, each over all columns of its row and chained to the row before.

Rows are taken in blocks. A digest is BLAKE2b of the last digest of the block before, then of the
block's rows up to its own: so a whole block is checked with one call, and a row costs about 0.3 us.
This finds rot and careless edits; a forger can compute digests anew.
"""

from __future__ import annotations

import marshal
from collections.abc import Iterator, Sequence
from hashlib import blake2b
from typing import Any

Row = tuple[Any, ...]

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
