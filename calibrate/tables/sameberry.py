"""What several sources say of the same berry, sample or sheet, and where they contradict.

A berry is known by its season, site, sample and number; a clamshell sheet by season, site, sample
and rater.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell
from calibrate.data.factor import Factor, combined, first_rows
from calibrate.tables.source import NAMED_SEASON, Scores, Source, season_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Share of the force; the same force written with fewer digits by one source is no contradiction.
_SAME_FORCE = 1e-6
_SHEET_WITHIN = ("site", "selection", "storage_day", "replicate")
_ATTRIBUTES = ("selection", "harvest_date", "storage_day", "storage_temp_c")


def contradiction(what: str, first: tuple[str, object], second: tuple[str, object]) -> str:
    """Write what two sources, each with its name, say of the same thing."""
    return f"{what}: {first[0]} says {first[1]}, {second[0]} says {second[1]}"


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Rows of berries of all sources, to find berries that stand there more than once."""

    force: Floats
    source: NDArray[np.int32]
    names: tuple[str, ...]
    factors: dict[str, Factor]

    def _key(self, *names: str) -> Ints:
        factors = [self.factors[name] for name in names if name in self.factors]
        return combined(factors, self.force.size)

    def berry(self, row: int) -> str:
        """Name a row's berry, for messages."""
        sample, number = (self.factors[name].text(row) for name in ("sample", "number"))
        return f"sample {sample}, berry {number}"

    def merge(self) -> tuple[NDArray[np.bool_], Ints, list[str], int]:
        """Make rows that name the same berry one; a force is filled in where the first has none.

        Returns which rows to keep, for each row the row that stands for it, forces that do not
        agree, and how many rows repeat what another source says.
        """
        n = self.force.size
        keep, first_of = np.ones(n, bool), np.arange(n, dtype=np.int64)
        if "sample" not in self.factors or "number" not in self.factors:
            return keep, first_of, [], 0
        named = (self.factors["sample"].code >= 0) & (self.factors["number"].code >= 0)
        rows = np.flatnonzero(named)
        key = self._key(NAMED_SEASON, "site", "sample", "number")[rows]
        first_of[rows] = rows[first_rows(key)]
        keep = first_of == np.arange(n)
        again = np.flatnonzero(~keep[rows])
        here = rows[again[np.argsort(key[again], kind="stable")]]
        there = first_of[here]
        # A berry that one row only scores and another row presses is whole when both are joined.
        filled = np.isnan(self.force[there]) & ~np.isnan(self.force[here])
        self.force[there[filled]] = self.force[here[filled]]
        gap = np.abs(self.force[here] - self.force[there])
        clash = gap > _SAME_FORCE * np.maximum(np.abs(self.force[there]), 1e-12)
        found = [
            contradiction(
                self.berry(i),
                (self.names[self.source[j]], f"{self.force[j]:g} N"),
                (self.names[self.source[i]], f"{self.force[i]:g} N"),
            )
            for i, j in zip(here[clash].tolist(), there[clash].tolist(), strict=True)
        ]
        other = self.source[here] != self.source[there]
        return keep, first_of, found, int((other & ~clash).sum())

    def attributes(self) -> list[str]:
        """Find samples that several sources give another selection, harvest or storage."""
        if "sample" not in self.factors or len(self.names) < 2:
            return []
        rows = np.flatnonzero(self.factors["sample"].code >= 0)
        key = self._key(NAMED_SEASON, "site", "sample")[rows]
        pairs = np.unique(key * len(self.names) + self.source[rows])
        several = np.bincount(pairs // len(self.names))[key] > 1
        rows, key = rows[several], key[several]
        found = []
        for name in [name for name in _ATTRIBUTES if name in self.factors]:
            factor = self.factors[name]
            known = factor.code[rows] >= 0
            here, there = rows[known], rows[known][first_rows(key[known])]
            clash = (factor.code[here] != factor.code[there]) & (
                self.source[here] != self.source[there]
            )
            # One row of each label that a source gives a sample.
            what = np.column_stack([key[known], factor.code[here], self.source[here]])[clash]
            _, at = np.unique(what, axis=0, return_index=True)
            for row, first in zip(here[clash][at].tolist(), there[clash][at].tolist(), strict=True):
                said = ((self.names[self.source[i]], factor.text(i)) for i in (first, row))
                sample = self.factors["sample"].text(row)
                found.append(contradiction(f"sample {sample}, {name}", *said))
        return found


def scores_once(scores: Scores, source: Ints) -> tuple[Ints, list[tuple[int, int]]]:
    """Find scores to keep, in order, and those that contradict an earlier one of another source.

    `source` is that of each score; a contradiction names the later row, then the earlier one.
    """
    who, rank = scores.berry, scores.rank
    if not who.size:
        return who, []
    for code in (scores.rater.code, scores.occasion.code):
        who = who * (int(code.max()) + 1) + code
    once = np.sort(np.unique(who * (int(rank.max()) + 1) + rank, return_index=True)[1])
    earlier = once[first_rows(who[once])]
    # Two scores of one rater in one source are a repeat; in two sources they contradict.
    clash = (source[once] != source[earlier]) & (once != earlier)
    pairs = zip(once[clash].tolist(), earlier[clash].tolist(), strict=True)
    return once[~clash], list(pairs)


def merge_sheets(
    sources: Sequence[Source], rater: str | None
) -> tuple[list[Clamshell], list[str], int]:
    """Find the sheets to keep (only this rater's), contradictions, and how many are repeated."""
    kept: dict[tuple[str | None, ...], tuple[str, Clamshell]] = {}
    found, again = [], 0
    for name, one in [(source.name, one) for source in sources for one in source.clamshells]:
        if rater is not None and one.rater not in (None, rater):
            continue
        within = map(one.levels.get, _SHEET_WITHIN)
        identity = (season_of(one) or "?", *within, one.sample, one.rater)
        first, before = kept.setdefault(identity, (name, one))
        if before is one:
            continue
        if before.to_document() == one.to_document():
            again += 1
            continue
        what = f"sheet of sample {one.sample}"
        found.append(contradiction(what, (first, _short(before)), (name, _short(one))))
    return [one for _, one in kept.values()], found, again


def _short(one: Clamshell) -> str:
    counts = "-".join(map(str, one.counts))
    defects = [(one.leaky, "leaky"), (one.decayed, "decayed")]
    return ", ".join([counts, *(f"{n} {name}" for n, name in defects if n is not None)])
