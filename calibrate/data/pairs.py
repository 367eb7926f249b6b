"""Pairs of force and finger score, validated: the input of every calibration.

How files are read is in pairfile; nothing is fitted here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.scale import Scale
from gauge.errors import InvalidValueError, NoSuchRaterError


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """Rows of force, score, rater and berry, as parallel arrays of length n.

    Attributes
    ----------
    scale : Scale
    force_newton : ndarray of float, shape (n,)
        Peak force in newtons, finite.
    rank : ndarray of int, shape (n,)
        Score as a position on the scale, 0 for the firmest.
    count : ndarray of float, shape (n,)
        How many such rows each row stands for (above zero).
    rater, berry : ndarray of int, shape (n,)
        Positions in `raters` and `berries`; all zero when the source names none.
    raters, berries : tuple of str
        Names. Empty when the source has no such column.
    extra : mapping of str to ndarray of object, shape (n,)
        Other columns as text or number (selection, lot, storage_day, fruit_temp_c, size_mm,
        occasion, scored_at, session ...); None where empty.
    source : str
        File name, for messages.
    """

    scale: Scale
    force_newton: NDArray[np.float64]
    rank: NDArray[np.int64]
    count: NDArray[np.float64]
    rater: NDArray[np.int64]
    berry: NDArray[np.int64]
    raters: tuple[str, ...] = ()
    berries: tuple[str, ...] = ()
    extra: Mapping[str, NDArray[np.object_]] = field(default_factory=dict)
    source: str = "data"

    def __post_init__(self) -> None:
        n = self.force_newton.shape[0]
        for name in ("rank", "count", "rater", "berry"):
            if getattr(self, name).shape != (n,):
                raise InvalidValueError(f"{self.source}: '{name}' has not one value a row")
        if n and not np.isfinite(self.force_newton).all():
            raise InvalidValueError(f"{self.source}: a force is not finite")
        if n and (self.rank.min() < 0 or self.rank.max() >= len(self.scale.labels)):
            raise InvalidValueError(f"{self.source}: a score lies outside the scale")
        if n and not (self.count > 0).all():
            raise InvalidValueError(f"{self.source}: a count is not above zero")

    @property
    def n(self) -> int:
        """Number of observations, counts added up."""
        return round(float(self.count.sum()))

    def of_raters(self, names: Sequence[str]) -> Pairs:
        """Rows of the named raters only; other raters and their berries stay in the name lists.

        Raises
        ------
        NoSuchRaterError
            If the source does not name one of them.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([2.4, 1.1, 1.9]), count=np.ones(3),
        ...               rank=np.array([0, 1, 0]), rater=np.array([0, 1, 2]),
        ...               berry=np.zeros(3, dtype=int), raters=("ines", "marek", "odile"))
        >>> two = pairs.of_raters(["odile", "ines"])
        >>> two.raters, two.force_newton.tolist()
        (('ines', 'odile'), [2.4, 1.9])
        """
        for name in names:
            if name not in self.raters:
                raise NoSuchRaterError(
                    f"{self.source} has no rater '{name}'.",
                    todo=f"It names {', '.join(self.raters)}."
                    if self.raters
                    else "It has no rater column.",
                )
        wanted = [i for i, name in enumerate(self.raters) if name in names]
        kept = np.isin(self.rater, wanted)
        return replace(
            self,
            force_newton=self.force_newton[kept],
            rank=self.rank[kept],
            count=self.count[kept],
            rater=np.searchsorted(wanted, self.rater[kept]).astype(np.int64),
            berry=self.berry[kept],
            raters=tuple(self.raters[i] for i in wanted),
            extra={name: column[kept] for name, column in self.extra.items()},
        )


def load_pairs(
    source: Path | str,
    *,
    firmest: str = "first",
    scale: Scale | None = None,
    raters: Sequence[str] | None = None,
    positive: bool = False,
) -> Pairs:
    r"""Read pairs from a season file or a CSV.

    Parameters
    ----------
    source : path
        A season file, or a CSV in UTF-8 with a header: ``force_N`` (or ``force`` and ``unit``),
        ``score``, and optionally ``rater``, ``berry``, ``count`` and any others.
    firmest : {'first', 'last'}
        Whether the first (lowest) score of the source's own order is the firmest. Used when no
        `scale` is given.
    scale : Scale, optional
        Declared scale, firmest first. By default that of the season file; of a CSV, all whole
        numbers from the lowest to the highest score seen, or firm and soft.
    raters : sequence of str, optional
        Keep only these.
    positive : bool
        Refuse a force of zero too (the log scale needs it).

    Raises
    ------
    UnreadableFileError, BadTableError, NotASeasonError, NoSuchRaterError
        A bad cell is named by file, row (the header is row 1) and column.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "scores.csv")
    ...     _ = path.write_text("force,unit,score\n0.2,kgf,1\n1.2,N,4\n")
    ...     pairs = load_pairs(path)
    >>> pairs.force_newton.round(3).tolist(), pairs.rank.tolist(), pairs.scale.labels
    ([1.961, 1.2], [0, 3], ('1', '2', '3', '4'))
    """
    from calibrate.data.pairfile import looks_like_season, read_pair_csv, read_pair_season

    path = Path(source)
    read = read_pair_season if looks_like_season(path) else read_pair_csv
    pairs = read(path, firmest=firmest, scale=scale, positive=positive)
    return pairs if raters is None or not raters else pairs.of_raters(raters)
