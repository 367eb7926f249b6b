"""How often intervals, verdicts and letters hold, where hands differ in size and in shape.

    python tests/bench/handshapes.py --reps 400 --seed 20001
    python tests/bench/handshapes.py --only check --minutes 5

Cut points 4.2, 3, 2 and 1.2 N, spread 0.35 N, log-normal forces about 2.3 N, hands 10 %, four
raters and 80 berries unless a row says so. All rows grow together, so that a run may be stopped at
any time: one markdown line for each thing counted, with its share in percent, Monte-Carlo error and
goal. Seeds from 20000 on are kept for last runs; while methods were made, only seeds below were
drawn.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

# Small matrices: threads that wait for one another cost ten times what they save on a busy machine.
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from scipy.special import logit, ndtr

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.equivalentforce import equivalent_force, score_shares
from calibrate.cuts.fitting import fit
from calibrate.cuts.salelimit import limit_force
from calibrate.cuts.seasonshift import compare_seasons
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from calibrate.model.panel import fit_panel
from calibrate.raters.check import check_rater
from calibrate.raters.history import hand_history
from calibrate.stats.estimate import Estimate
from calibrate.stats.groups import Layout
from calibrate.stats.measurement import GaugeError
from calibrate.stats.proportions import fit_shares
from gauge.errors import FirmhandError

CUTS_N = np.array([4.2, 3.0, 2.0, 1.2])
SPREAD_N = 0.35
# N; medians of fruit on days 0, 4, 8 and 12 of storage.
STORED_N = np.array([3.5, 2.8, 2.2, 1.7])
RATERS = ("ines", "marek", "odile", "tamsin", "jorun", "pavel", "wren", "lotte")
Counts = Iterator[tuple[str, float]]


@dataclass(frozen=True, kw_only=True)
class Hands:
    """How the hands of a panel differ; standard deviations, as shares of force unless in newtons.

    `offset` at each boundary by itself, `stretch` of the distances from the middle of the cuts,
    `additive` in newtons at all boundaries; `correlation` of one score's chance with the next's.
    """

    raters: int = 4
    berries: int = 80
    hand_sd: float = 0.1
    offset: float = 0.0
    stretch: float = 0.0
    additive_newton: float = 0.0
    correlation: float = 0.0
    proportional: bool = False
    gauge_newton: float = 0.0
    gauge_share: float = 0.0
    berry_sd: float = 0.0
    shared: bool = True


def draw_hands(rng: np.random.Generator, case: Hands) -> np.ndarray:
    """Draw cut points in newtons, shape (raters, 4), in order and above 0.1 N."""
    while True:
        j = case.raters
        log = np.log(CUTS_N) + rng.normal(0, case.hand_sd, (j, 1))
        log = log + rng.normal(0, case.offset, (j, CUTS_N.size))
        cut = np.exp(log) + rng.normal(0, case.additive_newton, (j, 1))
        middle = cut.mean(axis=1, keepdims=True)
        cut = middle + (cut - middle) * np.exp(rng.normal(0, case.stretch, (j, 1)))
        if (np.diff(cut, axis=1) < -0.1).all() and (cut > 0.1).all():
            return cut


def draw_force(rng: np.random.Generator, n: int) -> np.ndarray:
    return np.exp(rng.normal(np.log(2.3), 0.55, n))


def draw_stored(rng: np.random.Generator, n: int) -> np.ndarray:
    """Draw forces of a storage trial in its order: fruit of four days, softer on each."""
    return np.repeat(STORED_N, -(-n // STORED_N.size))[:n] * np.exp(rng.normal(0, 0.35, n))


def score(
    rng: np.random.Generator,
    case: Hands,
    cut: np.ndarray,
    first: int = 0,
    force: np.ndarray | None = None,
) -> Pairs:
    """Let hands with these cut points score berries, each hand in the order of the rows."""
    j, n = cut.shape[0], case.berries
    if force is None:
        force = draw_force(rng, n) if case.shared else draw_force(rng, n * j).reshape(j, n)
    force = np.broadcast_to(force, (j, n))
    chance = rng.normal(size=(j, n))
    for i in range(1, n):
        left = np.sqrt(1 - case.correlation**2)
        chance[:, i] = case.correlation * chance[:, i - 1] + left * chance[:, i]
    spread = SPREAD_N * (force / 2.5 if case.proportional else 1.0)
    item = np.exp(case.berry_sd * rng.normal(size=(1, n))) if case.berry_sd else 1.0
    felt = force * item + logit(np.clip(ndtr(chance), 1e-12, 1 - 1e-12)) * spread
    rank = (felt[:, :, None] < cut[:, None, :]).sum(axis=2)
    shape = n if case.shared else (j, n)
    wrong = rng.normal(0, 1, shape) * case.gauge_newton
    wrong = wrong + np.broadcast_to(force, (j, n))[0 if case.shared else slice(None)] * (
        rng.normal(0, 1, shape) * case.gauge_share
    )
    shown = np.maximum(force + wrong, 0.02)
    berry = np.tile(np.arange(n), j) if case.shared else np.arange(n * j)
    return Pairs(
        scale=BLACKBERRY,
        force_newton=shown.ravel(),
        rank=rank.ravel().astype(np.int64),
        count=np.ones(n * j),
        rater=np.repeat(np.arange(j), n),
        berry=berry + first,
        raters=RATERS[:j],
        berries=tuple(f"b{i}" for i in range(first + int(berry.max()) + 1)),
        source="simulated panel",
    )


def holds(estimate: Estimate, truth: float) -> bool:
    low = -np.inf if estimate.low is None else estimate.low
    high = np.inf if estimate.high is None else estimate.high
    return bool(low <= truth <= high)


# Rows: each draws one panel and yields what was counted with 1 or 0 (or a number to average).


def unchanged(rng: np.random.Generator, case: Hands, shift_newton: float) -> Counts:
    """Check one hand of 60 berries against a panel of four by 120 in which it was."""
    cut = draw_hands(rng, case)
    panel = score(rng, replace(case, berries=120), cut)
    today = score(rng, replace(case, berries=60), cut[:1] + shift_newton)
    found = check_rater(today, RATERS[0], against=panel)
    yield "drifted", found.verdict == "drifted"
    yield "within limit", found.verdict == "within limit"
    yield "mean n needed", (found.power and found.power.berries_needed) or np.nan


def common_shift(rng: np.random.Generator, case: Hands) -> Counts:
    """Hold one hand against the others of the same panel."""
    cut = draw_hands(rng, case)
    found = check_rater(score(rng, case, cut), RATERS[0])
    gap = cut[0] - np.exp(np.log(cut[1:]).mean(axis=0))
    yield "common shift", holds(found.shift_newton, float(gap.mean()))
    together = [holds(b.shift_newton, g) for b, g in zip(found.boundaries, gap, strict=True)]
    yield "all boundaries together", all(together)
    if found.shift_newton.low is not None and found.shift_newton.high is not None:
        yield "mean width N", found.shift_newton.high - found.shift_newton.low


def raters_own(rng: np.random.Generator, case: Hands) -> Counts:
    """Each rater's cut points; the panel's centre; the estimated deviation of hands."""
    cut = draw_hands(rng, case)
    panel = fit_panel(score(rng, case, cut))
    for k in range(CUTS_N.size):
        own = [holds(r.cuts[k], cut[j, k]) for j, r in enumerate(panel.raters)]
        yield f"rater's own {k + 1}/{k + 2}", float(np.mean(own))
        yield f"centre {k + 1}/{k + 2}", holds(panel.cuts[k], CUTS_N[k])
    following = draw_hands(rng, replace(case, raters=1))[0]
    yield (
        "next rater",
        float(np.mean([holds(c, x) for c, x in zip(panel.next_rater, following, strict=True)])),
    )
    held = float(np.mean([holds(panel.cuts[k], CUTS_N[k]) for k in range(CUTS_N.size)]))
    low = (panel.hand_sd or 0.0) < case.hand_sd / 2
    yield "hand SD below half", low
    if low:
        yield "centre where hand SD is below half", held
    if (panel.hand_sd or 0.0) < 0.05:
        yield "centre where hand SD is below 5 %", held


def one_rater(rng: np.random.Generator, case: Hands) -> Counts:
    """Profile intervals of one hand, widened for few scores as those of a named rater are."""
    cut = draw_hands(rng, case)
    found = fit(score(rng, case, cut))
    yield "cuts", float(np.mean([holds(c, x) for c, x in zip(found.cuts, cut[0], strict=True)]))


def charted(rng: np.random.Generator, case: Hands, shift_newton: float) -> Counts:
    """Chart 200 scores of one hand after 120 that are its reference."""
    cut = draw_hands(rng, case)
    before = score(rng, replace(case, berries=120), cut)
    after = score(rng, replace(case, berries=200), cut[:1] + shift_newton)
    yield from passed(before, after)


def charted_stored(rng: np.random.Generator, case: Hands, shift_newton: float) -> Counts:
    """Chart 200 scores of a storage trial after its first 60, mostly firm fruit, the reference."""
    cut, force = draw_hands(rng, case), draw_stored(rng, 260)
    before = score(rng, replace(case, berries=60), cut, force=force[:60])
    after = score(rng, replace(case, berries=200), cut + shift_newton, force=force[60:])
    yield from passed(before, after)


def charted_two(rng: np.random.Generator, case: Hands, shift_newton: float) -> Counts:
    """Chart 200 scores of firm or soft, one boundary at 2 N, after 120 that are the reference."""
    cut = draw_hands(rng, case)
    five = (
        score(rng, replace(case, berries=120), cut),
        score(rng, replace(case, berries=200), cut + shift_newton),
    )
    two = [replace(one, scale=RASPBERRY, rank=(one.rank > 2).astype(np.int64)) for one in five]
    yield from passed(*two)


def passed(before: Pairs, after: Pairs) -> Counts:
    """Whether the chart of the scores after the reference passed its limit."""
    found = hand_history(after, RATERS[0], against=before)
    yield "beyond the limit in 200 scores", found.first_outside is not None
    yield "beyond the limit in 60 scores", (found.first_outside or 999) <= 60


def limit_of(rng: np.random.Generator, case: Hands) -> Counts:
    """The force from which 95 % are within the sale limit, spread in proportion to force."""
    cut = draw_hands(rng, case)
    found = limit_force(fit(score(rng, case, cut)))
    # P(within) = expit((F - c) / s(F)) = 0.95 at the middle hand.
    odds = np.log(0.95 / 0.05)
    truth = CUTS_N[2] / (1 - odds * SPREAD_N / 2.5) if case.proportional else np.nan
    yield "limit", holds(found, truth)
    yield "bias N", (found.value or np.nan) - truth


def gauge_error(rng: np.random.Generator, case: Hands, declared: bool) -> Counts:
    """The panel's centre where the gauge is wrong; with `--gauge-sd` or without."""
    cut = draw_hands(rng, case)
    pairs = score(rng, case, cut)
    if declared:
        error = GaugeError(newton=case.gauge_newton, share=case.gauge_share)
        found = fit(pairs, gauge_error=error)
    else:
        found = fit(pairs)
    for k in range(CUTS_N.size):
        yield f"centre {k + 1}/{k + 2}", holds(found.cuts[k], CUTS_N[k])
        yield f"bias {k + 1}/{k + 2} N", (found.cuts[k].value or np.nan) - CUTS_N[k]


