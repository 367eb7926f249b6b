"""Campaign: presses of simulated berries, by row of tests/detect/fruit.py.

Run `python tests/bench/fruit_presses.py [--row plain juice ...] [--n 600] [--seed 1] [--workers 1]`
from the root of the repository. Counts, of the presses of each row:

missed : no berry, and (silent) nothing said of it either;
doubled : two berries;
invented : a berry where none was pressed, and of these how many bore no flag (unflagged);
wrong : the peak is not the largest reading, or not the largest there was and not flagged;
bare : a flag that is due is missing;
false : a flag that nothing in the press explains (counted on berries with the right peak).

`95 %` is the upper bound of the rate of missed, doubled, invented and wrong together (Clopper and
Pearson 1934). Exit status 1 when any of these four is above zero.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections import Counter
from pathlib import Path
from statistics import median

from scipy.stats import beta

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]
from gauge.detect.buttonpeaks import detector_for  # noqa: E402
from gauge.detect.detector import Event  # noqa: E402
from gauge.records import DetectorNotice, Flag, Press, Reading, TruncatedPress  # noqa: E402
from tests.detect.fruit import PRESSES, ROWS, Session, TruePress, draw  # noqa: E402

WRONG = ("missed", "doubled", "invented", "wrong")
COUNTS = ("presses", *WRONG, "silent", "unflagged", "bare", "false", "readings")
DOUBTS = {Flag.PEAK_MAY_BE_HIGHER, Flag.OVERLOAD, Flag.LONE_READING}


def receive(session: Session) -> list[tuple[float, Event]]:
    """Feed a session chunk by chunk; each event with the time at which it was told."""
    mode = "polled" if session.scene.row == "polled" else "streaming"
    detector, out, at = detector_for(mode), [], 0
    readings, times = session.readings, session.times_s
    while at < len(readings):
        t_s, end = times[at], at + 1
        while end < len(readings) and times[end] == t_s:
            end += 1
        batch: list[Reading] = []
        bad = 0
        for reading in readings[at:end]:
            if reading is None:
                bad += 1
                continue
            if bad:
                out += [(t_s, event) for event in detector.feed(batch)]
                batch = []
                out += [(t_s, event) for event in detector.unreadable(t_s, bad)]
                bad = 0
            batch.append(reading)
        out += [(t_s, event) for event in detector.feed(batch)]
        if bad:
            out += [(t_s, event) for event in detector.unreadable(t_s, bad)]
        at = end
    return out + [(times[-1], event) for event in detector.close()]


def explained(press: TruePress, berry: Press, session: Session) -> set[Flag]:
    """Flags that the press as it was may bear."""
    may = set(press.due)
    usual = median(other.peak_newton for other in session.presses)
    if abs(session.scene.offset_n) > 0.006 * min(usual, press.peak_newton):
        may.add(Flag.ZERO_OFF)
    if press.breaks:
        may.add(Flag.DOUBLE_RISE)
    if press.spans * session.scene.rate_hz < 16:
        may.add(Flag.FEW_READINGS)
    if session.scene.row in ("lost", "unreadable", "overload", "polled"):
        may |= {Flag.PEAK_MAY_BE_HIGHER, Flag.FEW_READINGS, Flag.DOUBLE_RISE}
    if session.scene.row in ("residue", "stack", "tare", "decay", "drift", "zero", "held", "juice"):
        may |= {Flag.BASELINE_DRIFT, Flag.ZERO_OFF}
    if session.scene.row == "held":
        may.add(Flag.DOUBLE_RISE)
    if session.scene.row == "decimals":
        may = set(Flag)
    return may


def lasts(event: Event) -> bool:
    """Whether an event says what holds of all presses after it."""
    return isinstance(event, DetectorNotice) and event.text.startswith(("The gauge", "The display"))


def judge(session: Session, told: list[tuple[float, Event]]) -> Counter[str]:
    """Match berries to presses by the time of the peak, and count what is wrong."""
    count = Counter(dict.fromkeys(COUNTS, 0))
    hits = [0] * len(session.presses)
    for _, event in told:
        if not isinstance(event, Press):
            continue
        for k, press in enumerate(session.presses):
            if press.from_s <= event.t_peak_s <= press.to_s:
                hits[k] += 1
                if hits[k] > 1:
                    break
                true_n = press.peak_newton
                off = abs(event.peak_newton - true_n) > 1e-9 * true_n
                if off and not DOUBTS & set(event.flags):
                    count["wrong"] += 1
                if press.due - set(event.flags):
                    count["bare"] += 1
                elif not off and set(event.flags) - explained(press, event, session):
                    count["false"] += 1
                break
        else:
            count["invented"] += 1
            count["unflagged"] += not event.flags
    for k, press in enumerate(session.presses):
        count["doubled"] += hits[k] > 1
        if hits[k] == 0:
            after_s = press.to_s + (60 if press.hidden else 12)
            said = any(
                isinstance(event, TruncatedPress | DetectorNotice)
                and event.t_s <= after_s
                and (press.from_s <= event.t_s or lasts(event))
                for _, event in told
            )
            count["missed"] += not press.hidden or not said
            count["silent"] += not said
    count["presses"], count["readings"] = len(hits), len(session.readings)
    return count


def run(job: tuple[str, int, int]) -> tuple[str, int, Counter[str], str]:
    """Judge one session; a crash is told as such."""
    row, seed, number = job
    session = draw(row, seed, number)
    try:
        told = receive(session)
    except Exception as error:
        return row, number, Counter(crashed=1, presses=len(session.presses)), repr(error)
    count = judge(session, told)
    bad = {key: count[key] for key in (*WRONG, "silent", "bare", "false") if count[key]}
    return row, number, count, f"{bad} {session.scene}" if bad else ""


def bound(faults: int, n: int) -> float:
    """Upper 95 % bound of a rate."""
    return float(beta.ppf(0.95, faults + 1, n - faults)) if n > faults else 1.0


def main() -> int:
    """Run the campaign."""
    options = argparse.ArgumentParser()
    options.add_argument("--row", nargs="+", default=list(ROWS), choices=ROWS)
    options.add_argument("--n", type=int, default=600, help="presses a row")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--quiet", action="store_true", help="the table alone")
    asked = options.parse_args()
    wrong = 0
    heads = ("row", *COUNTS[:-1], "crashed", "95 %", "us/reading")
    print("| " + " | ".join(heads) + " |\n" + "| --- " * len(heads) + "|", flush=True)
    for row in asked.row:
        jobs = [(row, asked.seed, i) for i in range(-(-asked.n // PRESSES))]
        began, total = time.process_time(), Counter[str]()
        if asked.workers > 1:
            with multiprocessing.Pool(asked.workers) as pool:
                results = pool.map(run, jobs, chunksize=4)
        else:
            results = [run(job) for job in jobs]
        for _, number, count, line in results:
            total.update(count)
            if line and not asked.quiet:
                print(f"{row} {asked.seed} {number}: {line}", flush=True)
        faults = sum(total[key] for key in WRONG) + total["crashed"]
        wrong += faults
        took = 1e6 * (time.process_time() - began) / max(total["readings"], 1)
        cells = [row, *(total[key] for key in COUNTS[:-1]), total["crashed"]]
        cells += [f"{bound(faults, total['presses']):.5f}", f"{took:.1f}"]
        print("| " + " | ".join(str(cell) for cell in cells) + " |", flush=True)
    return int(wrong > 0)


if __name__ == "__main__":
    raise SystemExit(main())
