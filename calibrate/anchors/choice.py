"""The anchor set: which berries, lots or pads stand for each score and each boundary.

Bands come from bands; here the best set is chosen, exactly. Presses, ages and retirement are in
anchorlife, the card in plots.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.bands import Band, bands
from calibrate.cuts.calibration import Calibration
from gauge.errors import InfeasiblePlanError, InvalidValueError

# A boundary's two anchors should each be called right by three hands in four: far enough apart
# to be told apart, close enough to show where the boundary lies.
STRADDLE_PROBABILITY = 0.75


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """Something with a known force that may become an anchor (never a void or flagged berry)."""

    label: str
    force_newton: float
    kind: str = "berry"
    berry_id: int | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.force_newton) and self.force_newton > 0):
            raise InvalidValueError(
                f"anchor candidate {self.label}: {self.force_newton} N is no force"
            )


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


@dataclass(frozen=True, kw_only=True, slots=True)
class _Role:
    """A place to fill: `need` candidates of a score, or one on a side of a boundary."""

    score: int
    boundary: int | None
    need: int
    cost: NDArray[np.float64]  # one a candidate, inf where it may not fill the place


def choose_anchors(
    calibration: Calibration,
    candidates: Sequence[Candidate],
    *,
    per_score: int = 2,
    straddle: bool = True,
) -> AnchorSet:
    """Choose the best anchor set from measured candidates.

    The criterion, minimised exactly as an integer programme: for an anchor of score k,
    abs(h(F) - target_k) / s - log P(k | F), the distance to the band's target in spreads plus the
    surprise of its score; for either side of a boundary, the distance in spreads from the force at
    which 3 hands in 4 call that side. No candidate is used twice. A candidate for a score must lie
    in its band.

    Parameters
    ----------
    calibration : Calibration
    candidates : sequence of Candidate
    per_score : int
        Anchors wanted for each score.
    straddle : bool
        Whether to choose a pair around each boundary too.

    Returns
    -------
    AnchorSet
        Anchors firmest first. A score or boundary that cannot be filled is named in the warnings
        with the force to look for.

    Raises
    ------
    InvalidValueError
        If `per_score` is below 1 or labels repeat.
    InfeasiblePlanError
        If no candidate fits any place.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
    ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.25)
    >>> lots = [Candidate(label=str(f), force_newton=f) for f in (0.6, 1.4, 1.7, 2.3, 2.6, 4.0)]
    >>> for anchor in choose_anchors(one, lots, per_score=1).anchors:
    ...     print(anchor.candidate.label, anchor.score, anchor.boundary)
    2.6 firm None
    2.3 firm firm/soft
    1.7 soft firm/soft
    1.4 soft None
    """
    if per_score < 1:
        raise InvalidValueError("an anchor set needs one anchor a score or more")
    if len({c.label for c in candidates}) != len(candidates):
        raise InvalidValueError("two anchor candidates have the same label")
    found = bands(calibration)
    force_newton = np.array([c.force_newton for c in candidates], dtype=float)
    warnings: list[str] = []
    roles = _roles(calibration, found, force_newton, per_score, straddle, warnings)
    chosen, cost = _solve(roles, len(candidates))
    probability = calibration.probabilities(force_newton) if len(candidates) else np.empty((0, 0))
    anchors: list[Anchor] = []
    for role, picked in zip(roles, chosen, strict=True):
        if len(picked) < role.need:
            warnings.append(_missing(calibration, found, role, len(picked)))
        for index in picked:
            anchors.append(
                Anchor(
                    candidate=candidates[index],
                    score=calibration.scale.labels[role.score],
                    boundary=_boundary_name(calibration, role.boundary),
                    probability=float(probability[index, role.score]),
                )
            )
    if not anchors:
        raise InfeasiblePlanError(
            "None of the measured berries can be an anchor.",
            todo="Measure berries inside the bands: " + "; ".join(_wish(band) for band in found),
        )
    anchors.sort(key=lambda anchor: -anchor.candidate.force_newton)
    return AnchorSet(bands=found, anchors=tuple(anchors), cost=cost, warnings=tuple(warnings))


def _roles(
    calibration: Calibration,
    found: tuple[Band, ...],
    force_newton: NDArray[np.float64],
    per_score: int,
    straddle: bool,
    warnings: list[str],
) -> list[_Role]:
    roles: list[_Role] = []
    h = calibration.h(force_newton)
    log_p = (
        np.log(np.clip(calibration.probabilities(force_newton), 1e-300, 1))
        if len(force_newton)
        else h
    )
    for score, band in enumerate(found):
        if band.target_newton is None:
            warnings.append(
                f"Score {band.score} is at no force the most probable one, so it has no band and "
                "no anchor of its own."
            )
            continue
        inside = np.array([band.holds(f) for f in force_newton], dtype=bool)
        distance = np.abs(h - float(calibration.h(band.target_newton))) / calibration.spread
        cost = (
            np.where(inside, distance - log_p[:, score], np.inf) if len(force_newton) else distance
        )
        roles.append(_Role(score=score, boundary=None, need=per_score, cost=cost))
    if straddle:
        offset = math.log(STRADDLE_PROBABILITY / (1 - STRADDLE_PROBABILITY))
        for index, cut in enumerate(calibration.cuts_newton):
            if cut is None:
                continue
            z = (h - float(calibration.h(cut))) / calibration.spread
            for score, side in ((index, 1), (index + 1, -1)):
                # Past twice the wanted distance it no longer shows where the boundary lies.
                usable = (side * z > 0) & (side * z < 2 * offset)
                cost = np.where(usable, np.abs(side * z - offset), np.inf)
                roles.append(_Role(score=score, boundary=index, need=1, cost=cost))
    return roles


def _solve(roles: Sequence[_Role], n_candidates: int) -> tuple[list[list[int]], float]:
    """Assign candidates to places: as many places as can be filled, then at the least cost.

    Only the `demand` cheapest candidates of a place can ever be needed, where demand is the sum of
    all needs: the others can take at most demand - 1 of them. That keeps the programme small.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    demand = sum(role.need for role in roles)
    pairs = [
        (place, int(index))
        for place, role in enumerate(roles)
        for index in np.argsort(role.cost, kind="stable")[:demand]
        if np.isfinite(role.cost[index])
    ]
    if not pairs:
        return [[] for _ in roles], 0.0
    costs = np.array([roles[place].cost[index] for place, index in pairs])
    # A reward above any possible saving makes filling a place come first.
    reward = 2 * (np.abs(costs).max() + 1) * demand
    row, column = [], []
    for j, (place, index) in enumerate(pairs):
        row += [place, len(roles) + index]
        column += [j, j]
    limits = np.array([role.need for role in roles] + [1] * n_candidates, dtype=float)
    matrix = csr_array((np.ones(len(row)), (row, column)), shape=(len(limits), len(pairs)))
    result = milp(
        costs - reward,
        constraints=LinearConstraint(matrix, -np.inf, limits),
        bounds=Bounds(0, 1),
        integrality=np.ones(len(pairs)),
        options={"mip_rel_gap": 0.0},
    )
    if not result.success:
        raise InfeasiblePlanError(f"The choice of anchors failed: {result.message}.")
    chosen: list[list[int]] = [[] for _ in roles]
    for taken, (place, index) in zip(result.x > 0.5, pairs, strict=True):
        if taken:
            chosen[place].append(index)
    return chosen, float(costs[result.x > 0.5].sum())


