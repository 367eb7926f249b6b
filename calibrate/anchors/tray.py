"""The tray plan: how many unmeasured berries to pull from which lots, for all scores."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.anchors.candidates import (
    Candidate,
    fresh_lots,
    read_candidates,
    young_enough,
)
from calibrate.cuts.bands import Band
from calibrate.data.labels import with_unit
from calibrate.data.pairs import looks_like_season
from gauge.errors import InfeasiblePlanError, InvalidValueError, NoSuchRecordError
from gauge.season.file import open_season

Floats = NDArray[np.float64]
# States, (per_score + 1) ** scores; beyond so many a plan would take minutes.
MOST_STATES = 50_000


def shares_of(lot: Candidate, bands: Sequence[Band]) -> Floats:
    """Return the share of a lot's berries in each band, shape (number of bands,)."""
    from scipy.special import ndtr

    variance = math.log1p((lot.sd_newton / lot.force_newton) ** 2)
    middle = math.log(lot.force_newton) - variance / 2
    edges = [
        (band.low_newton, math.inf if band.high_newton is None else band.high_newton)
        for band in bands
    ]
    with np.errstate(divide="ignore"):
        z = (np.log(np.array(edges, dtype=float)) - middle) / math.sqrt(variance)
    # A score without a band has no lower end, hence no number here.
    return np.asarray(np.nan_to_num(np.diff(ndtr(z), axis=1)[:, 0]))


def read_lots(path: Path) -> list[Candidate]:
    """Read a CSV of lots: lot, mean_N, sd_N and available."""
    lots = read_candidates(path, "sd_N", "available")
    for lot in lots:
        if lot.sd_newton == 0:
            raise InvalidValueError(f"{path}: lot {lot.label}: its berries differ in force.")
    return lots


def season_lots(source: Path, available: int, as_of: date, valid_days: float) -> list[Candidate]:
    """Find the lots of a season of which berries were pressed in the days before.

    Where there is none, that is a NoSuchRecordError.
    """
    lots: list[Candidate] = []
    if looks_like_season(source):
        with open_season(source, read_only=True) as season:
            lots, _ = young_enough(fresh_lots(season), as_of, valid_days)
    if not lots:
        raise NoSuchRecordError(
            f"{source}: of no lot were berries pressed in the {valid_days:g} days to {as_of}.",
            todo="Press five berries or more of each lot first, or name a CSV by --lots.",
        )
    return [replace(lot, available=available) for lot in lots]


@dataclass(frozen=True, kw_only=True, slots=True)
class TrayPlan:
    """How many berries to pull from each lot, and the probability that the tray is full."""

    pulls: dict[str, int]
    probability: float
    expected: dict[str, float]

    @property
    def berries(self) -> int:
        """Berries in all."""
        return sum(self.pulls.values())


def fill_probability(pulls: Sequence[int], shares: Floats, per_score: int) -> float:
    """Return the exact probability that every band gets `per_score` berries or more.

    Berry by berry, the distribution of all counts, each held at `per_score` (a sum of independent
    multinomial draws). `shares` has the shape (lots, bands).
    """
    state = np.zeros((per_score + 1,) * shares.shape[1])
    state[(0,) * shares.shape[1]] = 1.0
    for pull, share in zip(pulls, shares, strict=True):
        for _ in range(pull):
            state = _one_more(state, share)
    return float(state[(per_score,) * shares.shape[1]])


def _one_more(state: Floats, share: Floats) -> Floats:
    """Return the distribution of the counts after one more berry."""
    after: Floats = state * (1.0 - float(share.sum()))
    for axis, probability in enumerate(share):
        if probability == 0:
            continue
        source, target = np.moveaxis(state, axis, 0), np.moveaxis(after, axis, 0)
        target[1:] += probability * source[:-1]
        target[-1] += probability * source[-1]
    return after


def plan_tray(
    bands: Sequence[Band],
    lots: Sequence[Candidate],
    *,
    per_score: int = 3,
    probability: float = 0.9,
) -> TrayPlan:
    """Find the least fruit with which the tray holds `per_score` berries of each score.

    The number of berries grows one at a time; for each, berries are exchanged between lots as
    long as the exact probability of a full tray rises (steepest ascent). Scores that no force
    makes the most probable are left out.

    A plan that makes no sense, or would be too large to compute, is an InvalidValueError; if all
    berries do not suffice, an InfeasiblePlanError names the score that falls short most.
    """
    if per_score < 1 or not 0 < probability < 1:
        raise InvalidValueError("a tray needs one berry a score or more, and 0 < probability < 1")
    reachable = [band for band in bands if band.reachable]
    if (per_score + 1) ** len(reachable) > MOST_STATES:
        raise InvalidValueError(
            f"{per_score} berries of each of {len(reachable)} scores are too many to plan at once.",
            todo="Plan a smaller tray and pull it twice.",
        )
    shares = np.array([shares_of(lot, reachable) for lot in lots]).reshape(
        len(lots), len(reachable)
    )
    limit = [lot.available or 0 for lot in lots]
    if fill_probability(limit, shares, per_score) < probability:
        expected = np.array(limit) @ shares
        worst = int(expected.argmin())
        raise InfeasiblePlanError(
            f"All {sum(limit)} berries together do not give {per_score} of each score with a "
            f"probability of {probability:g}; score {reachable[worst].score} is the scarcest, with "
            f"{expected[worst]:.1f} expected.",
            todo=f"Add a lot with forces near {with_unit(reachable[worst].target_newton or 0.0)}, "
            "or ask for less.",
        )

    @cache
    def merit(pulls: tuple[int, ...]) -> tuple[float, float]:
        """Rate by the probability of a full tray; before there is any, by berries expected."""
        if sum(pulls) < per_score * len(reachable):
            return 0.0, float(np.minimum(np.array(pulls) @ shares, per_score).sum())
        return fill_probability(pulls, shares, per_score), 0.0

    best = (0,) * len(lots)
    while merit(best)[0] < probability:
        best = max(_neighbours(best, limit, [None]), key=merit)
        while (
            better := max([best, *_neighbours(best, limit, range(len(lots)))], key=merit)
        ) != best:
            best = better
    expected = np.array(best) @ shares
    return TrayPlan(
        pulls={lot.label: pull for lot, pull in zip(lots, best, strict=True)},
        probability=merit(best)[0],
        expected={band.score: float(x) for band, x in zip(reachable, expected, strict=True)},
    )


def _neighbours(
    pulls: tuple[int, ...], limit: Sequence[int], givers: Iterable[int | None]
) -> list[tuple[int, ...]]:
    """List the plans with one berry more of a lot and one less of a giver, if there is one."""
    return [
        tuple(pull + (lot == taker) - (lot == giver) for lot, pull in enumerate(pulls))
        for giver in givers
        for taker in range(len(pulls))
        if giver != taker and pulls[taker] < limit[taker] and (giver is None or pulls[giver] > 0)
    ]
