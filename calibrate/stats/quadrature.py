"""Gauss-Hermite nodes for one normal effect per group: where to look, and with what weight.

Which likelihood is summed over the nodes is up to the caller (berries in panelmodel).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def adaptive_nodes(
    centre: Floats, width: Floats, sigma: float, points: int
) -> tuple[Floats, Floats]:
    """Nodes of an integral over a normal effect, moved to where each group's likelihood is.

    Parameters
    ----------
    centre, width : ndarray of float, shape (groups,)
        Mode (or mean) and standard deviation of the effect given the group's data.
    sigma : float
        Standard deviation of the effect in the population.
    points : int
        1 gives Laplace's approximation when `centre` is the mode and `width` its curvature.

    Returns
    -------
    effect, log_weight : ndarray of float, shape (groups, points)
        The integral of ``L(b) Normal(b; 0, sigma)`` is ``sum exp(log_weight) L(effect)``
        (Liu, Q. & Pierce, D. A. (1994) A note on Gauss-Hermite quadrature, Biometrika 81:624-629).

    Examples
    --------
    >>> b, w = adaptive_nodes(np.array([0.3]), np.array([0.9]), 1.0, 20)
    >>> round(float((np.exp(w) * b**2).sum()), 6)
    1.0
    """
    x, log_w = _hermite(points)
    effect = centre[:, None] + np.sqrt(2.0) * width[:, None] * x
    log_weight = (
        log_w
        + np.log(width)[:, None]
        - 0.5 * np.log(np.pi)
        - 0.5 * (effect / sigma) ** 2
        - np.log(sigma)
    )
    return effect, log_weight


@lru_cache
def _hermite(points: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.hermite.hermgauss(points)
    return x, np.log(w) + x * x
