"""Campaign: 100,000 simulated compressions; counts missed, doubled, invented and wrong peaks.

Run `python tests/bench/compressions.py [--n 100000] [--seed 1]` from the root of the repository.
The ranges are those of tests/presses.py. Exit status 1 when anything is wrong.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]
from gauge.compression import Detector  # noqa: E402
from gauge.records import Compression  # noqa: E402
from tests.presses import Bench, Truth, draw_session  # noqa: E402


def judge(bench: Bench, truth: Truth, found: list[Compression]) -> dict[str, int]:
    """Match compressions to true presses by the time of the peak."""
    score = {"missed": 0, "doubled": 0, "invented": 0, "wrong peak": 0}
    said = truth.readings
    spans = [(said[max(a - 1, 0)].t_s, said[min(b, len(said)) - 1].t_s) for a, b in truth.presses]
    hits = [0] * len(spans)
    peaks = truth.peaks_n()
    for berry in found:
        for k, (from_s, to_s) in enumerate(spans):
            if from_s <= berry.t_peak_s <= to_s:
                hits[k] += 1
                score["wrong peak"] += berry.peak_n != peaks[k] and hits[k] == 1
                break
        else:
            score["invented"] += 1
    score["missed"] = hits.count(0)
    score["doubled"] = sum(h > 1 for h in hits)
    return score


def hear(truth: Truth) -> list:
    """Feed the readings chunk by chunk."""
    detector, out, at, said = Detector(), [], 0, truth.readings
    while at < len(said):
        end = at + 1
        while end < len(said) and said[end].t_s == said[at].t_s:
            end += 1
        out += detector.feed(said[at:end])
        at = end
    return out + detector.close()


def main() -> int:
    """Run the campaign."""
    options = argparse.ArgumentParser()
    options.add_argument("--n", type=int, default=100_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--show", type=int, default=10)
    asked = options.parse_args()
    total = dict.fromkeys(("missed", "doubled", "invented", "wrong peak", "cut"), 0)
    done = readings = shown = 0
    began = time.process_time()
    number = 0
    while done < asked.n:
        rng = np.random.default_rng([asked.seed, number])
        bench, truth = draw_session(rng)
        events = hear(truth)
        score = judge(bench, truth, [e for e in events if isinstance(e, Compression)])
        score["cut"] = sum(not isinstance(e, Compression) for e in events)
        if any(score.values()) and shown < asked.show:
            shown += 1
            print(number, score, bench)
        for key, value in score.items():
            total[key] += value
        done += len(truth.presses)
        readings += len(truth.readings)
        number += 1
    took = time.process_time() - began
    print(f"{done} compressions, {number} sessions, {readings} readings, {took:.0f} s of CPU")
    print(", ".join(f"{value} {key}" for key, value in total.items()))
    return int(any(total.values()))


if __name__ == "__main__":
    raise SystemExit(main())
