"""What checking the digests costs when a season of 100,000 berries is read.

`python -m tests.bench.season_reading [BERRIES]` reads one season again and again, with the digests
checked and not, and prints the seconds of the processor and their ratio.
"""

from __future__ import annotations

import contextlib
import random
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

from gauge.records import Sample, Session
from gauge.season.file import SeasonFile, give_digests, open_season
from gauge.season.tables import Tables

RATERS = ("ines", "marek", "odile")
ROUNDS = 9
PAIR = (
    "rater", "score", "force_N", "berry_id", "selection", "lot", "harvest_date", "storage_day",
    "fruit_temp_c", "size_mm", "site",
)  # fmt: skip


def build(path: Path, berries: int) -> None:
    """Write a season with that many berries, each scored by three raters."""
    with open_season(path, create=True) as season:
        season.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        season.add_samples([Sample(code=f"C{i}") for i in range(1 + berries // 100)])
    rng = random.Random(1)
    at = "2026-07-01T08:00:00.123Z"
    shown = [f"{rng.uniform(0.5, 6):.3f}" for _ in range(berries)]
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executemany(
            "INSERT INTO berries (berry_id, sample_id, number, at) VALUES (?, ?, ?, ?)",
            [(i + 1, 1 + i // 100, 1 + i % 100, at) for i in range(berries)],
        )
        db.executemany(
            "INSERT INTO peaks VALUES (?, 1, ?, ?, ?, ?, 'N', ?, ?, ?, 40, 20, ?, ?, ?, '[]', ?, "
            "NULL, NULL, NULL)",
            [
                (i + 1, i * 3.1, i * 3.1 + 0.5, i * 3.1 + 1, text, float(text), rng.gauss(0, 0.01),
                 rng.random() / 100, 50 + rng.random(), rng.random(), rng.random(), at)
                for i, text in enumerate(shown)
            ],
        )  # fmt: skip
        db.executemany(
            "INSERT INTO scores (berry_id, rater, score, score_rank, at) VALUES (?, ?, ?, ?, ?)",
            [
                (i + 1, rater, str(rank), rank, at)
                for i in range(berries)
                for rater in RATERS
                for rank in (rng.randint(1, 5),)
            ],
        )
        give_digests(db)
        db.commit()


def seconds(path: Path, read: Callable[[SeasonFile], object]) -> float:
    """Processor time of opening the season and reading it once."""
    start = time.process_time()
    with open_season(path, read_only=True) as season:
        read(season)
    return time.process_time() - start


def unchecked(season: Tables, table: str, rows: object) -> None:
    """Stand for the check; a mock would keep the rows, and save the time of freeing them."""


def main() -> int:
    berries = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    reads: dict[str, Callable[[SeasonFile], object]] = {
        "as `gauge readings` does": lambda season: (season.berries(), season.samples()),
        "as `calibrate fit` does": lambda season: season.columns("pair", PAIR),
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.season"
        build(path, berries)
        print(f"{berries} berries, {3 * berries} finger scores, {path.stat().st_size >> 20} MB")
        for name, read in reads.items():
            with_check, without = [], []
            for _ in range(ROUNDS):
                with_check.append(seconds(path, read))
                with mock.patch.object(Tables, "_check", unchecked):
                    without.append(seconds(path, read))
            checked, plain = min(with_check), min(without)  # other work only adds
            print(f"{name}: {checked:.2f} s checked, {plain:.2f} s not: {checked / plain:.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
