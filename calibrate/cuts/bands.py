"""Force bands: at which forces each score is the most probable, and where it is nearly sure."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from calibrate.cuts.calibration import Calibration, Side

CORE_PROBABILITY = 0.8
# Where an end score is this probable, more force tells the hand nothing new.
END_TARGET_PROBABILITY = 0.9


@dataclass(frozen=True, kw_only=True, slots=True)
class Band:
    """Forces that stand for one score.

    Attributes
    ----------
    score : str
    low_newton, high_newton : float or None
        Where the score is the most probable one. The firmest score has no upper end, and the
        softest begins at zero. Both None when another score is more probable at every force.
    target_newton : float or None
        The force to look for in an anchor: the most certain one within the band, or for an end
        score the one at which it has a probability of 0.9.
    core_low_newton, core_high_newton : float or None
        Where its probability is 0.8 or more; None where it never is.
    best_probability : float
        The probability of the score at its target.
    """

    score: str
    low_newton: Side
    target_newton: Side
    high_newton: Side
    core_low_newton: Side
    core_high_newton: Side
    best_probability: float

    @property
    def reachable(self) -> bool:
        """Whether any force makes this score the most probable one."""
        return self.target_newton is not None

    def holds(self, force_newton: float) -> bool:
        """Whether a force lies in the band.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.25)
        >>> [band.holds(2.3) for band in bands(one)]
        [True, False]
        """
        if self.target_newton is None or self.low_newton is None:
            return False
        return self.low_newton <= force_newton and (
            self.high_newton is None or force_newton < self.high_newton
        )


def bands(calibration: Calibration) -> tuple[Band, ...]:
    """Find the band of every score, firmest first.

    Where two scores are equally probable follows from the model by one root for each pair; the
    band of a score is what lies between its crossings with all firmer and all softer scores.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
    ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.25)
    >>> firm, soft = bands(one)
    >>> round(firm.low_newton, 6), firm.high_newton, round(firm.target_newton, 3)
    (2.0, None, 2.549)
    """
    scores = range(len(calibration.scale.labels))
    return tuple(_band(calibration, score) for score in scores)


def _band(calibration: Calibration, score: int) -> Band:
    label = calibration.scale.labels[score]
    last = len(calibration.scale.labels) - 1
    edges = calibration.edges()
    if edges[score] == edges[score + 1]:
        return _unreachable(label)
    low_h = max(
        (calibration.crossing_h(score, k) for k in range(score + 1, last + 1)), default=-inf
    )
    high_h = min((calibration.crossing_h(k, score) for k in range(score)), default=inf)
    high = None if high_h == inf else calibration.force(high_h)
    low = 0.0 if low_h == -inf else max(calibration.force(low_h), 0.0)
    if low_h >= high_h or (high is not None and high <= 0):
        return _unreachable(label)
    if edges[score] == inf:
        target = calibration.force_at(END_TARGET_PROBABILITY, score)
        target = max(target, low) if target is not None else None
    elif edges[score + 1] == -inf:
        target = calibration.force_at(1 - END_TARGET_PROBABILITY, score - 1)
        target = target if target is not None else (high or 0.0) / 2
    else:
        # Symmetric about the middle of its two cuts on the scale of the model.
        target = calibration.force(float(edges[score] + edges[score + 1]) / 2)
        target = min(max(target, low), high if high is not None else inf)
    if target is None or target <= 0:
        return _unreachable(label)
    core_low, core_high = _core(calibration, score, target)
    return Band(
        score=label,
        low_newton=low,
        target_newton=target,
        high_newton=high,
        core_low_newton=core_low,
        core_high_newton=core_high,
        best_probability=float(calibration.probabilities([target])[0, score]),
    )


def _unreachable(label: str) -> Band:
    return Band(
        score=label,
        low_newton=None,
        target_newton=None,
        high_newton=None,
        core_low_newton=None,
        core_high_newton=None,
        best_probability=0.0,
    )


def _core(calibration: Calibration, score: int, target_newton: float) -> tuple[Side, Side]:
    """Ends of the core band; an end score's core is open towards its own side."""
    from scipy.optimize import brentq

    def excess(h: float) -> float:
        return float(calibration.probabilities_h(np.array([h]))[0, score]) - CORE_PROBABILITY

    edges = calibration.edges()
    start = float(calibration.h(target_newton))
    if excess(start) < 0:
        return None, None
    far = 60 * calibration.spread
    firm_end = edges[score] == inf
    soft_end = edges[score + 1] == -inf
    high = None if firm_end else calibration.force(float(brentq(excess, start, edges[score] + far)))
    low = (
        0.0 if soft_end else calibration.force(float(brentq(excess, edges[score + 1] - far, start)))
    )
    return max(low, 0.0), high
