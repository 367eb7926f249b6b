"""How often nominal intervals hold the truth on simulated panels, and how wide they are.

    python tests/bench/coverage.py --reps 400

prints a table in markdown: one row a scenario, coverage of the panel's cut points in percent for
each method with the median width as a ratio to firmhand's in brackets; then coverage of each
rater's cut points and of the next rater's. Methods:

pooled    all rows as if from one hand, Wald on log cut points
two-stage each rater alone, DerSimonian-Laird mean of log cut points, Hartung-Knapp t interval
          (Hartung, J. & Knapp, G. (2001) Statist. Med. 20:1771-1782)
two-stage+ the same with its scale factor never below 1
REML z    the panel model at the best deviations, normal quantile
REML t    the same, t quantile with J - 1 degrees of freedom
firmhand  calibrate.model.panel
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibrate.model.cutmodel import fit_cuts
from calibrate.model.intervals import cut_intervals, widened
from calibrate.model.panelposterior import pool
from calibrate.model.panelsetup import prepare
from gauge.errors import FirmhandError
from tests.panels import CUTS_N, Scenario, simulate

METHODS = ("pooled", "two-stage", "two-stage+", "REML z", "REML t", "firmhand")
LEVEL = 0.95


def scenarios(*, quick: bool) -> list[Scenario]:
    """List of scenarios, all, or the most important ones."""
    if quick:
        plain = (
            (3, 60, 0.0, 0.0), (3, 60, 0.2, 0.2), (3, 60, 0.1, 0.1), (3, 60, 0.0, 0.2),
            (5, 60, 0.1, 0.1), (5, 60, 0.0, 0.1), (5, 60, 0.2, 0.2), (8, 120, 0.2, 0.2),
            (8, 120, 0.0, 0.0),
        )  # fmt: skip
        out = [Scenario(raters=j, berries=i, hand_sd=h, berry_sd=b) for j, i, h, b in plain]
        for j, h in ((3, 0.0), (6, 0.2), (3, 0.2), (6, 0.0)):
            out.append(Scenario(raters=j, berries=80, hand_sd=h, balanced=False))
        for skip, h in (("firmest", 0.1), ("middle", 0.1), ("firmest", 0.0), ("middle", 0.0)):
            out.append(Scenario(raters=4, berries=80, hand_sd=h, skip=skip))
        return out
    out = [
        Scenario(raters=j, berries=i, hand_sd=h, berry_sd=b)
        for (j, i), (h, b) in product(
            ((3, 40), (3, 120), (5, 60), (8, 150)),
            ((0.0, 0.0), (0.0, 0.2), (0.1, 0.1), (0.2, 0.0), (0.2, 0.2)),
        )
    ]
    out += [
        Scenario(raters=j, berries=80, hand_sd=h, berry_sd=0.1, balanced=False)
        for j, h in product((3, 6), (0.0, 0.1, 0.2))
    ]
    out += [
        Scenario(raters=4, berries=80, hand_sd=h, berry_sd=0.1, skip=skip)
        for skip, h in product(("firmest", "middle"), (0.0, 0.1, 0.2))
    ]
    out.append(Scenario(raters=4, berries=80, log_scale=True))
    out.append(Scenario(raters=3, berries=60, hand_sd=0.05))
    return out


@dataclass(kw_only=True)
class Tally:
    """Hits and widths of one scenario."""

    hits: dict[str, list[np.ndarray]] = field(default_factory=dict)
    widths: dict[str, list[np.ndarray]] = field(default_factory=dict)
    refused: int = 0

    def add(self, name: str, low: np.ndarray, high: np.ndarray, truth: np.ndarray) -> None:
        self.hits.setdefault(name, []).append((low <= truth) & (truth <= high))
        self.widths.setdefault(name, []).append(high - low)

    def coverage(self, name: str) -> float:
        return 100.0 * float(np.mean([hit.mean() for hit in self.hits[name]]))

    def error(self, name: str) -> float:
        """Standard error of the coverage; cut points of one panel are not independent."""
        means = [hit.mean() for hit in self.hits[name]]
        return 100.0 * float(np.std(means) / np.sqrt(len(means)))

    def width(self, name: str) -> float:
        return float(np.median(self.widths[name]))


def run(case: Scenario, reps: int, seed: int) -> Tally:
    """Simulate and fit `reps` panels."""
    rng, tally = np.random.default_rng(seed), Tally()
    scale = "log" if case.log_scale else "linear"
    for _ in range(reps):
        pairs, truth = simulate(rng, case)
        new_hand = rng.normal(0.0, case.hand_sd) if case.hand_sd else 0.0
        if np.unique(pairs.rank).size < len(pairs.scale.labels):
            continue
        try:
            one_panel(tally, pairs, truth, new_hand, scale)
        except FirmhandError:
            tally.refused += 1
    return tally


def one_panel(tally, pairs, truth, new_hand, scale) -> None:
    target, cuts = np.log(CUTS_N), CUTS_N.size
    raters = len(pairs.raters)
    panel = prepare(pairs, force_scale=scale)
    posterior = pool(panel.data, panel.modes(berries=True), panel.prior, hands=True, spreads=True)
    centre = np.column_stack([panel.column(place=k) for k in range(cuts)])

    tally.add("firmhand", *posterior.of(centre, centre=True).interval(LEVEL), target)
    own = [panel.column(place=k, hand=j) for j in range(raters) for k in range(cuts)]
    truths = (target + truth.hand[:, None]).ravel()
    tally.add("rater", *posterior.of(np.column_stack(own)).interval(LEVEL), truths)
    new = posterior.of(centre, centre=True, extra=posterior.hand_sd**2)
    tally.add("next", *new.interval(LEVEL), target + new_hand)

    top = np.argmax(np.where(posterior.shrink == 1.0, posterior.restricted, -np.inf))
    mean = posterior.mean[top] @ centre
    se = np.sqrt(np.diagonal(centre.T @ posterior.covariance[top] @ centre))
    for name, z in (("REML z", norm.ppf(0.975)), ("REML t", student.ppf(0.975, raters - 1))):
        tally.add(name, mean - z * se, mean + z * se, target)

    logs, errors = log_cuts(fit_cuts(pairs, force_scale=scale))
    tally.add("pooled", logs - 1.96 * errors, logs + 1.96 * errors, target)
    alone = []
    for name in pairs.raters:
        try:
            alone.append(log_cuts(fit_cuts(pairs.of_raters([name]), force_scale=scale)))
        except FirmhandError:
            continue
    y, v = np.array([a for a, _ in alone]), np.array([e for _, e in alone]) ** 2
    for name, floor in (("two-stage", 0.0), ("two-stage+", 1.0)):
        low, high = np.array([two_stage(y[:, k], v[:, k], floor) for k in range(cuts)]).T
        tally.add(name, low, high, target)


def log_cuts(fit) -> tuple[np.ndarray, np.ndarray]:
    """Log cut points with standard errors; NaN where not known or below zero."""
    if fit.force_scale == "log":
        return np.where(np.isfinite(fit.cut), fit.cut, np.nan), fit.cut_se
    cut = np.where(fit.cut_newton > 0, fit.cut_newton, np.nan)
    return np.log(cut), fit.cut_se / cut


def two_stage(y: np.ndarray, v: np.ndarray, floor: float) -> tuple[float, float]:
    known = np.isfinite(y) & np.isfinite(v)
    y, v = y[known], v[known]
    n = y.size
    if n < 2:
        return -np.inf, np.inf
    w = 1.0 / v
    mean = (w @ y) / w.sum()
    excess = w @ (y - mean) ** 2 - (n - 1)
    tau2 = max(0.0, excess / (w.sum() - (w @ w) / w.sum()))
    w = 1.0 / (v + tau2)
    mean = (w @ y) / w.sum()
    q = max(floor, (w @ (y - mean) ** 2) / (n - 1))
    half = student.ppf(0.975, n - 1) * np.sqrt(q / w.sum())
    return mean - half, mean + half


def one_rater(reps: int, seed: int) -> None:
    """Coverage of one rater's intervals: profile, and widened for few scores."""
    print("\n| one rater, berries | berry effects | profile | widened | worst cut | refused |")
    print("| --- | --- | --- | --- | --- | --- |")
    for berries, berry_sd in product((25, 40, 80, 150, 300), (0.0, 0.1)):
        case = Scenario(raters=1, berries=berries, hand_sd=0.0, berry_sd=berry_sd, spread_sd=0.0)
        rng, refused = np.random.default_rng(seed), 0
        hits: dict[str, list[np.ndarray]] = {"profile": [], "widened": []}
        for _ in range(reps):
            pairs, _ = simulate(rng, case)
            try:
                fit = fit_cuts(pairs)
                both = {
                    "profile": cut_intervals(fit),
                    "widened": cut_intervals(
                        fit, level=widened(LEVEL, pairs.n, fit.ordinal.phi.size)
                    ),
                }
            except FirmhandError:
                refused += 1
                continue
            for name, got in both.items():
                low = np.array([-np.inf if i.low is None else i.low for i in got])
                high = np.array([np.inf if i.high is None else i.high for i in got])
                hits[name].append((low <= CUTS_N) & (high >= CUTS_N))
        profile, wide = (100.0 * np.mean(hits[name], axis=0) for name in ("profile", "widened"))
        print(
            f"| {berries} | {100 * berry_sd:.0f} % | {profile.mean():.1f} | {wide.mean():.1f} "
            f"| {wide.min():.1f} | {refused} |",
            flush=True,
        )


