"""A thousand times unplugged and plugged in again: one gap each, nothing invented, no restart.

    python tests/bench/unplug.py [--times 1000] [--seed 1]

Numbered lines are sent over a pseudo-terminal that is hung up at any byte and made anew under the
same name, with stale bytes or half a line first. Every line that arrives must be one that was sent
whole, in order and once.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from gauge.port.portreader import PortReader
from gauge.protocol.formatfile import shipped_format
from gauge.protocol.framing import Framer
from gauge.records import Chunk, Gap, LineLost
from tests.lines import PtyLine


def unplug_often(times: int, seed: int, folder: Path) -> dict[str, float]:
    """Run the campaign.

    Returns
    -------
    dict
        Counts of unplugs, gaps, lines sent, readings, invented and repeated ones.
    """
    rng = random.Random(seed)
    fmt = shipped_format("number-unit")
    framer, end = Framer(fmt), PtyLine(folder / "gauge")
    received: list[int] = []
    gaps, sent, down = 0, 0, False

    def take(reader: PortReader, wait_s: float) -> None:
        nonlocal gaps, down
        for item in reader.get(wait_s):
            if isinstance(item, Chunk):
                received.extend(round(r.value) for r in framer.feed(item.t_ns, item.data))
            elif isinstance(item, LineLost):
                framer.gap()
                down = True
            elif isinstance(item, Gap):
                framer.gap(item.to_ns)
                gaps, down = gaps + 1, False

    began = time.monotonic()
    with PortReader(str(end.link), fmt.settings) as reader:
        for _ in range(times):
            for _ in range(rng.randrange(1, 6)):
                sent += 1
                end.send(b"%d.0 N\r\n" % sent)
            # Half a line, which must never become a reading with what comes after the gap.
            part = b"%d.0 N\r\n" % (sent + 1)
            end.send(part[: rng.randrange(len(part))])
            until = time.monotonic() + rng.random() * 0.02
            while time.monotonic() < until:
                take(reader, 0.005)
            end.unplug()
            while not down:
                take(reader, 0.05)
            end.plug()
            before = gaps
            end.send(rng.choice([b"", b"99999", b"9.0 N\r\n", b".0 N\r\n", b"\xff\x00\x80"]))
            while gaps == before:
                take(reader, 0.05)
        end.send(b"\r\n%d.0 N\r\n" % (sent + 1))
        until = time.monotonic() + 5
        while (not received or received[-1] != sent + 1) and time.monotonic() < until:
            take(reader, 0.05)
    end.close()
    return {
        "unplugs": times,
        "gaps": gaps,
        "sent": sent + 1,
        "readings": len(received),
        "invented": len(set(received) - set(range(1, sent + 2))),
        "repeated or out of order": sum(b <= a for a, b in pairwise(received)),
        "last line received": int(bool(received) and received[-1] == sent + 1),
        "seconds": round(time.monotonic() - began, 1),
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = unplug_often(options.times, options.seed, Path(folder))
    for name, count in found.items():
        print(f"{name}: {count}")
    good = (
        found["gaps"] == found["unplugs"]
        and not found["invented"]
        and not found["repeated or out of order"]
        and found["last line received"]
    )
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
