"""Reading the berries, finger scores and sheets of a season file for a table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell
from calibrate.data.codedsheet import code_texts
from calibrate.data.levels import Level
from calibrate.data.scale import Scale
from calibrate.tables.poolpart import LEVELS, Part, Texts, tidy
from gauge.records import Sample

Ints = NDArray[np.int64]


def read_season(path: Path, cues: Sequence[str]) -> Part:
    """Read a season file; see `calibrate.tables.poolfile.read_part`.

    Tables are read, not the view: what is told of a sample is converted once, not for each berry.
    """
    from gauge.season.file import open_season

    with open_season(path, read_only=True) as season:
        scale = Scale.from_json(season.scale_text)
        code = season.code
        berry = season.columns("berries", ["berry_id", "sample_id", "number", "void_why"])
        peak = season.columns("peaks", ["berry_id", "peak_n"])
        score = season.columns("scores", ["berry_id", "score_rank", "rater", "occasion"])
        samples = season.samples()
        sheets = season.clamshell_counts()
    names = [name for name in LEVELS if name not in ("season", "sample", "number")]
    berry_id = np.array(berry["berry_id"], np.int64)
    force = np.full(berry_id.size, np.nan)
    force[_places(berry_id, peak["berry_id"])] = peak["peak_n"]
    scored = _places(berry_id, score["berry_id"])
    useful = np.isfinite(force)
    useful[scored] = True
    keep = useful & np.array([why is None for why in berry["void_why"]], bool)
    rows = np.flatnonzero(keep)
    sample_ids = np.array([row.sample_id for row in samples], np.int64)
    of_sample = _places(sample_ids, berry["sample_id"])[rows]
    levels: dict[str, Texts] = {
        "season": Level(code=np.zeros(rows.size, np.int32), labels=(code,)),
        "sample": code_texts([row.sample.code for row in samples]).at(of_sample),
        "number": _numbers(berry["number"]).at(rows),
    }
    for name in names:
        level = code_texts([_tidied(row.sample, name) for row in samples]).at(of_sample)
        if (level.code >= 0).any():
            levels[name] = level
    for cue in cues:
        levels[cue] = code_texts([_cue(row.sample, cue) for row in samples]).at(of_sample)
    kept = np.flatnonzero(keep[scored])
    known = {row.sample.code: row.sample for row in samples}
    return Part(
        source=str(path),
        force_newton=force[rows],
        levels=levels,
        score_at=(np.cumsum(keep) - 1)[scored[kept]],
        rank=np.array(score["score_rank"], np.int64)[kept] - 1,
        rater=code_texts(score["rater"]).at(kept),
        occasion=_numbers(score["occasion"]).at(kept),
        scale=scale,
        clamshells=tuple(
            Clamshell.from_document(
                row.sheet,
                sample=row.sample,
                scale=scale,
                rater=row.rater,
                levels=_levels(known[row.sample], code, (*names, *cues)),
                where=str(path),
            )
            for row in sheets
        ),
    )


def _places(ids: Ints, wanted: Sequence[int]) -> Ints:
    """Where each wanted id stands; the season file holds no id that stands nowhere."""
    order = np.argsort(ids)
    return order[np.searchsorted(ids, np.array(wanted, np.int64), sorter=order)]


def _numbers(values: Sequence[int]) -> Level:
    distinct, code = np.unique(np.array(values, np.int64), return_inverse=True)
    return Level(code=code.astype(np.int32), labels=tuple(map(str, distinct.tolist())))


def _tidied(sample: Sample, name: str) -> str | None:
    value = getattr(sample, name)
    return None if value is None else tidy(name, str(value))


def _levels(sample: Sample, season: str, names: Sequence[str]) -> dict[str, str]:
    told = {name: _cue(sample, name) for name in names}
    tidied = {name: tidy(name, text) for name, text in told.items() if text is not None}
    return {"season": season} | {name: text for name, text in tidied.items() if text}


def _cue(sample: Sample, name: str) -> str | None:
    value = sample.cues.get(name, getattr(sample, name, None))
    return None if value is None else str(value)
