"""Pairs of force and score from arrays, for the tests and the bench of the models."""

from __future__ import annotations

import numpy as np

from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, Scale


def pairs_of(force, rank, scale: Scale = BLACKBERRY, count=None, **more) -> Pairs:
    """Make the rows of one hand, each of a count of one unless they are given."""
    zero = np.zeros(len(force), dtype=np.int64)
    return Pairs(
        scale=scale,
        force_newton=np.asarray(force, dtype=float),
        rank=np.asarray(rank, dtype=np.int64),
        count=np.ones(len(force)) if count is None else np.asarray(count, dtype=float),
        **{"rater": zero, "berry": zero, **more},
    )
