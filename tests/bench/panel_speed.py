"""Time of a panel fit of 6 raters and 150 berries, and of R's clmm on the same data.

    python tests/bench/panel_speed.py [--repeats 5]

Both fit hands and berries as crossed random effects on log force; firmhand's time includes spreads
of the raters' own and all intervals (panel, every rater, next rater), clmm's includes none. Times
are those of the processor, one thread each, so that a busy machine does not decide. That of clmm is
taken inside R, without its start-up. Without Rscript or the package ordinal that half is left out,
as the output says.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# Before numpy: threads that wait for one another would count.
os.environ["OMP_NUM_THREADS"] = "1"

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibrate.model.panel import fit_panel
from calibrate.model.panelposterior import pool
from calibrate.model.panelsetup import prepare
from tests.panels import Scenario, simulate

SCRIPT = """
if (!requireNamespace('ordinal', quietly=TRUE)) quit(status=9)
d <- read.csv('{table}'); d$score <- factor(d$score)
times <- numeric(0)
for (i in 1:{repeats}) times[i] <- sum(system.time(
  m <- ordinal::clmm(score ~ x + (1|rater) + (1|berry), data=d))[1:2])
cat(sprintf('%.4f %.6f', median(times), logLik(m)))
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="Time of the panel fit, beside R's clmm.")
    parser.add_argument("--repeats", type=int, default=5)
    args = parser.parse_args()
    case = Scenario(raters=6, berries=150, spread_sd=0.0, log_scale=True)
    pairs, _ = simulate(np.random.default_rng(1), case)

    whole, fits, intervals = [], [], []
    for _ in range(args.repeats):
        begun = time.process_time()
        fit = fit_panel(pairs, force_scale="log")
        whole.append(time.process_time() - begun)
        begun = time.process_time()
        panel = prepare(pairs, force_scale="log")
        modes = panel.modes(berries=True)
        fitted = time.process_time()
        pool(panel, modes).of(panel.centre).interval(0.95)
        fits.append(fitted - begun)
        intervals.append(time.process_time() - fitted)
    plain = fit_panel(pairs, force_scale="log", random="hands+berries")
    print(f"firmhand, fit and all intervals: {1e3 * np.median(whole):.0f} ms")
    print(f"  likelihood only: {1e3 * np.median(fits):.0f} ms")
    print(f"  the panel's intervals: {1e3 * np.median(intervals):.0f} ms")
    print(f"  log-likelihood {fit.log_likelihood:.3f}; spreads alike {plain.log_likelihood:.3f}")

    if shutil.which("Rscript") is None:
        print("clmm: not timed, Rscript is not on this machine")
        return
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "panel.csv"
        lines = ["x,score,rater,berry"]
        for f, k, j, i in zip(
            pairs.force_newton, pairs.rank, pairs.rater, pairs.berry, strict=True
        ):
            lines.append(f"{float(np.log(f))!r},{k},{j},{i}")
        table.write_text("\n".join(lines))
        script = SCRIPT.format(table=table, repeats=min(args.repeats, 3))
        done = subprocess.run(
            ["Rscript", "-e", script], capture_output=True, text=True, check=False
        )
    if done.returncode == 9:
        print("clmm: not timed, R has no package ordinal")
        return
    seconds, log_likelihood = done.stdout.split()
    print(f"clmm (Laplace), fit: {1e3 * float(seconds):.0f} ms")
    print(f"  log-likelihood {float(log_likelihood):.3f}")
    print(f"ratio clmm / firmhand: {float(seconds) / np.median(whole):.1f}")


if __name__ == "__main__":
    main()
