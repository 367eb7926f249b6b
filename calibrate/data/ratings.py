"""Finger scores of several raters on the same berries, without force: CSV or season file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.codedsheet import CodedSheet
from calibrate.data.factor import Factor, combined, first_rows
from calibrate.data.pairs import looks_like_season
from calibrate.data.scale import BLACKBERRY, Scale
from gauge.errors import TooFewScoresError
from gauge.season.file import open_season

Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Ratings:
    """Scores as a table of berries by raters.

    `rank`, shape (n_berries, n_raters), is 0 for the firmest score and -1 where a rater did not
    score the berry.
    """

    rank: Ints
    raters: tuple[str, ...]
    scale: Scale

    def complete(self) -> Ints:
        """Keep the ranks of the berries that every rater scored."""
        return self.rank[(self.rank >= 0).all(axis=1)]


def load_ratings(source: Path, scale: Scale | None = None) -> Ratings:
    """Read finger scores from a CSV with berry, rater and score, or from a season file.

    Of berries that a rater scored on several occasions a season file gives the first. The scale is
    that of the season file, or 1 to 5, if not declared. A missing column, a bad cell, or a second
    score of a rater for a berry is a BadTableError, fewer than two raters a TooFewScoresError.
    """
    if looks_like_season(source):
        berry, rater, rank, scale = _from_season(source, scale)
    else:
        scale = scale or Scale(labels=BLACKBERRY.labels)
        berry, rater, rank = _from_csv(source, scale)
    raters = rater.sorted()
    if len(raters.labels) < 2:
        raise TooFewScoresError(
            f"{source}: {len(raters.labels)} rater scored; agreement needs two.",
            todo="Let a second rater score the same berries.",
        )
    table = np.full((len(berry.labels), len(raters.labels)), -1, dtype=np.int64)
    table[berry.code, raters.code] = rank
    return Ratings(rank=table, raters=raters.labels, scale=scale)


def _from_csv(path: Path, scale: Scale) -> tuple[Factor, Factor, Ints]:
    sheet = CodedSheet(path, "the columns berry, rater and score, one row a score")
    way = "It has one row a score; a sheet with a column a rater comes in by 'gauge import'."
    berry = sheet.berries()
    if berry is None:
        sheet.lacks("berry", way)
    sheet.need("rater", "score", todo=way)
    rater = sheet.raters()
    rank = sheet.ranks(scale).astype(np.int64)
    first = first_rows(combined([berry, rater], len(sheet)))
    for row in np.flatnonzero(first != np.arange(len(sheet)))[:1].tolist():
        who = f"rater {rater.text(row)} scored berry {berry.text(row)} already"
        sheet.bad(row, "score", who)
    return berry, rater, rank


def _from_season(path: Path, scale: Scale | None) -> tuple[Factor, Factor, Ints, Scale]:
    with open_season(path, read_only=True) as season:
        scale = scale or Scale.from_json(season.scale_text)
        rows = [
            (str(berry.berry_id), score.rater, scale.rank(score.score))
            for berry in season.berries()
            if berry.void is None
            for score in berry.scores
            if score.occasion == 1
        ]
    berries, raters, found = zip(*rows, strict=True) if rows else ((), (), ())
    return Factor.of(berries), Factor.of(raters), np.array(found, np.int64), scale
