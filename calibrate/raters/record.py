"""A rater's practice over the season, a day at a time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gauge.season.rows import PracticeRow


@dataclass(frozen=True, kw_only=True, slots=True)
class PracticeDay:
    """What a rater's squeezes of anchors showed on one day.

    `as_panel` counts scores that were the panel's; `off_newton` is the mean distance of the anchors
    from the panel's band of the score given, above zero where they were firmer than that score.
    """

    rater: str
    day: str
    n: int
    as_panel: int
    off_newton: float


def practice_days(rows: Iterable[PracticeRow]) -> list[PracticeDay]:
    """Sum up practice by rater and day, each in order."""
    found: dict[tuple[str, str], list[float]] = {}
    for row in rows:
        found.setdefault((row.rater, row.at[:10]), []).append(row.off_newton)
    return [
        PracticeDay(
            rater=rater,
            day=day,
            n=len(off),
            as_panel=off.count(0.0),
            off_newton=sum(off) / len(off),
        )
        for (rater, day), off in sorted(found.items())
    ]
