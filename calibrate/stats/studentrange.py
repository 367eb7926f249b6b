"""The studentized range: tail probability and quantile, for many values at once.

The distribution in scipy.stats takes about 20 ms a value, so that a table of 80 rows waits half a
minute for its pairs; here all pairs are done together. Both agree within 2e-6 (up to 60 groups).
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
# Standard deviations: beyond the first the normal density is below 1e-15, beyond the second a range
# leaves less than 1e-18 for each pair.
_Z, _WIDEST = 8.3, 13.0
_NODES_Z, _NODES_S = 80, 48
_CHUNK = 32


def range_tail(q: ArrayLike, groups: int, df: float) -> Floats:
    """Probability that the studentized range exceeds q.

    P(Q > q) is the mean over s of 1 - W(q s), with s^2 a chi-square over its df, and
    W(w) = k int phi(z) (Phi(z) - Phi(z - w))^(k - 1) dz the probability that k standard normal
    values lie within w (Tukey (1953); Lund, R. E. & Lund, J. R. (1983) Appl. Stat. 32:204-210),
    by Gauss-Legendre quadrature in both.

    `q` is zero or more (infinity has no tail), `df` above zero; infinity for a known variance.
    """
    if groups < 2 or not df > 0:
        raise InvalidValueError(f"no studentized range of {groups} groups and {df:g} df")
    values = np.atleast_1d(np.asarray(q, dtype=float))
    tail = np.zeros(values.size)
    tail[values <= 0] = 1.0
    open_ = np.flatnonzero((values > 0) & np.isfinite(values))
    for begin in range(0, open_.size, _CHUNK):
        at = open_[begin : begin + _CHUNK]
        tail[at] = _tail(values[at], groups, df)
    clipped: Floats = np.clip(tail, 0.0, 1.0)
    return clipped


def _tail(q: Floats, groups: int, df: float) -> Floats:
    from scipy.special import chdtri, gammaln

    if math.isinf(df):
        return 1.0 - _within(q, groups)
    low = math.sqrt(float(chdtri(df, 1 - 1e-15)) / df)
    high = math.sqrt(float(chdtri(df, 1e-15)) / df)
    node, weight = _nodes(_NODES_S)
    end = np.minimum(high, _WIDEST / q)
    end = np.maximum(end, low)
    s = low + (end - low)[:, None] * (node + 1) / 2
    half = df / 2
    log_density = (
        math.log(2) + half * math.log(half) - float(gammaln(half)) + (df - 1) * np.log(s)
        - half * s * s
    )  # fmt: skip
    beyond = 1.0 - _within((q[:, None] * s).ravel(), groups).reshape(s.shape)
    return ((end - low) / 2) * ((np.exp(log_density) * beyond) @ weight)


@functools.lru_cache(maxsize=2)
def _nodes(count: int) -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(count)


def _within(w: Floats, groups: int) -> Floats:
    from scipy.special import ndtr

    node, weight = _nodes(_NODES_Z)
    z = _Z * node
    mass = groups * _Z * weight * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    inner = ndtr(z)[None, :] - ndtr(z[None, :] - w[:, None])
    within: Floats = inner ** (groups - 1) @ mass
    return within


@functools.lru_cache(maxsize=256)
def range_quantile(level: float, groups: int, df: float) -> float:
    """Quantile of the studentized range of two groups or more, `level` between 0 and 1."""
    from scipy.optimize import brentq

    def excess(log_q: float) -> float:
        return float(range_tail([math.exp(log_q)], groups, df)[0]) - (1 - level)

    return math.exp(float(brentq(excess, -7.0, 12.0, xtol=1e-12)))
