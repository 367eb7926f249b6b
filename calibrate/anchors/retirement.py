"""When an anchor must retire, by its presses, age and softening, and what replaces it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path

from calibrate.anchors.candidates import Candidate
from calibrate.anchors.choice import choose_anchors
from calibrate.cuts.calibration import Calibration
from calibrate.data.labels import with_unit
from calibrate.data.pairs import looks_like_season
from gauge.errors import InfeasiblePlanError
from gauge.plaintext import plural
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


def good_anchors(rows: Iterable[AnchorRow], as_of: date) -> list[AnchorRow]:
    """Keep the anchors that on a day are neither retired nor to be retired."""
    return [row for row in rows if row.retired_at is None and retirement_reason(row, as_of) is None]


def retirement_reason(anchor: AnchorRow, as_of: date) -> str | None:
    """Say why an anchor must retire, or None while it may stay.

    It retires when its berry was voided, it was squeezed more often than its limit, its press is
    longer ago than its days, or a gentle re-press read more than 10 % below the force on which it
    was chosen. A durable pad may have any age and any number of squeezes.
    """
    if anchor.void is not None:
        return f"its berry was voided: {anchor.void}"
    latest_newton = anchor.latest_newton
    if latest_newton < (1 - MOST_SOFTENING) * anchor.force_newton:
        change = 100 * (latest_newton / anchor.force_newton - 1)
        fell = f"from {with_unit(anchor.force_newton)} to {with_unit(latest_newton)}"
        return f"it fell {fell} ({change:.0f} %)"
    if anchor.kind == "pad":
        return None
    if anchor.kind == "berry" and len(anchor.presses) >= anchor.press_limit:
        return f"it was squeezed {len(anchor.presses)} times (limit {anchor.press_limit})"
    age_days = 0 if anchor.since is None else (as_of - anchor.since).days
    if age_days > anchor.valid_days:
        return f"it was pressed {plural(age_days, 'day')} ago (limit {anchor.valid_days:g})"
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
