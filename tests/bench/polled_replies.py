"""Ten thousand requests to a polled gauge whose replies come late, doubled, cut or not at all.

    python tests/bench/polled_replies.py [--requests 10000]

Runs on the poller's own clock. The first row stays within what gauge/polling.py promises; the
others go far beyond it, with two faults at once as the rule, and are reported as they are.
"""

from __future__ import annotations

import argparse
import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from gauge.port.polling import PollSettings
from tests.polledgauge import poll_faulty_gauge


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--requests", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    failed = False
    for late_ms, double_ms in ((1500, 25), (4000, 200), (4000, 2000)):
        seen = poll_faulty_gauge(
            random.Random(options.seed),
            options.requests,
            late_ms=late_ms,
            double_ms=double_ms,
            settings=PollSettings(),
        )
        print(
            f"late up to {late_ms} ms, doubled within {double_ms} ms: {seen.asked} requests, "
            f"{seen.faulty} faulty, {seen.accepted} accepted, {seen.dropped} dropped, "
            f"{seen.misattributed} misattributed"
        )
        failed = failed or (late_ms == 1500 and seen.misattributed > 0)
    sys.exit(failed)


if __name__ == "__main__":
    main()
