"""Finger scores of several raters on the same berries, without force: CSV or season file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import looks_like_season
from calibrate.data.scale import Scale
from gauge.csvsheet import CsvSheet
from gauge.errors import TooFewScoresError
from gauge.season.file import open_season


@dataclass(frozen=True, kw_only=True)
class Ratings:
    """Scores as a table of berries by raters.

    Attributes
    ----------
    rank : ndarray of int, shape (n_berries, n_raters)
        0 for the firmest; -1 where a rater did not score the berry.
    raters, berries : tuple of str
    scale : Scale
    """

    rank: NDArray[np.int64]
    raters: tuple[str, ...]
    berries: tuple[str, ...]
    scale: Scale

    def complete(self) -> NDArray[np.int64]:
        """Keep the ranks of the berries that every rater scored."""
        return self.rank[(self.rank >= 0).all(axis=1)]


def load_ratings(source: Path, scale: Scale | None = None) -> Ratings:
    r"""Read finger scores from a CSV with berry, rater and score, or from a season file.

    Parameters
    ----------
    source : Path
        One row a score. Of berries that a rater scored on several occasions a season file gives
        the first.
    scale : Scale, optional
        Declared scale; by default that of the season file, or 1 to 5.

    Raises
    ------
    BadTableError
        If a column is missing, a cell is bad, or a rater scored a berry twice.
    TooFewScoresError
        With fewer than two raters.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "R-114.csv")
    ...     _ = path.write_text("berry,rater,score\n1,ines,2\n1,marek,3\n2,ines,4\n")
    ...     ratings = load_ratings(path)
    >>> ratings.raters, ratings.rank.tolist()
    (('ines', 'marek'), [[1, 2], [3, -1]])
    """
    if looks_like_season(source):
        rows, scale = _from_season(source, scale)
    else:
        scale = scale or Scale(labels=("1", "2", "3", "4", "5"))
        rows = _from_csv(source, scale)
    berries = tuple(dict.fromkeys(berry for berry, _, _ in rows))
    raters = tuple(sorted({rater for _, rater, _ in rows}))
    if len(raters) < 2:
        raise TooFewScoresError(
            f"{source}: {len(raters)} rater scored; agreement needs two.",
            todo="Let a second rater score the same berries.",
        )
    row = {berry: i for i, berry in enumerate(berries)}
    column = {rater: j for j, rater in enumerate(raters)}
    rank = np.full((len(berries), len(raters)), -1, dtype=np.int64)
    for berry, rater, score in rows:
        rank[row[berry], column[rater]] = score
    return Ratings(rank=rank, raters=raters, berries=berries, scale=scale)


def _from_csv(path: Path, scale: Scale) -> list[tuple[str, str, int]]:
    sheet = CsvSheet(path, "the columns berry, rater and score, one row a score")
    sheet.need("berry", "rater", "score")
    for name in ("berry", "rater"):
        for index, cell in enumerate(sheet.columns[name]):
            if not cell:
                sheet.bad(index, name, "the cell is empty")
    ranks = sheet.parsed("score", lambda text: _rank(scale, text))
    keys = list(zip(sheet.columns["berry"], sheet.columns["rater"], strict=True))
    seen: set[tuple[str, str]] = set()
    for index, key in enumerate(keys):
        if key in seen:
            sheet.bad(index, "score", f"rater {key[1]} scored berry {key[0]} already")
        seen.add(key)
    return [(berry, rater, rank) for (berry, rater), rank in zip(keys, ranks, strict=True)]


def _rank(scale: Scale, text: str) -> int:
    # Spreadsheets turn 3 into 3.0.
    return scale.rank(text.removesuffix(".0"))


def _from_season(path: Path, scale: Scale | None) -> tuple[list[tuple[str, str, int]], Scale]:
    with open_season(path, read_only=True) as season:
        scale = scale or Scale.from_json(season.scale_text)
        rows = [
            (str(berry.berry_id), score.rater, scale.rank(score.score))
            for berry in season.berries()
            if berry.void is None
            for score in berry.scores
            if score.occasion == 1
        ]
    return rows, scale
