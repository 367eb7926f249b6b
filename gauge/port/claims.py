"""Locks between our own programs on one machine: one logger a port and one a sample.

The operating system holds a lock on a small file in the temporary folder, and frees it when the
program ends, however it ends. It does not reach other machines: there, the rule that a sample has
each berry number once keeps the season right.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from gauge.errors import CannotWriteError, FirmhandError, LockedSeasonError, PortBusyError


def claim_sample(season: Path | str, sample: str) -> AbstractContextManager[None]:
    """Hold a sample of a season file against our other loggers, or raise `LockedSeasonError`."""
    held = LockedSeasonError(
        f"{season}: sample {sample} is being logged by another window or program.",
        todo="Close that one, or log another sample here.",
    )
    return _claim(f"sample\0{os.path.realpath(season)}\0{sample}", held)


def claim_port(port: str) -> AbstractContextManager[None]:
    """Hold a port or the URL of one against our other loggers, or raise `PortBusyError`."""
    real = port if "://" in port else os.path.normcase(os.path.realpath(port))
    held = PortBusyError(
        f"{port} is in use by another logger of ours.", todo="Close that window first."
    )
    return _claim(f"port\0{real}", held)


@contextmanager
def _claim(name: str, held: FirmhandError) -> Iterator[None]:
    """Hold a lock by its name, or raise the error given."""
    file = hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:32]
    folder = Path(tempfile.gettempdir()) / "firmhand-locks"
    path = folder / file
    try:
        _make_or_check(folder)
        handle = _held(path, held)
    except OSError as error:
        raise CannotWriteError(
            f"{folder} cannot be written: {error.strerror or error}.",
            todo="It guards ports and samples; set TMPDIR to a folder that may be written.",
        ) from None
    try:
        yield
    finally:
        # Removed only while it is held: who waited for it finds that its file is another one now.
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(handle)


def _held(path: Path, held: FirmhandError) -> int:
    """Open a lock file and lock it, or raise the error given, with the process that holds it."""
    while True:
        handle = _opened(path)
        if not _lock(handle):
            with contextlib.suppress(OSError, ValueError):
                what = f"{held.what.rstrip('.')} (process {int(os.read(handle, 20))})."
                held = type(held)(what, todo=held.todo)
            os.close(handle)
            raise held
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(handle), path.lstat()):
                os.ftruncate(handle, 0)
                os.write(handle, str(os.getpid()).encode())
                return handle
        os.close(handle)  # it was removed by the one who held it before


def _opened(path: Path) -> int:
    """Open a lock file, or make it, but never both in one call.

    Linux forbids that on another user's file in a folder of the kind of /tmp (fs.protected_regular
    in the kernel's sysctl documentation).
    """
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0)
    while True:
        try:
            return os.open(path, flags)
        except FileNotFoundError:
            pass
        try:
            handle = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
        except FileExistsError:
            continue
        if hasattr(os, "fchmod"):
            os.fchmod(handle, 0o666)
        return handle


def _make_or_check(folder: Path) -> None:
    """Make the folder of the locks, open to all users; of one that is there change nothing."""
    try:
        folder.mkdir(0o700)
    except FileExistsError:
        # Without following a link: it could lead to a folder that is nobody else's business.
        found = folder.lstat()
        if not stat.S_ISDIR(found.st_mode):
            raise NotADirectoryError(20, "it is a link or a file, and no folder") from None
        if sys.platform != "win32" and found.st_uid not in {0, os.geteuid()}:
            if found.st_mode & 0o1777 != 0o1777:
                raise PermissionError(
                    13, "it is another user's, who could take locks away"
                ) from None
    else:
        folder.chmod(0o1777)


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> bool:
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
