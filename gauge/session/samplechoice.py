"""Which sample is meant, how many berries it lacks, and by which name the tech knows it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from gauge.errors import AlreadyThereError, InvalidValueError
from gauge.records import possible
from gauge.season.rows import SampleRow, ahead, match

# What is measured of a sample's fruit when it is pressed.
FRUIT = ("fruit_temp_c", "out_of_store_h")


def fruit_values(text: str) -> dict[str, float]:
    """Read the temperature of fruit in °C and, if it is there, its hours out of the store.

    Examples
    --------
    >>> fruit_values("18,5 2")
    {'fruit_temp_c': 18.5, 'out_of_store_h': 2.0}
    """
    words = text.replace(",", ".").split()
    try:
        if not re.fullmatch(r"-?[\d.]+( [\d.]+)?", " ".join(words)):
            raise ValueError(f"'{text}' is no temperature of fruit")
        return {name: possible(name, float(word)) for name, word in zip(FRUIT, words, strict=False)}
    except ValueError as error:
        raise InvalidValueError(f"{error}.", todo="Type °C, or °C and hours, as 18 2.") from None


def fruit_missing(row: SampleRow) -> list[str]:
    """Say that the temperature of a sample's fruit is not noted; nothing where it is."""
    if row.sample.fruit_temp_c is not None:
        return []
    return ["The temperature of this fruit is not noted: cold fruit is firmer."]


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """How far the work has come: of today where the sample is of today, else of the plan."""

    row: SampleRow
    place: int  # of the sample among those of the day, or of the plan; 0 outside of it
    n_samples: int
    n_left: int  # berries of all those samples that are still to press
    of_what: str = ""  # the day or the plan, where days are planned
    number: int = 0  # of its next berry, which no count gives after a void; 0: not known

    def __str__(self) -> str:
        planned, n = self.row.sample.berries_planned, self.row.berries
        where = f"sample {self.place} of {self.n_samples}{self.of_what}, " if self.place else ""
        if planned and n >= planned:
            return f"{where}{n} of {planned} logged"
        number = self.number or n + 1
        of = f" of {planned}" if number == n + 1 else f", {n} of {planned} logged"
        return f"{where}berry {number}{of if planned else ''}"


def progress(rows: Sequence[SampleRow], here: int, today: date, number: int = 0) -> Progress:
    """Count samples and berries of the day, or of the plan, up to the sample with the id `here`.

    `number` is that of its next berry.
    """
    row = next(row for row in rows if row.sample_id == here)
    group = [r for r in rows if r.sample.plan_order]
    of_what = " of the plan" if any(r.due for r in group) else ""
    if row.due == today:
        group, of_what = [r for r in rows if r.due == today], " of today"
    done = sum(r.done and r.sample_id != here for r in group)
    left = sum(berries_left(r) or 0 for r in (group if row in group else [row]))
    return Progress(
        row=row,
        place=done + 1 if row in group else 0,
        n_samples=len(group),
        n_left=left,
        of_what=of_what,
        number=number,
    )


def has_plan(rows: Sequence[SampleRow]) -> bool:
    """Return whether any sample is planned."""
    return any(row.sample.plan_order is not None for row in rows)


def berries_left(row: SampleRow) -> int | None:
    """Return how many planned berries a sample lacks; None without a planned number."""
    planned = row.sample.berries_planned
    return None if planned is None else max(0, planned - row.berries)


def next_or_match(rows: Sequence[SampleRow], code: str | None) -> SampleRow | None:
    """Return the sample of a code, or else the next one of the plan; None if there is none."""
    return match(rows, code) if code is not None else next(iter(ahead(rows)), None)


def lacking(row: SampleRow, *, more: bool, may_be_full: bool = False) -> int | None:
    """Return how many planned berries a sample lacks (None: more may come); refuse a full one."""
    left = None if more else berries_left(row)
    if left == 0 and not may_be_full:
        raise AlreadyThereError(
            f"sample {row.sample.code} is full: {row.berries} of {row.sample.berries_planned}.",
            todo="--next takes the next one of the plan, --more more berries into this one.",
        )
    return left


def shown_name(row: SampleRow, *, blind: bool) -> str:
    """Return the name of a sample for the tech: its blind code where the work is blind."""
    return (row.sample.blind_code if blind else None) or row.sample.code
