"""Force bands: at which forces each score is the most probable, and where it is nearly sure."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from calibrate.cuts.calibration import Calibration, Side

CORE_PROBABILITY = 0.8  # of a score, within its core band
# Probability; where an end score has it, more force feels the same.
END_TARGET_PROBABILITY = 0.9


@dataclass(frozen=True, kw_only=True, slots=True)
class Band:
    """Forces that stand for one score."""

    score: str
    # Where the score is the most probable one. The firmest score has no upper end, the softest
    # begins at zero. Both None when another score is more probable at every force.
    low_newton: Side = None
    high_newton: Side = None
    # The force to look for in an anchor: the most certain one within the band, or for an end
    # score the one at which it has a probability of 0.9.
    target_newton: Side = None
    # Where its probability is 0.8 or more; None where it never is.
    core_low_newton: Side = None
    core_high_newton: Side = None
    best_probability: float = 0.0  # at the target

    @property
    def reachable(self) -> bool:
        """Whether any force makes this score the most probable one."""
        return self.target_newton is not None

    def holds(self, force_newton: float) -> bool:
        """Return whether a force lies in the band."""
        if self.target_newton is None or self.low_newton is None:
            return False
        return self.low_newton <= force_newton and (
            self.high_newton is None or force_newton < self.high_newton
        )


def bands(calibration: Calibration) -> tuple[Band, ...]:
    """Find the band of every score, firmest first.

    Where two scores are equally probable follows from the model by one root for each pair; the
    band of a score is what lies between its crossings with all firmer and all softer scores.
    """
    return tuple(_band(calibration, score) for score in range(len(calibration.scale.labels)))


def _band(calibration: Calibration, score: int) -> Band:
    softer, firmer = range(score + 1, len(calibration.scale.labels)), range(score)
    low_h = max((calibration.crossing_h(score, k) for k in softer), default=-inf)
    high_h = min((calibration.crossing_h(k, score) for k in firmer), default=inf)
    low = 0.0 if low_h == -inf else max(calibration.force(low_h), 0.0)
    high = None if high_h == inf else calibration.force(high_h)
    reachable = low_h < high_h and (high is None or high > 0)
    target = _target(calibration, score, low, high) if reachable else None
    if target is None or target <= 0:
        return Band(score=calibration.scale.labels[score])
    core_low, core_high = _core(calibration, score, target)
    return Band(
        score=calibration.scale.labels[score],
        low_newton=low,
        target_newton=target,
        high_newton=high,
        core_low_newton=core_low,
        core_high_newton=core_high,
        best_probability=float(calibration.probabilities([target])[0, score]),
    )


def _target(calibration: Calibration, score: int, low: float, high: Side) -> Side:
    """Find the force to look for in an anchor of a score."""
    firm_edge, soft_edge = calibration.edges()[score : score + 2]
    if firm_edge == inf:
        target = calibration.force_at(END_TARGET_PROBABILITY, score)
        return None if target is None else max(target, low)
    if soft_edge == -inf:
        target = calibration.force_at(1 - END_TARGET_PROBABILITY, score - 1)
        return (high or 0.0) / 2 if target is None else target
    # Symmetric about the middle of its two cuts on the scale of the model.
    middle = calibration.force(float(firm_edge + soft_edge) / 2)
    return min(max(middle, low), inf if high is None else high)


def _core(calibration: Calibration, score: int, target_newton: float) -> tuple[Side, Side]:
    """Find the ends of the core band; an end score's core is open towards its own side."""
    from scipy.optimize import brentq

    def excess(h: float) -> float:
        return float(calibration.probabilities_h(np.array([h]))[0, score]) - CORE_PROBABILITY

    start = float(calibration.h(target_newton))
    if excess(start) < 0:
        return None, None
    firm_edge, soft_edge = calibration.edges()[score : score + 2]
    far = 60 * calibration.spread
    low, high = 0.0, None
    if soft_edge != -inf:
        low = max(calibration.force(float(brentq(excess, soft_edge - far, start))), 0.0)
    if firm_edge != inf:
        high = calibration.force(float(brentq(excess, start, firm_edge + far)))
    return low, high
