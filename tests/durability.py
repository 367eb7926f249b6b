"""What the durability campaigns share: a logger that says what it acknowledged, and the reckoning.

Used small in test_durability.py and large in tests/bench.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from gauge.errors import FirmhandError, StorageFailedError
from gauge.events import BerryLogged
from gauge.lineformat import shipped_format
from gauge.logger import Logger
from gauge.records import Chunk, FingerScore, Gap, Sample, Session
from gauge.season import guard, open_season
from tests.season_helpers import begun, press
from tests.simdisk import Disk, states_after_cut

# In memory where there is such a folder: what is tested is the order of writes, not a drive.
SCRATCH = Path("/dev/shm") if Path("/dev/shm").is_dir() else Path(tempfile.gettempdir())


def shown(berry: int) -> str:
    """A peak that tells which berry it is."""
    return f"{1 + berry / 1000:.3f}"


def log_berry(season, berry: int) -> None:
    """Store one berry as the logger does: chunks now and then, scores with some, a gap, a void."""
    start_s = float(berry)
    chunks = [Chunk(berry * 10**9 + k * 10**8, f"{shown(berry)} N\r\n".encode()) for k in range(4)]
    if berry % 5 == 0:
        season.keep_chunks(1, chunks[:2])
        chunks = chunks[2:]
    if berry % 7 == 3:
        season.keep_gap(1, Gap(berry * 10**9, berry * 10**9 + 5, "unplugged"))
    scores = [FingerScore(rater="ines", score="3")] if berry % 2 else []
    season.acknowledge_berry(1, 1, None, press(start_s, shown(berry)), scores=scores, chunks=chunks)


def reckon(
    path: Path, acknowledged: Sequence[int], attempted: int, *, whole: bool = False
) -> list[str]:
    """Open a season after a fault and hold it against what was acknowledged.

    Parameters
    ----------
    path : Path
    acknowledged : sequence of int
        Berries of which the logger said that they are stored.
    attempted : int
        Berries 0 to `attempted` - 1 were begun; any other in the file is invented.
    whole : bool
        Logged by the whole logger, from bytes, and not by `log_berry`.

    Returns
    -------
    list of str
        ``"lost 3"``, ``"twice 3"``, ``"invented 3"``, ``"torn 3"`` (a berry without what was stored
        with it), or ``"unreadable: ..."``. Empty if all is well.
    """
    try:
        with open_season(path) as season:
            berries = season.berries()
            heard = b"".join(
                chunk.data for row in season.sessions() for chunk in season.chunks(row.session_id)
            )
    except FirmhandError as error:
        return [f"unreadable: {error}"]
    found = [round((float(berry.peak_shown or 0) - 1) * 1000) for berry in berries]
    wrong = [f"lost {berry}" for berry in acknowledged if berry not in found]
    wrong += [f"twice {berry}" for berry in sorted(set(found)) if found.count(berry) > 1]
    wrong += [f"invented {berry}" for berry in found if not 0 <= berry < attempted]
    for berry, row in zip(found, berries, strict=True):
        told = heard.count(f"{shown(berry)} N\r\n".encode())
        complete = told >= 1 if whole else told >= 4 and len(row.scores) == berry % 2
        if not complete or row.number != berry + 1:
            wrong.append(f"torn {berry}")
    return wrong


# --- power cut --------------------------------------------------------------------------------


@contextmanager
def synchronous(level: str) -> Iterator[None]:
    """Weaken the production setting: the mutants that the campaign must catch."""
    before = guard.PRAGMAS
    guard.PRAGMAS = tuple(
        f"PRAGMA synchronous = {level}" if "synchronous" in pragma else pragma for pragma in before
    )
    try:
        yield
    finally:
        guard.PRAGMAS = before


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
        # next one: no write failed, so there is nothing to tell.
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


# --- kill -9 ----------------------------------------------------------------------------------


def kill_once(
    path: Path, rng: random.Random, first: int, *, whole: bool = False
) -> tuple[list[int], int]:
    """Let a forked logger work until it is killed; return what it acknowledged and attempted.

    The logger begins with berry `first`, which may be stored already: told again, it must not be
    stored twice. Acknowledgements come through a pipe, as they would on stdout. The kill comes up
    to 6 ms after the logger was started (one in four), or after one of its first acknowledgements.
    """
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read)
            if whole:
                _whole_logger(path, write)
            else:
                _logger(path, write, first)
        finally:
            os._exit(1)
    os.close(write)
    said = b""
    wanted = rng.choice((0, 1, 2, 3, 4, 6, 9, 12)) if rng.random() < 0.75 else 0
    while said.count(b"ack") < wanted and (part := os.read(read, 65536)):
        said += part
    time.sleep(rng.uniform(0, 0.006))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    while part := os.read(read, 65536):
        said += part
    os.close(read)
    if not os.WIFSIGNALED(status):
        raise RuntimeError(f"the logger ended by itself: {said[-200:]!r}")
    lines = said.decode().splitlines()
    acknowledged = [int(line[4:]) for line in lines if line.startswith("ack")]
    attempted = max([int(line[4:]) + 1 for line in lines if line.startswith("try")], default=0)
    return acknowledged, attempted


def _logger(path: Path, out: int, first: int) -> None:
    try:
        with open_season(path, create=True) as season:
            if not season.samples():
                season.add_sample(Sample(code="C1"))
            if not season.sessions():
                season.add_session(Session(started_at="2026-07-01T08:00:00Z"))
            berry = first
            while True:
                os.write(out, f"try {berry}\n".encode())
                log_berry(season, berry)
                os.write(out, f"ack {berry}\n".encode())
                berry += 1
    except BaseException as error:
        os.write(out, f"{type(error).__name__}: {error}\n".encode())
        raise


def _whole_logger(path: Path, out: int) -> None:
    """From bytes to acknowledged berries, each start a new session that goes on with the sample."""
    with open_season(path, create=True) as season:
        if not season.samples():
            season.add_sample(Sample(code="C1"))
        sample = season.sample("C1")
        session_id = season.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        fmt = shipped_format("number-unit")
        logger = Logger(fmt, season=season, session_id=session_id, sample=sample)
        t_ns = 0
        for berry in range(season.next_number(sample.sample_id) - 1, 10**6):
            os.write(out, f"try {berry}\n".encode())
            peak = float(shown(berry))
            forces = [0.0] * 40 + [peak * i / 30 for i in range(31)] + [peak / 2] + [0.0] * 40
            for force in forces:
                t_ns += 20_000_000
                events = logger.feed(Chunk(t_ns, f"{force:.3f} N\r\n".encode()))
                for event in events + logger.tick(t_ns):
                    if isinstance(event, BerryLogged):
                        stored = round((event.press.peak - 1) * 1000)
                        os.write(out, f"ack {stored}\n".encode())


def kills(
    n: int, *, seed: int, per_file: int = 40, folder: Path = SCRATCH, whole: bool = False
) -> tuple[int, int, list[str]]:
    """Kill a logger `n` times; return kills, berries acknowledged in all, and what went wrong."""
    rng = random.Random(seed)
    wrong: list[str] = []
    total = done = 0
    while done < n:
        with tempfile.TemporaryDirectory(dir=folder) as name:
            path = Path(name) / "a.season"
            known: list[int] = []
            attempted = 0
            for _ in range(min(per_file, n - done)):
                first = max(0, len(known) - rng.randint(0, 2))
                said, tried = kill_once(path, rng, first, whole=whole)
                done += 1
                known = sorted({*known, *said})
                attempted = max(attempted, tried)
                if path.exists() and path.stat().st_size and attempted:
                    found = reckon(path, known, attempted, whole=whole)
                    wrong += [f"kill {done}: {what}" for what in found]
                elif known:
                    wrong.append(f"kill {done}: the file is gone")
            total += len(known)
    return done, total, wrong


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
