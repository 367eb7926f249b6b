"""Several sources read together: sites, stations and years as levels, and what contradicts what.

One source is read by poolfile; here their rows are joined. A berry is known by its season, site,
sample and number; a clamshell sheet by season, site, sample and rater.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.clamshell import Clamshell
from calibrate.poolfile import Part, read_part
from calibrate.scale import Scale
from gauge.errors import CannotCompareError, ContradictionError, NoSuchRecordError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# The same force written with fewer digits by one source is no contradiction.
_SAME_FORCE = 1e-6
_ATTRIBUTES = ("selection", "harvest_date", "storage_day", "storage_temp_c")


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """One level of all berries: a code each (-1 for none) and what the codes stand for."""

    code: NDArray[np.int32]
    labels: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether every berry has one."""
        return bool(self.code.size) and bool((self.code >= 0).all())


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


@dataclass(frozen=True, kw_only=True)
class Pool:
    """Berries, finger scores and clamshell sheets of all sources.

    Attributes
    ----------
    sources : tuple of str
    force_n : ndarray of float, shape (n,)
        NaN for a berry that was only scored.
    levels : dict of str to Level
    score_at, rank : ndarray of int, shape (s,)
        Which berry a finger score belongs to, and its position on the scale.
    scale : Scale or None
    clamshells : tuple of Clamshell
    contradictions : tuple of Contradiction
    repeated : int
        Rows left out because another source had told the same already.
    notes : tuple of str
    """

    sources: tuple[str, ...]
    force_n: Floats
    levels: dict[str, Level]
    score_at: Ints
    rank: Ints
    scale: Scale | None
    clamshells: tuple[Clamshell, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    repeated: int = 0
    notes: tuple[str, ...] = ()

    @property
    def n(self) -> int:
        """Berries."""
        return int(self.force_n.size)


@dataclass
class _Joined:
    """Columns while sources are added; texts become codes at once, so that memory stays small."""

    place: dict[str, dict[str, int]] = field(default_factory=dict)
    codes: dict[str, list[NDArray[np.int32]]] = field(default_factory=dict)
    sizes: list[int] = field(default_factory=list)

    def add(self, n: int, levels: dict[str, Sequence[str | None]]) -> None:
        for name in levels:
            if name not in self.place:
                self.place[name] = {}
                self.codes[name] = [np.full(size, -1, np.int32) for size in self.sizes]
        self.sizes.append(n)
        for name, place in self.place.items():
            column = levels.get(name)
            if column is None:
                self.codes[name].append(np.full(n, -1, np.int32))
                continue
            mine: dict[str | None, int] = {}
            for text in dict.fromkeys(column):
                mine[text] = -1 if text is None else place.setdefault(text, len(place))
            code = np.fromiter(map(mine.__getitem__, column), np.int32, count=n)
            self.codes[name].append(code)

    def level(self, name: str) -> Level:
        return Level(code=_joined(self.codes[name], np.int32), labels=tuple(self.place[name]))


def _joined(parts: Sequence[NDArray[np.int32]], kind: type) -> NDArray[np.int32]:
    return np.concatenate(parts) if parts else np.zeros(0, kind)


def pool(
    paths: Sequence[Path],
    *,
    scale: Scale | None = None,
    cues: Sequence[str] = (),
    rater: str | None = None,
    allow_contradictions: bool = False,
) -> Pool:
    """Read sources together.

    Parameters
    ----------
    paths : sequence of Path
        See `calibrate.poolfile.read_part`.
    scale : Scale, optional
        Of the scores in CSVs.
    cues : sequence of str
        Further columns to keep.
    rater : str, optional
        Only this rater's finger scores and sheets.
    allow_contradictions : bool
        Whether to keep the first source's word on a contradiction instead of refusing.

    Raises
    ------
    ContradictionError
        If sources say different things of the same sample; the message lists the first of them.
    CannotCompareError
        If their finger scores are on different scales.
    NoSuchRecordError
        If no source has a cue that was asked for.
    UnreadableFileError, BadTableError, ImpossibleSheetError
        As for reading.
    """
    return join(
        (read_part(path, scale=scale, cues=cues) for path in paths),
        cues=cues,
        rater=rater,
        allow_contradictions=allow_contradictions,
    )


def join(
    parts: Iterable[Part],
    *,
    cues: Sequence[str] = (),
    rater: str | None = None,
    allow_contradictions: bool = False,
) -> Pool:
    """Join parts that were read already; see `pool`.

    Examples
    --------
    >>> first = Part(source="a.csv", force_n=np.array([1.2]),
    ...              levels={"sample": ["T1"], "number": ["1"]})
    >>> second = Part(source="b.csv", force_n=np.array([1.9]),
    ...               levels={"sample": ["T1"], "number": ["1"]})
    >>> for one in join([first, second], allow_contradictions=True).contradictions:
    ...     print(one)
    sample T1, berry 1: a.csv says 1.2 N, b.csv says 1.9 N
    """
    joined = _Joined()
    force, source_of = [], []
    sources: list[str] = []
    score_at, rank, raters, occasions = [], [], [], []
    who: dict[str, int] = {}
    when: dict[str, int] = {}
    clamshells: list[tuple[str, Clamshell]] = []
    scale: Scale | None = None
    scale_from, start = "", 0
    for part in parts:
        if part.rank or part.clamshells:
            if scale is not None and part.scale is not None and part.scale != scale:
                raise CannotCompareError(
                    f"{scale_from} scores {', '.join(scale.labels)}, but {part.source} scores "
                    f"{', '.join(part.scale.labels)}.",
                    todo="Tabulate them apart, or declare one scale with --scores.",
                )
            if scale is None:
                scale, scale_from = part.scale, part.source
        levels = dict(part.levels)
        # Without a word on its season, a source cannot be told from another season's.
        known = levels.get("season") if part.said_season else None
        levels["_season"] = known if known is not None else ["?"] * part.force_n.size
        joined.add(part.force_n.size, levels)
        force.append(part.force_n)
        source_of.append(np.full(part.force_n.size, len(sources), np.int32))
        sources.append(part.source)
        score_at.append(np.asarray(part.score_at, np.int64) + start)
        rank.append(np.asarray(part.rank, np.int64))
        raters.append(np.array([who.setdefault(r, len(who)) for r in part.rater], np.int64))
        occasions.append(np.array([when.setdefault(o, len(when)) for o in part.occasion], np.int64))
        clamshells += [(part.source, one) for one in part.clamshells]
        start += part.force_n.size
    table = {name: joined.level(name) for name in joined.place}
    rows = _Rows(
        force=_floats(force),
        source=_joined(source_of, np.int32),
        names=tuple(sources),
        levels=table,
    )
    keep, first_of, found, repeated = rows.merge()
    found = [*found, *rows.attributes()]
    at, ranks = first_of[_ints(score_at)] if start else _ints(score_at), _ints(rank)
    who_of = _ints(raters)
    once = _once(at, who_of, _ints(occasions), ranks)
    if rater is not None:
        once = once[who_of[once] == who.get(rater, -1)]
    sheets, more, again = _merge_sheets(clamshells, rater)
    found += more
    if found and not allow_contradictions:
        listed = "; ".join(map(str, found[:3]))
        others = f"; and {len(found) - 3} more" if len(found) > 3 else ""
        raise ContradictionError(
            f"Sources contradict one another in {len(found)} places: {listed}{others}.",
            todo="Correct the sources, name their season or site, or take the first source's word "
            "with --allow-contradictions.",
        )
    del table["_season"]
    position = np.cumsum(keep) - 1
    levels_kept = {
        name: Level(code=level.code[keep], labels=level.labels) for name, level in table.items()
    }
    for cue in cues:
        sheet_has = any(cue in one.levels for one in sheets)
        if not sheet_has and (cue not in levels_kept or (levels_kept[cue].code < 0).all()):
            raise NoSuchRecordError(f"No source has a value for '{cue}'.")
    return Pool(
        sources=tuple(sources),
        force_n=rows.force[keep],
        levels=levels_kept,
        score_at=position[at[once]],
        rank=ranks[once],
        scale=scale,
        clamshells=tuple(sheets),
        contradictions=tuple(found),
        repeated=repeated + again,
    )


def _floats(parts: Sequence[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.zeros(0)


def _ints(parts: Sequence[Ints]) -> Ints:
    return np.concatenate(parts) if parts else np.zeros(0, np.int64)


def combined(codes: Sequence[NDArray[np.int32]], n: int) -> Ints:
    """Number the combinations of several levels from 0, in the order of their codes.

    Parameters
    ----------
    codes : sequence of ndarray of int, each of shape (n,)
        From -1 on.
    n : int

    Examples
    --------
    >>> combined([np.array([0, 0, 1], np.int32), np.array([-1, 2, 2], np.int32)], 3)
    array([0, 1, 2])
    """
    key = np.zeros(n, np.int64)
    for code in codes:
        size = int(code.max(initial=-1)) + 2
        # Made dense after each step, so that many levels cannot overflow.
        key = np.unique(key * size + code + 1, return_inverse=True)[1].astype(np.int64)
    return key


@dataclass
class _Rows:
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
                what=f"sample {self._text('sample', i)}, berry {self._text('number', i)}",
                first_source=self.names[self.source[j]],
                first=f"{self.force[j]:g} N",
                second_source=self.names[self.source[i]],
                second=f"{self.force[i]:g} N",
            )
            for i, j in zip(here[clash].tolist(), there[clash].tolist(), strict=True)
        ]
        other = self.source[here] != self.source[there]
        return keep, first_of, found, int((other & ~clash).sum())

    def _text(self, name: str, row: int) -> str:
        level = self.levels[name]
        return level.labels[int(level.code[row])]

    def attributes(self) -> list[Contradiction]:
        """Samples that stand in several sources with another selection, harvest or storage."""
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
                            what=f"sample {self._text('sample', row)}, {name}",
                            first_source=self.names[before[1]],
                            first=labels[before[0]],
                            second_source=self.names[s],
                            second=labels[c],
                        )
                    )
        return found


def _once(at: Ints, rater: Ints, occasion: Ints, rank: Ints) -> Ints:
    """Rows of distinct (berry, rater, occasion, rank), in order."""
    if not at.size:
        return at
    key = at
    for code in (rater, occasion, rank):
        key = key * (int(code.max()) + 1) + code
    return np.sort(np.unique(key, return_index=True)[1])


def _merge_sheets(
    told: Sequence[tuple[str, Clamshell]], rater: str | None
) -> tuple[list[Clamshell], list[Contradiction], int]:
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
    return f"{counts}, {one.leaky} leaky, {one.decayed} decayed"
