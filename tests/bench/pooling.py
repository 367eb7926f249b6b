"""How long and how much memory a table of a million berries in 100 files takes.

    python tests/bench/pooling.py [--kind csv|season] [--berries 1000000] [--files 100]

Files are made first (not timed); then `calibrate table` runs as its own process, timed from start
to end with its largest resident memory.
"""

from __future__ import annotations

import argparse
import json
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibrate.data.scale import BLACKBERRY
from gauge.season.file import give_digests, open_season

SELECTIONS = [f"R-{100 + i}" for i in range(20)]
DAYS = (0, 7, 14, 21)
PER_CLAMSHELL = 25


def berries(rng: np.random.Generator, n: int) -> tuple[np.ndarray, ...]:
    """Clamshells of 25 berries: selection, storage day, clamshell, number, force, score."""
    clamshell = np.arange(n) // PER_CLAMSHELL
    m = int(clamshell.max()) + 1
    selection = rng.integers(len(SELECTIONS), size=m)
    day = rng.choice(DAYS, size=m)
    mean = (1.2 + 0.08 * selection) * np.exp(-0.03 * day + rng.normal(0, 0.08, m))
    force = mean[clamshell] * np.exp(rng.normal(0, 0.25, n))
    score = 1 + sum(
        rng.random(n) > 1 / (1 + np.exp((c - force) / 0.15)) for c in (2.6, 1.9, 1.3, 0.8)
    )
    return (
        selection[clamshell],
        day[clamshell],
        clamshell,
        1 + np.arange(n) % PER_CLAMSHELL,
        force,
        score,
    )


def write_csv(path: Path, site: int, rng: np.random.Generator, n: int) -> None:
    selection, day, clamshell, number, force, score = berries(rng, n)
    lines = ["season,site,sample,berry,selection,harvest_date,storage_day,force_N,score,rater"]
    lines += [
        f"2026,site {site % 10},F{site}-{c},{b},{SELECTIONS[s]},2026-07-{3 + site // 10:02},{d},"
        f"{f:.3f},{k},ines"
        for s, d, c, b, f, k in zip(
            selection.tolist(), day.tolist(), clamshell.tolist(), number.tolist(), force.tolist(),
            score.tolist(), strict=True,
        )
    ]  # fmt: skip
    path.write_text("\n".join(lines) + "\n")


def write_season(path: Path, site: int, rng: np.random.Generator, n: int) -> None:
    """Make a season file with its own tables, then fill it in one transaction."""
    open_season(path, create=True, code="2026", scale_json=BLACKBERRY.to_json()).close()
    selection, day, clamshell, number, force, score = (a.tolist() for a in berries(rng, n))
    at = "2026-07-03T08:00:00Z"
    first = {c: i for i, c in reversed(list(enumerate(clamshell)))}
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA synchronous=OFF")
        db.execute("INSERT INTO sessions (session_id, started_at) VALUES (1, ?)", (at,))
        db.executemany(
            "INSERT INTO samples (sample_id, code, selection, harvest_date, storage_day, site) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            [
                (c + 1, f"F{site}-{c}", SELECTIONS[selection[i]], f"2026-07-{3 + site // 10:02}",
                 float(day[i]), f"site {site % 10}")
                for c, i in first.items()
            ],
        )  # fmt: skip
        db.executemany(
            "INSERT INTO berries (berry_id, sample_id, number, at) VALUES (?, ?, ?, ?)",
            [(i + 1, c + 1, b, at) for i, (c, b) in enumerate(zip(clamshell, number, strict=True))],
        )
        db.executemany(
            "INSERT INTO peaks (berry_id, session_id, start_s, peak_s, end_s, peak_shown, "
            "peak_unit, peak_n, baseline_n, noise_n, n_readings, n_ramp, rate_hz, "
            "loading_rate_n_s, sampling_loss_n, at) "
            "VALUES (?, 1, ?, ?, ?, ?, 'N', ?, 0, 0.01, 20, 10, 10, 2, 0.1, ?)",
            [(i + 1, i * 4.0, i * 4.0 + 1, i * 4.0 + 2, f"{f:.3f}", round(f, 3), at)
             for i, f in enumerate(force)],
        )  # fmt: skip
        db.executemany(
            "INSERT INTO scores (berry_id, rater, score, score_rank, at) "
            "VALUES (?, 'ines', ?, ?, ?)",
            [(i + 1, str(k), k, at) for i, k in enumerate(score)],
        )
        give_digests(db)
    db.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=["csv", "season"], default="csv")
    parser.add_argument("--berries", type=int, default=1_000_000)
    parser.add_argument("--files", type=int, default=100)
    given = parser.parse_args()
    rng = np.random.default_rng(1)
    suffix = {"csv": "csv", "season": "firm"}[given.kind]
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder, f"{i:03}.{suffix}") for i in range(given.files)]
        for i, path in enumerate(paths):
            write = write_csv if given.kind == "csv" else write_season
            write(path, i, rng, given.berries // given.files)
        command = [
            sys.executable, "-m", "calibrate.cli", "table", *map(str, paths),
            "--by", "selection", "--by", "storage_day", "--json",
        ]  # fmt: skip
        command[1:3] = ["-c", "from calibrate.cli import main; main()"]
        begin = time.perf_counter()
        ran = subprocess.run(command, capture_output=True, text=True, check=False)
        seconds = time.perf_counter() - begin
    if ran.returncode:
        sys.exit(ran.stderr)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    peak_mb = used.ru_maxrss / 1024
    document = json.loads(ran.stdout)
    print(
        f"{document['berries']} berries in {given.files} {given.kind} files: {seconds:.1f} s "
        f"({used.ru_utime + used.ru_stime:.1f} s of processor), "
        f"{peak_mb:.0f} MB, {len(document['rows'])} rows, "
        f"{len(document['comparisons'])} comparisons"
    )


if __name__ == "__main__":
    main()
