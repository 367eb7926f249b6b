"""Season to season: how far each cut point moved, what follows, whether pads kept their force."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from calibrate.cuts.calibration import Calibration
from calibrate.cuts.fitting import ForceChoice, fit
from calibrate.data.pairs import Pairs
from calibrate.stats.estimate import Estimate, difference, ratio, t_quantile
from gauge.errors import CannotCompareError, InvalidValueError, TooFewScoresError


@dataclass(frozen=True, kw_only=True, slots=True)
class CutShift:
    """How far one cut point moved from the first season to the second.

    `shift_pct` is in per cent of the first season's cut; shifts have no value when either season
    lacks the cut. `equivalent`: whether the shift is shown to lie within the margin; None without.
    """

    between: tuple[str, str]
    shift_newton: Estimate
    shift_pct: Estimate
    equivalent: bool | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Rescored:
    """Out of 100 berries of given forces: how many would now get another score.

    `softer` and `firmer` say which way; `lost` were within the sale limit in the first season and
    are beyond it by the second's cuts, `gained` the other way round.
    """

    softer: float
    firmer: float
    lost: float
    gained: float


@dataclass(frozen=True, kw_only=True)
class SeasonComparison:
    """The cut points of two seasons against one another; one shift a boundary, firmest first.

    `same_raters` scored both, so that it is their own scale that is compared. `as_pressed`: what a
    squeeze takes is known of one season only, so cut points of both are of fruit pressed after it
    was squeezed.
    """

    first: Calibration
    second: Calibration
    shifts: tuple[CutShift, ...]
    margin_newton: float
    same_raters: bool
    as_pressed: bool = False


def compare_seasons(
    first: Pairs | Calibration,
    second: Pairs | Calibration,
    *,
    margin_newton: float = 0.2,
    force_scale: ForceChoice = "linear",
    level: float = 0.95,
    firmest: str = "first",
) -> SeasonComparison:
    """Compare the cut points of two seasons.

    Where the same raters scored both, their own scale is compared; where the panel changed, that
    of the hands such raters come from.

    Parameters
    ----------
    first, second : Pairs or Calibration
        Pairs are fitted; a calibration is compared with the intervals that it has.
    margin_newton : float
        A shift that would not matter: equivalence is tested within it.
    force_scale, level, firmest
        Of the fits; see `calibrate.cuts.fitting.fit`, for errors too.

    Raises
    ------
    InvalidValueError
        If the margin is not above zero.
    CannotCompareError
        If the scales differ.
    """
    if not margin_newton > 0:
        raise InvalidValueError("the margin must be above zero")
    as_pressed = (first.softening is None) != (second.softening is None)
    if as_pressed:
        first, second = map(_of_pressed_fruit, (first, second))
    same = len(first.raters) > 1 and set(first.raters) == set(second.raters)

    def fitted(season: Pairs | Calibration, level: float) -> Calibration:
        if isinstance(season, Calibration):
            return season
        return fit(season, force_scale=force_scale, level=level, firmest=firmest, these_raters=same)

    pair = test = fitted(first, level), fitted(second, level)
    if isinstance(first, Pairs) and isinstance(second, Pairs):
        test = fitted(first, 2 * level - 1), fitted(second, 2 * level - 1)
    return SeasonComparison(
        first=pair[0],
        second=pair[1],
        shifts=cut_shifts(*pair, margin_newton=margin_newton, test=test),
        margin_newton=margin_newton,
        same_raters=same,
        as_pressed=as_pressed,
    )


def _of_pressed_fruit(season: Pairs | Calibration) -> Pairs | Calibration:
    """Leave out what a squeeze takes."""
    return (
        replace(season, squeezes=None) if isinstance(season, Pairs) else season.of_pressed_fruit()
    )


def check_same_scale(first: Calibration, second: Calibration) -> None:
    """Refuse seasons whose scores are not the same."""
    if first.scale.labels != second.scale.labels:
        raise CannotCompareError(
            f"{first.source} scores {', '.join(first.scale.labels)} and {second.source} "
            f"{', '.join(second.scale.labels)}.",
            todo="Compare seasons of one scale; of CSVs, declare it: --scores 1-5.",
        )


def cut_shifts(
    first: Calibration,
    second: Calibration,
    *,
    margin_newton: float | None = None,
    test: tuple[Calibration, Calibration] | None = None,
) -> tuple[CutShift, ...]:
    """Estimate the shift of every cut point and, given a margin, test its equivalence.

    `test` holds the same fits with intervals at 2 level - 1 (0.90 for a report at 0.95), which
    makes two one-sided tests at 5 %: Schuirmann (1987) J. Pharmacokinet. Biopharm. 15:657.
    """
    check_same_scale(first, second)
    shifts = []
    for index, (one, two) in enumerate(zip(first.cuts, second.cuts, strict=True)):
        shift, equivalent = difference(one, two), None
        if shift.value is not None and margin_newton is not None and test is not None:
            narrow = difference(test[0].cuts[index], test[1].cuts[index])
            equivalent = narrow.inside(-margin_newton, margin_newton)
        shifts.append(
            CutShift(
                between=first.scale.boundaries[index],
                shift_newton=shift,
                shift_pct=ratio(one, two).map(lambda share: 100 * (share - 1)),
                equivalent=equivalent,
            )
        )
    return tuple(shifts)


def rescored(first: Calibration, second: Calibration, force_newton: ArrayLike) -> Rescored:
    """Count, out of 100 berries of these forces, those between the two seasons' cut points.

    Without any force it is a TooFewScoresError.
    """
    check_same_scale(first, second)
    forces = np.asarray(force_newton, dtype=float)
    if forces.size == 0:
        raise TooFewScoresError("No berry to count rescored scores over.")
    old, new = first.ranks(forces), second.ranks(forces)
    limit = first.scale.sale_boundary
    within = (old <= limit, new <= limit) if limit is not None else (old < 0, new < 0)

    which = {
        "softer": new > old,
        "firmer": new < old,
        "lost": within[0] & ~within[1],
        "gained": within[1] & ~within[0],
    }
    return Rescored(**{name: float(100 * np.mean(these)) for name, these in which.items()})


@dataclass(frozen=True, kw_only=True, slots=True)
class PadCheck:
    """Durable pads pressed in both seasons: whether the newton itself stayed the same.

    `change_pct` is the mean change of force, open with a single pad; `held` says whether its
    interval lies within the tolerance, None with a single pad.
    """

    n_pads: int
    change_pct: Estimate
    held: bool | None


def pad_check(
    first: Mapping[str, Sequence[float]],
    second: Mapping[str, Sequence[float]],
    *,
    tolerance_pct: float = 3.0,
    level: float = 0.95,
) -> PadCheck | None:
    """Compare pads by the mean log ratio of their forces, pads being the unit (Student's t).

    `first` and `second` hold the forces in newtons of every press of every pad; None when no pad
    was pressed in both seasons.
    """
    shared = sorted(set(first) & set(second))
    n = len(shared)
    if n == 0:
        return None
    change = np.array(
        [np.mean(np.log(second[pad])) - np.mean(np.log(first[pad])) for pad in shared], dtype=float
    )
    mean, half = float(change.mean()), np.inf
    if n > 1:
        half = t_quantile(n - 1, level) * float(change.std(ddof=1)) / math.sqrt(n)
    found = Estimate.around(mean, half).map(lambda log_ratio: 100 * math.expm1(log_ratio))
    held = None
    if found.low is not None and found.high is not None:
        held = -tolerance_pct <= found.low and found.high <= tolerance_pct
    return PadCheck(n_pads=n, change_pct=found, held=held)
