"""How often one flipped bit of a season file is used without a word.

`nice -n 10 python -m tests.bench.rot [FLIPS] [SEED]`: of each flip, `gauge readings --json` and the
pairs that `calibrate fit` is a function of must be as before, or refused.
"""

import sys
import time

from tests.rot import rot


def main() -> int:
    flips = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    start = time.monotonic()
    counts, wrong = rot(flips, seed=seed)
    print(f"{flips} flips in {time.monotonic() - start:.0f} s")
    for what, n in sorted(counts.items()):
        print(f"{what}: {n}")
    print(f"wrong: {len(wrong)}", *wrong[:40], sep="\n")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
