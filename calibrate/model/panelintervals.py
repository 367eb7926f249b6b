"""What a panel says of its cut points, its raters and the next rater: hands and spreads pooled.

Around its peak the likelihood of a panel is close to normal in the few parameters that are left, so
hands and spreads can be pooled in closed form for any standard deviations. Three raters hardly tell
what these are: they are averaged over a grid, each weighted by how well it explains the data.

The variance between raters is averaged as Student's t does it: evenly in its logarithm (nearly),
and to below the sampling variance where raters agree better than chance lets them. With nothing
known beforehand that would be the t interval with J - 1 degrees of freedom; that hands hardly ever
differ by more than a factor of two takes away its longest tails.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from calibrate.model.panelfit import NO_DEVIATION, Peak, Prior
from calibrate.model.panelmodel import PanelData

Floats = NDArray[np.float64]

# Standard deviations of log hands and log spreads that are tried, and what is known of them
# beforehand: half-normal with these standard deviations.
HAND_SDS = np.concatenate([[0.0], np.geomspace(0.01, 1.0, 18)])
SPREAD_SDS = np.array([0.0, 0.1, 0.2, 0.3, 0.45])
HAND_PRIOR = 0.6
SPREAD_PRIOR = 0.3
BERRY_PRIOR = 0.2
# How the variance between raters is weighed beforehand: as its power -1 - LEAN. Zero would be the t
# interval; this much takes from it where hands are alike what three raters can spare (chosen by the
# coverage that tests/bench/coverage.py measures).
LEAN = 0.1
# Factors on the sampling variance, for raters that agree better than it lets them.
_SHRINKS = np.geomspace(0.02, 1.0, 12)
_PEAK = 1.0 / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, kw_only=True)
class Mixture:
    """Normal distributions of a panel's parameters, one for each guess of the deviations.

    Attributes
    ----------
    weight : ndarray of float, shape (g,)
        Adds up to one.
    plain : ndarray of float, shape (g,)
        Restricted log-likelihood of the guess, with nothing known beforehand.
    hand_sd, spread_sd, berry_sd, shrink : ndarray of float, shape (g,)
    mean : ndarray of float, shape (g, p)
    covariance : ndarray of float, shape (g, p, p)
    relief : ndarray of float, shape (g,)
        What to take off the variance of the panel's centre where `shrink` is below one.
    best : tuple of float
        Hand, spread and berry deviation of the highest restricted likelihood.
    nearest : int
        Which peak has the berry deviation next to that.
    """

    weight: Floats
    plain: Floats
    hand_sd: Floats
    spread_sd: Floats
    berry_sd: Floats
    shrink: Floats
    mean: Floats
    covariance: Floats
    relief: Floats
    best: tuple[float, float, float]
    nearest: int

    def of(self, columns: Floats, *, centre: bool = False, extra: Floats | float = 0.0) -> Normals:
        """Distribution of linear combinations of the parameters.

        Parameters
        ----------
        columns : ndarray of float, shape (p, m)
        centre : bool
            The combinations stand for the panel's centre: let it narrow below the sampling
            variance. Else only guesses without shrinking count.
        extra : ndarray of float, shape (g,), optional
            Variance to add: that of a hand not yet seen.
        """
        mean = self.mean @ columns
        variance = ((self.covariance @ columns) * columns).sum(axis=1)
        variance += np.broadcast_to(extra, self.weight.shape)[:, None]
        weight = self.weight
        if centre:
            variance = np.maximum(variance - self.relief[:, None], 0.05 * variance)
        else:
            weight = weight * (self.shrink == 1.0)
        return Normals(weight=weight / weight.sum(), mean=mean, variance=variance)

    def joint(self, columns: Floats) -> Floats:
        """Covariance of linear combinations of the parameters over all guesses, shape (m, m).

        Parameters
        ----------
        columns : ndarray of float, shape (p, m)
        """
        weight = self.weight * (self.shrink == 1.0)
        weight = weight / weight.sum()
        mean = self.mean @ columns
        off = mean - weight @ mean
        within = np.einsum("g,pi,gpq,qj->ij", weight, columns, self.covariance, columns)
        return np.asarray(within + (off.T * weight) @ off)


@dataclass(frozen=True, kw_only=True)
class Normals:
    """Mixtures of normal distributions.

    Attributes
    ----------
    weight : ndarray of float, shape (g,)
    mean, variance : ndarray of float, shape (g, m)
    """

    weight: Floats
    mean: Floats
    variance: Floats

    @property
    def centre(self) -> Floats:
        """Means, shape (m,)."""
        return self.weight @ self.mean

    def interval(self, level: float) -> tuple[Floats, Floats]:
        """Quantiles that leave out the same at either end, shape (m,) each.

        Examples
        --------
        >>> one = np.ones((1, 1))
        >>> low, high = Normals(weight=np.ones(1), mean=one, variance=one).interval(0.95)
        >>> round(float(low[0]), 4), round(float(high[0]), 4)
        (-0.96, 2.96)
        """
        return self._quantile(0.5 - level / 2.0), self._quantile(0.5 + level / 2.0)

    def _quantile(self, probability: float) -> Floats:
        """Newton's method, by halves where a step would leave the bracket."""
        kept = self.weight > 1e-6
        weight = self.weight[kept] / self.weight[kept].sum()
        # A combination of no parameter at all (an unknown boundary) is certain: no width, no 0 / 0.
        mean, sd = self.mean[kept], np.sqrt(np.maximum(self.variance[kept], 1e-24))
        low, high = (mean - 9.0 * sd).min(axis=0), (mean + 9.0 * sd).max(axis=0)
        middle = weight @ mean
        x = middle + ndtri(probability) * np.sqrt(weight @ (sd**2 + (mean - middle) ** 2))
        for _ in range(40):
            z = (x - mean) / sd
            excess = weight @ ndtr(z) - probability
            low, high = np.where(excess < 0, x, low), np.where(excess < 0, high, x)
            step = excess / np.maximum(weight @ (np.exp(-0.5 * z * z) / sd) * _PEAK, 1e-300)
            if (np.abs(excess) < 1e-9).all():
                break
            inside = (x - step > low) & (x - step < high)
            x = np.where(inside, x - step, 0.5 * (low + high))
        return np.asarray(x)


