"""Several sources read together: sites, stations and years as levels.

One source is read by poolfile; what contradicts what is found in sameberry; here they are joined.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell
from calibrate.data.codedsheet import code_texts
from calibrate.data.levels import Level
from calibrate.data.scale import Scale
from calibrate.tables.poolfile import read_part
from calibrate.tables.poolpart import Part, Texts
from calibrate.tables.sameberry import Contradiction, Rows, merge_sheets, scores_once
from gauge.errors import CannotCompareError, ContradictionError, NoSuchRecordError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Pool:
    """Berries, finger scores and clamshell sheets of all sources.

    Attributes
    ----------
    sources : tuple of str
    force_newton : ndarray of float, shape (n,)
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
    force_newton: Floats
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
        return int(self.force_newton.size)


@dataclass
class _Joined:
    """Columns while sources are added; texts become codes at once, so that memory stays small."""

    place: dict[str, dict[str, int]] = field(default_factory=dict)
    codes: dict[str, list[NDArray[np.int32]]] = field(default_factory=dict)
    sizes: list[int] = field(default_factory=list)

    def add(self, n: int, levels: dict[str, Texts]) -> None:
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
            self.codes[name].append(_coded(column, place))

    def level(self, name: str) -> Level:
        return Level(code=_joined(self.codes[name], np.int32), labels=tuple(self.place[name]))


def _coded(texts: Texts, place: dict[str, int], *, blank: bool = False) -> NDArray[np.int32]:
    """Codes of texts, new ones added to `place`; -1 for none, and for a blank unless it counts."""
    mine = texts if isinstance(texts, Level) else code_texts(texts)
    # The last entry is what code -1 finds; labels of no row are not taken over.
    code = np.full(len(mine.labels) + 1, -1, np.int32)
    for at in np.unique(mine.code).tolist():
        if at >= 0 and (blank or mine.labels[at]):
            code[at] = place.setdefault(mine.labels[at], len(place))
    return code[mine.code]


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
    r"""Read sources together.

    Parameters
    ----------
    paths : sequence of Path
        See `calibrate.tables.poolfile.read_part`.
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

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "berries.csv")
    ...     _ = path.write_text("selection,force_N\nR-114,1.2\nR-114,1.4\n")
    ...     pool([path]).n
    2
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

    Raises
    ------
    ContradictionError, CannotCompareError, NoSuchRecordError
        As `pool`.

    Examples
    --------
    >>> first = Part(source="a.csv", force_newton=np.array([1.2]),
    ...              levels={"sample": ["T1"], "number": ["1"]})
    >>> second = Part(source="b.csv", force_newton=np.array([1.9]),
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
        if len(part.rank) or part.clamshells:
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
        levels["_season"] = known if known is not None else ["?"] * part.force_newton.size
        joined.add(part.force_newton.size, levels)
        force.append(part.force_newton)
        source_of.append(np.full(part.force_newton.size, len(sources), np.int32))
        sources.append(part.source)
        score_at.append(np.asarray(part.score_at, np.int64) + start)
        rank.append(np.asarray(part.rank, np.int64))
        raters.append(_coded(part.rater, who, blank=True).astype(np.int64))
        occasions.append(_coded(part.occasion, when, blank=True).astype(np.int64))
        clamshells += [(part.source, one) for one in part.clamshells]
        start += part.force_newton.size
    table = {name: joined.level(name) for name in joined.place}
    rows = Rows(
        force=_floats(force),
        source=_joined(source_of, np.int32),
        names=tuple(sources),
        levels=table,
    )
    keep, first_of, found, repeated = rows.merge()
    found = [*found, *rows.attributes()]
    at, ranks = first_of[_ints(score_at)] if start else _ints(score_at), _ints(rank)
    who_of = _ints(raters)
    told_by = _joined(source_of, np.int32)[_ints(score_at)].astype(np.int64) if start else at
    once, clashes = scores_once(at, who_of, _ints(occasions), ranks, told_by)
    found += [
        Contradiction(
            what=f"sample {rows.text('sample', int(at[i]))}, berry "
            f"{rows.text('number', int(at[i]))}, score",
            first_source=sources[told_by[j]],
            first=_label(scale, int(ranks[j])),
            second_source=sources[told_by[i]],
            second=_label(scale, int(ranks[i])),
        )
        for i, j in clashes
    ]
    if rater is not None:
        once = once[who_of[once] == who.get(rater, -1)]
    sheets, more, again = merge_sheets(clamshells, rater)
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
        force_newton=rows.force[keep],
        levels=levels_kept,
        score_at=position[at[once]],
        rank=ranks[once],
        scale=scale,
        clamshells=tuple(sheets),
        contradictions=tuple(found),
        repeated=repeated + again,
    )


def _label(scale: Scale | None, rank: int) -> str:
    return str(rank + 1) if scale is None else scale.labels[rank]


def _floats(parts: Sequence[Floats]) -> Floats:
    return np.concatenate(parts) if parts else np.zeros(0)


def _ints(parts: Sequence[Ints]) -> Ints:
    return np.concatenate(parts) if parts else np.zeros(0, np.int64)
