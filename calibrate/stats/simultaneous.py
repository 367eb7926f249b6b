"""Intervals of several contrasts that hold together, by the largest of their t values."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Draws of the normal distribution; the quantile is then known to about 0.01.
_DRAWS, _SEED = 1 << 16, 1


def pointwise_levels(covariance: ArrayLike, level: float, widths: ArrayLike) -> Floats:
    """Find the levels at which single intervals of contrasts hold together at `level`.

    The quantile of max |t| under the contrasts' own correlation: Hothorn, T., Bretz, F. & Westfall,
    P. (2008) Biometrical Journal 50:346-363. By simulation with a fixed seed, since contrasts that
    are sums of one another have a singular covariance.

    Parameters
    ----------
    covariance : array_like, shape (m, m)
        Of the contrasts; one without variance (nothing is known of it) takes no part.
    level : float
    widths : array_like, shape (m,)
        How wide the interval of each is to be, in its standard errors and against the others'.

    Returns
    -------
    ndarray, shape (m,)

    Examples
    --------
    >>> pointwise_levels(np.eye(2), 0.95, [1, 1]).round(3).tolist(), round(0.95**0.5, 3)
    ([0.975, 0.975], 0.975)
    """
    from scipy.special import ndtr

    matrix, width = np.asarray(covariance, dtype=float), np.asarray(widths, dtype=float)
    known = np.diagonal(matrix) > 0
    if not known.any():
        return np.full(width.size, level)
    sd = np.sqrt(np.diagonal(matrix)[known])
    root, vectors = np.linalg.eigh(matrix[np.ix_(known, known)] / np.outer(sd, sd))
    draws = np.random.default_rng(_SEED).normal(size=(_DRAWS, sd.size))
    t = np.abs(draws @ (vectors * np.sqrt(np.maximum(root, 0.0))).T)
    critical = float(np.quantile((t / width[known]).max(axis=1), level))
    return np.asarray(2.0 * ndtr(critical * width) - 1.0)