def _boundary_name(calibration: Calibration, boundary: int | None) -> str | None:
    return None if boundary is None else "/".join(calibration.scale.boundaries[boundary])


def _wish(band: Band) -> str:
    if band.target_newton is None:
        return f"score {band.score}: none"
    high = "up" if band.high_newton is None else f"to {band.high_newton:.2f} N"
    return (
        f"score {band.score}: {band.low_newton:.2f} N {high}, best near {band.target_newton:.2f} N"
    )


def _missing(calibration: Calibration, found: tuple[Band, ...], role: _Role, filled: int) -> str:
    if role.boundary is None:
        return (
            f"Only {filled} of {role.need} anchors for score {found[role.score].score}; look for "
            f"{_wish(found[role.score])}."
        )
    cut = calibration.cuts_newton[role.boundary]
    offset = math.log(STRADDLE_PROBABILITY / (1 - STRADDLE_PROBABILITY)) * calibration.spread
    side = 1 if role.score == role.boundary else -1
    force_newton = calibration.force(float(calibration.h(cut or math.nan)) + side * offset)
    return (
        f"No berry left for the {'firmer' if side > 0 else 'softer'} side of boundary "
        f"{_boundary_name(calibration, role.boundary)}; look for one near {force_newton:.2f} N."
    )
