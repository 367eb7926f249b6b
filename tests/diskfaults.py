"""Power cuts and errors of the disk under production code, and what is left of the season then.

Used small in test_durability.py and large in tests/bench; the watched disk itself is in simdisk.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gauge.errors import FirmhandError, StorageFailedError
from gauge.season import connection
from gauge.season.file import open_season
from tests.durability import SCRATCH, log_berry, reckon
from tests.season_helpers import begun
from tests.simdisk import Disk, states_after_cut

# --- power cut --------------------------------------------------------------------------------


@contextmanager
def synchronous(level: str) -> Iterator[None]:
    """Weaken the production setting: the mutants that the campaign must catch."""
    before = connection.PRAGMAS
    connection.PRAGMAS = tuple(
        f"PRAGMA synchronous = {level}" if "synchronous" in pragma else pragma for pragma in before
    )
    try:
        yield
    finally:
        connection.PRAGMAS = before


def power_cuts(
    n_berries: int, n_random: int, *, seed: int = 1, level: str = "EXTRA"
) -> tuple[int, list[str]]:
    """Cut the power after every operation of the disk; return states tried, and the wrong."""
    with tempfile.TemporaryDirectory(dir=SCRATCH) as name:
        folder = Path(name)
        path = folder / "logged" / "a.season"
        path.parent.mkdir()
        with synchronous(level), Disk() as disk, begun(path) as season:
            disk.mark("begun")
            for berry in range(n_berries):
                disk.mark(f"try {berry}")
                log_berry(season, berry)
                disk.mark(f"ack {berry}")
        return _tried(disk, path, folder / "after", n_random, seed)


def _tried(disk: Disk, path: Path, after: Path, n_random: int, seed: int) -> tuple[int, list[str]]:
    marks = [(done, op.path) for done, op in enumerate(disk.ops, 1) if op.kind == "mark"]
    wrong: list[str] = []
    n = 0
    tried: set[int] = set()
    for done, state in states_after_cut(disk.ops, random.Random(seed), n_random):
        passed = [label for at, label in marks if at <= done]
        acknowledged = [int(label[4:]) for label in passed if label.startswith("ack")]
        attempted = sum(label.startswith("try") for label in passed)
        same = hash((*sorted(state.items()), *acknowledged, attempted, "begun" in passed))
        if same in tried:
            continue
        tried.add(same)
        shutil.rmtree(after, ignore_errors=True)
        after.mkdir()
        for file, contents in state.items():
            (after / Path(file).name).write_bytes(contents)
        n += 1
        if "begun" in passed:
            found = reckon(after / path.name, acknowledged, attempted)
        else:
            found = _begun_again(after / path.name)
        wrong += [f"cut after operation {done}: {what}" for what in found]
    return n, wrong


def _begun_again(path: Path) -> list[str]:
    """After a cut while the season was begun, it can be begun again (or was complete)."""
    try:
        open_season(path, create=True).close()
    except FirmhandError as error:
        return [f"cannot be begun again: {error}"]
    return []


# --- errors of the disk -----------------------------------------------------------------------

# What SQLite's own file layer answers to ENOSPC and EIO (sqlite.org/rescode.html).
REFUSALS = {
    "full": {"write": sqlite3.SQLITE_FULL, "create": sqlite3.SQLITE_FULL},
    "input/output": {
        "write": sqlite3.SQLITE_IOERR_WRITE,
        "truncate": sqlite3.SQLITE_IOERR_TRUNCATE,
        "sync": sqlite3.SQLITE_IOERR_FSYNC,
        "delete": sqlite3.SQLITE_IOERR_DELETE,
        "create": sqlite3.SQLITE_IOERR,
    },
}


def disk_errors(n_berries: int, *, kind: str, lasting: bool) -> tuple[int, list[str]]:
    """Refuse each operation of the disk in turn; return how many were refused, and what went wrong.

    Parameters
    ----------
    kind : {'full', 'input/output'}
    lasting : bool
        Whether every operation after the first refused one is refused too.
    """
    wrong: list[str] = []
    n = struck = 0
    while True:
        n += 1
        refused, error, found, n_done = _one_error(n_berries, n, kind, lasting)
        if n_done < n:
            return struck, wrong
        # A journal that could once not be removed when a transaction was given up is removed by the
        # next one: no write failed, so there is nothing to report.
        if refused and error is None and (lasting or refused != "delete"):
            found.append("no error was raised")
        if error is not None and not isinstance(error, StorageFailedError):
            found.append(f"{type(error).__name__} {error}")
        struck += bool(refused)
        wrong += [f"operation {n} ({refused}): {what}" for what in found]


def _one_error(
    n_berries: int, n: int, kind: str, lasting: bool
) -> tuple[str, FirmhandError | None, list[str], int]:
    """Refuse operation `n`: what it was (if it could be refused), the error, the wrong, the end."""
    struck = ""

    def refuse(number: int, op) -> int:
        nonlocal struck
        code = REFUSALS[kind].get(op.kind, 0)
        if code and (number == n or (lasting and struck)):
            struck = struck or op.kind
            return code
        return 0

    with tempfile.TemporaryDirectory(dir=SCRATCH) as name:
        path = Path(name) / "a.season"
        begun(path).close()
        acknowledged = attempted = 0
        error = None
        with Disk(refuse=refuse) as disk:
            try:
                with open_season(path) as season:
                    for berry in range(n_berries):
                        attempted = berry + 1
                        log_berry(season, berry)
                        acknowledged = berry + 1
            except FirmhandError as caught:
                error = caught
        return struck, error, reckon(path, range(acknowledged), attempted), disk.n


def real_full_disk(folder: Path, n_berries: int) -> tuple[int, FirmhandError | None, list[str]]:
    """Log onto a small disk until it is full; return how many, the error, and the wrong."""
    path = folder / "a.season"
    acknowledged, error = 0, None
    try:
        with begun(path) as season:
            for berry in range(n_berries):
                log_berry(season, berry)
                acknowledged += 1
    except FirmhandError as caught:
        error = caught
    return acknowledged, error, reckon(path, range(acknowledged), acknowledged + 1)
