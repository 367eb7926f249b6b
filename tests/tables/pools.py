"""Pools of berries made of arrays, for tests."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from calibrate.data.factor import Factor
from calibrate.tables.pooling import Pool, pool
from calibrate.tables.source import Source


def pool_of(force: ArrayLike, cues: Sequence[str] = (), **levels: Sequence[str]) -> Pool:
    """Make a pool of one source from forces (N) and the levels of each berry."""
    factors = {name: Factor.of(texts) for name, texts in levels.items()}
    source = Source(name="a.csv", force_newton=np.asarray(force, dtype=float), factors=factors)
    return pool([source], cues=cues)
