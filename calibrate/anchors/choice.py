"""The anchor set: which candidates stand for each score and each boundary, chosen exactly."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.anchors.candidates import Candidate, scored_candidates
from calibrate.cuts.bands import Band, bands
from calibrate.cuts.calibration import Calibration
from calibrate.data.labels import with_unit
from calibrate.data.pairs import Pairs
from gauge.errors import InfeasiblePlanError, InvalidValueError
from gauge.plaintext import plural

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
# Spreads; a berry that was pressed is chosen as if it were so much farther off.
PRESSED = 0.5
# Share of a lot's berries; with fewer of the score that it stands for, a hand learns another.
LEAST_SHARE = 0.5
# Probability; a boundary's two anchors should each be called right by three hands in four: far
# enough apart to be felt as different, close enough to show where the boundary lies.
STRADDLE_PROBABILITY = 0.75
# Spreads; from a cut to the force at which its side has that probability.
_OFFSET = math.log(STRADDLE_PROBABILITY / (1 - STRADDLE_PROBABILITY))
_TIE_DIGITS = 6  # decimals of a cost; what is equal to these is a tie


@dataclass(frozen=True, kw_only=True, slots=True)
class Anchor:
    """A chosen candidate and what it stands for.

    `score` is the score that it stands for; for one half of a pair that straddles a boundary it is
    the score on its side, and `boundary` names the two scores (`"2/3"`).
    """

    candidate: Candidate
    score: str
    boundary: str | None
    probability: float


@dataclass(frozen=True, kw_only=True, slots=True)
class AnchorSet:
    """Bands, the anchors chosen for them, the criterion's value, and what is missing."""

    bands: tuple[Band, ...]
    anchors: tuple[Anchor, ...]
    cost: float
    warnings: tuple[str, ...]

    def kinds(self) -> str:
        """Say how many anchors are of which kind, the ordinary ones first."""
        names = {"pad": "pad", "lot": "fresh lot", "berry": "pressed berry"}
        counts = Counter(anchor.candidate.kind for anchor in self.anchors)
        return ", ".join(plural(counts[kind], name) for kind, name in names.items() if counts[kind])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Place:
    """A place to fill: `need` candidates of a score, or one on a side of a boundary."""

    name: str
    look_for: str
    score: int
    boundary: str | None = None
    need: int = 1
    cost: Floats  # one a candidate, inf where it may not fill the place


def choose_anchors(
    calibration: Calibration,
    candidates: Sequence[Candidate] | Pairs,
    *,
    per_score: int = 2,
    straddle: bool = True,
) -> AnchorSet:
    """Choose the best anchor set from measured candidates.

    As many places as possible are filled, at the least total cost, exactly (an assignment). For an
    anchor of score k the cost is abs(h(F) - target_k) / s - log P(k | F), the distance to the
    band's target in spreads plus the surprise of its score; for either side of a boundary, the
    distance in spreads from the force at which 3 hands in 4 call that side. No candidate is used
    twice. A candidate for a score must lie in its band. A berry that was pressed is chosen as if it
    were half a spread farther off than a pad or fresh berries of a lot. Of a lot, P is the mean
    over its berries, half of which must be of the score at the least; at a boundary it shows
    nothing.

    Ties: costs are compared to a millionth. Of choices that are equally good, firmer candidates
    are taken first, of one force those listed first, and they go to the places that come first:
    scores, then boundaries, each from the firmest on. Exactly, the sum over all anchors of the
    candidate's rank (0 for the firmest) times the number of places from its own to the last is
    smallest.

    Candidates of pairs are the berries without a flag. With `straddle` a pair around each boundary
    is chosen too. Anchors are listed firmest first; a place that cannot be filled is named in the
    warnings with the force to look for. Labels that repeat, or `per_score` below 1, are an
    InvalidValueError; if no candidate fits any place, that is an InfeasiblePlanError.
    """
    if isinstance(candidates, Pairs):
        candidates = scored_candidates(candidates)
    if per_score < 1:
        raise InvalidValueError("an anchor set needs one anchor a score or more")
    if len({c.label for c in candidates}) != len(candidates):
        raise InvalidValueError("two anchor candidates have the same label")
    found = bands(calibration)
    force_newton = np.array([c.force_newton for c in candidates], dtype=float)
    probability = _probabilities(calibration, candidates)
    lot = np.array([c.sd_newton > 0 for c in candidates], dtype=bool)
    places = _score_places(calibration, found, force_newton, probability, lot, per_score)
    if straddle:
        places += _boundary_places(calibration, force_newton, lot)
    spent = np.array([c.kind == "berry" for c in candidates], dtype=bool)
    chosen = _assign(places, force_newton, spent)
    warnings = [
        f"Score {band.score} is at no force the most probable one, so it has no band and no anchor "
        "of its own."
        for band in found
        if not band.reachable
    ]
    anchors: list[Anchor] = []
    cost = 0.0
    for place, picked in zip(places, chosen, strict=True):
        if len(picked) < place.need:
            missing = f"Only {len(picked)} of {place.need} anchors"
            missing = "No berry left" if place.boundary else missing
            warnings.append(f"{missing} for {place.name}; look for {place.look_for}.")
        cost += float(place.cost[picked].sum())
        anchors += [
            Anchor(
                candidate=candidates[index],
                score=calibration.scale.labels[place.score],
                boundary=place.boundary,
                probability=float(probability[index, place.score]),
            )
            for index in picked
        ]
    if not anchors:
        raise InfeasiblePlanError(
            "None of the measured berries can be an anchor.",
            todo="Measure berries inside the bands: " + "; ".join(map(_look_for, found)),
        )
    anchors.sort(key=lambda anchor: -anchor.candidate.force_newton)
    return AnchorSet(bands=found, anchors=tuple(anchors), cost=cost, warnings=tuple(warnings))


