"""Writing a file whole or not at all: what was there stays until the new text is complete.

A file of another kind stays for good. Also where a picture may be written, and in which formats.
"""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import re
import stat
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from gauge.errors import AlreadyThereError, CannotWriteError, InvalidValueError


class Kind(NamedTuple):
    """A kind of file: its name, and a pattern of how each such file begins."""

    name: str
    begins: bytes


CAPTURE = Kind("capture", rb"#|-?\d+\t")
PAGE = Kind("page of HTML", rb"(?i)<!doctype html")
PDF = Kind("PDF", rb"%PDF-")
# Kinds of pictures by their endings, and what keeps the date out of such a file: the same figure is
# the same file.
_PICTURES: dict[str, tuple[Kind, dict[str, None]]] = {
    ".png": (Kind("PNG", rb"\x89PNG"), {}),
    ".pdf": (PDF, {"CreationDate": None}),
    ".svg": (Kind("SVG", rb"<(\?xml|svg)"), {"Date": None}),
}


def write_whole(
    path: Path | str, parts: Iterable[str], *, bom: bool = False, kind: Kind | None = None
) -> None:
    """Write text in UTF-8 to a new file beside the target, then put it in the target's place.

    `parts` have their own line ends; the path ``-`` is stdout; a byte order mark is that by which
    spreadsheets know UTF-8. `kind` and what is raised are as of `drafted`.
    """
    if str(path) == "-":
        sys.stdout.writelines(parts)
        sys.stdout.flush()
        return
    with drafted(path, kind) as draft:
        encoding = "utf-8-sig" if bom else "utf-8"
        with draft.open("x", encoding=encoding, newline="") as file:
            file.writelines(parts)
            file.flush()
            os.fsync(file.fileno())


@contextlib.contextmanager
def drafted(path: Path | str, kind: Kind | None = None) -> Iterator[Path]:
    """Give a name for a new file that takes the target's place when the block is left in peace.

    Else the target is as it was. A CannotWriteError says that it is locked, read-only, no regular
    file or a season, its folder is missing or may not be written, or the disk is full; an
    AlreadyThereError, that it holds something else than a file of the new one's `kind`.
    """
    target = Path(os.path.realpath(path))
    draft = target.parent / f".{target.name}.{os.getpid()}.part"
    try:
        refuse_irregular(target)
        if is_database(target):
            raise FileExistsError(17, "it is a season file or another database")
        if kind is not None and not may_replace(target, kind):
            raise AlreadyThereError(
                f"{path} exists and is no {kind.name}; it stays as it is.",
                todo="Give another name.",
            )
        if target.exists() and not os.access(target, os.W_OK):
            raise PermissionError(13, "it is read-only")
        try:
            yield draft
            draft.replace(target)
        except BaseException:
            with contextlib.suppress(OSError):
                draft.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise CannotWriteError(
            f"{path} cannot be written: {error.strerror or error}.",
            todo="Close it where it is open, or choose another file or folder.",
        ) from None


def refuse_irregular(path: Path) -> None:
    """Refuse a folder, a device or a pipe by an OSError; a path without a file is no fault."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(21, "it is a folder")
    if not stat.S_ISREG(mode):
        raise FileExistsError(17, "it is a device or a pipe, and no file")


def may_replace(path: Path, kind: Kind) -> bool:
    """Whether a path holds nothing, or a file of this kind."""
    if not path.is_file():
        return True
    with path.open("rb") as file:
        begin = file.read(999).removeprefix(codecs.BOM_UTF8)
    return not begin or re.match(kind.begins, begin) is not None


def is_database(path: Path) -> bool:
    """Whether a file begins as SQLite's file format says (sqlite.org/fileformat2, section 1.3)."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def check_picture(path: Path) -> None:
    """Refuse the name of a picture before any work is done, unless it is a png, pdf or svg."""
    if path.suffix.lower() not in _PICTURES:
        raise InvalidValueError(
            f"{path}: a picture is written as {', '.join(_PICTURES)}.",
            todo="Give the file one of these endings.",
        )


def save_picture(figure: Any, path: Path, **how: Any) -> None:
    """Write a figure in the format that the suffix says; the same figure gives the same file.

    Raises as `check_picture` and `drafted` do; `how` goes to matplotlib's `savefig`.
    """
    check_picture(path)
    kind, undated = _PICTURES[path.suffix.lower()]
    # Drawn in memory: where the disk is full, some kinds fail in other ways than by an OSError.
    drawn = io.BytesIO()
    figure.savefig(drawn, format=kind.name.lower(), dpi=150, metadata=undated, **how)
    with drafted(path, kind) as draft:
        draft.write_bytes(drawn.getbuffer())
