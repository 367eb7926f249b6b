"""Campaign: 100,000 simulated compressions; counts missed, doubled, invented and wrong peaks.

Run `python tests/bench/compressions.py [--n 100000] [--seed 1] [--jobs 2]` from the root of the
repository. Half the sessions come from each simulator of tests/presses.py, which states the ranges.
Each chunk of readings is fed by itself, as from a line. Exit status 1 when anything is wrong.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]
from gauge.detect.detector import Detector, Event  # noqa: E402
from gauge.records import Press  # noqa: E402
from tests.presses import Truth, draw_hand_session, draw_session  # noqa: E402

WRONG = ("missed", "doubled", "invented", "wrong peak")
PRESSES = 5


def judge(truth: Truth, found: list[Press]) -> dict[str, int]:
    """Match compressions to true presses by the time of the peak."""
    score = dict.fromkeys(WRONG, 0)
    readings = truth.readings
    spans = [
        (readings[max(a - 1, 0)].t_s, readings[min(b, len(readings)) - 1].t_s)
        for a, b in truth.presses
    ]
    hits = [0] * len(spans)
    peaks = truth.peaks_newton()
    for berry in found:
        for k, (from_s, to_s) in enumerate(spans):
            if from_s <= berry.t_peak_s <= to_s:
                hits[k] += 1
                score["wrong peak"] += berry.peak_newton != peaks[k] and hits[k] == 1
                break
        else:
            score["invented"] += 1
    score["missed"] = hits.count(0)
    score["doubled"] = sum(h > 1 for h in hits)
    return score


def detect(truth: Truth) -> list[Event]:
    """Feed the readings chunk by chunk."""
    detector, at, readings = Detector(), 0, truth.readings
    out: list[Event] = []
    while at < len(readings):
        end = at + 1
        while end < len(readings) and readings[end].t_s == readings[at].t_s:
            end += 1
        out += detector.feed(readings[at:end])
        at = end
    return out + detector.close()


def run(job: tuple[int, int]) -> tuple[int, Counter[str], str]:
    """Judge one session: its number, counts, and what to say where anything is wrong."""
    seed, number = job
    simulator = number % 2
    draw = draw_hand_session if simulator else draw_session
    bench, truth = draw(np.random.default_rng([seed, number]), PRESSES)
    events = detect(truth)
    found = [event for event in events if isinstance(event, Press)]
    score = judge(truth, found)
    line = f"session {number}: {score} {bench}" if any(score.values()) else ""
    score |= {"cut": len(events) - len(found), "readings": len(truth.readings)}
    score |= {"wrong of second simulator": simulator * sum(score[k] for k in WRONG)}
    return number, Counter(score), line


def main() -> int:
    """Run the campaign."""
    options = argparse.ArgumentParser()
    options.add_argument("--n", type=int, default=100_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--jobs", type=int, default=2)
    asked = options.parse_args()
    total: Counter[str] = Counter()
    sessions = -(-asked.n // PRESSES)
    began = time.monotonic()
    jobs = ((asked.seed, number) for number in range(sessions))
    with multiprocessing.Pool(asked.jobs) as pool:
        for done, (_, score, line) in enumerate(pool.imap(run, jobs, chunksize=8), 1):
            total.update(score)
            if line:
                print(line, flush=True)
            if done % 500 == 0 or done == sessions:
                took = time.monotonic() - began
                counts = ", ".join(f"{total[key]} {key}" for key in total)
                print(f"{PRESSES * done} compressions in {took:.0f} s: {counts}", flush=True)
    return int(any(total[key] for key in WRONG))


if __name__ == "__main__":
    raise SystemExit(main())