def label(case: Scenario) -> str:
    kind = [] if case.balanced else ["unbalanced"]
    kind += [f"skips {case.skip}"] if case.skip else []
    kind += ["log"] if case.log_scale else []
    return ", ".join(kind) or "balanced"


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage of the panel's intervals.")
    parser.add_argument("--reps", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="seventeen scenarios only")
    parser.add_argument("--one-rater", action="store_true", help="only the table of one rater")
    args = parser.parse_args()
    begun = time.monotonic()
    if args.one_rater:
        one_rater(args.reps, args.seed)
        return
    print("| J | berries | hands % | berries % | kind | " + " | ".join(METHODS), end="")
    print(" | MC error | raters' own | next rater | refused |")
    print("| --- " * (5 + len(METHODS) + 4) + "|")
    for number, case in enumerate(scenarios(quick=args.quick)):
        tally = run(case, args.reps, args.seed + number)
        cells = [
            f"{tally.coverage(m):.1f} ({tally.width(m) / tally.width('firmhand'):.2f})"
            for m in METHODS
        ]
        print(
            f"| {case.raters} | {case.berries} | {100 * case.hand_sd:.0f} "
            f"| {100 * case.berry_sd:.0f} | {label(case)} | {' | '.join(cells)} "
            f"| {tally.error('firmhand'):.1f} | {tally.coverage('rater'):.1f} "
            f"| {tally.coverage('next'):.1f} | {tally.refused} |",
            flush=True,
        )
    print(f"\n{args.reps} panels a row, {time.monotonic() - begun:.0f} s.")


if __name__ == "__main__":
    main()
