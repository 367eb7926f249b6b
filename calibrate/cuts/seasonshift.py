"""The link from season to season: how far each cut point moved, and what follows from it.

Two calibrations in, shifts and their verdict out. Pads that outlast a season test whether the
newton itself held; last season as a prior for this one is in carryover.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calibrate.cuts.calibration import Calibration
from calibrate.stats.estimate import Estimate, difference, ratio
from gauge.errors import CannotCompareError, TooFewScoresError


@dataclass(frozen=True, kw_only=True, slots=True)
class CutShift:
    """How far one cut point moved from the first season to the second.

    Attributes
    ----------
    between : tuple of (str, str)
    shift_newton, shift_pct : Estimate or None
        In newtons, and in per cent of the first season's cut; None when either season lacks it.
    equivalent : bool or None
        Whether the shift is shown to lie within the margin (two one-sided tests at 1 - level, that
        is, the interval at 2 level - 1 lies inside); None without a margin.
    """

    between: tuple[str, str]
    shift_newton: Estimate | None
    shift_pct: Estimate | None
    equivalent: bool | None


def _cut(calibration: Calibration, index: int) -> Estimate | None:
    value = calibration.cuts_newton[index]
    if value is None:
        return None
    return Estimate(
        value=value, low=calibration.low_newton[index], high=calibration.high_newton[index]
    )


def check_same_scale(first: Calibration, second: Calibration) -> None:
    """Refuse seasons whose scores are not the same.

    Raises
    ------
    CannotCompareError
        If labels differ.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from calibrate.data.scale import RASPBERRY, Scale
    >>> old = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,), low_newton=(1.9,),
    ...                   high_newton=(2.1,), spread=0.1, source="2024")
    >>> new = replace(old, scale=Scale(labels=("1", "2")), source="2025")
    >>> check_same_scale(old, new)
    Traceback (most recent call last):
    gauge.errors.CannotCompareError: 2024 scores firm, soft and 2025 1, 2...
    """
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
    """Shift of every cut point, with intervals and, given a margin, a test of equivalence.

    Parameters
    ----------
    first, second : Calibration
        With intervals at the level to report.
    margin_newton : float, optional
        A shift that would not matter, in newtons.
    test : pair of Calibration, optional
        The same fits with intervals at 2 level - 1 (0.90 for a report at 0.95), which makes two
        one-sided tests at 5 %: Schuirmann (1987) J. Pharmacokinet. Biopharm. 15:657. Needed with a
        margin.

    Raises
    ------
    CannotCompareError
        If the scales differ.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from calibrate.data.scale import RASPBERRY
    >>> old = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,), low_newton=(1.9,),
    ...                   high_newton=(2.1,), spread=0.1)
    >>> new = replace(old, cuts_newton=(2.2,), low_newton=(2.1,), high_newton=(2.3,))
    >>> moved = cut_shifts(old, new)[0].shift_newton
    >>> round(moved.value, 2), round(moved.low, 2), round(moved.high, 2)
    (0.2, 0.06, 0.34)
    """
    check_same_scale(first, second)
    shifts = []
    for index, between in enumerate(first.scale.boundaries):
        one, two = _cut(first, index), _cut(second, index)
        shift = percent = None
        equivalent = None
        if one is not None and two is not None:
            shift = difference(one, two)
            if min(one.known, two.known) > 0:
                percent = ratio(one, two).map(lambda share: 100 * (share - 1))
            if margin_newton is not None and test is not None:
                narrow = [_cut(calibration, index) for calibration in test]
                equivalent = (
                    narrow[0] is not None
                    and narrow[1] is not None
                    and difference(narrow[0], narrow[1]).inside(-margin_newton, margin_newton)
                )
        shifts.append(
            CutShift(between=between, shift_newton=shift, shift_pct=percent, equivalent=equivalent)
        )
    return tuple(shifts)


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

    @property
    def changed(self) -> float:
        """All that would be scored otherwise."""
        return self.softer + self.firmer


def rescored(first: Calibration, second: Calibration, force_newton: ArrayLike) -> Rescored:
    """Count, out of 100, the berries between the two seasons' cut points.

    Parameters
    ----------
    first, second : Calibration
    force_newton : array_like, shape (n,)
        Forces of the berries to think of, usually those of the second season.

    Raises
    ------
    TooFewScoresError
        Without any force.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from calibrate.data.scale import RASPBERRY
    >>> old = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,), low_newton=(1.9,),
    ...                   high_newton=(2.1,), spread=0.1)
    >>> new = replace(old, cuts_newton=(2.2,), low_newton=(2.1,), high_newton=(2.3,))
    >>> rescored(old, new, [1.5, 2.1, 2.5, 3.0])
    Rescored(softer=25.0, firmer=0.0, lost=25.0, gained=0.0)
    """
    check_same_scale(first, second)
    forces = np.asarray(force_newton, dtype=float)
    if forces.size == 0:
        raise TooFewScoresError("No berry to count rescored scores over.")
    old, new = (np.digitize(-c.h(forces), -c.edges()[1:-1]) for c in (first, second))
    limit = first.scale.sale_boundary
    lost = gained = 0.0
    if limit is not None:
        lost = float(100 * np.mean((old <= limit) & (new > limit)))
        gained = float(100 * np.mean((old > limit) & (new <= limit)))
    return Rescored(
        softer=float(100 * np.mean(new > old)),
        firmer=float(100 * np.mean(new < old)),
        lost=lost,
        gained=gained,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class PadCheck:
    """Durable pads pressed in both seasons: whether the newton itself held.

    Attributes
    ----------
    n_pads : int
    change_pct : Estimate
        Mean change of force in per cent. Limits are None with a single pad.
    held : bool or None
        Whether the interval lies within the tolerance; None with a single pad.
    """

    n_pads: int
    change_pct: Estimate
    held: bool | None


def pad_check(
    first: dict[str, Sequence[float]],
    second: dict[str, Sequence[float]],
    *,
    tolerance_pct: float = 3.0,
    level: float = 0.95,
) -> PadCheck | None:
    """Compare pads by the mean log ratio of their forces, pads being the unit.

    Parameters
    ----------
    first, second : dict of str to sequence of float
        Forces in newtons of every press of every pad.
    tolerance_pct : float
    level : float

    Returns
    -------
    PadCheck or None
        None when no pad was pressed in both seasons. Student's t on the pads' log ratios.

    Examples
    --------
    >>> check = pad_check({"A": [3.0, 3.02], "B": [1.5]}, {"A": [3.01], "B": [1.505]})
    >>> round(check.change_pct.value, 2), check.n_pads
    (0.17, 2)
    """
    from scipy.stats import t

    shared = sorted(set(first) & set(second))
    if not shared:
        return None
    change = np.array(
        [np.mean(np.log(second[pad])) - np.mean(np.log(first[pad])) for pad in shared], dtype=float
    )
    mean = float(change.mean())
    if len(shared) < 2:
        only = Estimate(value=100 * float(np.expm1(mean)))
        return PadCheck(n_pads=1, change_pct=only, held=None)
    half = float(
        t.ppf(0.5 + level / 2, len(shared) - 1) * change.std(ddof=1) / np.sqrt(len(shared))
    )
    low, value, high = (100 * float(np.expm1(x)) for x in (mean - half, mean, mean + half))
    found = Estimate(value=value, low=low, high=high)
    held = found.low is not None and -tolerance_pct <= low and high <= tolerance_pct
    return PadCheck(n_pads=len(shared), change_pct=found, held=held)