def pool(
    data: PanelData,
    peaks: Sequence[Peak],
    prior: Prior,
    *,
    hands: bool,
    spreads: bool,
    apart: int | None = None,
) -> Mixture:
    """Pool hands and spreads over a grid of their deviations and those of the berries.

    Parameters
    ----------
    data : PanelData
    peaks : sequence of Peak
        One for each standard deviation of berries, ascending.
    prior : Prior
        Under which the peaks were found; what it says of places and log s is kept.
    hands, spreads : bool
        Whether raters may differ so.
    apart : int, optional
        A rater with cut points of his or her own, whose hand says nothing of the others'.
    """
    places = data.n_places
    hand = places + 1 + np.delete(np.arange(data.n_raters), [] if apart is None else apart)
    spread = slice(places + 1 + data.n_raters, data.size)
    raters = hand.size
    hand_sds = HAND_SDS if hands else HAND_SDS[:1]
    spread_sds = SPREAD_SDS if spreads else SPREAD_SDS[:1]
    hand_sd, spread_sd = (a.ravel() for a in np.meshgrid(hand_sds, spread_sds, indexing="ij"))
    fixed = np.where(np.arange(data.size) <= places, prior.precision, 0.0)
    precision = np.tile(fixed, (hand_sd.size, 1))
    precision[:, places + 1 :] = NO_DEVIATION**-2.0
    precision[:, hand] = 1.0 / np.maximum(hand_sd, NO_DEVIATION)[:, None] ** 2
    precision[:, spread] = 1.0 / np.maximum(spread_sd, NO_DEVIATION)[:, None] ** 2
    # Raters as different as they may be: their differences show the sampling variance.
    loose = fixed.copy()
    loose[places + 1 :] = NO_DEVIATION**-2.0
    loose[hand], loose[spread] = 1.0, 1.0 / SPREAD_PRIOR**2
    # States: the sampling variance shrunk, as it is, and with hands added.
    shrinks = _SHRINKS[:-1] if hands else _SHRINKS[:0]
    state = np.concatenate([np.zeros(shrinks.size, dtype=int), np.arange(hand_sds.size)])
    grid = (state[:, None] * spread_sds.size + np.arange(spread_sds.size)).ravel()
    shrink = np.repeat(np.concatenate([shrinks, np.ones(hand_sds.size)]), spread_sds.size)
    known = -0.5 * (hand_sd / HAND_PRIOR) ** 2 - 0.5 * (spread_sd / SPREAD_PRIOR) ** 2

    log_weights, reliefs, means, covariances, scores = [], [], [], [], []
    berry_sds = np.array([peak.nodes.sigma for peak in peaks])
    for peak, width in zip(peaks, spans(berry_sds), strict=True):
        info = peak.information
        pull = info @ peak.theta + peak.gradient + fixed * prior.centre
        curve = info + precision[:, None, :] * np.eye(data.size)
        covariance = np.linalg.inv(curve)
        mean = covariance @ pull
        gain = mean @ pull
        # Log-likelihood with places and log s integrated out too (restricted likelihood).
        sign, log_size = np.linalg.slogdet(curve)
        score = 0.5 * (gain - log_size + np.log(precision[:, places + 1 :]).sum(axis=1))
        score += peak.log_likelihood - peak.theta @ (peak.gradient + 0.5 * info @ peak.theta)
        # Nodes that do not reach can leave a curve that is none; such a guess counts for nothing.
        sound = (sign > 0) & (np.diagonal(covariance, axis1=1, axis2=2) > 0).all(axis=1)
        score = np.where(sound, score, -np.inf)
        covariance = np.where(sound[:, None, None], covariance, np.eye(data.size))
        free = np.linalg.inv(info + np.diag(loose))
        between = free[np.ix_(hand, hand)]
        noise = (np.trace(between) - between.sum() / raters) / max(raters - 1, 1) + NO_DEVIATION**2
        misfit = np.maximum(pull @ free @ pull - gain, 0.0)[grid]
        variance = shrink * noise + hand_sd[grid] ** 2
        log_weights.append(
            (score + known)[grid]
            - 0.5 * (raters - 1) * np.log(shrink)
            - 0.5 * misfit * (1.0 / shrink - 1.0)
            + np.log(np.repeat(spans(np.log(variance[:: spread_sds.size])), spread_sds.size))
            - LEAN * np.log(variance)
            + np.log(np.tile(spans(spread_sds), state.size))
            + np.log(width)
            - 0.5 * (peak.nodes.sigma / BERRY_PRIOR) ** 2
        )
        reliefs.append((1.0 - shrink) * noise / raters)
        means.append(mean[grid])
        covariances.append(covariance[grid])
        scores.append(score)
    weight = np.exp(np.concatenate(log_weights) - np.max(log_weights))
    table = np.reshape(scores, (len(peaks), hand_sds.size, spread_sds.size))
    at, hand_at, spread_at = np.unravel_index(np.argmax(table), table.shape)
    return Mixture(
        weight=weight / weight.sum(),
        plain=np.concatenate([score[grid] for score in scores]),
        hand_sd=np.tile(hand_sd[grid], len(peaks)),
        spread_sd=np.tile(spread_sd[grid], len(peaks)),
        berry_sd=np.repeat(berry_sds, grid.size),
        shrink=np.tile(shrink, len(peaks)),
        mean=np.concatenate(means),
        covariance=np.concatenate(covariances),
        relief=np.concatenate(reliefs),
        best=(
            _vertex(hand_sds, table[at, :, spread_at]),
            _vertex(spread_sds, table[at, hand_at]),
            _vertex(berry_sds, table[:, hand_at, spread_at]),
        ),
        nearest=int(at),
    )


def _vertex(grid: Floats, value: Floats) -> float:
    """Where the parabola through the highest point and its neighbours is highest."""
    top = int(np.argmax(value))
    if not 0 < top < grid.size - 1 or not np.isfinite(value[top - 1 : top + 2]).all():
        return float(grid[top])
    bend, slope, _ = np.polyfit(grid[top - 1 : top + 2], value[top - 1 : top + 2], 2)
    return float(-slope / (2.0 * bend))


def spans(grid: Floats) -> Floats:
    """Length of the grid that each point stands for (trapezoid rule); one for a single point.

    Examples
    --------
    >>> spans(np.array([0.0, 1.0, 3.0])).tolist()
    [0.5, 1.5, 1.0]
    """
    if grid.size == 1:
        return np.ones(1)
    half = np.diff(grid) / 2.0
    return np.asarray(np.append(half, 0.0) + np.append(0.0, half))
