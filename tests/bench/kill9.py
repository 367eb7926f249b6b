"""Kill -9 at random points of logging: acknowledged berries lost, stored twice, invented.

    python -m tests.bench.kill9 [--kills 3000]

The logger is forked from a warm process and killed at random moments of creation, opening,
recovery and logging; every 40 kills a new file is begun. A restarted logger tells up to two berries
again. Most kills run in memory, where more of them fall between writes; a tenth on the disk.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.durability import kills


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    start = time.perf_counter()
    on_disk = given.kills // 10
    done, acknowledged, wrong = kills(given.kills - on_disk, seed=given.seed)
    more = kills(on_disk, seed=given.seed + 1, folder=Path(tempfile.gettempdir()))
    done, acknowledged, wrong = done + more[0], acknowledged + more[1], wrong + more[2]
    seconds = time.perf_counter() - start
    print(
        f"{done} kills ({on_disk} on the disk), {acknowledged} berries acknowledged, "
        f"{seconds:.0f} s"
    )
    for what in ("lost", "twice", "invented", "torn", "unreadable", "gone"):
        print(f"{what:>10}: {sum(what in line for line in wrong)}")
    raise SystemExit("\n".join(wrong[:20]) if wrong else 0)


if __name__ == "__main__":
    main()
