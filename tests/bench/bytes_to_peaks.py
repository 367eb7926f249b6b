"""Bytes to peaks: speed against a 115,200 baud line, and memory that does not grow.

Run `python tests/bench/bytes_to_peaks.py` from the root of the repository. A line of 115,200 baud,
8N1, brings 11,520 bytes a second (ten bits a byte). The same press-and-rest session of 2,000 lines
a second is framed and searched in one process; the ratio is of bytes handled in a second of CPU to
11,520. Memory is the traced peak over one and over ten times the input, which is made on the fly.
Exit status 1 when the ratio is below 100 or memory grows.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]
from gauge.detect.detector import Detector  # noqa: E402
from gauge.protocol.formatfile import shipped_format  # noqa: E402
from gauge.protocol.framing import Framer  # noqa: E402

LINE_BYTES_S = 11_520
RATE_HZ = 2000
CHUNK_S = 0.05


def one_cycle(rng: np.random.Generator) -> list[bytes]:
    """Chunks of a rest of 2 s, a ramp of 2 s to 3 N, and 1 s of rest."""
    forces = np.concatenate([np.zeros(4000), np.linspace(0, 3, 4000), np.zeros(2000)])
    forces = forces + 0.004 * rng.standard_normal(len(forces))
    lines = [b"%.3f N\r\n" % force for force in forces]
    size = round(RATE_HZ * CHUNK_S)
    return [b"".join(lines[i : i + size]) for i in range(0, len(lines), size)]


def session(cycles: int, cycle: list[bytes]) -> Iterator[tuple[int, bytes]]:
    """Time (ns) and bytes of chunks."""
    for number in range(cycles * len(cycle)):
        yield round((number + 1) * CHUNK_S * 1e9), cycle[number % len(cycle)]


def run(cycles: int, cycle: list[bytes]) -> tuple[int, int]:
    """Count bytes and events."""
    framer, detector = Framer(shipped_format("number-unit")), Detector()
    size = events = 0
    for t_ns, data in session(cycles, cycle):
        size += len(data)
        events += len(detector.feed(framer.feed(t_ns, data)))
    return size, events


def peak_bytes(cycles: int, cycle: list[bytes]) -> int:
    """Traced peak of a run."""
    tracemalloc.start()
    run(cycles, cycle)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def main() -> int:
    """Measure and print."""
    cycle = one_cycle(np.random.default_rng(0))
    run(2, cycle)
    ratios = []
    for _ in range(5):
        began = time.process_time()
        size, events = run(20, cycle)
        ratios.append(size / (time.process_time() - began) / LINE_BYTES_S)
        assert events == 20, events
    small, large = peak_bytes(3, cycle), peak_bytes(30, cycle)
    ratio = float(np.median(ratios))
    print(f"bytes to peaks: {ratio:.0f} times a 115,200 baud line (median of 5 runs, {size} bytes)")
    print(f"traced peak: {small / 1e6:.2f} MB over 1x, {large / 1e6:.2f} MB over 10x the input")
    return int(ratio < 100 or large > 1.1 * small + 100_000)


if __name__ == "__main__":
    raise SystemExit(main())
