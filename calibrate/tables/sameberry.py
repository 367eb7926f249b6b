"""What several sources tell of the same berry, sample or sheet, and where they contradict.

A berry is known by its season, site, sample and number; a clamshell sheet by season, site, sample
and rater.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell
from calibrate.data.levels import Level, combined

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# The same force written with fewer digits by one source is no contradiction.
_SAME_FORCE = 1e-6
_ATTRIBUTES = ("selection", "harvest_date", "storage_day", "storage_temp_c")


@dataclass(frozen=True, kw_only=True, slots=True)
class Contradiction:
    """Two sources that say different things of the same sample."""

    what: str
    first_source: str
    first: str
    second_source: str
    second: str

    def __str__(self) -> str:
        return (
            f"{self.what}: {self.first_source} says {self.first}, "
            f"{self.second_source} says {self.second}"
        )


@dataclass
class Rows:
    """All rows of all sources, to find berries that were told more than once."""

    force: Floats
    source: NDArray[np.int32]
    names: tuple[str, ...]
    levels: dict[str, Level]

    def _key(self, *names: str) -> Ints:
        codes = [self.levels[name].code for name in names if name in self.levels]
        return combined(codes, self.force.size)

    def merge(self) -> tuple[NDArray[np.bool_], Ints, list[Contradiction], int]:
        """Which rows to keep, for each row the row that stands for it, and what does not agree.

        Rows of one source that name the same berry (one a rater) are one berry.

        Examples
        --------
        >>> level = Level(code=np.zeros(2, np.int32), labels=("T1",))
        >>> rows = Rows(force=np.array([1.2, 1.9]), source=np.array([0, 1], np.int32),
        ...             names=("a.csv", "b.csv"), levels={"sample": level, "number": level})
        >>> keep, first_of, contradictions, repeated = rows.merge()
        >>> keep.tolist(), str(contradictions[0])
        ([True, False], 'sample T1, berry T1: a.csv says 1.2 N, b.csv says 1.9 N')
        """
        n = self.force.size
        keep, first_of = np.ones(n, bool), np.arange(n, dtype=np.int64)
        found: list[Contradiction] = []
        if "sample" not in self.levels or "number" not in self.levels:
            return keep, first_of, found, 0
        named = (self.levels["sample"].code >= 0) & (self.levels["number"].code >= 0)
        rows = np.flatnonzero(named)
        key = self._key("_season", "site", "sample", "number")[rows]
        order = np.argsort(key, kind="stable")
        rows, key = rows[order], key[order]
        begins = np.flatnonzero(np.r_[True, key[1:] != key[:-1]]) if key.size else key
        lengths = np.diff(np.r_[begins, key.size])
        first = np.repeat(rows[begins], lengths)
        first_of[rows] = first
        again = rows != first
        keep[rows[again]] = False
        here, there = rows[again], first[again]
        # A berry that one row only scores and another row presses is whole when both are joined.
        filled = np.isnan(self.force[there]) & ~np.isnan(self.force[here])
        self.force[there[filled]] = self.force[here[filled]]
        gap = np.abs(self.force[here] - self.force[there])
        clash = gap > _SAME_FORCE * np.maximum(np.abs(self.force[there]), 1e-12)
        found += [
            Contradiction(
                what=f"sample {self.text('sample', i)}, berry {self.text('number', i)}",
                first_source=self.names[self.source[j]],
                first=f"{self.force[j]:g} N",
                second_source=self.names[self.source[i]],
                second=f"{self.force[i]:g} N",
            )
            for i, j in zip(here[clash].tolist(), there[clash].tolist(), strict=True)
        ]
        other = self.source[here] != self.source[there]
        return keep, first_of, found, int((other & ~clash).sum())

    def text(self, name: str, row: int) -> str:
        """What a row's level is called.

        Examples
        --------
        >>> level = Level(code=np.zeros(2, np.int32), labels=("T1",))
        >>> rows = Rows(force=np.array([1.2, 1.9]), source=np.array([0, 1], np.int32),
        ...             names=("a.csv", "b.csv"), levels={"sample": level, "number": level})
        >>> rows.text("sample", 1)
        'T1'
        """
        level = self.levels[name]
        return level.labels[int(level.code[row])]

    def attributes(self) -> list[Contradiction]:
        """Samples that stand in several sources with another selection, harvest or storage.

        Examples
        --------
        >>> level = Level(code=np.zeros(2, np.int32), labels=("T1",))
        >>> rows = Rows(force=np.array([1.2, 1.9]), source=np.array([0, 1], np.int32),
        ...             names=("a.csv", "b.csv"), levels={"sample": level, "selection": Level(
        ...                 code=np.array([0, 1], np.int32), labels=("R-114", "R-120"))})
        >>> [str(one) for one in rows.attributes()]
        ['sample T1, selection: a.csv says R-114, b.csv says R-120']
        """
        if "sample" not in self.levels or len(self.names) < 2:
            return []
        rows = np.flatnonzero(self.levels["sample"].code >= 0)
        key = self._key("_season", "site", "sample")[rows]
        pairs = np.unique(key * len(self.names) + self.source[rows])
        several = np.bincount(pairs // len(self.names))
        found = []
        for name in _ATTRIBUTES:
            if name not in self.levels:
                continue
            code = self.levels[name].code[rows]
            usable = (several[key] > 1) & (code >= 0)
            seen: dict[int, tuple[int, int]] = {}
            triples = np.column_stack([key, code, self.source[rows]])[usable]
            for k, c, s in np.unique(triples, axis=0).tolist():
                before = seen.setdefault(k, (c, s))
                if before[0] != c and before[1] != s:
                    row = int(rows[np.flatnonzero(key == k)[0]])
                    labels = self.levels[name].labels
                    found.append(
                        Contradiction(
                            what=f"sample {self.text('sample', row)}, {name}",
                            first_source=self.names[before[1]],
                            first=labels[before[0]],
                            second_source=self.names[s],
                            second=labels[c],
                        )
                    )
        return found


def scores_once(
    at: Ints, rater: Ints, occasion: Ints, rank: Ints, source: Ints
) -> tuple[Ints, list[tuple[int, int]]]:
    """Finger scores without those told twice, and those that contradict an earlier source.

    Parameters
    ----------
    at, rater, occasion, rank, source : ndarray of int, shape (s,)
        Berry, rater, occasion, position on the scale and source of each score.

    Returns
    -------
    kept : ndarray of int
        Rows to keep, in order.
    clashes : list of (int, int)
        Row of another source, and the earlier row that it contradicts.

    Examples
    --------
    >>> zero = np.zeros(3, np.int64)
    >>> kept, clashes = scores_once(zero, zero, zero, np.array([2, 2, 3]), np.array([0, 1, 1]))
    >>> kept.tolist(), clashes
    ([0], [(2, 0)])
    """
    if not at.size:
        return at, []
    who = at
    for code in (rater, occasion):
        who = who * (int(code.max()) + 1) + code
    once = np.sort(np.unique(who * (int(rank.max()) + 1) + rank, return_index=True)[1])
    _, first, place = np.unique(who[once], return_index=True, return_inverse=True)
    earlier = once[first][place.ravel()]
    # Two scores of one rater in one source are a repeat; in two sources they contradict.
    clash = (source[once] != source[earlier]) & (once != earlier)
    pairs = zip(once[clash].tolist(), earlier[clash].tolist(), strict=True)
    return once[~clash], list(pairs)


def merge_sheets(
    told: Sequence[tuple[str, Clamshell]], rater: str | None
) -> tuple[list[Clamshell], list[Contradiction], int]:
    """Clamshell sheets without those told twice.

    Parameters
    ----------
    told : sequence of (str, Clamshell)
        Source and sheet, in order.
    rater : str or None
        Only this rater's sheets.

    Returns
    -------
    kept : list of Clamshell
    contradictions : list of Contradiction
        The first source's sheet is the one kept.
    again : int
        Sheets that were told twice.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Clamshell(sample="T1", scale=RASPBERRY, counts=(18, 2))
    >>> two = Clamshell(sample="T1", scale=RASPBERRY, counts=(17, 3))
    >>> kept, contradictions, again = merge_sheets([("a", one), ("b", one), ("c", two)], None)
    >>> len(kept), again, str(contradictions[0])
    (1, 1, 'sheet of sample T1: a says 18-2, c says 17-3')
    """
    kept: dict[tuple[str | None, ...], tuple[str, Clamshell]] = {}
    found, again = [], 0
    for source, one in told:
        if rater is not None and one.rater not in (None, rater):
            continue
        identity = (
            one.levels.get("season") or (one.levels.get("harvest_date") or "")[:4] or "?",
            *(one.levels.get(name) for name in ("site", "selection", "storage_day", "replicate")),
            one.sample,
            one.rater,
        )
        if identity not in kept:
            kept[identity] = (source, one)
            continue
        before_source, before = kept[identity]
        if before.to_document() == one.to_document():
            again += 1
            continue
        found.append(
            Contradiction(
                what=f"sheet of sample {one.sample}",
                first_source=before_source,
                first=_short(before),
                second_source=source,
                second=_short(one),
            )
        )
    return [one for _, one in kept.values()], found, again


def _short(one: Clamshell) -> str:
    counts = "-".join(map(str, one.counts))
    defects = [(one.leaky, "leaky"), (one.decayed, "decayed")]
    return ", ".join([counts, *(f"{n} {name}" for n, name in defects if n is not None)])
