"""The list at the start of a day and the one at its end, as lines of words. Nothing is stored."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from gauge.plaintext import plural
from gauge.pressprotocol import PressProtocol, mismatches
from gauge.season.checks import check_warning, overdue
from gauge.season.file import SeasonFile
from gauge.season.rows import BerryRow, SampleRow
from gauge.session.memory import Place
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


def _introduced(row: SampleRow | None, code: str | None, *, blind: bool) -> str:
    """Say in a line which sample a session goes on with."""
    if row is None:
        return f"sample '{code}', not known yet" if code else "no planned sample is left"
    planned = row.sample.berries_planned
    of = f"{row.berries} of {planned} berries" if planned else plural(row.berries, "berry")
    due = "" if row.done else due_words(row.due, date.today())
    words = ", ".join(filter(None, ["planned next" if planned else "", due, of]))
    return f"sample {shown_name(row, blind=blind)} ({words})"


def summary(
    place: Place,
    season: SeasonFile | None,
    row: SampleRow | None,
    code: str | None,
    zero: str,
    days: float,
) -> list[str]:
    """List what a day begins with: season, sample, gauge and its check, zero, raters, the plan."""
    check = _check(place, season, days)
    usual = season.protocol if season else PressProtocol()
    pressed = PressProtocol.of(place.session, usual)
    head = pressed.words().removeprefix("head ") or "not stated (--head-mm)"
    fruit_c = row.sample.fruit_temp_c if row else None
    fruit = "temperature not planned" if fruit_c is None else f"{fruit_c:g} °C"
    about = "a season that is not there"
    if season is not None:
        about = _introduced(row, code, blind=place.blind)
    lines = [
        f"{Path(place.season).name}, {about}",
        f"gauge     {place.gauge or place.gauge_serial or '(no name)'} on {place.port}",
        f"check     {check or f'good, within {days:g} days'}",
        f"zero      {zero}",
        f"head      {head}; fruit {fruit}",
        f"raters    {' and '.join(place.raters) or 'none'}{', blind' if place.blind else ''}",
        f"operator  {place.operator or 'not stated (--operator)'}",
    ]
    if season is not None:
        lines += [f"!  {line}" for line in _differences(place, season)]
        lines.append(planned_line(season.samples(), date.today(), blind=place.blind))
    return lines


def doubts(place: Place, season: SeasonFile, days: float) -> list[str]:
    """Say what is wrong with the last check, with how presses differ, and with certificates."""
    return [*filter(None, [_check(place, season, days)]), *_differences(place, season)]


def _check(place: Place, season: SeasonFile | None, days: float) -> str | None:
    """Say what is wrong with the last check of this gauge."""
    rows = season.verifications() if season else []
    return check_warning(rows, days=days, gauge=place.gauge, gauge_serial=place.gauge_serial)


def _differences(place: Place, season: SeasonFile) -> list[str]:
    """Say how presses of this session differ, and which certificates are overdue."""
    pressed = PressProtocol.of(place.session, season.protocol)
    differs = mismatches({"": season.protocol, "this session": pressed})
    return [*differs, *overdue(season.certificates(place.gauge, place.gauge_serial))]


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
