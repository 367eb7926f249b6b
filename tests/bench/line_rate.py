"""Two thousand lines a second over a pseudo-terminal: is every line accounted for, at what cost?

    python tests/bench/line_rate.py [--seconds 600] [--rate 2000]

A child process plays a gauge with presses on it; this one logs them into a season file, as
`gauge log` does. Printed: lines sent and accounted for, the processor time of the reader's thread
and of the whole program as shares of the run, and how long after the release of a berry it was
acknowledged.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from gauge.port.portreader import reader_for
from gauge.protocol.formatfile import shipped_format
from gauge.records import Sample, Session
from gauge.season.file import open_season
from gauge.session.events import BerryLogged
from gauge.session.livesession import LiveSession

PERIOD_S, PRESS_S = 3.0, 1.0  # a berry every three seconds, pressed for one


def force(t_s: float) -> float:
    """A half-sine press in each period, released at its end; each berry has a height of its own."""
    within = t_s % PERIOD_S - 1.0
    peak = 1.0 + 0.05 * (int(t_s / PERIOD_S) % 40)
    return peak * math.sin(math.pi * within / PRESS_S) if 0 <= within <= PRESS_S else 0.0


def feed(fd: int, rate_hz: float, seconds: float) -> None:
    """Write lines at their rate in bursts of 8 ms, as an adapter would; print how many."""
    began, sent = time.perf_counter(), 0
    total = int(rate_hz * seconds)
    while sent < total:
        pending = min(total, int((time.perf_counter() - began) * rate_hz))
        if pending > sent:
            data = b"".join(
                b"%.2f N\r\n" % (force(i / rate_hz) + 0.01 * (i % 2)) for i in range(sent, pending)
            )
            while data:
                data = data[os.write(fd, data) :]
            sent = pending
        time.sleep(0.008)
    print(sent, time.perf_counter() - began, flush=True)
    time.sleep(1.0)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--rate", type=float, default=2000.0)
    parser.add_argument("--feed", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.feed is not None:
        feed(options.feed, options.rate, options.seconds)
        return
    far, near = os.openpty()
    tty.setraw(near)
    fmt = shipped_format("number-unit")
    delays: list[float] = []
    with tempfile.TemporaryDirectory() as folder, reader_for(os.ttyname(near), fmt) as reader:
        os.close(near)
        with open_season(Path(folder) / "rate.season", create=True) as season:
            season.add_sample(Sample(code="A"))
            session = LiveSession(
                reader=reader, fmt=fmt, season=season, sample=season.sample("A"),
                session=Session(started_at=""),
            )  # fmt: skip
            with session:
                began, cpu = time.perf_counter(), time.process_time()
                child = subprocess.Popen(
                    [sys.executable, __file__, "--feed", str(far), "--rate", str(options.rate),
                     "--seconds", str(options.seconds)],
                    pass_fds=[far], stdout=subprocess.PIPE, text=True,
                )  # fmt: skip
                while child.poll() is None:
                    for event in session.poll():
                        if isinstance(event, BerryLogged):
                            acknowledged_s = reader.now_ns / 1e9
                            # The release was seen with the reading at t_end_s.
                            delays.append(acknowledged_s - event.press.t_end_s)
                elapsed, cpu = time.perf_counter() - began, time.process_time() - cpu
                sent, fed_s = (float(x) for x in child.stdout.read().split())
                session.finish()
                counts = session.recorder.framer.counts
            os.close(far)
            kept = sum(len(chunk.data) for chunk in season.chunks(1))
            stored = len(season.berries())
    pressed = int((options.seconds + PERIOD_S - 2.0) / PERIOD_S)
    # The framer drops up to the first line end, which here is one whole line.
    lost = int(sent) - counts.lines - 1
    delays.sort()
    print(f"{sent:.0f} lines in {fed_s:.1f} s ({sent / fed_s:.0f} a second)")
    print(f"readings {counts.readings}, rejected {counts.rejected}, not accounted for {lost}")
    print(f"bytes kept in the season file {kept}")
    print(f"berries pressed {pressed}, stored {stored}")
    print(f"reader thread {100 * reader.cpu_s / elapsed:.1f} % of one core")
    print(f"whole program {100 * cpu / elapsed:.1f} % of one core")
    print(
        "from the reading that shows the release to the acknowledgement: "
        f"median {1000 * delays[len(delays) // 2]:.0f} ms, "
        f"95 % within {1000 * delays[int(0.95 * len(delays))]:.0f} ms, "
        f"largest {1000 * delays[-1]:.0f} ms"
    )
    failed = lost or counts.rejected or stored != pressed or reader.cpu_s > 0.1 * elapsed
    sys.exit(1 if failed or delays[int(0.95 * len(delays))] > 0.15 else 0)


if __name__ == "__main__":
    main()
