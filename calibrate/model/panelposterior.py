"""The grid posterior of a panel: cut points, raters and the next rater.

Around its mode the likelihood of a panel is close to normal in the few parameters that are left, so
given the standard deviations between raters the posterior is normal in closed form. Three raters
hardly tell what these deviations are: the posterior is averaged over a grid of them, each guess
weighted by its restricted likelihood and by what is known beforehand.

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

from calibrate.model.panellikelihood import PanelData
from calibrate.model.panelmode import NO_DEVIATION, Mode, Prior
from calibrate.stats.estimate import Estimate

Floats = NDArray[np.float64]

# Standard deviations between raters that are tried: of log effects (hands) and of log spreads.
HAND_SDS = np.concatenate([[0.0], np.geomspace(0.01, 1.0, 18)])
SPREAD_SDS = np.array([0.0, 0.1, 0.2, 0.3, 0.45])
# What is known beforehand of the deviations of hands, spreads and berries: half-normal with these.
HAND_PRIOR = 0.6
SPREAD_PRIOR = 0.3
BERRY_PRIOR = 0.2
# How the variance between raters is weighed beforehand: as its power -1 - LEAN. Zero would be the t
# interval; this much takes from it where hands are alike what three raters can spare (chosen by the
# coverage that tests/bench/coverage.py measures).
LEAN = 0.1
# Factors on the sampling variance, for raters that agree better than it lets them.
_SHRINKS = np.geomspace(0.02, 1.0, 12)
_NORMAL_DENSITY_AT_0 = 1.0 / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, kw_only=True)
class Posterior:
    """Normal distributions of a panel's parameters, one for each of g guesses of the deviations.

    Attributes
    ----------
    weight : ndarray of float, shape (g,)
        Adds up to one.
    restricted : ndarray of float, shape (g,)
        Restricted log-likelihood of the guess, with nothing known beforehand.
    hand_sd, shrink : ndarray of float, shape (g,)
    mean : ndarray of float, shape (g, p)
    covariance : ndarray of float, shape (g, p, p)
    relief : ndarray of float, shape (g,)
        What to take off the variance of the panel's centre where `shrink` is below one.
    best : tuple of float
        Hand, spread and berry deviation of the highest restricted likelihood.
    nearest : int
        Which mode has the berry deviation next to that.
    """

    weight: Floats
    restricted: Floats
    hand_sd: Floats
    shrink: Floats
    mean: Floats
    covariance: Floats
    relief: Floats
    best: tuple[float, float, float]
    nearest: int

    def of(self, columns: Floats, *, centre: bool = False, extra: Floats | float = 0.0) -> Normals:
        """Distribution of m linear combinations of the parameters, `columns` of shape (p, m).

        With `centre` they stand for the panel's centre, which may narrow below the sampling
        variance; else only guesses without shrinking count. `extra` is variance to add, one for
        each guess: that of a hand not yet seen.
        """
        mean = self.mean @ columns
        variance = ((self.covariance @ columns) * columns).sum(axis=1)
        variance += np.broadcast_to(extra, self.weight.shape)[:, None]
        weight = self.weight if centre else self._unshrunk
        if centre:
            variance = np.maximum(variance - self.relief[:, None], 0.05 * variance)
        return Normals(weight=weight, mean=mean, variance=variance)

    def joint(self, columns: Floats) -> Floats:
        """Covariance of linear combinations of the parameters over all guesses, shape (m, m)."""
        weight = self._unshrunk
        mean = self.mean @ columns
        off = mean - weight @ mean
        within = np.einsum("g,pi,gpq,qj->ij", weight, columns, self.covariance, columns)
        return np.asarray(within + (off.T * weight) @ off)

    @property
    def _unshrunk(self) -> Floats:
        weight = self.weight * (self.shrink == 1.0)
        return np.asarray(weight / weight.sum())


@dataclass(frozen=True, kw_only=True)
class Normals:
    """Mixtures of normal distributions: `weight` (g,), `mean` and `variance` (g, m)."""

    weight: Floats
    mean: Floats
    variance: Floats

    @property
    def centre(self) -> Floats:
        """Means, shape (m,)."""
        return self.weight @ self.mean

    def interval(self, level: float) -> tuple[Floats, Floats]:
        """Quantiles that leave out the same at either end, shape (m,) each."""
        return self._quantile(0.5 - level / 2.0), self._quantile(0.5 + level / 2.0)

    def estimates(self, level: float) -> tuple[Estimate, ...]:
        """Means with their intervals."""
        rows = np.array([self.centre, *self.interval(level)]).T.tolist()
        return tuple(Estimate(value=value, low=low, high=high) for value, low, high in rows)

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
            density = weight @ (np.exp(-0.5 * z * z) / sd) * _NORMAL_DENSITY_AT_0
            step = excess / np.maximum(density, 1e-300)
            if (np.abs(excess) < 1e-9).all():
                break
            inside = (x - step > low) & (x - step < high)
            x = np.where(inside, x - step, 0.5 * (low + high))
        return np.asarray(x)


def pool(
    data: PanelData,
    modes: Sequence[Mode],
    prior: Prior,
    *,
    hands: bool,
    spreads: bool,
    apart: int | None = None,
) -> Posterior:
    """Average over a grid of the deviations of hands, spreads and berries.

    `modes` are one for each berry deviation, ascending, found under `prior`, which is kept for
    places and log s. `hands` and `spreads` say whether raters may differ so; `apart` is a rater
    with cut points of his or her own, whose hand tells nothing of the others'.
    """
    grid = _Grid(data, prior, hands=hands, spreads=spreads, apart=apart)
    parts = [grid.around(mode) for mode in modes]
    berry_sds = np.array([mode.nodes.sigma for mode in modes])
    known = np.log(spans(berry_sds)) - 0.5 * (berry_sds / BERRY_PRIOR) ** 2
    log_weight = np.concatenate([part.log_weight + k for part, k in zip(parts, known, strict=True)])
    weight = np.exp(log_weight - log_weight.max())
    score = np.reshape(
        [part.score for part in parts], (len(parts), grid.hand_sds.size, grid.spread_sds.size)
    )
    at, hand_at, spread_at = np.unravel_index(np.argmax(score), score.shape)
    guess, shrink = grid.guess, grid.shrink
    return Posterior(
        weight=weight / weight.sum(),
        restricted=np.concatenate([part.score[guess] for part in parts]),
        hand_sd=np.tile(grid.hand_sd[guess], len(parts)),
        shrink=np.tile(shrink, len(parts)),
        mean=np.concatenate([part.mean[guess] for part in parts]),
        covariance=np.concatenate([part.covariance[guess] for part in parts]),
        relief=np.concatenate([(1.0 - shrink) * part.noise / grid.hand.size for part in parts]),
        best=(
            _vertex(grid.hand_sds, score[at, :, spread_at]),
            _vertex(grid.spread_sds, score[at, hand_at]),
            _vertex(berry_sds, score[:, hand_at, spread_at]),
        ),
        nearest=int(at),
    )


@dataclass(frozen=True, kw_only=True)
class _Part:
    """The posterior at one berry deviation: of each guess of deviations, and weights of states."""

    score: Floats
    mean: Floats
    covariance: Floats
    noise: float
    log_weight: Floats


class _Grid:
    """All combinations of deviations of hands and spreads (guesses), and the states to weigh.

    States are the guesses, after those without hands but with the sampling variance shrunk.
    """

    def __init__(
        self, data: PanelData, prior: Prior, *, hands: bool, spreads: bool, apart: int | None
    ) -> None:
        self.data, self.prior = data, prior
        self.hand_sds = HAND_SDS if hands else HAND_SDS[:1]
        self.spread_sds = SPREAD_SDS if spreads else SPREAD_SDS[:1]
        n_hand, n_spread = self.hand_sds.size, self.spread_sds.size
        self.hand_sd = np.repeat(self.hand_sds, n_spread)
        self.spread_sd = np.tile(self.spread_sds, n_hand)
        # Of each state: the guess it belongs to, and the factor on the sampling variance.
        shrinks = _SHRINKS[:-1] if hands else _SHRINKS[:0]
        of_state = np.append(np.zeros(shrinks.size, dtype=int), np.arange(n_hand))
        self.guess = (of_state[:, None] * n_spread + np.arange(n_spread)).ravel()
        self.shrink = np.repeat(np.append(shrinks, np.ones(n_hand)), n_spread)
        # Parameters that differ between raters begin here; places and log s stand before.
        self.first, raters = data.n_places + 1, np.arange(data.n_raters)
        self.hand = self.first + np.delete(raters, [] if apart is None else apart)
        self.spread = self.first + data.n_raters + raters

    def precision(self, hand_sd: Floats, spread_sd: Floats) -> Floats:
        """Precision of all parameters under deviations, shape (guesses, p)."""
        out = np.empty((hand_sd.size, self.data.size))
        out[:, : self.first] = self.prior.precision[: self.first]
        out[:, self.first :] = NO_DEVIATION**-2.0
        out[:, self.hand] = np.maximum(hand_sd, NO_DEVIATION)[:, None] ** -2.0
        out[:, self.spread] = np.maximum(spread_sd, NO_DEVIATION)[:, None] ** -2.0
        return out

    def around(self, mode: Mode) -> _Part:
        """Normal approximation around a mode, for every guess."""
        info, first = mode.information, self.first
        precision = self.precision(self.hand_sd, self.spread_sd)
        pull = info @ mode.theta + mode.gradient
        pull[:first] += (self.prior.precision * self.prior.centre)[:first]
        curve = info + precision[:, None, :] * np.eye(self.data.size)
        covariance = np.linalg.inv(curve)
        mean = covariance @ pull
        gain = mean @ pull
        # Log-likelihood with places and log s integrated out too (restricted likelihood).
        sign, log_size = np.linalg.slogdet(curve)
        score = 0.5 * (gain - log_size + np.log(precision[:, first:]).sum(axis=1))
        score += mode.log_likelihood - mode.theta @ (mode.gradient + 0.5 * info @ mode.theta)
        # Raters as different as they may be: their differences show the sampling variance.
        loose = self.precision(np.ones(1), np.full(1, SPREAD_PRIOR))[0]
        free: Floats = np.asarray(np.linalg.inv(info + np.diag(loose)))
        noise = self._sampling_variance(free)
        misfit = np.maximum(pull @ free @ pull - gain, 0.0)
        # Nodes that do not reach can leave a curve that is none; such a guess counts for nothing.
        sound = (sign > 0) & (np.diagonal(covariance, axis1=1, axis2=2) > 0).all(axis=1)
        score = np.where(sound & (noise > 0.0), score, -np.inf)
        noise = max(noise, NO_DEVIATION**2)
        return _Part(
            score=score,
            mean=mean,
            covariance=np.where(sound[:, None, None], covariance, np.eye(self.data.size)),
            noise=noise,
            log_weight=self._log_weight(score, misfit, noise),
        )

    def _sampling_variance(self, free: Floats) -> float:
        """Variance between raters' effects by chance; 1 where raters have none."""
        if self.hand_sds.size == 1:
            return 1.0
        between, raters = free[np.ix_(self.hand, self.hand)], self.hand.size
        variance = (np.trace(between) - between.sum() / raters) / max(raters - 1, 1)
        return float(variance) + NO_DEVIATION**2

    def _log_weight(self, score: Floats, misfit: Floats, noise: float) -> Floats:
        """Weight each state: likelihood, what is known beforehand, share of the grid."""
        shrink, guess, count = self.shrink, self.guess, self.spread_sds.size
        known = -0.5 * (self.hand_sd / HAND_PRIOR) ** 2 - 0.5 * (self.spread_sd / SPREAD_PRIOR) ** 2
        log_variance = np.log(shrink * noise + self.hand_sd[guess] ** 2)
        return np.asarray(
            (score + known)[guess]
            - 0.5 * (self.hand.size - 1) * np.log(shrink)
            - 0.5 * misfit[guess] * (1.0 / shrink - 1.0)
            + np.log(np.repeat(spans(log_variance[::count]), count))
            - LEAN * log_variance
            + np.log(np.tile(spans(self.spread_sds), guess.size // count))
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
