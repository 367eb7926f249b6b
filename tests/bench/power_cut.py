"""A simulated power cut after every operation of the disk, and the mutants that it must catch.

    python -m tests.bench.power_cut [--berries 60]

Production code logs onto a watched disk; then every state in which the disk may be after a cut is
rebuilt and opened with production code.
"""

from __future__ import annotations

import argparse
import time

from tests.diskfaults import power_cuts


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--berries", type=int, default=60)
    parser.add_argument("--random", type=int, default=4, help="random states a cut")
    given = parser.parse_args()
    start = time.perf_counter()
    n, wrong = power_cuts(given.berries, given.random)
    print(f"synchronous EXTRA (ours): {n} states after a cut, {len(wrong)} wrong")
    blind = []
    for level in ("FULL", "NORMAL", "OFF"):
        n_mutant, caught = power_cuts(max(2, given.berries // 15), 2, level=level)
        lost = sum("lost" in what for what in caught)
        broken = sum("unreadable" in what for what in caught)
        print(f"mutant {level}: {n_mutant} states, {lost} lost berries, {broken} unreadable files")
        if not lost and not broken:
            blind.append(level)
    print(f"{time.perf_counter() - start:.0f} s")
    if wrong or blind:
        raise SystemExit("\n".join(wrong[:20]) or f"mutants not caught: {', '.join(blind)}")


if __name__ == "__main__":
    main()
