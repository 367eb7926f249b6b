"""When an anchor must retire, by its presses, age and softening, and what replaces it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.choice import Anchor, choose_anchors
from calibrate.cuts.calibration import Calibration
from gauge.errors import InfeasiblePlanError, InvalidValueError

# Share of the force; an anchor that softened by more is no longer what its card says.
MOST_SOFTENING = 0.10


@dataclass(frozen=True, kw_only=True, slots=True)
class AnchorRecord:
    """What is known of an anchor in use.

    `force_newton` is that on which it was chosen; `presses` holds the time of each squeeze, with
    the force in newtons where it was pressed on the gauge.
    """

    label: str
    kind: str
    force_newton: float
    made_at: datetime
    presses: tuple[tuple[datetime, float | None], ...] = ()
    press_limit: int = 5
    valid_days: float = 3.0

    def __post_init__(self) -> None:
        if self.force_newton <= 0 or self.press_limit < 1 or self.valid_days <= 0:
            raise InvalidValueError(
                f"anchor {self.label}: force, limit and days must be above zero"
            )


def retirement_reason(anchor: AnchorRecord, now: datetime) -> str | None:
    """Say why an anchor must retire, or None while it may stay.

    It retires when it was squeezed more often than its limit, is older than its days, or a
    re-press read more than 10 % below the force on which it was chosen. A durable pad has no age.
    """
    measured = [force for _, force in anchor.presses if force is not None]
    if measured and measured[-1] < (1 - MOST_SOFTENING) * anchor.force_newton:
        change = 100 * (measured[-1] / anchor.force_newton - 1)
        return f"it fell from {anchor.force_newton:.2f} N to {measured[-1]:.2f} N ({change:.0f} %)"
    if anchor.kind == "pad":
        return None
    if len(anchor.presses) >= anchor.press_limit:
        return f"it was squeezed {len(anchor.presses)} times (limit {anchor.press_limit})"
    age_days = (now - anchor.made_at).total_seconds() / 86_400
    if age_days > anchor.valid_days:
        return f"it is {age_days:.1f} days old (limit {anchor.valid_days:g})"
    return None


def replacement(
    calibration: Calibration, retired: Anchor, candidates: Sequence[Candidate]
) -> Candidate | None:
    """Suggest the candidate that serves best in the place of a retired anchor.

    By the criterion of `calibrate.anchors.choice.choose_anchors`. None when none fits.
    """
    try:
        chosen = choose_anchors(calibration, candidates, per_score=1)
    except InfeasiblePlanError:
        return None
    for anchor in chosen.anchors:
        if anchor.score == retired.score and anchor.boundary == retired.boundary:
            return anchor.candidate
    return None