def counts_held(rng: np.random.Generator, case: Hands) -> Counts:
    """Equivalent mean of 100 berries counted by a next hand, where hands seem alike."""
    calibration = fit(score(rng, case, draw_hands(rng, case)))
    next_cut = draw_hands(rng, replace(case, raters=1))[0]
    truth = Calibration(
        scale=BLACKBERRY, force_scale="linear", cuts=as_cuts(next_cut), spread=SPREAD_N
    )
    mean = float(rng.uniform(1.4, 3.6))
    table = rng.multinomial(100, score_shares(truth, [mean], 0.25)[0])
    held = holds(equivalent_force(table, calibration, cv=0.25).mean, mean)
    yield "equivalent mean", held
    if (calibration.hand_sd or 0.0) < 0.05:
        yield "equivalent mean where hand SD is below 5 %", held


def soft_percent(rng: np.random.Generator, groups: int, clamshells: int, rho: float) -> Counts:
    """Type I error over selections alike, clamshells of 8 to 50 berries (beta-binomial)."""
    n = rng.integers(8, 51, groups * clamshells)
    p = rng.beta(0.2 * (1 / rho - 1), 0.8 * (1 / rho - 1), n.size) if rho else np.full(n.size, 0.2)
    group = np.repeat(np.arange(groups), clamshells)
    layout = Layout.of(group, [f"R-{114 + g}" for g in range(groups)], ())
    found = fit_shares(rng.binomial(n, p), n, layout).compare()
    yield "F test", found.p < 0.05
    yield "letters", any(pair.differs for pair in found.pairs)


