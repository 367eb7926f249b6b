"""Cost of the detector a reading, from 5 to 2,000 readings a second, and of a day as it is.

Run `python tests/bench/detector_speed.py` from the root of the repository. Each reading is
fed by itself, as from a line; presses come as on a day, one each 29 s, and densely, one each 7 s.
"Loops": the cost in that of a loop in the same run that only converts the same readings to newtons
and keeps the largest of each second. The day: 50 readings/s; eight hours are 1.44 million readings,
replayed from their capture into a season.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]
from gauge.detect.detector import Detector  # noqa: E402
from gauge.protocol.capture import write_capture  # noqa: E402
from gauge.records import Chunk, Reading, Status  # noqa: E402
from gauge.units import NEWTON_PER_FLOAT, Unit  # noqa: E402

RATES_HZ = (5, 10, 20, 50, 100, 200, 500, 1000, 2000)
RESTS_S = (27.0, 5.0)  # between presses: on a day, and densely
LEAST_S = 120  # a stream lasts for at least four presses of a day


def stream(rate_hz: float, n: int, rest_s: float, seed: int = 1) -> list[Reading]:
    """Draw `n` readings: presses of 3 N within 2 s, with rests of `rest_s` between them."""
    rng = np.random.default_rng(seed)
    t = np.arange(n) / rate_hz
    phase = t % (rest_s + 2)
    force = np.where(phase > rest_s, 3 * np.sin(np.pi * np.minimum((phase - rest_s) / 2, 1)), 0)
    shown = [f"{v:.3f}" for v in force + 0.004 * rng.standard_normal(n)]
    return [
        Reading(at, float(text), text, Unit.N, Status.OK)
        for at, text in zip(t.tolist(), shown, strict=True)
    ]


def cost_us(detector: Detector, readings: list[Reading]) -> float:
    """Microseconds a reading."""
    began = time.process_time()
    for reading in readings:
        detector.feed((reading,))
    return 1e6 * (time.process_time() - began) / len(readings)


def reference_us(readings: list[Reading]) -> float:
    """Microseconds a reading of the reference loop."""
    began, largest, second = time.process_time(), 0.0, -1
    for t_s, value, _, unit, status in readings:
        if status is Status.OK:
            force = value * NEWTON_PER_FLOAT[unit]
            if int(t_s) != second:
                second, largest = int(t_s), force
            elif force > largest:
                largest = force
    return 1e6 * (time.process_time() - began) / len(readings)


def day(readings: list[Reading]) -> None:
    """Replay the readings as a day's capture, write it again and list its berries."""
    with tempfile.TemporaryDirectory() as folder:
        lines = (Chunk(round(r.t_s * 1e9), f"{r.shown} N\r\n".encode()) for r in readings)
        with (Path(folder) / "day.txt").open("w", encoding="ascii") as file:
            file.writelines(f"{line}\n" for line in write_capture(lines))
        replay = ["replay", "day.txt", "--format", "number-unit", "--season", "a.season"]
        calls = [["--version"], [*replay, "--sample", "A"], ["readings", "a.season"]]
        for call in [*calls, ["capture", "a.season", "1", "--out", "again.txt"]]:
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            command = [sys.executable, "-c", "from gauge.cli import main; main()", *call]
            subprocess.run(command, cwd=folder, check=True, capture_output=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            print(f"gauge {call[0]}: {took:.1f} s of processor", flush=True)


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser()
    options.add_argument("--n", type=int, default=60_000)
    options.add_argument("--day", type=float, default=1.0, help="share of a day")
    asked = options.parse_args()
    heads = [f"each {rest_s + 2:g} s: us a reading | in 2,000/s | loops" for rest_s in RESTS_S]
    print("| readings/s | " + " | ".join(heads) + " |\n|" + " --- |" * (1 + 3 * len(heads)))
    lines = {rate_hz: f"| {rate_hz} |" for rate_hz in RATES_HZ}
    for rest_s in RESTS_S:
        fastest_us = 0.0
        for rate_hz in reversed(RATES_HZ):
            readings = stream(rate_hz, max(asked.n, LEAST_S * rate_hz), rest_s)
            us = min(cost_us(Detector(), readings) for _ in range(5))
            loops = us / min(reference_us(readings) for _ in range(5))
            fastest_us = fastest_us or us
            lines[rate_hz] += f" {us:.2f} | {us / fastest_us:.2f} | {loops:.1f} |"
    print("\n".join(lines.values()))
    print(f"a day of 8 h at 50/s, {asked.day:g} of it, by command:")
    day(stream(50, round(asked.day * 1_440_000), RESTS_S[0]))


if __name__ == "__main__":
    main()
