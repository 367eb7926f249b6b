"""Candidates for anchors: what has a known force, of a season file or of pairs."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calibrate.data.pairs import Pairs
from gauge.csvsheet import CsvSheet
from gauge.errors import InvalidValueError

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A berry, lot or pad of known force that may become an anchor; never void or flagged."""

    label: str
    force_newton: float
    kind: str = "berry"
    berry_id: int | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.force_newton) and self.force_newton > 0):
            raise InvalidValueError(
                f"anchor candidate {self.label}: {self.force_newton} N is no force"
            )


def measured_candidates(season: SeasonFile, without: Collection[str]) -> list[Candidate]:
    """Find the berries with a peak that are neither void nor flagged, labelled sample-number.

    `without` are labels to leave out: of retired anchors, or of those in use.
    """
    found = [
        Candidate(
            label=f"{berry.sample}-{berry.number}",
            force_newton=berry.peak_newton,
            berry_id=berry.berry_id,
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
    sample, number = (pairs.extra.get(key, nothing) for key in ("sample", "number"))
    flags = pairs.flags
    found: dict[str, float] = {}
    for row, force in enumerate(pairs.force_newton):
        label = pairs.berries[pairs.berry[row]] if pairs.berries else f"row {row + 1}"
        if sample[row] is not None and number[row] is not None:
            label = f"{sample[row]}-{number[row]:g}"
        if force > 0 and not flags[row]:
            found.setdefault(label, float(force))
    return [Candidate(label=label, force_newton=force) for label, force in found.items()]


def read_candidates(path: Path) -> list[Candidate]:
    """Read a CSV of candidates: label, force_N and perhaps kind (berry, lot or pad; lot if not)."""
    sheet = CsvSheet(path, "the columns label and force_N, one row a candidate")
    sheet.need("label", "force_N")
    forces = sheet.parsed("force_N", sheet.number)
    kinds = sheet.columns.get("kind", ("lot",) * len(forces))
    for index, (force, kind) in enumerate(zip(forces, kinds, strict=True)):
        if force <= 0:
            sheet.bad(index, "force_N", f"{force:g} N is no force")
        if kind not in {"berry", "lot", "pad"}:
            sheet.bad(index, "kind", f"'{kind}' is none of berry, lot, pad")
    return [
        Candidate(label=label, force_newton=force, kind=kind)
        for label, force, kind in zip(sheet.columns["label"], forces, kinds, strict=True)
    ]
