"""One rater checked against the panel: what `calibrate check` prints and draws."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration, ForceScale
from calibrate.data.labels import format_newton, unit, with_unit
from calibrate.data.pairs import Pairs
from calibrate.model.ratershift import OWN_HISTORY, RaterShift, rater_cuts
from calibrate.raters.measures import (
    Drift,
    Power,
    SaleLimitSkill,
    ScoreAgreement,
    drift_along,
    is_blunt,
    power,
    repeatability,
    sale_limit_skill,
    score_agreement,
    sentence,
    verdict,
)
from calibrate.raters.withinlimit import HandLimit, within
from calibrate.stats.estimate import Estimate


@dataclass(frozen=True, kw_only=True)
class BoundaryShift:
    """How far the rater's cut lies from the reference's at a boundary; no value where unknown."""

    between: tuple[str, str]
    panel_newton: float | None
    reference_newton: float | None
    shift_newton: Estimate
    limit_newton: float | None


@dataclass(frozen=True, kw_only=True)
class RaterCheck:
    """One rater against the panel, or against the hand that he or she was.

    Attributes
    ----------
    reference : str
        What the shifts and the spread are compared with.
    own : bool
        Whether the reference is the hand that this rater had there, and not the mean of others.
    force_newton, rank : ndarray, shape (n,)
        Of the berries, each scored for the first time, as the finger felt them; ranks from 0 for
        the firmest score.
    shift_newton : Estimate
        Over all boundaries; above zero, the rater needs more force than the reference to call a
        berry that firm. Its interval, the boundaries' and that of `blunter` hold together.
    spread : float
        Of this rater, on the scale of the panel's model.
    blunter : Estimate
        The spread over that of the reference.
    repeated : tuple of (int, float, Estimate) or None
        Berries scored twice, share equal, quadratic kappa.
    verdict : {"within limit", "drifted", "cannot tell yet"}
    within_limit : bool
        Whether every boundary is shown to be within the limit, moved or not.
    confounded : bool
        Whether hand and order of squeezes cannot be told apart.
    """

    rater: str
    reference: str
    own: bool
    panel: Calibration
    force_newton: NDArray[np.float64]
    rank: NDArray[np.int64]
    agreement: ScoreAgreement
    shift_newton: Estimate
    boundaries: tuple[BoundaryShift, ...]
    spread: float
    blunter: Estimate
    skill: SaleLimitSkill | None
    drifts: tuple[Drift, ...]
    repeated: tuple[int, float, Estimate] | None
    power: Power | None
    limit: HandLimit
    verdict: str
    within_limit: bool
    confounded: bool
    warnings: tuple[str, ...]

    def sentences(self) -> list[str]:
        """Say what the rater needs to know: the boundaries shown to have moved, firmest first."""
        theirs = "you called" if self.own else "the panel calls"
        lines = [
            sentence(b.between, b.reference_newton, b.shift_newton, theirs)
            for b in self.boundaries
            if not self.confounded
            and b.reference_newton is not None
            and b.shift_newton.excludes_zero()
        ]
        if not lines and not self.confounded and self.shift_newton.excludes_zero():
            shift, *ends = (
                format_newton(one, sign="+")
                for one in (self.shift_newton.value, self.shift_newton.low, self.shift_newton.high)
            )
            lines.append(
                f"The hand has moved as a whole, by {shift} {unit()} ({' to '.join(ends)} "
                f"{unit()}); at no boundary by itself is that sure."
            )
        if lines and self.within_limit:
            lines.append(
                "The hand has surely moved, so it is called drifted; taken together, each boundary "
                f"is within {self.limit}."
            )
        if is_blunt(self.blunter):
            lines.append(
                f"Your fingers separate forces {self.blunter.known:.1f} times less sharply than "
                f"{self.reference}."
            )
        inside = [
            one.shift_newton.inside(-one.limit_newton, one.limit_newton)
            for one in self.boundaries
            if one.limit_newton is not None
        ]
        if self.verdict == "within limit" and len(inside) > 1 and not all(inside):
            lines.append(
                "A boundary by itself is less certain than the limit; hands mostly move as a "
                f"whole, and taken so each is within {self.limit}."
            )
        if self.confounded:
            lines.append("Hand and order of squeezes cannot be told apart: take turns.")
        elif self.power is not None and self.verdict == "cannot tell yet":
            needed = self.power.berries_needed
            more = (
                "no number of berries would show a hand within"
                if needed is None
                else f"{max(needed - self.agreement.n, 1)} more would show a steady hand within"
            )
            shift = with_unit(self.power.detectable_newton)
            lines.append(
                f"{self.agreement.n} berries show a shift of {shift} or more; {more} {self.limit} "
                "at every boundary."
            )
        lines += [
            f"Along {drift.along} the hand moved by "
            f"{format_newton(drift.change_newton, sign='+')} {unit()} (p {drift.p_value:.3f})."
            for drift in self.drifts
            if drift.p_value < 0.05
        ]
        return lines

    def to_practise(self) -> list[str]:
        """Name the boundaries to practise: those shown to have moved, else the least certain."""
        known = [b for b in self.boundaries if b.shift_newton.value is not None]
        moved = [b for b in known if b.shift_newton.excludes_zero()]

        def width(b: BoundaryShift) -> float:
            one = b.shift_newton
            return np.inf if one.low is None or one.high is None else one.high - one.low

        return ["/".join(b.between) for b in moved or sorted(known, key=width)[-1:]]


def check_rater(
    pairs: Pairs,
    rater: str,
    *,
    against: Pairs | None = None,
    reference: str | None = None,
    limit_newton: float | None = None,
    limit_share: float = 0.2,
    force_scale: ForceScale = "linear",
    firmest: str = "first",
    sale_limit: str | None = None,
    level: float = 0.95,
) -> RaterCheck:
    """Check one rater's fingers against force, and against a panel or their own past.

    Parameters
    ----------
    pairs : Pairs
        With this rater, and the panel unless `against` is given.
    against : Pairs, optional
        The panel, from other berries; where it names the rater, today's hand is compared with the
        hand that the rater had there, its own offsets included.
    reference : str, optional
        What `against` is to be called, such as the adopted calibration.
    limit_newton, limit_share : float, optional
        The lab's limit of a rater's shift at every boundary: in newtons where given, else as a
        share of the cut point.
    firmest : {"first", "last"}
        For messages.
    sale_limit : str, optional
        Softest score that may be sold, where the scale has none.

    Raises
    ------
    NoSuchRaterError, CannotCompareError, TooFewScoresError, WrongDirectionError
        See `calibrate.model.ratershift.rater_cuts`.
    """
    limit = HandLimit(share=limit_share, newton=limit_newton)
    found = rater_cuts(
        pairs, rater, against=against, force_scale=force_scale, level=level, firmest=firmest
    )
    panel = Calibration(
        scale=pairs.scale,
        force_scale=force_scale,
        cuts=found.panel_cuts,
        spread=found.panel_spread,
        raters=found.panel,
    ).with_limit(sale_limit)
    own = pairs.of_raters([rater])
    first = _first_occasion(own)
    force_newton, given = own.felt(found.softening).force_newton[first], own.rank[first]
    expected = panel.ranks(force_newton)
    agreement = score_agreement(expected, given, len(panel.scale.labels))
    return RaterCheck(
        rater=rater,
        reference=reference or found.reference,
        own=found.reference == OWN_HISTORY,
        panel=panel,
        force_newton=force_newton,
        rank=given,
        agreement=agreement,
        shift_newton=found.shift,
        boundaries=_boundaries(panel, found, limit),
        spread=found.spread,
        blunter=found.blunter,
        skill=sale_limit_skill(expected, given, panel.scale.sale_boundary, level),
        drifts=_drifts(own, force_scale),
        repeated=repeatability(own),
        power=power(found, limit),
        limit=limit,
        verdict=verdict(found, limit),
        within_limit=within(found.gaps, limit),
        confounded=found.confounded,
        warnings=found.warnings,
    )


def _boundaries(
    panel: Calibration, found: RaterShift, limit: HandLimit
) -> tuple[BoundaryShift, ...]:
    """Put together what is known of each boundary."""
    columns = (panel.scale.boundaries, panel.cuts, found.reference_cuts, found.boundaries)
    return tuple(
        BoundaryShift(
            between=between,
            panel_newton=cut.value,
            reference_newton=at.value,
            shift_newton=one,
            limit_newton=at.value and limit.newtons(at.value),
        )
        for between, cut, at, one in zip(*columns, strict=True)
    )


def _first_occasion(pairs: Pairs) -> NDArray[np.bool_]:
    """Mark the rows of first scorings: a second one is for repeatability alone."""
    occasion = pairs.extra.get("occasion")
    if occasion is None:
        return np.ones(len(pairs.rank), dtype=bool)
    return np.array([value is None or float(value) <= 1 for value in occasion], dtype=bool)


def _drifts(pairs: Pairs, force_scale: str) -> tuple[Drift, ...]:
    """Find the drift within a session (fatigue), in the order of scoring, and across dates."""
    times = pairs.extra.get("scored_at")
    if times is None:
        return ()
    try:
        stamps = np.array([datetime.fromisoformat(str(t)).timestamp() for t in times])
    except ValueError:
        return ()
    days = stamps // 86_400
    order = np.zeros(days.size)
    for day in np.unique(days):
        mine = np.flatnonzero(days == day)
        order[mine[np.argsort(stamps[mine], kind="stable")]] = np.linspace(0.0, 1.0, mine.size)
    found = [
        drift_along(pairs, column.tolist(), along, force_scale=force_scale)
        for column, along in ((order, "the session"), (days, "the dates"))
    ]
    return tuple(drift for drift in found if drift is not None)
