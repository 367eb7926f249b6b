"""Kill -9 at random points of logging: acknowledged berries lost, stored twice, invented.

    python -m tests.bench.kill9 [--kills 3000]

The logger is forked from a warm process and killed at random moments of creation, opening,
recovery and logging; every 40 kills a new file is begun. A restarted logger sends up to two berries
again. A third of the kills strike the whole logger, from bytes to berries; the others the storing
alone, where more of them fall between writes. A tenth of each run on the disk, the rest in memory.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.durability import SCRATCH, kills


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    start = time.perf_counter()
    disk = Path(tempfile.gettempdir())
    done = acknowledged = 0
    wrong: list[str] = []
    for share, whole, folder in (
        (0.6, False, SCRATCH), (0.3, True, SCRATCH), (0.06, False, disk), (0.04, True, disk),
    ):  # fmt: skip
        n = round(share * given.kills)
        found = kills(n, seed=given.seed + n, whole=whole, folder=folder)
        done, acknowledged, wrong = done + found[0], acknowledged + found[1], wrong + found[2]
    seconds = time.perf_counter() - start
    print(f"{done} kills, {acknowledged} berries acknowledged, {seconds:.0f} s")
    for what in ("lost", "twice", "invented", "torn", "unreadable", "gone"):
        print(f"{what:>10}: {sum(what in line for line in wrong)}")
    raise SystemExit("\n".join(wrong[:20]) if wrong else 0)


if __name__ == "__main__":
    main()