def equivalence(rng: np.random.Generator) -> Counts:
    """Two seasons of other hands whose cut points differ by the margin, 0.2 N."""
    case = Hands(raters=5, berries=120, hand_sd=0.03)
    first = score(rng, case, draw_hands(rng, case))
    moved = draw_hands(rng, case) + 0.2
    second = replace(score(rng, case, moved), raters=RATERS[3:8])
    shifts = compare_seasons(first, second, margin_newton=0.2).shifts
    yield "equivalent at the margin", float(np.mean([bool(one.equivalent) for one in shifts]))


@dataclass(frozen=True, kw_only=True)
class Row:
    """A row of the campaign: its group, name, goal in words, and what draws one panel."""

    group: str
    name: str
    goal: str
    draw: Callable[[np.random.Generator], Counts]


def rows() -> list[Row]:
    """List of all rows."""
    out = []

    def add(group: str, name: str, goal: str, draw, *args) -> None:
        out.append(Row(group=group, name=name, goal=goal, draw=lambda r: draw(r, *args)))

    apart = {
        "alike in shape": {},
        "offsets 8 %": {"offset": 0.08},
        "offsets 15 %": {"offset": 0.15},
        "stretched 20 %": {"stretch": 0.2},
        "additive 0.3 N": {"additive_newton": 0.3},
        "correlated 0.8": {"correlation": 0.8},
    }
    for name in ("alike in shape", "offsets 8 %", "correlated 0.8"):
        case = Hands(**apart[name])
        goal = "<= 5" if name == "alike in shape" else "<= 7"
        add("check", f"unchanged hand, {name}", goal, unchanged, case, 0.0)
        add("check", f"hand +0.3 N, {name}", ">= 72", unchanged, case, 0.3)
    for name in (
        "alike in shape",
        "offsets 8 %",
        "offsets 15 %",
        "stretched 20 %",
        "additive 0.3 N",
    ):
        add("shift", f"check, {name}", "90-98", common_shift, Hands(**apart[name]))
    for name, how in apart.items():
        goal = ">= 88" if name == "correlated 0.8" else ">= 90"
        add("own", f"panel, {name}", goal, raters_own, Hands(**how))
    hands20 = Hands(raters=3, hand_sd=0.2)
    add("sd", "panel, 3 raters, hands 20 %", ">= 85 where low", raters_own, hands20)
    swelling = Hands(proportional=True)
    add("force", "own, spread in proportion to force", ">= 90", raters_own, swelling)
    add("force", "limit, spread in proportion to force", ">= 90", limit_of, swelling)
    for text, errors in {
        "0.3 N": {"gauge_newton": 0.3},
        "20 %": {"gauge_share": 0.2},
        "0.5 N, one rater a berry": {"gauge_newton": 0.5, "shared": False},
    }.items():
        for declared in (False, True):
            add("gauge", f"error {text}, {'' if declared else 'not '}declared", ">= 88, <= 0.07 N",
                gauge_error, Hands(**errors), declared)  # fmt: skip
    add("counts", "counts, 3 raters, hands 10 %", ">= 90", counts_held, Hands(raters=3))
    for groups, clamshells, rho in ((3, 4, 0.1), (5, 6, 0.1), (4, 5, 0.0), (4, 5, 0.25)):
        name = f"{groups} selections of {clamshells} clamshells, rho {rho:g}"
        add("soft", name, "3-6", soft_percent, groups, clamshells, rho)
    for shift, goal in ((0.0, "<= 18"), (0.3, "-")):
        add(
            "chart", f"hand {shift:+g} N since the reference", goal, charted, Hands(raters=1), shift
        )
    for raters, berries, hands, items in ((3, 60, 0, 0), (3, 60, 0.2, 0.2), (8, 120, 0.2, 0.2)):
        case = Hands(raters=raters, berries=berries, hand_sd=hands, berry_sd=items)
        name = f"{raters} raters, {berries} berries, hands {hands:.0%}, berries {items:.0%}"
        add("panel", name, ">= 90", raters_own, case)
    for berries in (25, 80):
        case = Hands(raters=1, berries=berries)
        add("one", f"one rater, {berries} berries", ">= 90", one_rater, case)
    add("margin", "seasons apart by the margin", "1.4-5.7", equivalence)
    for shift, goal in ((0.0, "<= 18"), (0.3, "-")):
        name = f"hand {shift:+g} N since the first 60 of a storage trial"
        add("chart", name, goal, charted_stored, Hands(raters=1), shift)
        name = f"hand {shift:+g} N since the reference, firm or soft"
        add("chart", name, goal, charted_two, Hands(raters=1), shift)
    return out


