"""Flip bits of a season file and look whether a command answers wrongly without a word.

Used small in tests/season/test_rot.py and large in tests/bench/rot.py.
"""

from __future__ import annotations

import contextlib
import random
import sqlite3
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from calibrate.data.pairs import Pairs, load_pairs
from gauge.errors import FirmhandError
from gauge.records import Chunk
from gauge.season.file import open_season
from tests.answers import call
from tests.durability import SCRATCH
from tests.seasons import make_season


def build(path: Path, *, berries: int = 240) -> Path:
    """Write a season with scores, voids, notes and bytes received."""
    make_season(path, berries=berries, pads={"PAD-A": 3.0})
    with open_season(path) as season:
        for n in range(20):
            season.keep_chunks(1, [Chunk(n * 10**9 + k, b"0.012 N\r\n") for k in range(40)])
        for berry in range(5, berries, 17):
            season.void(berry, f"slipped {berry}")
            season.add_note(f"note {berry}", berry_id=berry)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("VACUUM")  # little room is left empty, so that most flips strike something
    return path


def _fit(path: Path) -> str:
    """What `calibrate fit` reads of a season: its answer is a function of this."""
    try:
        pairs: Pairs = load_pairs(path)
    except FirmhandError as error:
        return f"refused: {type(error).__name__}"
    arrays = (pairs.force_newton, pairs.rank, pairs.count, pairs.rater, pairs.berry)
    names = (pairs.scale, pairs.raters, pairs.berries, {k: list(v) for k, v in pairs.extra.items()})
    return repr([np.asarray(array).tolist() for array in arrays]) + repr(names)


def _readings(path: Path) -> str:
    result = call(f"gauge readings {path} --json")
    if result.status == 0:
        return result.out
    crashed = isinstance(result.status, str)
    return f"crashed: {result.status}" if crashed else f"refused: {result.status}"


def rot(flips: int, *, seed: int, folder: Path = SCRATCH) -> tuple[Counter[str], list[str]]:
    """Flip one bit at a time; return how often each command did what, and what went wrong."""
    rng = random.Random(seed)
    counts: Counter[str] = Counter()
    wrong = []
    with tempfile.TemporaryDirectory(dir=folder) as name:
        path = build(Path(name) / "a.season")
        sound = path.read_bytes()
        answers = {"readings": _readings(path), "fit": _fit(path)}
        for n in range(flips):
            bit = rng.randrange(len(sound) * 8)
            flipped = bytearray(sound)
            flipped[bit // 8] ^= 1 << bit % 8
            path.write_bytes(flipped)
            for command, read in (("readings", _readings), ("fit", _fit)):
                try:
                    found = read(path)
                except Exception as error:
                    found = f"crashed: {type(error).__name__}: {error}"
                kind = found.partition(":")[0]
                if found == answers[command]:
                    counts[f"{command} as before"] += 1
                elif kind == "refused":
                    counts[f"{command} refused"] += 1
                else:
                    what = found[:80] if kind == "crashed" else "silently wrong"
                    wrong.append(f"flip {n}, bit {bit}, {command}: {what}")
            path.with_name(f"{path.name}-journal").unlink(missing_ok=True)
    return counts, wrong
