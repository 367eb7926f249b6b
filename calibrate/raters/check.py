"""All that is said of one rater's hand, gathered: what `calibrate check` prints and draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration, ForceScale
from calibrate.data.pairs import Pairs
from calibrate.data.scale import Scale
from calibrate.model.ratershift import RaterShift
from calibrate.raters.measures import (
    Drift,
    Power,
    SaleLimitSkill,
    ScoreAgreement,
    drift_along,
    panel_rank,
    power,
    repeatability,
    sale_limit_skill,
    score_agreement,
    sentence,
    verdict,
)
from calibrate.stats.estimate import Estimate
from calibrate.stats.kappa import Kappa


@dataclass(frozen=True, kw_only=True)
class BoundaryShift:
    """How far the hand's cut lies from the panel's at one boundary; no value where unknown."""

    between: tuple[str, str]
    panel_newton: float | None
    shift_newton: Estimate


@dataclass(frozen=True, kw_only=True)
class RaterCheck:
    """One rater against the panel.

    Attributes
    ----------
    rater : str
    panel : Calibration
    force_newton : ndarray, shape (n,)
    rank : ndarray of int, shape (n,)
    agreement : ScoreAgreement
    shift_newton : Estimate
        Over all boundaries; above zero, the hand needs more force than the panel to call a berry
        that firm.
    boundaries : tuple of BoundaryShift
    spread : float
        Of this hand, on the scale of the panel's model.
    skill : SaleLimitSkill or None
    drifts : tuple of Drift
    repeated : tuple of (int, float, Kappa) or None
        Berries scored twice, share equal, quadratic kappa.
    power : Power or None
    limit_newton : float
    verdict : str
    """

    rater: str
    panel: Calibration
    force_newton: NDArray[np.float64]
    rank: NDArray[np.int64]
    agreement: ScoreAgreement
    shift_newton: Estimate
    boundaries: tuple[BoundaryShift, ...]
    spread: float
    skill: SaleLimitSkill | None
    drifts: tuple[Drift, ...]
    repeated: tuple[int, float, Kappa] | None
    power: Power | None
    limit_newton: float
    verdict: str

    def sentences(self) -> list[str]:
        """What the rater should hear: the boundaries shown to have moved, firmest first.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> panel = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                     low_newton=(1.8,), high_newton=(2.2,), spread=0.1)
        >>> odile = Pairs(scale=RASPBERRY, force_newton=np.array([2.4, 1.6]), rank=np.array([0, 1]),
        ...               count=np.ones(2), rater=np.zeros(2, int), berry=np.zeros(2, int))
        >>> moved = Estimate(value=0.2, low=0.1, high=0.3)
        >>> report_hand(odile, panel, rater="odile", shift_newton=moved, shifts_newton=[moved], spread=0.1,
        ...             limit_newton=0.15).sentences()
        ['You call soft what the panel calls firm between 2.00 and 2.20 N.']
        """
        said = [
            sentence(b.between, b.panel_newton, b.shift_newton)
            for b in self.boundaries
            if b.panel_newton is not None and b.shift_newton.excludes_zero()
        ]
        if self.power is not None and self.verdict == "undecided":
            said.append(
                f"{self.agreement.n} berries cannot show a shift below "
                f"{self.power.detectable_newton:.2f} N; {self.power.berries_needed} would show one of "
                f"{self.limit_newton:g} N."
            )
        for drift in self.drifts:
            if drift.p_value < 0.05:
                said.append(
                    f"Along {drift.along} the hand moved by {drift.change_newton:+.2f} N "
                    f"(p {drift.p_value:.3f})."
                )
        return said

    def to_practise(self) -> list[str]:
        """Boundaries to practise on anchors: those shown to have moved, else the least certain.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> panel = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                     low_newton=(1.8,), high_newton=(2.2,), spread=0.1)
        >>> odile = Pairs(scale=RASPBERRY, force_newton=np.array([2.4, 1.6]), rank=np.array([0, 1]),
        ...               count=np.ones(2), rater=np.zeros(2, int), berry=np.zeros(2, int))
        >>> moved = Estimate(value=0.2, low=0.1, high=0.3)
        >>> report_hand(odile, panel, rater="odile", shift_newton=moved, shifts_newton=[moved], spread=0.1,
        ...             limit_newton=0.15).to_practise()
        ['firm/soft']
        """
        known = [b for b in self.boundaries if b.shift_newton.value is not None]
        moved = [b for b in known if b.shift_newton.excludes_zero()]

        def width(b: BoundaryShift) -> float:
            one = b.shift_newton
            if one.low is None or one.high is None:
                return np.inf
            return one.high - one.low

        chosen = moved or sorted(known, key=width)[-1:]
        return ["/".join(b.between) for b in chosen]


def panel_calibration(found: RaterShift, scale: Scale, force_scale: ForceScale) -> Calibration:
    """The panel that a rater was held against, as a calibration.

    Examples
    --------
    >>> from calibrate.model.ratershift import rater_cuts
    >>> from calibrate.data.scale import RASPBERRY
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.tile([1.5, 2.0, 2.5], 6), berry=np.zeros(18, int),
    ...               rank=np.tile([0, 0, 0, 1, 1, 1], 3), rater=np.repeat([0, 1, 2], 6),
    ...               count=np.tile([2.0, 10, 18, 18, 10, 2], 3), raters=("ines", "marek", "odile"))
    >>> panel = panel_calibration(rater_cuts(pairs, "odile"), RASPBERRY, "linear")
    >>> panel.raters, round(panel.cuts_newton[0], 2)
    (('ines', 'marek'), 2.0)
    """
    return Calibration(
        scale=scale,
        force_scale=force_scale,
        cuts_newton=tuple(cut.value for cut in found.panel_cuts),
        low_newton=tuple(cut.low for cut in found.panel_cuts),
        high_newton=tuple(cut.high for cut in found.panel_cuts),
        spread=found.panel_spread,
        raters=found.panel,
    )


def report_hand(
    pairs: Pairs,
    panel: Calibration,
    *,
    rater: str,
    shift_newton: Estimate,
    shifts_newton: Sequence[Estimate],
    spread: float,
    limit_newton: float,
    level: float = 0.95,
) -> RaterCheck:
    """Gather everything about one rater.

    Parameters
    ----------
    pairs : Pairs
        Of this rater alone.
    panel : Calibration
        That the hand is held against.
    rater : str
    shift_newton : Estimate
        Common shift of the hand, newtons.
    shifts_newton : sequence of Estimate
        One a boundary; without a value where the hand has no such boundary.
    spread : float
    limit_newton : float
        The lab's limit.
    level : float

    Raises
    ------
    InvalidValueError
        Without any score.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> panel = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
    ...                     low_newton=(1.8,), high_newton=(2.2,), spread=0.1)
    >>> ines = Pairs(scale=RASPBERRY, force_newton=np.array([2.4, 1.6]), rank=np.array([0, 1]),
    ...              count=np.ones(2), rater=np.zeros(2, int), berry=np.zeros(2, int))
    >>> near = Estimate(value=0.05, low=-0.1, high=0.2)
    >>> report_hand(ines, panel, rater="ines", shift_newton=near, shifts_newton=[near], spread=0.1,
    ...             limit_newton=0.3).verdict
    'within limit'
    """
    first = _first_occasion(pairs)
    expected = panel_rank(panel, pairs.force_newton[first])
    given = pairs.rank[first]
    agreement = score_agreement(expected, given, len(panel.scale.labels))
    return RaterCheck(
        rater=rater,
        panel=panel,
        force_newton=pairs.force_newton[first],
        rank=given,
        agreement=agreement,
        shift_newton=shift_newton,
        boundaries=tuple(
            BoundaryShift(between=between, panel_newton=cut, shift_newton=shift)
            for between, cut, shift in zip(
                panel.scale.boundaries, panel.cuts_newton, shifts_newton, strict=True
            )
        ),
        spread=spread,
        skill=sale_limit_skill(expected, given, panel.scale.sale_boundary, level),
        drifts=_drifts(pairs, panel.force_scale),
        repeated=repeatability(pairs),
        power=power(shift_newton, agreement.n, limit_newton, level),
        limit_newton=limit_newton,
        verdict=verdict(shift_newton, shifts_newton, limit_newton),
    )


def _first_occasion(pairs: Pairs) -> NDArray[np.bool_]:
    """Rows of first scorings: a second one is for repeatability alone."""
    occasion = pairs.extra.get("occasion")
    if occasion is None:
        return np.ones(len(pairs.rank), dtype=bool)
    return np.array([value is None or float(value) <= 1 for value in occasion], dtype=bool)


def _drifts(pairs: Pairs, force_scale: str) -> tuple[Drift, ...]:
    """Drift within a session (fatigue), in the order of scoring, and across dates."""
    times = pairs.extra.get("scored_at")
    if times is None:
        return ()
    try:
        stamps = [datetime.fromisoformat(str(t)).timestamp() for t in times]
    except ValueError:
        return ()
    days = [int(stamp // 86_400) for stamp in stamps]
    order: list[float] = [0.0] * len(stamps)
    for day in set(days):
        mine = sorted((stamps[i], i) for i in range(len(stamps)) if days[i] == day)
        for place, (_, index) in enumerate(mine):
            order[index] = place / max(len(mine) - 1, 1)
    found = [drift_along(pairs, order, "the session", force_scale=force_scale)]
    if len(set(days)) > 1:
        dates = [float(day) for day in days]
        found.append(drift_along(pairs, dates, "the dates", force_scale=force_scale))
    return tuple(drift for drift in found if drift is not None)