@dataclass(kw_only=True)
class Tally:
    """What was counted of one row."""

    found: dict[str, list[float]] = field(default_factory=dict)
    refused: int = 0

    def draw(self, row: Row, seed: list[int]) -> None:
        """Draw one panel."""
        try:
            for name, value in row.draw(np.random.default_rng(seed)):
                self.found.setdefault(name, []).append(float(value))
        except FirmhandError:
            self.refused += 1

    def lines(self, row: Row) -> Iterator[str]:
        """One line for each thing counted, that of the worst boundary where there are several."""
        groups: dict[str, list[str]] = {}
        for name in self.found:
            groups.setdefault(re.sub(r" \d/\d", "", name), []).append(name)
        for what, names in groups.items():
            seen = [np.array(self.found[name]) for name in names]
            if all(np.isnan(one).all() for one in seen):
                continue
            means = np.array([np.nanmean(one) for one in seen])
            number = what.endswith(" N") or "mean n" in what
            worst = int(np.argmax(np.abs(means))) if number else int(np.argmin(means))
            n = int(np.isfinite(seen[worst]).sum())
            error = float(np.nanstd(seen[worst])) / np.sqrt(n)
            shown = f"{means[worst]:.3f} ({error:.3f})"
            if not number:
                shown = f"{100 * means[worst]:.1f} ({100 * error:.1f})"
            if len(names) > 1:
                mean = f"{means.mean():.3f}" if number else f"{100 * means.mean():.1f}"
                at = re.search(r"\d/\d", names[worst])
                shown += f" at {at and at[0]}, mean {mean}"
            yield f"| {row.group} | {row.name} | {what} | {shown} | {row.goal} | {n} |"


