"""Score of `gauge learn` on many formats: ``python tests/bench/learn_score.py [N] [SEED]``.

A format counts as right only if it reads at least 99 in 100 lines of fresh squeezes, and
every reading to the number and unit that the line says; as WRONG if one single reading differs.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from decimal import Decimal
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[2]))

from gauge.errors import FirmhandError
from gauge.learn.inference import Learned
from gauge.learn.sweep import Sweep, requests
from gauge.protocol.framing import Framer
from gauge.records import Status
from tests.gauges import Bench, Gauge, gauges, squeezes, traps


def learn(gauge: Gauge, seconds: float = 12.0) -> Learned | FirmhandError:
    """Learn one gauge, at its bit level."""
    bench = Bench(gauge)
    asks = requests([b"D", b"?"])
    sweep = Sweep(bench.receive, seconds=seconds, unit=gauge.unit_option, asks=lambda: asks)
    try:
        return sweep.run()
    except FirmhandError as error:
        return error


def judge(gauge: Gauge, learned: Learned, seed: int = 99) -> tuple[str, str]:
    """Right, incomplete or WRONG, with the first line that shows it."""
    fmt, wire = learned.fmt, gauge.wire
    speed = None if gauge.any_speed else wire.baudrate
    if (fmt.settings.bytesize, fmt.settings.parity) != (wire.bytesize, wire.parity):
        return "WRONG", f"framing {fmt.settings}"
    if fmt.settings.baudrate != speed and not (
        gauge.any_speed and fmt.settings.baudrate is not None
    ):
        return "WRONG", f"speed {fmt.settings} instead of {speed}"
    if fmt.mode != gauge.mode:
        return "WRONG", f"mode {fmt.mode}"
    rng = Random(seed)
    forces = squeezes(rng, gauge.rate_hz, 6)
    framer, n_read, n_lines = Framer(fmt), 0, 0
    framer.feed(0, gauge.write(0.0, 0)[0])  # the first is dropped up to its end
    for i, force in enumerate(forces, 1):
        line, true, unit = gauge.write(force, i)
        readings = framer.feed(i, line)
        if true == "over":
            if any(r.status is Status.OK for r in readings):
                return "WRONG", f"{line!r} read as {readings}"
            continue
        n_lines += 1
        n_read += len(readings)
        for reading in readings:
            same = Decimal(reading.shown) == Decimal(true) * fmt.compression_sign
            if reading.status is not Status.OK or not same or reading.unit is not unit:
                return "WRONG", f"{line!r} read as {reading}"
    if n_read < 0.99 * n_lines:
        return "incomplete", f"{n_read} of {n_lines} lines, {fmt.pattern}"
    return "right", ""


def main() -> int:
    """Print the table."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 240
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    began = time.perf_counter()
    table: Counter[tuple[str, str]] = Counter()
    for gauge in [*gauges(n, seed), *traps()]:
        kind = gauge.mode if gauge.learnable else "traps"
        result = learn(gauge)
        if isinstance(result, FirmhandError):
            verdict, why = "refused", str(result)
        else:
            verdict, why = judge(gauge, result)
        table[kind, verdict] += 1
        if verdict != "right" and (gauge.learnable or verdict == "WRONG"):
            print(f"{verdict}: {gauge.name}: {gauge.write(3.21, 12)[0]!r} {gauge.wire}: {why}")
        elif not gauge.learnable:
            print(f"trap {gauge.name}: {verdict} {why[:90]}")
    kinds = ("streaming", "polled", "button", "traps")
    verdicts = ("right", "incomplete", "refused", "WRONG")
    print(f"{'':12}" + "".join(f"{v:>12}" for v in verdicts))
    for kind in kinds:
        print(f"{kind:12}" + "".join(f"{table[kind, v]:12}" for v in verdicts))
    n_right = sum(table[k, "right"] for k in kinds[:3])
    n_wrong = sum(table[k, "WRONG"] for k in kinds)
    took_s = time.perf_counter() - began
    print(f"learned rightly {n_right} of {n} ({100 * n_right / n:.1f} %), wrongly {n_wrong}")
    print(f"{took_s:.0f} s")
    return int(n_wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
