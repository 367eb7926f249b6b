"""Simulated panels with a known truth, for the tests and the bench of the panel model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY
from calibrate.data.squeezes import squeezes_to_press

# Invented scale: newtons, firmest boundary first.
CUTS_N = np.array([6.4, 4.6, 3.2, 2.0])
RATERS = ("ines", "marek", "odile", "tamsin", "jorun", "pavel", "wren", "lotte")


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """What a panel is like; standard deviations as shares of force."""

    raters: int = 4
    berries: int = 80
    hand_sd: float = 0.1
    berry_sd: float = 0.1
    spread_sd: float = 0.15
    log_scale: bool = False
    balanced: bool = True
    skip: str = ""  # "", "firmest" or "middle": what the last rater never uses
    order: str = ""  # of squeezes: "" none of them softens, "fixed" or "varied"
    softening: float = 0.05  # share of force that a squeeze takes, where there is an order


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What was drawn."""

    hand: np.ndarray
    spread: np.ndarray

    @property
    def rater_cuts_newton(self) -> np.ndarray:
        return CUTS_N * np.exp(self.hand)[:, None]


def simulate(rng: np.random.Generator, case: Scenario) -> tuple[Pairs, Truth]:
    """Draw one panel.

    Forces from 0.8 to 9 N, even in the logarithm; the spread is 0.4 N (linear) or 11 % (log).
    Squeezes in an order soften all berries, and every rater squeezes all; the press comes last.
    Unbalanced: every rater scores 40 to 100 % of the berries, the first one 15 at most.
    """
    j, i = case.raters, case.berries
    force = np.exp(rng.uniform(np.log(0.8), np.log(9.0), i))
    feel = np.exp(rng.normal(0.0, case.berry_sd, i)) if case.berry_sd else np.ones(i)
    hand = rng.normal(0.0, case.hand_sd, j) if case.hand_sd else np.zeros(j)
    spread = (0.11 if case.log_scale else 0.4) * np.exp(rng.normal(0.0, case.spread_sd, j))
    scored = np.ones((j, i), dtype=bool)
    if not case.balanced:
        scored = rng.random((j, i)) < rng.uniform(0.4, 1.0, j)[:, None]
        scored[0] = False
        scored[0, rng.permutation(i)[:15]] = True
    rater, berry = np.nonzero(scored)
    h = np.log if case.log_scale else np.asarray
    cut = h(CUTS_N * np.exp(hand)[:, None])
    place = np.zeros(rater.size)
    if case.order == "fixed":
        place = rater + 1
    elif case.order:
        place[np.lexsort((rng.random(rater.size), berry))] = np.tile(np.arange(j) + 1, i)
    left = 1.0 - case.softening if case.order else 1.0
    felt = force * feel
    felt = h(felt[berry] * left ** (place - 1)) + rng.logistic(size=rater.size) * spread[rater]
    rank = (felt[:, None] < cut[rater]).sum(axis=1)
    last = rater == j - 1
    if case.skip == "firmest":
        rank[last & (rank == 0)] = 1
    elif case.skip == "middle":
        middle = last & (rank == 2)
        high = felt > (cut[rater, 1] + cut[rater, 2]) / 2
        rank[middle & high], rank[middle & ~high] = 1, 3
    placed = np.array([int(one) or None for one in place], dtype=object)
    pairs = Pairs(
        scale=BLACKBERRY,
        force_newton=force[berry] * left ** (j if case.order else 0),
        rank=rank.astype(np.int64),
        count=np.ones(rank.size),
        rater=rater.astype(np.int64),
        berry=berry.astype(np.int64),
        raters=RATERS[:j],
        berries=tuple(f"b{k + 1}" for k in range(i)),
        extra={"squeeze_order": placed} if case.order else {},
        squeezes=squeezes_to_press(berry, placed.astype(float), True) if case.order else None,
        source="simulated panel",
    )
    return pairs, Truth(hand=hand, spread=spread)
