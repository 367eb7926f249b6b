"""How many random sessions crash the recorder, or leave a season that fails its audit.

`nice -n 10 python -m tests.bench.random_sessions [SESSIONS] [FIRST SEED]`
"""

import sys
import time

from tests.randomsessions import random_session


def main() -> int:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    start = time.monotonic()
    berries, wrong = 0, []
    for seed in range(first, first + n):
        found = random_session(seed)
        berries += found[0]
        wrong += found[1]
    seconds = time.monotonic() - start
    print(f"{n} sessions, {berries} berries, {seconds:.0f} s, wrong: {len(wrong)}")
    print(*wrong[:30], sep="\n")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
