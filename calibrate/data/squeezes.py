"""Squeezes that a berry had before its press, and what they took: each finger softens it.

A finger felt ``F exp(l m)`` of a berry pressed at F: each of the m squeezes from that finger's own
to the press takes the share ``1 - exp(-l)`` of the force.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Share of scores given out of a rater's usual place from which on the order varies: fewer, and
# what a squeeze takes would be known too badly to be of use. Common practice, no source.
_VARIED = 0.1
# Log force a squeeze; what it takes is used where it is known so well, and assumed to be of this
# size (a standard deviation) where the order shows it.
_KNOWN_SD, _ASSUMED_SD = 0.05, 0.2


@dataclass(frozen=True, kw_only=True, slots=True)
class PressOnly:
    """What squeezing took, from n berries pressed without a squeeze and their mates.

    Mates are berries of the same samples that were squeezed first, by so many squeezes on average.
    The value is the force of squeezed berries over that of the others, 0.9 where squeezing took a
    tenth.
    """

    n: int
    n_mates: int
    squeezes: float
    value: float
    low: float
    high: float

    @property
    def log_per_squeeze(self) -> tuple[float, float]:
        """Log force that a squeeze takes, and the standard deviation that fits the interval."""
        sd = math.log(self.high / self.low) / (2.0 * float(ndtri(0.975)))
        return -math.log(self.value) / self.squeezes, sd / self.squeezes


def squeezes_to_press(berry: Ints, order: Floats, named: bool) -> Floats | None:
    """Count the squeezes from each finger to the press, its own included.

    `order`, shape (n,), is the place in the row of squeezes of that berry, from 1, or NaN if not
    recorded: such a finger is taken to have come in the middle. Where berries are not named, every
    row of squeezes is as long as the longest.

    Examples
    --------
    >>> squeezes_to_press(np.array([0, 0, 0, 1]), np.array([2, 1, 3, np.nan]), True).tolist()
    [2.0, 3.0, 1.0, 1.0]
    """
    recorded = np.isfinite(order)
    if not (named or recorded.any()):
        return None
    most = np.zeros(int(berry.max()) + 1 if berry.size else 0)
    np.maximum.at(most, berry[recorded], order[recorded])
    if named:
        most = np.maximum(most, np.bincount(berry, minlength=most.size))
    return np.where(recorded, most[berry] - order + 1.0, (most[berry] + 1.0) / 2.0)


def order_varies(squeezes: Floats, rater: Ints) -> bool:
    """Return whether raters came at different places often enough to tell hands from order."""
    usual = 0
    for one in np.unique(rater):
        usual += int(np.unique(squeezes[rater == one], return_counts=True)[1].max())
    return squeezes.size - usual >= _VARIED * squeezes.size > 0


def softening_known(
    squeezes: Floats, recorded: NDArray[np.bool_], rater: Ints, pressed: PressOnly | None
) -> tuple[float, float] | None:
    """Return what is known beforehand of the log force that a squeeze takes: mean and SD.

    None where it is known neither from the order, which varies too little, nor from berries
    that were pressed only.
    """
    known = pressed.log_per_squeeze if pressed is not None else (0.0, _ASSUMED_SD)
    if order_varies(squeezes[recorded], rater[recorded]):
        return known
    return known if known[1] <= _KNOWN_SD else None


def press_only(sample: Sequence[str], force_newton: Floats, squeezes: Floats) -> PressOnly | None:
    """Compare berries with no squeeze to their mates: logs of force, within samples.

    The interval is that of Student's t at 95 %. Each row is a berry with the squeezes that it had;
    None where no sample has both kinds, or too few berries for an interval.
    """
    _, of = np.unique(np.array(sample, str), return_inverse=True)
    squeezed = (squeezes > 0).astype(float)
    n = np.bincount(of)
    share = np.bincount(of, squeezed) / np.maximum(n, 1)
    kept = ((share > 0) & (share < 1))[of]
    of, squeezed, y = of[kept], squeezed[kept], np.log(force_newton[kept])
    df = of.size - np.unique(of).size - 1
    if df < 1:
        return None
    x = squeezed - share[of]
    size = np.bincount(of)
    y = y - (np.bincount(of, y) / np.maximum(size, 1))[of]
    gap = float(x @ y / (x @ x))
    error = math.sqrt(float(((y - gap * x) ** 2).sum()) / df / float(x @ x))
    half = float(stdtrit(df, 0.975)) * error
    return PressOnly(
        n=int((squeezed == 0).sum()),
        n_mates=int(squeezed.sum()),
        squeezes=float(squeezes[kept][squeezed == 1].mean()),
        value=math.exp(gap),
        low=math.exp(gap - half),
        high=math.exp(gap + half),
    )
