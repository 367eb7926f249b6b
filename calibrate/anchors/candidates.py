"""Candidates for anchors: durable pads, fresh berries of known lots, and pressed berries."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from gauge.csvsheet import CsvSheet
from gauge.errors import InvalidValueError
from gauge.records import Sample, as_day

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import PadPressRow

_LEAST_BERRIES = 5  # pressed of a lot, to know the forces of the others; common practice, no source


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A pressed berry, unpressed berries of a lot, or a durable pad that may become an anchor.

    The force of a lot is the mean of its berries, taken as log-normal with their standard
    deviation; `available` of them may be pulled. The age counts from `since`, the day of the press,
    or on which a pad was made.
    """

    label: str
    force_newton: float
    sd_newton: float = 0.0
    kind: str = "berry"
    berry_id: int | None = None
    available: int | None = None
    since: date | None = None

    def __post_init__(self) -> None:
        if not (0 < self.force_newton < math.inf and 0 <= self.sd_newton < math.inf):
            what = f"a force of {self.force_newton:g} N (SD {self.sd_newton:g} N) is none"
            raise InvalidValueError(f"anchor candidate {self.label}: {what}")
        if self.kind not in {"berry", "lot", "pad"}:
            raise InvalidValueError(f"'{self.kind}' is none of berry, lot, pad")

    def age_days(self, as_of: date) -> int | None:
        """Return its age, None where it is not known."""
        return None if self.since is None else (as_of - self.since).days


def season_candidates(
    season: SeasonFile, *, without: Collection[str] = (), lots: bool = False
) -> list[Candidate]:
    """Find the pads of a season, its lots if asked for, and its good berries with a peak.

    A berry is labelled sample-number, and its force is that of the latest gentle press. `without`
    are labels to leave out: of retired anchors, or of those in use.
    """
    days = season.press_days()
    latest = {row.berry_id: row.latest_newton for row in season.anchors()}
    found = [pad.as_candidate() for pad in pads_of(season.pad_presses())]
    found += fresh_lots(season) if lots else []
    found += [
        Candidate(
            label=f"{berry.sample}-{berry.number}",
            force_newton=latest.get(berry.berry_id, berry.peak_newton),
            berry_id=berry.berry_id,
            since=days.get(berry.berry_id),
        )
        for berry in season.berries()
        if berry.peak_newton is not None and berry.void is None and not berry.flags
    ]
    return [candidate for candidate in found if candidate.label not in without]


def scored_candidates(pairs: Pairs) -> list[Candidate]:
    """Find the berries of pairs with a force above zero and no flag.

    A berry is labelled sample-number where the pairs say both, else by its name, else by its row.
    """
    nothing = [None] * pairs.rank.size
    columns = ("sample", "number", "harvest_date", "storage_day")
    sample, number, picked, days = (pairs.extra.get(key, nothing) for key in columns)
    flags = pairs.flags
    found: dict[str, Candidate] = {}
    for row, force in enumerate(pairs.force_newton):
        label = pairs.berries[pairs.berry[row]] if pairs.berries else f"row {row + 1}"
        if sample[row] is not None and number[row] is not None:
            label = f"{sample[row]}-{number[row]:g}"
        if force > 0 and not flags[row] and label not in found:
            since = None
            if picked[row] is not None and isinstance(days[row], int | float):
                since = Sample(code=label, harvest_date=picked[row], storage_day=days[row]).due
            found[label] = Candidate(label=label, force_newton=float(force), since=since)
    return list(found.values())


def fresh_lots(season: SeasonFile) -> list[Candidate]:
    """Find the lots of which berries were pressed: mean and standard deviation of their force.

    A sample that names no lot is one of its own. Its age counts from the last press of it.
    """
    days = season.press_days()
    lots = {row.sample.code: row.sample.lot or row.sample.code for row in season.samples()}
    forces: dict[str, list[float]] = {}
    since: dict[str, date] = {}
    for berry in season.berries():
        if berry.peak_newton is not None and berry.void is None and berry.berry_id in days:
            lot = lots.get(berry.sample, berry.sample)
            forces.setdefault(lot, []).append(berry.peak_newton)
            since[lot] = max(since.get(lot, date.min), days[berry.berry_id])
    return [
        Candidate(
            label=lot,
            force_newton=float(np.mean(newton)),
            sd_newton=float(np.std(newton, ddof=1)),
            kind="lot",
            since=since[lot],
        )
        for lot, newton in forces.items()
        if len(newton) >= _LEAST_BERRIES
    ]


