"""A CSV of many rows as codes and the distinct texts that they stand for, column by column.

Each distinct text is converted once. What columns mean is not known here; a file with quotes or
rows to skip is read by gauge.csvsheet, which also names what is wrong with a file.
"""

from __future__ import annotations

import codecs
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calibrate.data.levels import Level
from gauge.csvsheet import CsvSheet, Sheet

T = TypeVar("T")
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_NEWLINE, _SPACE, _NOT_ASCII = ord("\n"), ord(" "), 0x80
_WORD = 8
# Row k keeps the first k bytes of a word, whichever way the machine orders them.
_MASKS = np.frombuffer(b"".join(b"\xff" * k + bytes(_WORD - k) for k in range(_WORD + 1)), "=u8")


class CodedSheet(Sheet):
    r"""The cells of a CSV, column by column.

    Parameters
    ----------
    path : Path
    wants : str
        What the CSV should hold, for the message when it holds nothing.

    Raises
    ------
    UnreadableFileError, BadTableError
        As `gauge.csvsheet.CsvSheet`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "berries.csv")
    ...     _ = path.write_text("selection;force_N\nR-114;1,25\nR-120;1,5\nR-114;1,5\n")
    ...     sheet = CodedSheet(path, "berries")
    >>> sheet.column("selection").labels, sheet.column("selection").code.tolist()
    (('R-114', 'R-120'), [0, 1, 0])
    >>> sheet.values("force_N", sheet.number).tolist()
    [1.25, 1.5, 1.5]
    """

    def __init__(self, path: Path, wants: str) -> None:
        self.path = path
        self._known: dict[str, Level] = {}
        self._plain = _Plain.read(path)
        if self._plain is not None:
            self.header = self._plain.header
            self.comma = self._plain.separator == ";"
            self.numbers = range(2, 2 + len(self._plain.begins))
            return
        sheet = CsvSheet(path, wants)
        self.header, self.numbers, self.comma = sheet.header, sheet.numbers, sheet.comma
        self._known = {name: code_texts(cells) for name, cells in sheet.columns.items()}

    def column(self, name: str) -> Level:
        r"""Codes from 0 on of a column's cells, and their texts in the order of their first rows.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     path = Path(folder, "berries.csv")
        ...     _ = path.write_text("rater,force_N\nines,1.25\nmarek,1.5\nines,1.5\n")
        ...     sheet = CodedSheet(path, "berries")
        >>> sheet.column("rater").labels, sheet.column("rater").code.tolist()
        (('ines', 'marek'), [0, 1, 0])
        """
        if name not in self._known and self._plain is not None:
            self._known[name] = self._plain.coded(self.header.index(name))
        return self._known[name]

    def parsed(self, name: str, parse: Callable[[str], T]) -> list[T]:
        r"""Convert a column's distinct texts; a ValueError of `parse` names the first bad cell.

        Returns
        -------
        list
            One entry a label of `column(name)`.

        Raises
        ------
        BadTableError
            If `parse` raises a ValueError.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     path = Path(folder, "berries.csv")
        ...     _ = path.write_text("rater,force_N\nines,1.25\nmarek,1.5\nines,1.5\n")
        ...     sheet = CodedSheet(path, "berries")
        >>> sheet.parsed("force_N", float)
        [1.25, 1.5]
        """
        level = self.column(name)
        values: list[T] = []
        try:
            values.extend(map(parse, level.labels))
        except ValueError as error:
            # Labels stand in the order of their first rows: the one after those parsed is the
            # first bad cell.
            self.bad(int(np.argmax(level.code == len(values))), name, str(error))
        return values

    def values(self, name: str, parse: Callable[[str], float]) -> Floats:
        r"""Convert a column to numbers, shape (rows,); see `parsed`.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     path = Path(folder, "berries.csv")
        ...     _ = path.write_text("rater,force_N\nines,1.25\nmarek,1.5\nines,1.5\n")
        ...     sheet = CodedSheet(path, "berries")
        >>> sheet.values("force_N", float).tolist()
        [1.25, 1.5, 1.5]
        """
        return np.array(self.parsed(name, parse), dtype=float)[self.column(name).code]

    def relabelled(self, name: str, parse: Callable[[str], str | None]) -> Level:
        r"""Convert a column to other texts, None having the code -1; see `parsed`.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     path = Path(folder, "berries.csv")
        ...     _ = path.write_text("rater,force_N\nines,1.25\nmarek,1.5\nines,1.5\n")
        ...     sheet = CodedSheet(path, "berries")
        >>> sheet.relabelled("rater", {"ines": "I"}.get).code.tolist()
        [0, -1, 0]
        """
        return _renamed(self.column(name), self.parsed(name, parse))


