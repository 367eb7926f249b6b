"""The list at the start of a day and the one at its end, as lines of words. Nothing is stored."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime

from gauge.plaintext import plural
from gauge.season.rows import BerryRow, SampleRow
from gauge.session.samplechoice import berries_left, shown_name

_LISTED = 8  # samples, or berries; more are counted


def local_day(at: str) -> date:
    """Return the local day of a time as it is stored."""
    time = datetime.fromisoformat(at)
    return (time if time.tzinfo else time.replace(tzinfo=UTC)).astimezone().date()


def planned_line(rows: Sequence[SampleRow], day: date, *, blind: bool) -> str:
    """Say which samples are planned for a day: harvest date and planned storage day come to it."""
    today = [row for row in rows if row.due == day]
    what = plural(len(today), "sample") if today else "nothing that the plan dates"
    if left := [row for row in today if not row.done]:
        names = _listed([shown_name(row, blind=blind) for row in left])
        return f"planned for today: {what}; left: {names}"
    done = ", all done" if today else ""
    rest = _left(rows, day, blind=blind)
    return f"planned for today: {what}{done}; left of the plan: {rest or 'nothing'}"


def _left(rows: Sequence[SampleRow], day: date, *, blind: bool) -> str:
    """Say what is left of a day, or else of the plan."""
    planned = [row for row in rows if row.sample.plan_order and not row.done]
    left = [row for row in planned if row.due == day] or planned
    names = _listed([shown_name(row, blind=blind) for row in left])
    n = sum(berries_left(row) or 0 for row in left)
    return f"{plural(n, 'berry')} of {plural(len(left), 'sample')}: {names}" if left else ""


def due_words(due: date | None, day: date) -> str:
    """Say how a sample that is not done stands to a day; nothing where it has none."""
    if due is None:
        return ""
    return "due today" if due == day else f"late, due {due}" if due < day else f"due {due}"


def day_done(
    rows: Sequence[SampleRow], berries: Sequence[BerryRow], day: date, *, blind: bool
) -> list[str]:
    """Say what a day has brought: berries, voids and why, flags, and what is left."""
    ours = [berry for berry in berries if local_day(berry.at) == day]
    valid = [berry for berry in ours if berry.void is None]
    names = {row.sample.code: row for row in rows}
    done = []
    for code in dict.fromkeys(berry.sample for berry in valid):
        row = names[code]
        planned = f" of {row.sample.berries_planned}" if row.sample.berries_planned else ""
        done.append(f"{shown_name(row, blind=blind)} {row.berries}{planned}")
    lines = [f"Today: {plural(len(valid), 'berry')}{': ' if done else ''}{_listed(done)}."]

    def label(berry: BerryRow) -> str:
        return f"{shown_name(names[berry.sample], blind=blind)}-{berry.number}"

    void = [f"{label(berry)} {berry.void}" for berry in ours if berry.void is not None]
    flagged = [f"{label(berry)} {', '.join(berry.flags)}" for berry in valid if berry.flags]
    lines += [f"Void: {_listed(void)}."] if void else []
    lines += [f"Flagged: {_listed(flagged)}."] if flagged else []
    if left := _left(rows, day, blind=blind):
        lines.append(f"Left: {left}.")
    return lines


def _listed(words: Sequence[str]) -> str:
    more = f" and {len(words) - _LISTED} more" if len(words) > _LISTED else ""
    return ", ".join(words[:_LISTED]) + more
