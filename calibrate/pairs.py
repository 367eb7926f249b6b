"""Pairs of force and finger score, validated: the input of every calibration.

The loaders for season files and CSVs are here too; nothing is fitted here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibrate.scale import Scale
from gauge.errors import InvalidValueError


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """Rows of force, score, rater and berry, as parallel arrays of length n.

    Attributes
    ----------
    scale : Scale
    force_n : ndarray of float, shape (n,)
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
    force_n: NDArray[np.float64]
    rank: NDArray[np.int64]
    count: NDArray[np.float64]
    rater: NDArray[np.int64]
    berry: NDArray[np.int64]
    raters: tuple[str, ...] = ()
    berries: tuple[str, ...] = ()
    extra: Mapping[str, NDArray[np.object_]] = field(default_factory=dict)
    source: str = "data"

    def __post_init__(self) -> None:
        n = self.force_n.shape[0]
        for name in ("rank", "count", "rater", "berry"):
            if getattr(self, name).shape != (n,):
                raise InvalidValueError(f"{self.source}: '{name}' has not one value a row")
        if n and not np.isfinite(self.force_n).all():
            raise InvalidValueError(f"{self.source}: a force is not finite")
        if n and (self.rank.min() < 0 or self.rank.max() >= len(self.scale.labels)):
            raise InvalidValueError(f"{self.source}: a score lies outside the scale")
        if n and not (self.count > 0).all():
            raise InvalidValueError(f"{self.source}: a count is not above zero")

    @property
    def n(self) -> int:
        """Number of observations, counts added up."""
        return round(float(self.count.sum()))
