"""A penalised fit for sparse data: finite cut points where plain likelihood has no maximum.

Offered, never chosen in silence. The penalty is Jeffreys' invariant prior, which takes away the
first-order bias and keeps estimates finite when scores do not overlap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.model.cutmodel import ForceScale, collapse, require_direction, transform
from calibrate.model.intervals import outward
from calibrate.stats.likelihood import log_interval, make_terms
from calibrate.stats.ordinal import require_two_used
from gauge.errors import NotConvergedError

Floats = NDArray[np.float64]
# Spreads; no limit is looked for further from its cut.
_MOST_SPREADS = 60.0
# Loss where there is no likelihood, larger than any.
_NOWHERE = 1e12
LABEL = (
    "penalised fit (Jeffreys' prior): the scores are sparse, and the cut points lean on the "
    "penalty as well as on the berries"
)


@dataclass(frozen=True, kw_only=True)
class PenalisedFit:
    """Cut points of one hand on the model's scale of force, firmest boundary first, and the spread.

    NaN are cut points beyond the used scores, and open sides. The log-likelihood is that without
    the penalty.
    """

    cut: Floats
    low: Floats
    high: Floats
    spread: float
    log_likelihood: float


def fit_penalised(
    pairs: Pairs, *, force_scale: ForceScale = "linear", level: float = 0.95, firmest: str = "first"
) -> PenalisedFit:
    """Fit the cut points by maximum penalised likelihood, with penalised profile intervals.

    log L + log det(I)^(1/2) is maximised over thresholds and slope, I being the expected
    information: Firth (1993) Biometrika 80:27; for cumulative logits Kosmidis (2014) J. R. Stat.
    Soc. B 76:169. Intervals are where twice the penalised log-likelihood has fallen by the
    chi-square quantile: Heinze & Schemper (2002) Stat. Med. 21:2409. All rows are taken as one
    hand's; `firmest` is for messages.

    Raises
    ------
    TooFewScoresError
        If fewer than two scores are used.
    WrongDirectionError
        If scores run against force.
    NotConvergedError
        If the optimiser failed.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> zero = np.zeros(2, dtype=np.int64)
    >>> pairs = Pairs(scale=RASPBERRY, force_newton=np.array([2.0, 4.0]), rank=np.array([1, 0]),
    ...               count=np.array([4.0, 4.0]), rater=zero, berry=zero)
    >>> round(float(fit_penalised(pairs).cut[0]), 3)
    3.0
    """
    from scipy.special import chdtri

    cells = collapse(pairs)
    used, rank = np.unique(cells.rank, return_inverse=True)
    require_two_used(used, pairs.source)
    force = transform(cells.force_newton, force_scale)
    centre, scale = float(np.average(force, weights=cells.count)), float(np.std(force)) or 1.0
    h = (force - centre) / scale
    terms = make_terms(h[:, None], rank.astype(np.int64), cells.count, used.size)

    def loss(phi: Floats) -> float:
        value = terms(phi)[0]
        if np.isfinite(value):  # minus infinity where thresholds cross
            value += _penalty(phi, h, cells.count)
        return -value if np.isfinite(value) else _NOWHERE

    # The search begins at thresholds from the shares of scores, and a slope in their direction.
    below = np.cumsum(np.bincount(rank, cells.count) + 0.5)
    rises = float(cells.count @ (h * (rank - rank.mean()))) > 0
    start = np.append(np.log(below[:-1] / (below[-1] - below[:-1])), 2.0 if rises else -2.0)
    best = _minimise(loss, start)
    labels = [pairs.scale.labels[k] for k in used]
    require_direction(float(best[-1]), labels=labels, firmest=firmest, source=pairs.source)
    low, high = _limits(loss, best, float(chdtri(1, 1.0 - level)) / 2).T
    place = np.searchsorted(used, np.arange(len(pairs.scale.labels) - 1), side="right") - 1
    known = (place >= 0) & (place < used.size - 1)

    def at_boundaries(values: Floats) -> Floats:
        return np.where(known, np.append(values, np.nan)[place] * scale + centre, np.nan)

    return PenalisedFit(
        cut=at_boundaries(best[:-1] / best[-1]),
        low=at_boundaries(low),
        high=at_boundaries(high),
        spread=-scale / float(best[-1]),
        log_likelihood=terms(best)[0],
    )


def _penalty(phi: Floats, h: Floats, weight: Floats) -> float:
    """Half the log determinant of the expected information of phi: thresholds, then the slope."""
    z = phi[:-1] - phi[-1] * h[:, None]
    n, cuts = z.shape
    upper = np.column_stack([z, np.full(n, np.inf)])
    lower = np.column_stack([np.full(n, -np.inf), z])
    log_p, by_upper, by_lower, *_ = log_interval(upper, lower)
    score = np.zeros((n, cuts + 1, cuts + 1))
    index = np.arange(cuts)
    score[:, index, index] = by_upper[:, :-1]
    score[:, index + 1, index] = by_lower[:, 1:]
    score[:, :, -1] = -h[:, None] * (by_upper + by_lower)
    half = np.sqrt(weight[:, None] * np.exp(log_p))[:, :, None] * score
    rows = half.reshape(-1, cuts + 1)
    sign, value = np.linalg.slogdet(rows.T @ rows)
    return 0.5 * float(value) if sign > 0 else -np.inf


def _limits(loss: Callable[[Floats], float], best: Floats, drop: float) -> Floats:
    """Cut points at which the penalised profile has fallen by `drop`, shape (cuts, 2)."""
    limits = []
    for k, cut in enumerate((best[:-1] / best[-1]).tolist()):
        start = np.append(np.delete(best[:-1] - best[k], k), best[-1])

        def excess(value: float, k: int = k, start: Floats = start) -> float:
            """Measure how far the likelihood falls beyond the limit with cut k held."""

            def held(free: Floats) -> float:
                # free: the other thresholds less theta_k, and the slope.
                theta = np.insert(free[:-1], k, 0.0) + value * free[-1]
                return loss(np.append(theta, free[-1]))

            try:
                return held(_minimise(held, start)) - loss(best) - drop
            except NotConvergedError:
                # So far off that nothing there has a likelihood in floating point: the profile
                # levels off before it has fallen far enough.
                return np.inf

        spread = 1.0 / abs(best[-1])
        limits.append(
            [
                outward(excess, cut, sign * 0.2 * spread, 1.7, _MOST_SPREADS * spread, xtol=1e-4)
                for sign in (-1.0, 1.0)
            ]
        )
    return np.array(limits, dtype=float)


def _minimise(loss: Callable[[Floats], float], start: Floats) -> Floats:
    """Minimise a smooth function of a few numbers; the simplex is for when gradients fail."""
    from scipy.optimize import minimize

    found = minimize(loss, start, method="BFGS", options={"gtol": 1e-5})
    if not found.success and np.abs(found.jac).max() > 1e-2:
        simplex = minimize(loss, found.x, method="Nelder-Mead", options={"maxiter": 4000})
        found = minimize(loss, simplex.x, method="BFGS", options={"gtol": 1e-5})
    if not np.isfinite(found.fun) or found.fun >= _NOWHERE:
        raise NotConvergedError("The penalised fit did not settle.")
    return np.asarray(found.x, dtype=np.float64)
