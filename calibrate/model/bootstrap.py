"""The bootstrap of cut points: all resamples refitted together by one batched Newton.

Rows are drawn with replacement; in cells that is one multinomial draw of weights a resample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.model.cutmodel import CutFit, transform
from calibrate.stats.likelihood import Terms, make_terms
from gauge.errors import InvalidValueError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Side = float | None

# numbers; so many are drawn in one batch, few enough to stay in a processor's cache.
_BATCH = 60_000
# Log-likelihood; a promised gain at which a refit has converged.
_SETTLED = 1e-6
_MAX_ITERATIONS = 50


@dataclass(frozen=True, kw_only=True)
class Refits:
    """Cut points of every resample.

    Attributes
    ----------
    cut : ndarray of float, shape (resamples, n_ranks - 1)
        In the units of h; infinite beyond the scores that a resample uses. Mid-gap where force
        separates all scores of a resample.
    lost : ndarray of bool, shape (resamples,)
        No cut points: the slope had the wrong sign, one score only, or no convergence.
    separated : ndarray of bool, shape (resamples,)
    """

    cut: Floats
    lost: Bools
    separated: Bools


def bootstrap_limits(
    fit: CutFit, *, level: float, resamples: int, seed: int
) -> list[tuple[Side, Side, str]]:
    """Find percentile limits of every cut point, in the units of h.

    A resample without cut points counts as one beyond either limit, so that it can only widen
    the interval (percentile method: Efron, B. & Tibshirani, R. J. (1993) An Introduction to the
    Bootstrap, chapter 13).
    """
    tail = (1.0 - level) / 2.0
    if resamples * tail < 2.0:
        raise InvalidValueError(
            f"{resamples} resamples are too few for a level of {level:g}.",
            todo=f"Use {int(np.ceil(2.0 / tail))} or more.",
        )
    refits = refit(fit, resamples=resamples, seed=seed)
    why = (
        f"{int(refits.lost.sum())} of {resamples} resamples have no slope of the right sign, or "
        "lack a score"
    )
    limits: list[tuple[Side, Side, str]] = []
    for column in refits.cut.T:
        low = np.quantile(np.where(refits.lost, -np.inf, column), tail, method="lower")
        high = np.quantile(np.where(refits.lost, np.inf, column), 1.0 - tail, method="higher")
        limits.append((float(low), float(high), why))
    return limits


def refit(fit: CutFit, *, resamples: int, seed: int) -> Refits:
    """Draw resamples of the rows and refit the cut points to each."""
    order = np.argsort(fit.cells.rank, kind="stable")
    rank, weight = fit.cells.rank[order], fit.cells.weight[order]
    h = transform(fit.cells.force_newton[order], fit.force_scale)
    rng = np.random.default_rng(seed)
    n, share = round(float(weight.sum())), weight / weight.sum()
    cut = np.full((resamples, fit.cut.size), np.nan)
    lost, separated = np.zeros(resamples, dtype=bool), np.zeros(resamples, dtype=bool)
    size = max(1, _BATCH // rank.size)
    for first in range(0, resamples, size):
        batch = slice(first, min(first + size, resamples))
        drawn = rng.multinomial(n, share, size=batch.stop - first).astype(float)
        cut[batch], lost[batch], separated[batch] = _refit_batch(fit, h, rank, drawn)
    return Refits(cut=cut, lost=lost, separated=separated)


def _refit_batch(
    fit: CutFit, h: Floats, rank: NDArray[np.int64], drawn: Floats
) -> tuple[Floats, Bools, Bools]:
    ranks = np.arange(fit.cells.n_ranks)
    starts = np.searchsorted(rank, ranks)
    filled = np.flatnonzero(np.diff(np.append(starts, rank.size)))
    present = np.zeros((drawn.shape[0], ranks.size), dtype=bool)
    present[:, filled] = np.add.reduceat(drawn, starts[filled], axis=1) > 0
    cut = np.full((drawn.shape[0], ranks.size - 1), np.nan)
    lost, separated = np.zeros(drawn.shape[0], dtype=bool), np.zeros(drawn.shape[0], dtype=bool)
    # Resamples that use the same scores share a likelihood layout; mostly there is just one.
    for pattern in np.unique(present, axis=0):
        which = np.flatnonzero((present == pattern).all(axis=1))
        used = np.flatnonzero(pattern)
        if used.size < 2:
            lost[which] = True
            continue
        cells = np.isin(rank, used)
        few = drawn[np.ix_(which, np.flatnonzero(cells))]
        some_h, some_rank = h[cells], np.searchsorted(used, rank[cells])
        apart, edges = _gaps(some_h, some_rank, few)
        found = np.full((which.size, used.size - 1), np.nan)
        found[apart] = edges[apart]
        rest = np.flatnonzero(~apart)
        found[rest], failed = _newton(fit, some_h, some_rank, few[rest], used)
        lost[which[rest[failed]]] = True
        separated[which] = apart
        place = np.searchsorted(used, ranks[:-1], side="right") - 1
        outer = np.full((which.size, 1), np.inf)
        padded = np.concatenate([outer, found, -outer], axis=1)
        cut[which] = padded[:, place + 1]
    return cut, lost, separated


def _gaps(h: Floats, rank: NDArray[np.int64], drawn: Floats) -> tuple[Bools, Floats]:
    """Return which resamples force separates, and the middles of their gaps."""
    starts = np.searchsorted(rank, np.arange(int(rank[-1]) + 1))
    low = np.minimum.reduceat(np.where(drawn > 0, h, np.inf), starts, axis=1)
    high = np.maximum.reduceat(np.where(drawn > 0, h, -np.inf), starts, axis=1)
    firmer, softer = low[:, :-1], high[:, 1:]
    return np.asarray((firmer >= softer).all(axis=1)), (firmer + softer) / 2.0


def _newton(
    fit: CutFit, h: Floats, rank: NDArray[np.int64], drawn: Floats, used: NDArray[np.int64]
) -> tuple[Floats, Bools]:
    """Cut points of resamples that use the ranks `used`, and which of them failed."""
    count, cuts = drawn.shape[0], used.size - 1
    terms = make_terms(h[:, None], rank, np.ones(rank.size), used.size)
    weight = drawn[:, terms.row]
    totals = np.add.reduceat(drawn, np.searchsorted(rank, np.arange(used.size)), axis=1)
    gap_weight = totals[:, 1:-1]
    # All start from the fit itself: the thresholds between the scores still used, and the slope.
    theta = fit.ordinal.phi[fit.free[used[:-1]]]
    phi = np.tile(np.append(theta, fit.ordinal.phi[-1]), (count, 1))
    p = cuts + 1
    pairs = np.triu_indices(p)
    squares = terms.design[:, pairs[0]] * terms.design[:, pairs[1]]
    gap_squares = terms.gap[:, pairs[0]] * terms.gap[:, pairs[1]]
    active = np.arange(count)
    failed = np.ones(count, dtype=bool)
    here, decay, inside = _value(terms, phi, weight, gap_weight)
    for _ in range(_MAX_ITERATIONS):
        if not active.size:
            break
        at, value = phi[active], here[active]
        gradient, packed = _slopes(
            terms, squares, gap_squares, at, decay, inside, weight, gap_weight
        )
        information = np.empty((active.size, p, p))
        information[:, pairs[0], pairs[1]] = packed
        information[:, pairs[1], pairs[0]] = packed
        scale = 1.0 / np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
        ridge = information * scale[:, :, None] * scale[:, None, :] + 1e-13 * np.eye(p)
        step = scale * np.linalg.solve(ridge, (gradient * scale)[:, :, None])[:, :, 0]
        gain = (gradient * step).sum(axis=1)
        length = np.ones(active.size)
        # The full step is right for nearly all; the few others halve theirs.
        tried, decay, inside = _value(terms, at + step, weight, gap_weight)
        for _halving in range(40):
            short = np.flatnonzero(~(tried >= value + 1e-4 * length * gain - 1e-9))
            if not short.size:
                break
            length[short] *= 0.5
            trial = at[short] + length[short, None] * step[short]
            tried[short], decay[short], inside[short] = _value(
                terms, trial, weight[short], gap_weight[short]
            )
        phi[active], here[active] = at + length[:, None] * step, tried
        settled = gain < _SETTLED
        failed[active[settled]] = False
        going = ~settled & (length > 1e-11)
        if not going.all():
            active, weight, gap_weight = active[going], weight[going], gap_weight[going]
            decay, inside = decay[going], inside[going]
    failed |= phi[:, -1] >= 0
    with np.errstate(divide="ignore", invalid="ignore"):
        return phi[:, :-1] / phi[:, -1:], failed


def _value(
    terms: Terms, phi: Floats, weight: Floats, gap_weight: Floats
) -> tuple[Floats, Floats, Bools]:
    """Log-likelihood of each row of `phi` under its own weights; see `Terms`.

    Also what the derivatives need again: exp(-abs(z)) of all terms, and whether z is above zero.
    """
    z = phi @ terms.design.T
    inside = z >= 0
    low = np.minimum(z, 0.0)
    np.abs(z, out=z)
    np.negative(z, out=z)
    decay = np.exp(z, out=z)
    low -= np.log1p(decay)
    value = np.einsum("ij,ij->i", weight, low)
    if terms.gap.size:
        distance = phi @ terms.gap.T
        crossed = (distance <= 0).any(axis=1)
        left = -np.expm1(-np.where(distance > 0, distance, 1.0))
        value = np.where(crossed, -np.inf, value + (gap_weight * np.log(left)).sum(axis=1))
    return value, decay, inside


def _slopes(
    terms: Terms,
    squares: Floats,
    gap_squares: Floats,
    phi: Floats,
    decay: Floats,
    inside: Bools,
    weight: Floats,
    gap_weight: Floats,
) -> tuple[Floats, Floats]:
    """Gradients, and the upper triangles of the information, of each row of `phi`."""
    pull = np.where(inside, decay, 1.0)
    pull /= 1.0 + decay
    force = weight * pull
    gradient = force @ terms.design
    np.subtract(1.0, pull, out=pull)
    pull *= force
    packed = pull @ squares
    if terms.gap.size:
        distance = phi @ terms.gap.T
        ratio = np.exp(-distance) / -np.expm1(-distance)
        gradient += (gap_weight * ratio) @ terms.gap
        packed += (gap_weight * ratio * (1.0 + ratio)) @ gap_squares
    return gradient, packed
