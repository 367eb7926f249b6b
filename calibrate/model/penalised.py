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
from calibrate.stats.likelihood import log_interval
from calibrate.stats.ordinal import require_two_used
from gauge.errors import NotConvergedError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Spreads; no limit is looked for further from its cut.
MOST_SPREADS = 60.0
LABEL = (
    "penalised fit (Jeffreys' prior): the scores are sparse, and the cut points lean on the "
    "penalty as well as on the berries"
)


@dataclass(frozen=True, kw_only=True)
class PenalisedFit:
    """Cut points of one hand under a penalised likelihood.

    Attributes
    ----------
    cut, low, high : ndarray, shape (boundaries,)
        On the model's scale of force, firmest boundary first; NaN beyond the used scores, and an
        open side is NaN too.
    spread : float
    log_likelihood : float
        Without the penalty.
    """

    cut: Floats
    low: Floats
    high: Floats
    spread: float
    log_likelihood: float


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """Cells with ranks among the used scores, 0 to `cuts`; phi is the thresholds and the slope."""

    h: Floats
    rank: Ints
    weight: Floats
    cuts: int

    def start(self) -> Floats:
        """Thresholds from the shares of scores, and a slope in the direction of the scores."""
        below = np.cumsum(np.bincount(self.rank, self.weight) + 0.5)
        rises = float(self.weight @ (self.h * (self.rank - self.rank.mean()))) > 0
        return np.append(np.log(below[:-1] / (below[-1] - below[:-1])), 2.0 if rises else -2.0)

    def log_likelihood(self, phi: Floats) -> float:
        theta = np.concatenate([[-np.inf], phi[:-1], [np.inf]])
        shift = phi[-1] * self.h
        value, *_ = log_interval(theta[self.rank + 1] - shift, theta[self.rank] - shift)
        return float(self.weight @ value)

    def penalty(self, phi: Floats) -> float:
        """Half the log determinant of the expected information of phi."""
        from scipy.special import expit

        z = phi[:-1] - phi[-1] * self.h[:, None]
        upto = np.column_stack([np.zeros(len(z)), expit(z), np.ones(len(z))])
        density = expit(z) * expit(-z)
        slope = np.zeros((len(z), self.cuts + 2, self.cuts + 1))
        index = np.arange(self.cuts)
        slope[:, index + 1, index] = density
        slope[:, 1:-1, -1] = -density * self.h[:, None]
        step = np.diff(slope, axis=1)
        p = np.maximum(np.diff(upto, axis=1), 1e-300)
        information = np.einsum("n,nka,nkb->ab", self.weight, step / p[:, :, None], step)
        sign, value = np.linalg.slogdet(information)
        return 0.5 * float(value) if sign > 0 else -np.inf

    def loss(self, phi: Floats) -> float:
        if self.cuts > 1 and np.diff(phi[:-1]).min() <= 0:
            return 1e12
        value = self.log_likelihood(phi) + self.penalty(phi)
        return -value if np.isfinite(value) else 1e12

    def limits(self, best: Floats, drop: float) -> Floats:
        """Cut points at which the penalised profile has fallen by `drop`, shape (2, cuts)."""
        from scipy.optimize import brentq

        floor, cuts, spread = self.loss(best), best[:-1] / best[-1], 1.0 / abs(best[-1])

        def excess(value: float, k: int) -> float:
            """Measure how far the likelihood falls beyond the limit with cut k held."""

            def held(free: Floats) -> float:
                # free: the other thresholds less theta_k, and the slope.
                theta = np.insert(free[:-1], k, 0.0) + value * free[-1]
                return self.loss(np.append(theta, free[-1]))

            theta = best[:-1] - best[k]
            start = np.append(np.delete(theta, k), best[-1])
            try:
                return held(_minimise(held, start)) - floor - drop
            except NotConvergedError:
                # So far off that nothing there has a likelihood in floating point.
                return np.inf

        limits = np.full((2, cuts.size), np.nan)
        for k, cut in enumerate(cuts):
            for side, sign in enumerate((-1.0, 1.0)):
                near, step = cut, 0.2 * spread
                while step < MOST_SPREADS * spread:
                    far = cut + sign * step
                    beyond = excess(far, k)
                    if beyond == np.inf:
                        break  # the profile levels off before it has fallen far enough: open
                    if beyond > 0:
                        limits[side, k] = brentq(excess, *sorted((near, far)), args=(k,), xtol=1e-4)
                        break
                    near, step = far, 1.7 * step
        return limits


def fit_penalised(
    pairs: Pairs, *, force_scale: ForceScale = "linear", level: float = 0.95, firmest: str = "first"
) -> PenalisedFit:
    """Fit the cut points by maximum penalised likelihood, with penalised profile intervals.

    log L + log det(I)^(1/2) is maximised over thresholds and slope, I being the expected
    information: Firth (1993) Biometrika 80:27; for cumulative logits Kosmidis (2014) J. R. Stat.
    Soc. B 76:169. Intervals are where twice the penalised log-likelihood has fallen by the
    chi-square quantile: Heinze & Schemper (2002) Stat. Med. 21:2409.

    Parameters
    ----------
    pairs : Pairs
        All rows are taken as one hand's.
    force_scale : {'linear', 'log'}
    level : float
    firmest : {'first', 'last'}
        For messages.

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

    cells = collapse(pairs.force_newton, pairs.rank, len(pairs.scale.labels), pairs.count)
    used, rank = np.unique(cells.rank, return_inverse=True)
    require_two_used(used, pairs.source)
    h = transform(cells.force_newton, force_scale)
    centre, scale = float(np.average(h, weights=cells.weight)), float(np.std(h)) or 1.0
    rows = _Rows(
        h=(h - centre) / scale, rank=rank.astype(np.int64), weight=cells.weight, cuts=used.size - 1
    )
    best = _minimise(rows.loss, rows.start())
    labels = [pairs.scale.labels[k] for k in used]
    require_direction(float(best[-1]), labels=labels, firmest=firmest, source=pairs.source)
    low, high = rows.limits(best, float(chdtri(1, 1.0 - level)) / 2)
    place = np.searchsorted(used, np.arange(len(pairs.scale.labels) - 1), side="right") - 1
    known = (place >= 0) & (place < rows.cuts)

    def at_boundaries(values: Floats) -> Floats:
        return np.where(known, values[np.clip(place, 0, rows.cuts - 1)] * scale + centre, np.nan)

    return PenalisedFit(
        cut=at_boundaries(best[:-1] / best[-1]),
        low=at_boundaries(low),
        high=at_boundaries(high),
        spread=-scale / float(best[-1]),
        log_likelihood=rows.log_likelihood(best),
    )


def _minimise(loss: Callable[[Floats], float], start: Floats) -> Floats:
    """Minimise a smooth function of a few numbers; the simplex is for when gradients fail."""
    from scipy.optimize import minimize

    found = minimize(loss, start, method="BFGS", options={"gtol": 1e-5})
    if not found.success and np.abs(found.jac).max() > 1e-2:
        simplex = minimize(loss, found.x, method="Nelder-Mead", options={"maxiter": 4000})
        found = minimize(loss, simplex.x, method="BFGS", options={"gtol": 1e-5})
    if not np.isfinite(found.fun) or found.fun >= 1e11:
        raise NotConvergedError("The penalised fit did not settle.")
    return np.asarray(found.x, dtype=np.float64)
