"""Start-up of `gauge --help` and `calibrate --help` against click alone.

`python tests/bench/help_time.py` prints the ratios of medians and leaves with 1 above 1.5.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 21
COMMANDS = {
    "import click": "import click",
    "gauge --help": "import sys; sys.argv = ['gauge', '--help']; import gauge.cli as c; c.main()",
    "calibrate --help": (
        "import sys; sys.argv = ['calibrate', '--help']; import calibrate.cli as c; c.main()"
    ),
}


def main() -> int:
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    # Turn by turn, so that a busy machine slows all of them alike.
    for _ in range(ROUNDS):
        for name, code in COMMANDS.items():
            start = time.perf_counter()
            subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
            times[name].append(time.perf_counter() - start)
    medians = {name: statistics.median(values) for name, values in times.items()}
    base = medians["import click"]
    for name, median in medians.items():
        print(f"{name}: {median * 1e3:.0f} ms, {median / base:.2f}x (goal 1.5)")
    return 0 if max(medians.values()) <= 1.5 * base else 1


if __name__ == "__main__":
    sys.exit(main())
