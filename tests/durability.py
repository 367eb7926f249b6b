"""A logger that says what it acknowledged, the reckoning afterwards, and kill -9 on the logger.

Used small in test_durability.py and large in tests/bench; faults of the disk are in diskfaults.
"""

from __future__ import annotations

import os
import random
import signal
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from gauge.errors import FirmhandError
from gauge.protocol.formatfile import shipped_format
from gauge.records import Chunk, FingerScore, Gap, Sample, Session
from gauge.season.file import open_season
from gauge.session.events import BerryLogged
from gauge.session.recorder import BerryRecorder
from tests.season_helpers import press

# In memory where there is such a folder: what is tested is the order of writes, not a drive.
SCRATCH = Path("/dev/shm") if Path("/dev/shm").is_dir() else Path(tempfile.gettempdir())


def shown(berry: int) -> str:
    """A peak that shows which berry it is."""
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
    path: Path,
    acknowledged: Sequence[int],
    attempted: int,
    *,
    whole: bool = False,
    read_only: bool = False,
) -> list[str]:
    """Open a season after a fault and hold it against what was acknowledged.

    Parameters
    ----------
    path : Path
    acknowledged : sequence of int
        Berries that the logger reported as stored.
    attempted : int
        Berries 0 to `attempted` - 1 were begun; any other in the file is invented.
    whole : bool
        Logged by the whole logger, from bytes, and not by `log_berry`.
    read_only : bool
        Open it as the reading commands do.

    Returns
    -------
    list of str
        ``"lost 3"``, ``"twice 3"``, ``"invented 3"``, ``"torn 3"`` (a berry without what was stored
        with it), or ``"unreadable: ..."``. Empty if all is well.
    """
    try:
        with open_season(path, read_only=read_only) as season:
            berries = season.berries()
            received = b"".join(
                chunk.data for row in season.sessions() for chunk in season.chunks(row.session_id)
            )
    except FirmhandError as error:
        return [f"unreadable: {error}"]
    found = [round((float(berry.peak_shown or 0) - 1) * 1000) for berry in berries]
    wrong = [f"lost {berry}" for berry in acknowledged if berry not in found]
    wrong += [f"twice {berry}" for berry in sorted(set(found)) if found.count(berry) > 1]
    wrong += [f"invented {berry}" for berry in found if not 0 <= berry < attempted]
    for berry, row in zip(found, berries, strict=True):
        shown_n = received.count(f"{shown(berry)} N\r\n".encode())
        complete = shown_n >= 1 if whole else shown_n >= 4 and len(row.scores) == berry % 2
        if not complete or row.number != berry + 1:
            wrong.append(f"torn {berry}")
    return wrong


# --- kill -9 ----------------------------------------------------------------------------------


def kill_once(
    path: Path, rng: random.Random, first: int, *, whole: bool = False
) -> tuple[list[int], int]:
    """Let a forked logger work until it is killed; return what it acknowledged and attempted.

    The logger begins with berry `first`, which may be stored already: stored again, it must not be
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
    printed = b""
    awaited = rng.choice((0, 1, 2, 3, 4, 6, 9, 12)) if rng.random() < 0.75 else 0
    while printed.count(b"ack") < awaited and (part := os.read(read, 65536)):
        printed += part
    time.sleep(rng.uniform(0, 0.006))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    while part := os.read(read, 65536):
        printed += part
    os.close(read)
    if not os.WIFSIGNALED(status):
        raise RuntimeError(f"the logger ended by itself: {printed[-200:]!r}")
    lines = printed.decode().splitlines()
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
        recorder = BerryRecorder(fmt, season=season, session_id=session_id, sample=sample)
        t_ns = 0
        for berry in range(season.next_number(sample.sample_id) - 1, 10**6):
            os.write(out, f"try {berry}\n".encode())
            peak = float(shown(berry))
            forces = [0.0] * 40 + [peak * i / 30 for i in range(31)] + [peak / 2] + [0.0] * 40
            for force in forces:
                t_ns += 20_000_000
                events = recorder.feed(Chunk(t_ns, f"{force:.3f} N\r\n".encode()))
                for event in events + recorder.tick(t_ns):
                    if isinstance(event, BerryLogged):
                        stored = round((event.press.peak - 1) * 1000)
                        os.write(out, f"ack {stored}\n".encode())


def kills(
    n: int, *, seed: int, per_file: int = 40, folder: Path = SCRATCH, whole: bool = False
) -> tuple[int, int, list[str]]:
    """Kill a logger `n` times; return kills, berries acknowledged in all, and what went wrong.

    Every other time the file is read first by a command that only reads, journal or not.
    """
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
                printed, tried = kill_once(path, rng, first, whole=whole)
                done += 1
                known = sorted({*known, *printed})
                attempted = max(attempted, tried)
                if path.exists() and path.stat().st_size and attempted:
                    found = reckon(path, known, attempted, whole=whole, read_only=done % 2 == 0)
                    wrong += [f"kill {done}: {what}" for what in found]
                elif known:
                    wrong.append(f"kill {done}: the file is gone")
            total += len(known)
    return done, total, wrong
