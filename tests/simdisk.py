"""A disk that can be watched, cut off and made to fail, under the real sqlite3 module.

A virtual file system (sqlite.org/c3ref/vfs.html) is laid over SQLite's own through ctypes: the code
under test, its pragmas and transactions are those of production. It records each write, truncation,
sync, creation and removal in order, and can refuse the n-th of them. `states_after_cut` then gives
what a disk may hold if the power had failed at a moment: of what was not synced nothing, all, or
any part, sector by sector. No tool beyond Python is needed, only that Python's SQLite is a shared
library (`Disk.available`).
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import os
import random
import sqlite3
from collections.abc import Callable, Iterator
from ctypes import CFUNCTYPE, POINTER, Structure, c_char_p, c_int, c_int64, c_void_p
from dataclasses import dataclass, field

SECTOR = 512
MAIN_JOURNAL = 0x800  # SQLITE_OPEN_MAIN_JOURNAL

_Close = CFUNCTYPE(c_int, c_void_p)
_Write = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_Truncate = CFUNCTYPE(c_int, c_void_p, c_int64)
_Sync = CFUNCTYPE(c_int, c_void_p, c_int)
# Names stay pointers: SQLite keeps a file's URI parameters right behind its name.
_Open = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, c_void_p)
_Delete = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int)


class _Methods(Structure):
    _fields_ = [
        ("iVersion", c_int),
        ("xClose", _Close),
        ("xRead", c_void_p),
        ("xWrite", _Write),
        ("xTruncate", _Truncate),
        ("xSync", _Sync),
        *((name, c_void_p) for name in (
            "xFileSize", "xLock", "xUnlock", "xCheckReservedLock", "xFileControl", "xSectorSize",
            "xDeviceCharacteristics",
        )),
    ]  # fmt: skip


class _Vfs(Structure):
    _fields_ = [
        ("iVersion", c_int),
        ("szOsFile", c_int),
        ("mxPathname", c_int),
        ("pNext", c_void_p),
        ("zName", c_char_p),
        ("pAppData", c_void_p),
        ("xOpen", _Open),
        ("xDelete", _Delete),
        *((name, c_void_p) for name in (
            "xAccess", "xFullPathname", "xDlOpen", "xDlError", "xDlSym", "xDlClose", "xRandomness",
            "xSleep", "xCurrentTime", "xGetLastError", "xCurrentTimeInt64", "xSetSystemCall",
            "xGetSystemCall", "xNextSystemCall",
        )),
    ]  # fmt: skip


@dataclass(frozen=True)
class Op:
    """One thing that reached the disk, or a mark that the test made."""

    kind: str  # create, write, truncate, sync, delete, mark
    path: str = ""
    at: int = 0
    data: bytes = b""
    # A sync that also syncs the folder (SQLite's own does after the first sync of a new journal),
    # or a removal after which the folder is synced.
    folder: bool = False


@dataclass
class Disk:
    """Lay the watched disk under every connection that is opened in a `with` block."""

    refuse: Callable[[int, Op], int] = lambda n, op: 0
    """Given the number of an operation and what it would do, an SQLite result code or 0."""
    ops: list[Op] = field(default_factory=list)
    n: int = 0

    def mark(self, label: str) -> None:
        self.ops.append(Op("mark", label))

    @staticmethod
    def available() -> bool:
        """Whether Python's sqlite3 and ctypes meet the same library."""
        try:
            with Disk() as disk, contextlib.closing(sqlite3.connect(":memory:")):
                path = os.path.join(os.environ.get("TMPDIR", "/tmp"), f"simdisk-{os.getpid()}")
                with contextlib.closing(sqlite3.connect(path)) as db:
                    db.execute("CREATE TABLE t (x)")
            with contextlib.suppress(OSError):
                os.unlink(path)
            return bool(disk.ops)
        except (OSError, AttributeError):
            return False

    def __enter__(self) -> Disk:
        lib = ctypes.CDLL(ctypes.util.find_library("sqlite3"))
        lib.sqlite3_vfs_find.restype = POINTER(_Vfs)
        lib.sqlite3_vfs_find.argtypes = [c_char_p]
        lib.sqlite3_vfs_register.argtypes = [POINTER(_Vfs), c_int]
        lib.sqlite3_vfs_unregister.argtypes = [POINTER(_Vfs)]
        self._lib = lib
        self._real = lib.sqlite3_vfs_find(None)
        self._methods: dict[int, tuple[_Methods, _Methods]] = {}
        self._paths: dict[int, tuple[str, bool]] = {}
        self._vfs = _Vfs()
        ctypes.memmove(ctypes.byref(self._vfs), self._real, ctypes.sizeof(_Vfs))
        self._vfs.pNext = None
        self._vfs.zName = b"watched"
        self._calls = [_Open(self._open), _Delete(self._delete)]
        self._vfs.xOpen, self._vfs.xDelete = self._calls
        lib.sqlite3_vfs_register(ctypes.byref(self._vfs), 1)
        return self

    def __exit__(self, *unused: object) -> None:
        self._lib.sqlite3_vfs_unregister(ctypes.byref(self._vfs))
        self._lib.sqlite3_vfs_register(self._real, 1)

    def _allow(self, op: Op) -> int:
        self.n += 1
        return self.refuse(self.n, op)

    def _open(self, vfs, name, file, flags, out) -> int:
        path = os.fsdecode(ctypes.string_at(name)) if name else ""
        new = bool(path) and not os.path.exists(path)
        journal = bool(flags & MAIN_JOURNAL)
        if new and (code := self._allow(Op("create", path))):
            return code
        code = self._real.contents.xOpen(vfs, name, file, flags, out)
        if code or not path:
            return code
        if new and os.path.exists(path):
            self.ops.append(Op("create", path))
        self._paths[file] = (path, new and journal)
        slot = ctypes.cast(file, POINTER(c_void_p))
        real = _Methods.from_address(slot.contents.value)
        if slot.contents.value not in self._methods:
            ours = _Methods()
            ctypes.memmove(ctypes.byref(ours), slot.contents.value, ctypes.sizeof(_Methods))
            ours.iVersion = 1  # no shared memory, no mapped pages: everything comes past here
            ours.xClose = _Close(lambda f: self._close(real, f))
            ours.xWrite = _Write(lambda f, d, n, at: self._write(real, f, d, n, at))
            ours.xTruncate = _Truncate(lambda f, size: self._truncate(real, f, size))
            ours.xSync = _Sync(lambda f, how: self._sync(real, f, how))
            self._methods[slot.contents.value] = (ours, real)
        slot.contents.value = ctypes.addressof(self._methods[slot.contents.value][0])
        return 0

    def _close(self, real, file) -> int:
        self._paths.pop(file, None)
        return real.xClose(file)

    def _write(self, real, file, data, n, at) -> int:
        op = Op("write", self._paths[file][0], at, ctypes.string_at(data, n))
        code = self._allow(op) or real.xWrite(file, data, n, at)
        if not code:
            self.ops.append(op)
        return code

    def _truncate(self, real, file, size) -> int:
        op = Op("truncate", self._paths[file][0], size)
        code = self._allow(op) or real.xTruncate(file, size)
        if not code:
            self.ops.append(op)
        return code

    def _sync(self, real, file, how) -> int:
        path, fresh_journal = self._paths[file]
        op = Op("sync", path, folder=fresh_journal)
        code = self._allow(op) or real.xSync(file, how)
        if not code:
            self._paths[file] = (path, False)
            self.ops.append(op)
        return code

    def _delete(self, vfs, name, folder) -> int:
        op = Op("delete", os.fsdecode(ctypes.string_at(name)), folder=bool(folder))
        code = self._allow(op) or self._real.contents.xDelete(vfs, name, folder)
        if not code:
            self.ops.append(op)
        return code