def _renamed(level: Level, texts: Sequence[str | None]) -> Level:
    """The level with a text for each label; labels with the same text become one."""
    if tuple(texts) == level.labels:
        return level
    told = code_texts(texts)
    return Level(code=told.code[level.code], labels=told.labels)


def code_texts(texts: Sequence[str | None]) -> Level:
    """Number texts in the order in which they first stand; None has the code -1.

    Examples
    --------
    >>> code_texts(["R-114", None, "R-120"]).code.tolist()
    [0, -1, 1]
    """
    place: dict[str | None, int] = {}
    for text in dict.fromkeys(texts):
        if text is not None:
            place[text] = len(place)
    labels = tuple(place)
    place[None] = -1
    code = np.fromiter(map(place.__getitem__, texts), np.int32, count=len(texts))
    return Level(code=code, labels=labels)  # type: ignore[arg-type]


@dataclass(frozen=True)
class _Plain:
    """The bytes of a CSV that can be cut at its separators, and where each cell begins and ends."""

    raw: bytes
    buffer: NDArray[np.uint8]
    header: list[str]
    separator: str
    begins: Ints
    ends: Ints

    @classmethod
    def read(cls, path: Path) -> _Plain | None:
        """Cut a file; None for one that CsvSheet must read or refuse."""
        try:
            raw = path.read_bytes().removeprefix(codecs.BOM_UTF8).replace(b"\r\n", b"\n")
            raw.decode()
        except (OSError, UnicodeDecodeError):
            return None
        first = raw.split(b"\n", 1)[0].decode()
        separator = max(",;\t", key=first.count)
        width = first.count(separator) + 1
        header = [name.strip() for name in first.split(separator)]
        if (
            width == 1
            or len(set(header)) < width
            or any(odd in raw for odd in (b'"', b"\r", b"\0"))
        ):
            return None
        if not raw.endswith(b"\n"):
            raw += b"\n"
        buffer = np.frombuffer(raw + bytes(_WORD), np.uint8)
        newline = buffer == _NEWLINE
        marks = np.flatnonzero(newline | (buffer == ord(separator)))
        rows = int(np.count_nonzero(newline))
        if marks.size != rows * width or rows < 2:
            return None
        begins = np.concatenate(([0], marks[:-1] + 1)).reshape(rows, width)
        ends = marks.reshape(rows, width)
        if not newline[ends[:, -1]].all():
            return None
        # A row whose every cell is empty, or begins with what may be white space, may be blank.
        blank = np.arange(rows)
        for at in range(width):
            begin = begins[blank, at]
            head = buffer[begin]
            blank = blank[(begin == ends[blank, at]) | (head <= _SPACE) | (head >= _NOT_ASCII)]
        if blank.size:
            return None
        return cls(raw, buffer, header, separator, begins[1:], ends[1:])

    def coded(self, at: int) -> Level:
        """Codes and texts of one column, coded anew only where a row differs from the one above."""
        begin, length = self.begins[:, at], self.ends[:, at] - self.begins[:, at]
        key = self._keys(begin, length)
        heads = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
        _, first, place = np.unique(key[heads], return_index=True, return_inverse=True)
        order = np.argsort(first)
        code = np.empty(order.size, np.int64)
        code[order] = np.arange(order.size)
        rows = heads[first[order]]
        ends = begin[rows] + length[rows]
        labels = [
            self.raw[b:e].decode() for b, e in zip(begin[rows].tolist(), ends.tolist(), strict=True)
        ]
        each = np.diff(np.concatenate((heads, [key.size])))
        level = Level(code=np.repeat(code[place], each).astype(np.int32), labels=tuple(labels))
        return _renamed(level, list(map(str.strip, labels)))

    def _keys(self, begin: Ints, length: Ints) -> NDArray[np.uint64]:
        """One number a cell, equal for equal texts: its bytes, eight at a time."""
        # Words that begin at any byte; reading one by one never copies this view.
        words = np.ndarray(
            (self.buffer.size - _WORD + 1,), np.uint64, buffer=self.buffer, strides=(1,)
        )
        key: NDArray[np.uint64] = words[begin] & _MASKS[np.minimum(length, _WORD)]
        for done in range(_WORD, int(length.max()), _WORD):
            left = np.clip(length - done, 0, _WORD)
            more = words[np.minimum(begin + done, words.size - 1)] & _MASKS[left]
            key = _numbered(key) * np.uint64(length.size) + _numbered(more)
        return key


def _numbered(key: NDArray[np.uint64]) -> NDArray[np.uint64]:
    return np.unique(key, return_inverse=True)[1].astype(np.uint64)
