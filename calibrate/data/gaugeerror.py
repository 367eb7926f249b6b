"""Forces that a gauge shows with an error: what the true ones are expected to be.

A cut point then means true force, not force as shown by this gauge.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]

_NODES = 201
_REACH = 5.0  # standard deviations of log force on either side
_AT_ONCE = 4096


@dataclass(frozen=True, kw_only=True, slots=True)
class GaugeError:
    """Standard deviation of a shown force about the true one, in newtons and as a share of it."""

    newton: float = 0.0
    share: float = 0.0

    def __post_init__(self) -> None:
        if not (self.newton >= 0.0 and 0.0 <= self.share < 1.0):
            raise InvalidValueError(
                "a gauge's standard deviation is zero or more, and less than all"
            )

    def sd(self, force_newton: Floats) -> Floats:
        """Standard deviation at true forces."""
        return np.asarray(np.hypot(self.newton, self.share * force_newton))


def expected_true(pairs: Pairs, error: GaugeError) -> Pairs:
    """Put the expected true force in place of every shown one.

    Regression calibration (Carroll, R. J., Ruppert, D., Stefanski, L. A. & Crainiceanu, C. M.
    (2006) Measurement Error in Nonlinear Models, 2nd ed., chapter 4): E(F | shown) with true forces
    log-normal, of the mean and variance that the shown ones leave once the error is taken out, by
    quadrature. What is left of the error is an item effect of the berry, and part of the spread.

    Parameters
    ----------
    pairs : Pairs
        With forces as shown.
    error : GaugeError
        From repeated presses of pads, or given.

    Raises
    ------
    InvalidValueError
        If the error is no smaller than the forces vary.
    """
    shown = np.unique(pairs.force_newton)
    if error.newton == 0.0 and error.share == 0.0:
        return pairs
    berry_force = _one_a_berry(pairs)
    mean = float(berry_force.mean())
    square = float((berry_force**2).mean())
    # E W^2 = E F^2 (1 + share^2) + newton^2.
    variance = (square - error.newton**2) / (1.0 + error.share**2) - mean**2
    if variance <= 0.0 or mean <= 0.0:
        raise InvalidValueError(
            f"a gauge error of {error.newton:g} N and {error.share:.0%} leaves no variation of "
            "force at all.",
            todo="Check --gauge-sd against repeated presses of pads.",
        )
    sigma = np.sqrt(np.log1p(variance / mean**2))
    z = np.linspace(-_REACH, _REACH, _NODES)
    true = mean * np.exp(sigma * z - 0.5 * sigma**2)
    sd = error.sd(true)
    log_prior = -0.5 * z**2 - np.log(sd)
    expected = np.empty_like(shown)
    for begin in range(0, shown.size, _AT_ONCE):
        part = shown[begin : begin + _AT_ONCE, None]
        log_weight = log_prior - 0.5 * ((part - true) / sd) ** 2
        weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
        expected[begin : begin + _AT_ONCE] = weight @ true / weight.sum(axis=1)
    return replace(pairs, force_newton=expected[np.searchsorted(shown, pairs.force_newton)])


def _one_a_berry(pairs: Pairs) -> Floats:
    """Shown forces, once for each berry where berries are named."""
    if not pairs.berries:
        return pairs.force_newton
    _, first = np.unique(pairs.berry, return_index=True)
    return pairs.force_newton[first]