def _probabilities(calibration: Calibration, candidates: Sequence[Candidate]) -> Floats:
    """Return the probability of each score, of a lot as the mean over its log-normal berries."""
    from scipy.special import ndtri

    newton = np.array([c.force_newton for c in candidates], dtype=float)
    sd_newton = np.array([c.sd_newton for c in candidates], dtype=float)
    spread = np.sqrt(np.log1p((sd_newton / newton) ** 2))
    normal = ndtri((np.arange(99) + 0.5) / 99) if sd_newton.any() else np.zeros(1)
    forces = newton * np.exp(np.multiply.outer(normal, spread) - spread**2 / 2)
    each = calibration.probabilities(forces.ravel())
    return np.asarray(each.reshape(*forces.shape, each.shape[-1]).mean(axis=0))


def _score_places(
    calibration: Calibration,
    found: Sequence[Band],
    force_newton: Floats,
    probability: Floats,
    lot: Bools,
    per_score: int,
) -> list[_Place]:
    """List the places of the scores that have a band."""
    h, spread = calibration.h(force_newton), calibration.spread_at(force_newton)
    surprise = -np.log(np.clip(probability, 1e-300, 1))
    places = []
    for score, band in enumerate(found):
        if band.target_newton is not None:
            inside = np.array([band.holds(force) for force in force_newton], dtype=bool)
            inside &= ~lot | (probability[:, score] >= LEAST_SHARE)
            distance = np.abs(h - calibration.h(band.target_newton)) / spread
            places.append(
                _Place(
                    name=f"score {band.score}",
                    look_for=_look_for(band),
                    score=score,
                    need=per_score,
                    cost=np.where(inside, distance + surprise[:, score], np.inf),
                )
            )
    return places


def _boundary_places(calibration: Calibration, force_newton: Floats, lot: Bools) -> list[_Place]:
    """List the two sides of every known cut point."""
    places = []
    for index, cut in enumerate(estimate.value for estimate in calibration.cuts):
        if cut is None:
            continue
        h = float(calibration.h(cut))
        spread = float(calibration.spread_at(cut))
        z = (calibration.h(force_newton) - h) / spread
        boundary = "/".join(calibration.scale.boundaries[index])
        for score, side, word in ((index, 1, "firmer"), (index + 1, -1, "softer")):
            best_newton = calibration.force(h + side * _OFFSET * spread)
            # Past twice the distance aimed at it no longer shows where the boundary lies.
            usable = (side * z > 0) & (side * z < 2 * _OFFSET) & ~lot
            places.append(
                _Place(
                    name=f"the {word} side of boundary {boundary}",
                    look_for=f"one near {with_unit(best_newton)}",
                    score=score,
                    boundary=boundary,
                    cost=np.where(usable, np.abs(side * z - _OFFSET), np.inf),
                )
            )
    return places


def _assign(places: Sequence[_Place], force_newton: Floats, spent: Bools) -> list[list[int]]:
    """Give each place its candidates, by the rule of `choose_anchors`; ties included."""
    from scipy.optimize import linear_sum_assignment

    chosen: list[list[int]] = [[] for _ in places]
    slots = [k for k, place in enumerate(places) for _ in range(place.need)]
    ranked = np.argsort(-force_newton, kind="stable")
    costs = np.array([(places[k].cost + PRESSED * spent)[ranked] for k in slots])
    costs = costs.round(_TIE_DIGITS)
    if not np.isfinite(costs).any():
        return chosen
    # Of a place only so many cheapest candidates can be needed: the other slots take the rest.
    kept = np.unique(np.argsort(costs, axis=1, kind="stable")[:, : len(slots)])
    # What decides ties, added up over all slots, stays below the smallest difference of costs.
    ties = np.outer(len(places) - np.array(slots), kept)
    costs = costs[:, kept] + ties * 0.5 * 10.0**-_TIE_DIGITS / (len(slots) * (ties.max() + 1))
    # A slot left empty costs more than all others together, so as many as possible are filled.
    empty = len(slots) * (1 + costs[np.isfinite(costs)].max())
    blank = np.full((len(slots), len(slots)), empty)
    for row, column in zip(*linear_sum_assignment(np.hstack([costs, blank])), strict=True):
        if column < kept.size:
            chosen[slots[row]].append(int(ranked[kept[column]]))
    return [sorted(picked) for picked in chosen]


def _look_for(band: Band) -> str:
    if band.target_newton is None:
        return f"score {band.score}: none"
    high = "up" if band.high_newton is None else f"to {with_unit(band.high_newton)}"
    low, target = with_unit(band.low_newton or 0.0), with_unit(band.target_newton)
    return f"score {band.score}: {low} {high}, best near {target}"
