"""Whether the gauge's last check against weights still speaks for it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from gauge.season.rows import VerificationRow


def check_warning(
    rows: Iterable[VerificationRow],
    *,
    days: float,
    now: datetime | None = None,
    gauge_serial: str | None = None,
) -> str | None:
    """Say what is wrong with the last verification; None if nothing is.

    Parameters
    ----------
    rows : iterable of VerificationRow
        Of the season, oldest first.
    days : float
        The lab's own limit of age.
    now : datetime, optional
    gauge_serial : str, optional
        Verifications of gauges with another serial number do not count.

    Examples
    --------
    >>> check_warning([], days=7)
    'This gauge was never checked against weights in this season: gauge verify.'
    """
    ours = [
        row
        for row in rows
        if not (gauge_serial and row.gauge_serial) or row.gauge_serial == gauge_serial
    ]
    if not ours:
        return "This gauge was never checked against weights in this season: gauge verify."
    last = ours[-1]
    if not last.passed:
        return (
            f"This gauge FAILED its last check ({last.at[:10]}): do not trust its forces until "
            "gauge verify passes."
        )
    at = datetime.fromisoformat(last.at)
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    age = ((now or datetime.now(UTC)) - at).total_seconds() / 86400
    if age > days:
        return f"The gauge's last good check is {age:.0f} days old, limit {days:g}: gauge verify."
    return None
