"""Pairs of force and finger score as a CSV and a season file have them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calibrate.data.codedsheet import CodedSheet, spelled_once
from calibrate.data.factor import Factor
from calibrate.data.oddrows import Namer
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from calibrate.data.squeezes import PressOnly, press_only
from gauge.errors import BadTableError

_PAIR = (
    "berry_id", "rater", "score", "force_N", "sample", "number", "occasion", "selection", "lot",
    "harvest_date", "storage_day", "fruit_temp_c", "size_mm", "mass_g", "site", "session_id",
    "flags", "scored_at", "squeeze_order",
)  # fmt: skip


def from_csv(path: Path, firmest: str, scale: Scale | None, positive: bool) -> tuple[Pairs, Namer]:
    """Read a CSV, and name its rows; all bad cells are listed at once."""
    wants = "a header with force_N and score, and one row a scored berry"
    sheet = CodedSheet(path, wants, problems=[])
    column = sheet.force_column
    if column is None:
        sheet.lacks(
            "force_N",
            todo="Give the season file itself: what 'gauge readings' exports has a column a rater."
            if "peak_N" in sheet.header
            else "Name the column force_N, or give the columns force and unit.",
        )
    sheet.need("score", todo="A sheet with a column a rater comes in by 'gauge import'.")
    force = sheet.forces()
    for row in np.flatnonzero(force <= 0 if positive else force < 0).tolist():
        what = "is below zero, which no press is" if force[row] < 0 else "has no logarithm"
        sheet.note(row, column, f"a force of {force[row]:g} N {what}")
    known = scale or _usual_scale(sheet, firmest)
    rank = sheet.ranks(known)
    count = np.ones(len(sheet))
    if "count" in sheet.header:
        count = sheet.values("count", sheet.whole)
    none = Factor(code=np.zeros(len(sheet), np.int32), labels=())
    taken = {"", "score", "rater", "berry", "count", column, "unit" if column == "force" else ""}
    rater = sheet.raters() if "rater" in sheet.header else none
    berry = sheet.berries() or none
    extra = {name: sheet.numbers_or_texts(name) for name in sheet.header if name not in taken}
    todo = "Correct the cells."
    if scale is None and sheet.typed["score"] in {one.column for one in sheet.problems or ()}:
        todo = "Correct the cells, or declare another scale: --scores 1-4, or firm,ripe,soft."
    sheet.refuse(todo)
    seen = np.flatnonzero(count)
    if not seen.size:
        raise BadTableError(f"{path}, column 'count': every count is zero.")
    pairs = _pairs(
        rater=rater.at(seen),
        berry=berry.at(seen),
        scale=known,
        force_newton=force[seen],
        rank=rank[seen].astype(np.int64),
        count=count[seen],
        extra={name: column[seen] for name, column in extra.items()},
        source=str(path),
    )
    return pairs, lambda row: f"row {sheet.numbers[int(seen[row])]}"


def _usual_scale(sheet: CodedSheet, firmest: str) -> Scale:
    """Take the scale of a CSV that declares none: firm and soft, or 1 to 5."""
    words = {text.casefold() for text in sheet.columns["score"].labels}
    usual = RASPBERRY if words <= set(RASPBERRY.labels) else BLACKBERRY
    return usual if firmest == "first" else Scale(labels=usual.labels[::-1])


def _pairs(*, rater: Factor, berry: Factor, **others: Any) -> Pairs:
    """Make pairs of names that are still factors."""
    return Pairs(
        rater=rater.code.astype(np.int64),
        berry=berry.code.astype(np.int64),
        raters=rater.labels,
        berries=berry.labels,
        **others,
    )


def from_season(path: Path, firmest: str, scale: Scale | None) -> tuple[Pairs, Namer]:
    """Read the berries of a season file with a peak and a finger score, and name its rows."""
    from calibrate.data.conditions import conditions_in, within
    from gauge.season.checks import peak_flags
    from gauge.season.file import open_season

    with open_season(path, read_only=True) as season:
        declared = Scale.from_json(season.scale_text)
        columns = season.columns("pair", _PAIR)
        flags = peak_flags(season)
        apart = tuple(row for row in season.roster() if row.status != "qualified")
        pressed = season.columns("berry", ("berry_id", "sample", "press_only", "peak_N", "void"))
        doubts = within(conditions_in(season))
    columns["flags"] = ["; ".join(flags[berry_id]) or None for berry_id in columns["berry_id"]]
    if scale is None:
        labels = declared.labels if firmest == "first" else declared.labels[::-1]
        scale = replace(declared, labels=labels)
    for berry_id, label in zip(columns["berry_id"], columns["score"], strict=True):
        if label not in scale.labels:
            raise BadTableError(
                f"{path}, berry {berry_id}: '{label}' is not a score of the scale "
                f"{', '.join(scale.labels)}."
            )
    if not columns["score"]:
        raise BadTableError(
            f"{path} holds no berry with both a peak and a finger score.",
            todo="Log berries with finger scores, or import them with 'gauge scores'.",
        )
    pairs = _pairs(
        rater=spelled_once(Factor.of(list(map(str, columns["rater"])))),
        berry=Factor.of(list(map(str, columns["berry_id"]))).sorted(),
        scale=scale,
        force_newton=np.array(columns["force_N"], dtype=float),
        rank=np.array(list(map(scale.rank, columns["score"])), dtype=np.int64),
        count=np.ones(len(columns["score"])),
        extra={name: np.array(columns[name], dtype=object) for name in _PAIR[4:]},
        source=str(path),
        doubts=tuple(doubts),
        press_only=_press_only(pressed, columns["berry_id"]),
        apart=apart,
    )
    return pairs, lambda row: f"berry {columns['sample'][row]}-{columns['number'][row]}"


def _press_only(berries: Mapping[str, list[Any]], scored: list[int]) -> PressOnly | None:
    """Compare the berries of a season that were pressed only to their squeezed mates."""
    if not any(berries["press_only"]):
        return None
    squeezes = Counter(scored)
    rows = [
        (sample, force, 0 if only else squeezes[berry_id])
        for berry_id, sample, only, force, void in zip(*berries.values(), strict=True)
        if void is None and force is not None and (only or berry_id in squeezes)
    ]
    samples, forces, counts = zip(*rows, strict=True)
    return press_only(samples, np.array(forces, float), np.array(counts, float))
