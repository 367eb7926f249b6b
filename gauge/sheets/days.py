"""Days as sheets have them: ISO 8601, or day, month and year in the order that a column settles."""

from __future__ import annotations

import re
from calendar import month_name, monthrange
from collections.abc import Callable, Iterable
from datetime import date

_PARTED = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})")
_YEAR_FIRST = re.compile(r"(\d{4})[./-](\d{1,2})[./-](\d{1,2})")


def day_reader(cells: Iterable[str]) -> Callable[[str], str | None]:
    """Return what reads the days of a column as ISO 8601; a ValueError says what is wrong.

    With points the day comes first (19.11.2026). With strokes one cell with a number above 12
    settles the order for all; a ValueError at once says that none does.

    >>> read = day_reader(["11/3/2026", "11/19/2026"])
    >>> read("11/3/2026"), day_reader([])("19.11.2026"), read("")
    ('2026-11-03', '2026-11-19', None)
    """
    found = [match for cell in set(cells) if (match := _PARTED.fullmatch(cell))]
    stroked = [(int(m[1]), int(m[3]), m[0]) for m in found if m[2] != "."]
    month_first = any(second > 12 for _, second, _ in stroked)
    settled = month_first or any(first > 12 for first, _, _ in stroked)
    if not settled and (open_ones := sorted(text for a, b, text in stroked if a != b)):
        raise ValueError(
            f"whether '{open_ones[0]}' begins with the day or the month, no cell of this column "
            "says; write the days as 2026-07-31"
        )

    def read(text: str) -> str | None:
        if not text:
            return None
        if parted := _PARTED.fullmatch(text):
            parts = parted[1], parted[3]
            day, month = parts[::-1] if month_first and parted[2] != "." else parts
            return _day(text, parted[4], month, day)
        if first := _YEAR_FIRST.fullmatch(text):
            return _day(text, *first.groups())
        try:
            return date.fromisoformat(text).isoformat()
        except ValueError:
            raise ValueError(f"'{text}' is not a date such as 2026-07-31") from None

    return read


def _day(text: str, *parts: str) -> str:
    year, month, day = map(int, parts)
    if not (1 <= month <= 12 and year and day):
        raise ValueError(f"'{text}' is not a date such as 2026-07-31")
    if day > (last := monthrange(year, month)[1]):
        raise ValueError(f"'{text}' is no day: {month_name[month]} {year} has {last} days")
    return date(year, month, day).isoformat()