def table(found: dict[str, dict[str, list[float]]]) -> str:
    """Lay out what was counted, by row."""
    head = ["| rows | what | counted | percent (MC error) | goal | n |", "| --- " * 6 + "|"]
    known = {f"{row.group}: {row.name}": row for row in rows()}
    tallies = [(known[key], Tally(found=one)) for key, one in found.items()]
    return "\n".join([*head, *(line for row, tally in tallies for line in tally.lines(row))])


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage where hands differ in shape.")
    parser.add_argument("--reps", type=int, default=400)
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so many")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help="rows whose 'group: name' holds this pattern")
    parser.add_argument("--out", type=Path, help="JSON of what was counted, written each round")
    args = parser.parse_args()
    begun = time.monotonic()
    chosen = [
        (number, row, Tally())
        for number, row in enumerate(rows())
        if args.only is None or re.search(args.only, f"{row.group}: {row.name}")
    ]
    found = {f"{row.group}: {row.name}": tally.found for _, row, tally in chosen}
    for rep in range(args.reps):
        for number, row, tally in chosen:
            tally.draw(row, [args.seed, number, rep])
        used = time.monotonic() - begun
        if args.out:
            args.out.write_text(json.dumps(found))
        if used > 60 * args.minutes:
            break
    print(table({key: one for key, one in found.items() if one}))
    refused = {row.name: tally.refused for _, row, tally in chosen if tally.refused}
    print(
        f"\n{rep + 1} panels a row, seed {args.seed}, {used:.0f} s; refused: {refused or 'none'}."
    )


if __name__ == "__main__":
    main()
