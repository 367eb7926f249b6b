"""How many panels of a planned size reach what was planned, and how long a plan takes.

    python tests/bench/planned.py --reps 400 --seed 20021

Each row plans, then draws panels that had no part in it (by the simulator of handshapes.py, not by
that of the plan) and fits them as `calibrate fit` does. Cut points, forces and spread are those of
handshapes.py, berries differ by 8 %.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.fitting import fit
from calibrate.cuts.samplesize import PlannedPanel, sample_size
from calibrate.data.scale import BLACKBERRY
from gauge.errors import FirmhandError
from tests.bench.handshapes import CUTS_N, SPREAD_N, Hands, draw_force, draw_hands, score

BERRY_SD = 0.08


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What a plan is asked for."""

    raters: int
    hand_sd: float
    half_width_newton: float


SETTINGS = (
    Setting(raters=1, hand_sd=0.0, half_width_newton=0.4),
    Setting(raters=3, hand_sd=0.05, half_width_newton=0.9),
    Setting(raters=4, hand_sd=0.1, half_width_newton=0.8),
    Setting(raters=6, hand_sd=0.0, half_width_newton=0.3),
    Setting(raters=6, hand_sd=0.1, half_width_newton=0.8),
)


def reaches(setting: Setting, berries: int, seed: list[int]) -> bool:
    """Draw one panel of the planned size and fit it."""
    rng = np.random.default_rng(seed)
    case = Hands(
        raters=setting.raters, berries=berries, hand_sd=setting.hand_sd,
        berry_sd=BERRY_SD if setting.raters > 1 else 0.0,
    )  # fmt: skip
    try:
        cuts = fit(score(rng, case, draw_hands(rng, case))).cuts
    except FirmhandError:
        return False
    ends = [(cut.low, cut.high) for cut in cuts]
    limit = 2 * setting.half_width_newton
    return all(low is not None and high is not None and high - low <= limit for low, high in ends)


def main() -> None:
    parser = argparse.ArgumentParser(description="Panels that reach what was planned.")
    parser.add_argument("--reps", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print("| raters | hands | half-width N | berries | plan says | reached | s | s of processor |")
    print("| --- " * 8 + "|")
    # The plan's spread holds how berries differ.
    of_berries = BERRY_SD * float(np.median(CUTS_N)) * math.sqrt(3) / math.pi
    for number, setting in enumerate(SETTINGS):
        spread = math.hypot(SPREAD_N, of_berries) if setting.raters > 1 else SPREAD_N
        truth = Calibration(
            scale=BLACKBERRY, force_scale="linear", cuts=as_cuts(CUTS_N.tolist()), spread=spread
        )
        panel = PlannedPanel(
            raters=setting.raters, hand_sds=(setting.hand_sd,),
            berry_sd=BERRY_SD if setting.raters > 1 else 0.0,
        )  # fmt: skip
        force = draw_force(np.random.default_rng([args.seed, 99]), 3000)
        begun, used = time.monotonic(), sum(os.times()[:4])
        found = sample_size(truth, force, panel, setting.half_width_newton)
        took, used = time.monotonic() - begun, sum(os.times()[:4]) - used
        seeds = [[args.seed, number, rep] for rep in range(args.reps)]
        with ProcessPoolExecutor() as pool:
            held = list(pool.map(partial(reaches, setting, found.berries), seeds, chunksize=10))
        error = np.std(held) / math.sqrt(len(held))
        print(
            f"| {setting.raters} | {setting.hand_sd:.0%} | {setting.half_width_newton:g} | "
            f"{found.berries} | {found.reached:.1%} ({found.reached_with_fewer:.1%} with fewer) | "
            f"{np.mean(held):.1%} ({error:.1%}) | {took:.0f} | {used:.0f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
