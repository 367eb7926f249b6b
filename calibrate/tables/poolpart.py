"""What one source of a table holds, as columns. How it is read is in poolfile.

Levels are kept as text; joining sources, and what contradicts what, is in pooling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import Clamshell
from calibrate.data.levels import Level
from calibrate.data.scale import Scale

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Texts = Sequence[str | None] | Level

# Columns that tell berries apart or put them into groups; any other column may be a cue.
LEVELS = (
    "season", "site", "sample", "number", "selection", "plot", "replicate", "clamshell", "lot",
    "harvest_date", "storage_day", "storage_temp_c",
)  # fmt: skip
NUMERIC = frozenset({"storage_day", "storage_temp_c"})


@dataclass(frozen=True, kw_only=True)
class Part:
    """What one source holds.

    Attributes
    ----------
    source : str
    force_newton : ndarray of float, shape (n,)
        NaN for a berry without a peak.
    levels : dict of str to (sequence of (str or None), or Level), each of length n
        None or a blank where nothing is told.
    score_at, rank : sequence of int, shape (s,)
        Which berry each finger score belongs to, and its position on the scale.
    rater, occasion : sequence of str, or Level, shape (s,)
    scale : Scale or None
    clamshells : tuple of Clamshell
    said_season : bool
        Whether the source itself says of which season it is.
    """

    source: str
    force_newton: Floats
    levels: dict[str, Texts]
    score_at: Sequence[int] | Ints = ()
    rank: Sequence[int] | Ints = ()
    rater: Texts = ()
    occasion: Texts = ()
    scale: Scale | None = None
    clamshells: tuple[Clamshell, ...] = ()
    said_season: bool = True


def tidy(level: str, text: str) -> str | None:
    """Write one level one way: 7, 7.0 and "7 " are the same storage day; None for a blank.

    Examples
    --------
    >>> tidy("storage_day", "7.0"), tidy("selection", "7.0"), tidy("site", " ")
    ('7', '7.0', None)
    """
    text = text.strip()
    if level in NUMERIC:
        try:
            return f"{float(text):g}"
        except ValueError:
            return text or None
    return text or None


def season_of(levels: dict[str, str | None]) -> str | None:
    """The season that one row's own levels tell: `season`, or the year of `harvest_date`.

    Examples
    --------
    >>> season_of({"harvest_date": "2026-07-03"})
    '2026'
    """
    return levels.get("season") or (levels.get("harvest_date") or "")[:4] or None