class _File:
    """What of a file has surely reached the disk, and what may have."""

    def __init__(self) -> None:
        self.safe = bytearray()
        self.pending: list[Op] = []


def states_after_cut(
    ops: list[Op], rng: random.Random, n_random: int
) -> Iterator[tuple[int, dict[str, bytes]]]:
    """Every moment at which the power can fail, with the states that the disk may then be in.

    Yields (operations done, path -> contents): for each operation the state where nothing unsynced
    is on the disk, the one where all of it is, and `n_random` in between.
    """
    now: dict[str, _File] = {}
    safe: dict[str, _File] = {}
    folder: list[tuple[str, _File | None]] = []

    def sync_folder() -> None:
        for path, file in folder:
            _link(safe, path, file)
        folder.clear()

    for done, op in enumerate(ops, 1):
        if op.kind == "create":
            now[op.path] = _File()
            folder.append((op.path, now[op.path]))
        elif op.kind in {"write", "truncate"}:
            now[op.path].pending.append(op)
        elif op.kind == "delete":
            now.pop(op.path, None)
            folder.append((op.path, None))
        elif op.kind == "sync":
            file = now[op.path]
            for waiting in file.pending:
                _apply(file.safe, waiting)
            file.pending.clear()
        if op.folder:
            sync_folder()
        for how in ("none", "all", *["some"] * n_random):
            names = dict(safe)
            kept = {"none": 0, "all": len(folder), "some": rng.randint(0, len(folder))}[how]
            for path, file in folder[:kept]:
                _link(names, path, file)
            yield done, {path: _contents(file, how, rng) for path, file in names.items()}


def _link(names: dict[str, _File], path: str, file: _File | None) -> None:
    if file is None:
        names.pop(path, None)
    else:
        names[path] = file


def _contents(file: _File, how: str, rng: random.Random) -> bytes:
    out = bytearray(file.safe)
    for op in file.pending if how != "none" else ():
        if how == "all" or op.kind == "truncate":
            if how == "all" or rng.random() < 0.5:
                _apply(out, op)
            continue
        for start in range(0, len(op.data), SECTOR):
            if rng.random() < 0.5:
                _apply(out, Op("write", "", op.at + start, op.data[start : start + SECTOR]))
    return bytes(out)


def _apply(contents: bytearray, op: Op) -> None:
    if op.kind == "truncate":
        del contents[op.at :]
        contents.extend(bytes(op.at - len(contents)))
        return
    contents.extend(bytes(max(0, op.at + len(op.data) - len(contents))))
    contents[op.at : op.at + len(op.data)] = op.data
