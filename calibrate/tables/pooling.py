"""Several sources read together: sites, stations and years become factors of one pool."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell
from calibrate.data.conditions import Conditions
from calibrate.data.factor import Factor, stacked
from calibrate.data.scale import Scale
from calibrate.tables.sameberry import Rows, contradiction, merge_sheets, scores_once
from calibrate.tables.source import FLAGS, NAMED_SEASON, Scores, Source, read_source
from gauge.csvsheet import name_key
from gauge.errors import (
    CannotCompareError,
    ContradictionError,
    NoSuchRaterError,
    NoSuchRecordError,
    WrongDirectionError,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Standard errors of a correlation, about 1 / sqrt(n); as unlikely as 1 in 700 by chance.
_REVERSED = 3.0


@dataclass(frozen=True, kw_only=True)
class Pool:
    """Berries, finger scores and clamshell sheets of all sources.

    Of n berries there are forces, NaN for a berry that was only scored, and factors; of s finger
    scores the berry and the position on the scale, shape (s,). `repeated` counts rows left out
    because another source says the same, `n_flagged` berries whose peak is flagged.
    """

    sources: tuple[str, ...]
    force_newton: Floats
    factors: dict[str, Factor]
    score_at: Ints
    rank: Ints
    scale: Scale | None
    clamshells: tuple[Clamshell, ...] = ()
    contradictions: tuple[str, ...] = ()
    repeated: int = 0
    n_flagged: int = 0
    conditions: tuple[Conditions, ...] = ()  # of the seasons among the sources

    @property
    def n(self) -> int:
        """Number of berries."""
        return int(self.force_newton.size)

    @property
    def mostly_squeezed(self) -> bool:
        """Whether most berries were squeezed before their press."""
        return 2 * np.unique(self.score_at).size > self.n


def pool(
    sources: Sequence[Path | Source],
    *,
    scale: Scale | None = None,
    cues: Sequence[str] = (),
    rater: str | None = None,
    without_flags: Sequence[str] = (),
    without_raters: Sequence[str] = (),
    allow_contradictions: bool = False,
) -> Pool:
    """Join sources: berries, finger scores and sheets that several of them hold count once.

    Paths are read, see `calibrate.tables.source.read_source`. Only the finger scores and sheets of
    `rater` are kept, where one is given, and none of `without_raters`; where contradictions are
    allowed, the first source's word is kept.

    Raises
    ------
    ContradictionError
        If sources say different things of the same sample; the message lists the first of them.
    CannotCompareError
        If their finger scores are on different scales.
    WrongDirectionError
        If softer scores stand at larger forces.
    NoSuchRaterError
        If no source names a rater who is to be left out.
    NoSuchRecordError
        If no source has a cue that was asked for.
    UnreadableFileError, BadTableError, ImpossibleSheetError
        As for reading.
    """
    read = [
        one
        if isinstance(one, Source)
        else read_source(one, scale=scale, cues=cues, without_flags=without_flags)
        for one in sources
    ]
    if without_raters:
        _refuse_nobody(read, without_raters)
        read = [_without(one, {name_key(name) for name in without_raters}) for one in read]
    scale = _common_scale(read)
    labels = () if scale is None else scale.labels
    rows = _rows(read)
    keep, first_of, found, repeated = rows.merge()
    found += rows.attributes()
    scores, score_source = _scores(read, first_of)
    once, clashes = scores_once(scores, score_source)
    found += [
        contradiction(
            f"{rows.berry(int(scores.berry[i]))}, score",
            *((rows.names[score_source[at]], labels[scores.rank[at]]) for at in (j, i)),
        )
        for i, j in clashes
    ]
    if rater is not None:
        codes = [code for code, name in enumerate(scores.rater.labels) if name == rater]
        once = once[np.isin(scores.rater.code[once], codes)]
    sheets, more, again = merge_sheets(read, rater)
    found += more
    if found and not allow_contradictions:
        raise _contradicting(found)
    kept = np.flatnonzero(keep)
    _refuse_reversed(rows.force[scores.berry[once]], scores.rank[once], scale)
    factors = {name: one.at(kept) for name, one in rows.factors.items() if name != NAMED_SEASON}
    flags = factors.pop(FLAGS, Factor.of(()))
    _refuse_unknown(cues, factors, sheets)
    return Pool(
        sources=rows.names,
        conditions=tuple(one.conditions for one in read if one.conditions),
        force_newton=rows.force[kept],
        factors=factors,
        score_at=(np.cumsum(keep) - 1)[scores.berry[once]],
        rank=scores.rank[once],
        scale=scale,
        clamshells=tuple(sheets),
        contradictions=tuple(found),
        repeated=repeated + again,
        n_flagged=int((flags.code >= 0).sum()),
    )


def _contradicting(found: Sequence[str]) -> ContradictionError:
    others = f"; and {len(found) - 3} more" if len(found) > 3 else ""
    return ContradictionError(
        f"Sources contradict one another in {len(found)} places: {'; '.join(found[:3])}{others}.",
        todo="Correct the sources, name their season or site, or take the first source's word "
        "with --allow-contradictions.",
    )


def _refuse_unknown(
    cues: Sequence[str], factors: Mapping[str, Factor], sheets: Sequence[Clamshell]
) -> None:
    """Refuse a cue that no berry and no sheet has a value for."""
    known = {name for one in sheets for name in one.levels}
    known |= {name for name, factor in factors.items() if (factor.code >= 0).any()}
    for cue in cues:
        if cue not in known:
            raise NoSuchRecordError(
                f"No source has a value for '{cue}'.",
                todo=f"There are values for {', '.join(sorted(known)) or 'nothing'}.",
            )


def _refuse_reversed(force_newton: Floats, rank: Ints, scale: Scale | None) -> None:
    """Refuse scores that rise with force: the scale was counted from its other end."""
    known = force_newton > 0
    force, score = np.log(force_newton[known]), rank[known]
    if scale is None or score.size < 3 or np.ptp(score) == 0 or np.ptp(force) == 0:
        return
    correlation = float(np.corrcoef(force, score)[0, 1])
    if correlation * np.sqrt(score.size) > _REVERSED:
        raise WrongDirectionError(
            f"Softer scores stand at larger forces (correlation {correlation:+.2f}), so "
            f"{scale.labels[0]} is not the firmest score.",
            todo=f"Declare the scale from its firmest score on: --scores "
            f"{','.join(scale.labels[::-1])}.",
        )


def _common_scale(sources: Sequence[Source]) -> Scale | None:
    """Find the scale of all finger scores and sheets."""
    found = [
        (one.name, one.scale)
        for one in sources
        if one.scale is not None and (one.scores.rank.size or one.clamshells)
    ]
    for name, scale in found:
        first, known = found[0]
        if scale != known:
            raise CannotCompareError(
                f"{first} scores {', '.join(known.labels)}, but {name} scores "
                f"{', '.join(scale.labels)}.",
                todo="Tabulate them apart, or declare one scale with --scores.",
            )
    return found[0][1] if found else None


def _rows(sources: Sequence[Source]) -> Rows:
    """Put the berries of all sources below one another."""
    sizes = [one.force_newton.size for one in sources]
    names = dict.fromkeys(name for one in sources for name in one.factors)
    factors = {name: stacked([one.factors.get(name) for one in sources], sizes) for name in names}
    return Rows(
        force=np.concatenate([np.zeros(0), *(one.force_newton for one in sources)]),
        source=np.repeat(np.arange(len(sources), dtype=np.int32), sizes),
        names=tuple(one.name for one in sources),
        factors=factors,
    )


def _scores(sources: Sequence[Source], first_of: Ints) -> tuple[Scores, Ints]:
    """Put the finger scores of all sources below one another; also the source of each."""
    starts = np.cumsum([0, *(one.force_newton.size for one in sources)])
    sizes = [one.scores.rank.size for one in sources]
    none = np.zeros(0, np.int64)
    rows = [one.scores.berry + start for one, start in zip(sources, starts, strict=False)]
    return Scores(
        berry=first_of[np.concatenate([none, *rows])],
        rank=np.concatenate([none, *(one.scores.rank for one in sources)]),
        rater=stacked([one.scores.rater for one in sources], sizes),
        occasion=stacked([one.scores.occasion for one in sources], sizes),
    ), np.repeat(np.arange(len(sources)), sizes)


def _refuse_nobody(read: Sequence[Source], raters: Sequence[str]) -> None:
    """Refuse a rater whom no source names, who may be a name typed wrong."""
    scored = {name for one in read for name in one.scores.rater.labels}
    named = sorted(scored | {c.rater for one in read for c in one.clamshells if c.rater})
    known = {name_key(name) for name in named}
    for name in raters:
        if name_key(name) not in known:
            raise NoSuchRaterError(
                f"No source has a rater {name!r}.",
                todo=f"They name {', '.join(named) or 'nobody'}.",
            )


def _without(source: Source, raters: set[str]) -> Source:
    """Leave out what some raters scored and counted; names as `name_key` gives them."""
    scorer = source.scores.rater
    gone = [code for code, name in enumerate(scorer.labels) if name_key(name) in raters]
    return replace(
        source,
        scores=source.scores.at(np.flatnonzero(~np.isin(scorer.code, gone))),
        clamshells=tuple(
            one for one in source.clamshells if name_key(one.rater or "") not in raters
        ),
    )