@dataclass(frozen=True, kw_only=True, slots=True)
class Pad:
    """A durable pad and its presses: mean force and standard deviation on the last day of them."""

    name: str
    batch: str | None
    made_on: date | None
    temp_c: float | None
    pressed_on: date | None
    presses: int
    force_newton: float
    sd_newton: float | None

    def as_candidate(self) -> Candidate:
        """Make it a candidate; it may serve at any age."""
        return Candidate(
            label=self.name, force_newton=self.force_newton, kind="pad", since=self.made_on
        )


def pads_of(rows: Sequence[PadPressRow]) -> list[Pad]:
    """Sum up the presses of each pad of a season, by name; of another batch it is another pad."""
    groups: dict[str, list[PadPressRow]] = {}
    for row in rows:  # oldest first, so that the last row of a pad says its batch
        known = groups.setdefault(row.pad, [])
        groups[row.pad] = [*(one for one in known if one.batch == row.batch), row]
    found = []
    for name, presses in sorted(groups.items()):
        last = presses[-1]
        newton = [one.force_newton for one in presses if one.at[:10] == last.at[:10]]
        found.append(
            Pad(
                name=name,
                batch=last.batch,
                made_on=as_day(last.made_on),
                temp_c=last.temp_c,
                pressed_on=as_day(last.at),
                presses=len(presses),
                force_newton=float(np.mean(newton)),
                sd_newton=float(np.std(newton, ddof=1)) if len(newton) > 1 else None,
            )
        )
    return found


def repeated_presses(rows: Sequence[PadPressRow]) -> NDArray[np.float64]:
    """Arrange the presses of pads for `repeatability`: a row a pad, day and temperature."""
    groups: dict[tuple[object, ...], list[float]] = {}
    for row in rows:
        key = (row.pad, row.batch, row.at[:10], row.temp_c)
        groups.setdefault(key, []).append(row.force_newton)
    table = np.full((len(groups), max(map(len, groups.values()), default=0)), np.nan)
    for line, newton in zip(table, groups.values(), strict=True):
        line[: len(newton)] = newton
    return table


def young_enough(
    candidates: Sequence[Candidate], as_of: date, valid_days: float, *, unknown_may: bool = False
) -> tuple[list[Candidate], list[str]]:
    """Keep the candidates that may serve on a day, and say what was refused for its age.

    Fruit serves for some days after its press, and not before it; a pad has no such limit, and
    fruit of unknown age is named, and kept if it may.
    """

    def serves(one: Candidate) -> bool:
        if one.kind == "pad":
            return True
        age = one.age_days(as_of)
        return unknown_may if age is None else 0 <= age <= valid_days

    days = [one.since for one in candidates if one.since is not None and not serves(one)]
    unknown = sum(one.kind != "pad" and one.since is None for one in candidates)
    notes = []
    if days:
        past, later = ([day for day in days if (day <= as_of) == old] for old in (True, False))
        when = [f"{len(past)} longer ago (the last on {max(past)})"] if past else []
        when += [f"{len(later)} only after it (the first on {min(later)})"] if later else []
        notes.append(
            f"{len(days)} of {len(candidates)} candidates were not pressed in the {valid_days:g} "
            f"days to {as_of} and are no anchors: {', '.join(when)}."
        )
    if unknown:
        so = "" if unknown_may else " They are not kept."
        notes.append(f"When {unknown} candidates were pressed is not known, nor is their age.{so}")
    return list(filter(serves, candidates)), notes


def read_candidates(path: Path, *needed: str) -> list[Candidate]:
    """Read a CSV of candidates: label (or lot), force_N (or mean_N) and, perhaps, other columns.

    Those are kind (lot if there is none), sd_N, available, and pressed_on.
    """
    sheet = CsvSheet(path, "the columns label and force_N (or lot and mean_N), a row a candidate")
    label, force = (
        first if first in sheet.columns else other
        for first, other in (("label", "lot"), ("force_N", "mean_N"))
    )
    sheet.need(label, force, *needed)
    n = len(sheet.columns[label])

    def column(name: str, parse: Callable[[str], Any], missing: Any) -> list[Any]:
        return sheet.parsed(name, parse) if name in sheet.columns else [missing] * n

    forces, sds = column(force, sheet.number, 0.0), column("sd_N", sheet.number, 0.0)
    available = column("available", sheet.whole, None)
    kinds = column("kind", str, "lot")
    since = column("pressed_on", date.fromisoformat, None)
    found = []
    for index, name in enumerate(sheet.columns[label]):
        try:
            found.append(
                Candidate(
                    label=name, force_newton=forces[index], sd_newton=sds[index],
                    kind=kinds[index], available=available[index], since=since[index],
                )
            )  # fmt: skip
        except InvalidValueError as error:
            sheet.bad(index, force, str(error))
    return found
