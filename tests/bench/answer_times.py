"""How long an answering command takes, as a ratio to importing numpy and scipy.optimize.

`python tests/bench/answer_times.py [--times N]` makes the sample seasons in a temporary folder,
then runs each command and the imports in turn, N times (9), and prints the median of each, the
ratio of medians, and the smallest and largest ratio pair by pair.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RUNS = ROOT / "sample_runs"
REFERENCE = [sys.executable, "-c", "import numpy, scipy.optimize"]
COMMANDS = {
    "fit": ["fit", "2026.season"],
    "check": ["check", "2026.season", "--rater", "ines"],
    "anchors": ["anchors", "2026.season"],
    "compare": ["compare", "2025.season", "2026.season"],
    "table": ["table", "2026.season", "--by", "selection"],
    "diagnose": ["diagnose", "2026.season"],
}


def typed(script: str, *words: object) -> list[str]:
    """Return a command line that runs without an installed script."""
    code = f"from {script}.cli import main; main()"
    return [sys.executable, "-c", code, *map(str, words)]


def run(words: list[str], folder: Path) -> float:
    """Run a command line and return how long it took, in seconds."""
    start = time.perf_counter()
    subprocess.run(words, cwd=folder, check=True, capture_output=True)
    return time.perf_counter() - start


def make_season(folder: Path, year: str) -> None:
    """Make the season file of one sample run."""
    source, season = RUNS / f"{year}-blackberry", f"{year}.season"
    run(typed("gauge", "plan", season, "--import", source / "plan.csv", "--order", "file"), folder)
    for capture in sorted((source / "captures").glob("*.txt")):
        run(
            typed("gauge", "replay", capture, "--format", RUNS / "gauge.toml", "--season", season,
                  "--sample", capture.stem),
            folder,
        )  # fmt: skip
    run(typed("gauge", "scores", season, source / "scores.csv"), folder)


def main() -> None:
    """Print one line a command."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--times", type=int, default=9)
    times = options.parse_args().times
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for year in ("2025", "2026"):
            make_season(folder, year)
        for command, words in COMMANDS.items():
            pairs = [
                (run(typed("calibrate", *words), folder), run(REFERENCE, folder))
                for _ in range(times + 1)
            ][1:]  # the first fills the caches
            ours, theirs = (statistics.median(x) for x in zip(*pairs, strict=True))
            ratios = [a / b for a, b in pairs]
            print(
                f"{command:<9} {ours:.3f} s, imports {theirs:.3f} s: ratio {ours / theirs:.2f} "
                f"({min(ratios):.2f} to {max(ratios):.2f})"
            )


if __name__ == "__main__":
    main()
