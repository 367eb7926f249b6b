"""Hands told from the order of squeezes: what identical hands are called, and where the cuts lie.

``python -m tests.bench.squeezeorder [--panels 60]``: panels of three identical hands, each squeeze
taking 5 % of the force, the press last; in a row that never varies, without and with its order
recorded, in a row that varies, and in a row that never varies beside berries pressed only.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from calibrate.data.pairs import Pairs
from calibrate.data.squeezes import press_only
from calibrate.model.panel import fit_panel
from calibrate.raters.check import check_rater
from tests.panels import CUTS_N, Scenario, simulate

BERRIES, ONLY = 120, 30  # one in five of all berries is pressed only
LIMIT = 0.05  # of a hand, so that 5 % a squeeze is not within it
CASES = ("never recorded", "never varies", "varies", "never varies, 20 % pressed only")


def panel_of(rng: np.random.Generator, case: str) -> Pairs:
    """Draw a panel, and berries that were pressed only where the case has some."""
    order = "varied" if case == "varies" else "fixed"
    drawn = Scenario(raters=3, berries=BERRIES, hand_sd=0.0, spread_sd=0.0, order=order)
    pairs = simulate(rng, drawn)[0]
    if case == "never recorded":
        return replace(pairs, extra={})
    if "only" in case:
        # Mates of one sample: of forces that vary by 25 %.
        squeezes = np.repeat([3.0, 0.0], [BERRIES, ONLY])
        force = np.exp(rng.normal(1.3, 0.25, squeezes.size)) * 0.95**squeezes
        return replace(pairs, press_only=press_only(["B-01"] * squeezes.size, force, squeezes))
    return pairs


def main() -> None:
    """Print a table of the cases."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=60)
    panels = parser.parse_args().panels
    second = 1  # the boundary shown
    for case in CASES:
        cuts, held, taken, taken_held, verdicts = [], 0, [], 0, []
        for seed in range(panels):
            pairs = panel_of(np.random.default_rng(seed), case)
            fit = fit_panel(pairs)
            cut, lost = fit.cuts[second], fit.softening
            cuts.append(cut.value)
            held += cut.low < CUTS_N[second] < cut.high
            if lost is not None:
                taken.append(100 * lost.value)
                taken_held += lost.low < 0.05 < lost.high
            verdicts += [
                check_rater(pairs, name, limit_share=LIMIT).verdict for name in pairs.raters[::2]
            ]
        drifted = verdicts.count("drifted") / len(verdicts)
        line = f"{case}: cut {np.mean(cuts):.2f} N (true {CUTS_N[second]}), in its interval "
        line += f"{held / panels:.0%}; first and last hand drifted {drifted:.0%}"
        if taken:
            line += f"; a squeeze takes {np.mean(taken):.1f} %, in its interval "
            line += f"{taken_held / panels:.0%}"
        print(line, flush=True)


if __name__ == "__main__":
    main()
