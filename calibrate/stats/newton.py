"""Newton's method with backtracking for a concave function of a few parameters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Objective = Callable[[Floats], tuple[float, Floats, Floats]]

_MAX_ITERATIONS = 60
# Log-likelihood; a decrement (twice the gain that a full step promises) at which the search ends.
_NEAR = 1e-9
_SUFFICIENT = 1e-4
# Any unit; a step from an information that is singular in floats, beyond which nothing counts.
_HUGE = 1e50


@dataclass(frozen=True, kw_only=True)
class Optimum:
    """Where Newton's method stopped, and how near the maximum that is.

    The decrement is gradient' (-hessian)^-1 gradient: twice the gain that the next full step would
    promise.
    """

    phi: Floats
    value: float
    hessian: Floats
    decrement: float
    iterations: int
    converged: bool


def maximise(objective: Objective, start: Floats) -> Optimum:
    """Maximise a concave function by damped Newton steps.

    `objective` gives value, gradient and Hessian; the value is minus infinity outside the domain,
    finite at `start`. Every step must gain a set share of what the gradient promises, so the value
    never falls (Boyd, S. & Vandenberghe, L. (2004) Convex Optimization, sections 9.2 and 9.5).
    Within rounding of the maximum, where gains can no longer be seen, one last full step is taken.
    """
    phi, here = start, objective(start)
    decrement, iteration, moving = np.inf, 0, True
    while moving and iteration < _MAX_ITERATIONS:
        iteration += 1
        step = _ascent(here[1], here[2])
        if not np.abs(step).max() < _HUGE:
            decrement = np.inf
            break
        decrement = float(here[1] @ step)
        length, moving = 1.0, decrement >= _NEAR
        there = objective(phi + step)
        if not moving:
            if there[0] >= here[0] - 1e-9 * (1.0 + abs(here[0])):
                phi, here = phi + step, there
                decrement = float(here[1] @ _ascent(here[1], here[2]))
            break
        while not there[0] >= here[0] + _SUFFICIENT * length * decrement:
            length *= 0.5
            if length < 1e-12:
                moving = False
                break
            there = objective(phi + length * step)
        else:
            phi, here = phi + length * step, there
    return Optimum(
        phi=phi,
        value=here[0],
        hessian=here[2],
        decrement=decrement,
        iterations=iteration,
        converged=bool(decrement < _NEAR and np.isfinite(here[0])),
    )


def _ascent(gradient: Floats, hessian: Floats) -> Floats:
    """Solve for Newton's step, scaled by the diagonal first: units do not matter to the solver."""
    scale = 1.0 / np.sqrt(np.maximum(-np.diagonal(hessian), 1e-300))
    matrix = hessian * (-scale[:, None] * scale)
    try:
        return np.asarray(scale * np.linalg.solve(matrix, gradient * scale))
    except np.linalg.LinAlgError:
        return np.asarray(scale * np.linalg.lstsq(matrix, gradient * scale, rcond=None)[0])
