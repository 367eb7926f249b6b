"""When an anchor must retire, by its presses, age and softening, and what replaces it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.choice import choose_anchors
from calibrate.cuts.calibration import Calibration
from calibrate.data.labels import with_unit
from calibrate.data.pairs import looks_like_season
from gauge.errors import InfeasiblePlanError
from gauge.season.rows import AnchorRow

# Share of the force; an anchor that softened by more is no longer what its card says.
MOST_SOFTENING = 0.10


def anchors_of(source: Path) -> list[AnchorRow]:
    """Read all anchors of a season file, retired ones too; a CSV has none."""
    from gauge.season.file import open_season

    if not looks_like_season(source):
        return []
    with open_season(source, read_only=True) as season:
        return season.anchors()


def good_anchors(rows: Iterable[AnchorRow], now: datetime) -> list[AnchorRow]:
    """Keep the anchors that are neither retired nor to be retired."""
    return [row for row in rows if row.retired_at is None and retirement_reason(row, now) is None]


def retirement_reason(anchor: AnchorRow, now: datetime) -> str | None:
    """Say why an anchor must retire, or None while it may stay.

    It retires when its berry was voided, it was squeezed more often than its limit, is older than
    its days, or a re-press read more than 10 % below the force on which it was chosen. A durable
    pad has no age.
    """
    if anchor.void is not None:
        return f"its berry was voided: {anchor.void}"
    measured = [one.force_newton for one in anchor.presses if one.force_newton is not None]
    if measured and measured[-1] < (1 - MOST_SOFTENING) * anchor.force_newton:
        change = 100 * (measured[-1] / anchor.force_newton - 1)
        first, last = with_unit(anchor.force_newton), with_unit(measured[-1])
        return f"it fell from {first} to {last} ({change:.0f} %)"
    if anchor.kind == "pad":
        return None
    if len(anchor.presses) >= anchor.press_limit:
        return f"it was squeezed {len(anchor.presses)} times (limit {anchor.press_limit})"
    age_days = (now - datetime.fromisoformat(anchor.made_at)).total_seconds() / 86_400
    if age_days > anchor.valid_days:
        return f"it is {age_days:.1f} days old (limit {anchor.valid_days:g})"
    return None


def replacement(
    calibration: Calibration, retired: AnchorRow, candidates: Sequence[Candidate]
) -> Candidate | None:
    """Suggest the candidate that serves best in the place of a retired anchor.

    By the criterion of `calibrate.anchors.choice.choose_anchors`. None when none fits.
    """
    try:
        chosen = choose_anchors(calibration, candidates, per_score=1)
    except InfeasiblePlanError:
        return None
    place = (retired.score, retired.boundary)
    fit = (one.candidate for one in chosen.anchors if (one.score, one.boundary) == place)
    return next(fit, None)
