"""The grid posterior of a panel: what it says of cut points, raters and the next rater.

Around its mode the likelihood of a panel is close to normal in the few parameters that are left, so
given the standard deviations between raters the posterior is normal in closed form. Three raters
hardly show what these deviations are: the posterior is averaged over a grid of them, each guess
weighted by its restricted likelihood and by what is known beforehand.

The deviation of hands is taken half-normal (Gelman, A. (2006) Bayesian Analysis 1:515-533), and
beneath that evenly spread in the logarithm of the variance between raters' estimates: as in the t
interval of few raters, and with a density that vanishes at zero in proportion to the deviation, so
that three raters who happen to agree are not taken for equal (Chung, Y., Rabe-Hesketh, S., Dorie,
V., Gelman, A. & Liu, J. (2013) Psychometrika 78:685-709).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from calibrate.model.panellikelihood import PanelData
from calibrate.model.panelmode import NO_DEVIATION, Mode, Prior
from calibrate.stats.estimate import Estimate

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Standard deviations between raters, the nodes of the grid: of log hands, of log spreads, and of a
# hand's tilt and its offsets at single boundaries.
HAND_SDS = np.concatenate([[0.0], np.geomspace(0.02, 0.9, 8)])
SPREAD_SDS = np.array([0.0, 0.15, 0.35])
TILT_SDS = np.array([0.0, 0.1, 0.25])
OFFSET_SDS = np.array([0.0, 0.05, 0.1, 0.18])
# Scales of the half-normal priors of the standard deviations of log hands, log spreads, tilts,
# offsets and log berries: assumed.
HAND_PRIOR = 0.3
SPREAD_PRIOR = 0.3
TILT_PRIOR = 0.2
OFFSET_PRIOR = 0.15
BERRY_PRIOR = 0.2
# Standard deviation of the logarithm of hands' deviation from season to season: assumed.
SEASON_SD = 0.3
# Share of the largest weight below which a guess is left out.
_NEGLIGIBLE = 1e-5
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
    hand_sd, tilt_sd, offset_sd : ndarray of float, shape (g,)
    mean : ndarray of float, shape (g, p)
    covariance : ndarray of float, shape (g, p, p)
    best : tuple of float
        Hand, spread, tilt, offset and berry deviation of the highest restricted likelihood.
    shape_evidence : float
        Twice the gain in restricted log-likelihood by tilts and offsets.
    nearest : int
        Which mode has the berry deviation next to that.
    """

    weight: Floats
    restricted: Floats
    hand_sd: Floats
    tilt_sd: Floats
    offset_sd: Floats
    mean: Floats
    covariance: Floats
    best: tuple[float, float, float, float, float]
    shape_evidence: float
    nearest: int

    def of(self, columns: Floats, *, extra: Floats | float = 0.0) -> Normals:
        """Distribution of m linear combinations of the parameters, `columns` of shape (p, m).

        `extra` is variance to add, of shape (g, m): that of a hand not yet seen.
        """
        mean = self.mean @ columns
        variance = ((self.covariance @ columns) * columns).sum(axis=1)
        variance += extra
        return Normals(weight=self.weight, mean=mean, variance=variance)

    def joint(self, columns: Floats) -> Floats:
        """Covariance of linear combinations of the parameters over all guesses, shape (m, m)."""
        mean = self.mean @ columns
        off = mean - self.weight @ mean
        within = columns.T @ np.tensordot(self.weight, self.covariance, 1) @ columns
        return np.asarray(within + (off.T * self.weight) @ off)

    def hand_quantiles(self, shares: Floats) -> Floats:
        """Quantiles of the deviation of hands."""
        sds, at = np.unique(self.hand_sd, return_inverse=True)
        if sds.size == 1:
            return np.full(shares.shape, sds[0])
        # The weight of a guess lies evenly between the middles to its neighbours.
        edges = np.concatenate([sds[:1], (sds[1:] + sds[:-1]) / 2.0, sds[-1:]])
        reached = np.append(0.0, np.cumsum(np.bincount(at, self.weight)))
        return np.asarray(np.interp(shares, reached, edges))


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
    hands: bool = True,
    spreads: bool = True,
    offsets: bool = True,
    apart: Sequence[int] = (),
    earlier_hand_sds: Sequence[float] = (),
) -> Posterior:
    """Average over a grid of the deviations of hands, spreads, tilts, offsets and berries.

    `modes` are one for each berry deviation, ascending, found under `prior`, which is kept for
    places, log s and everything of raters `apart`, who say nothing about the others. `hands`,
    `spreads` and `offsets` (tilts with them) say whether raters may differ so. `earlier_hand_sds`
    are equally likely values of the deviation of hands as other raters of other seasons show it.
    """
    grid = _Grid(
        data, prior, hands=hands, spreads=spreads, offsets=offsets, apart=apart,
        earlier=earlier_hand_sds,
    )  # fmt: skip
    parts = [grid.around(mode) for mode in modes]
    berry_sds = np.array([mode.nodes.sigma for mode in modes])
    known = np.log(spans(berry_sds)) - 0.5 * (berry_sds / BERRY_PRIOR) ** 2
    log_weight = np.concatenate([part.log_weight + k for part, k in zip(parts, known, strict=True)])
    score = np.concatenate([part.score for part in parts])
    weight = np.exp(log_weight - log_weight.max())
    kept = np.flatnonzero(weight > _NEGLIGIBLE)
    steps = (*grid.steps, berry_sds)
    surface = score.reshape(len(parts), *(step.size for step in grid.steps))
    surface = np.moveaxis(surface, 0, -1)
    top = [int(at) for at in np.unravel_index(np.argmax(surface), surface.shape)]
    best = [
        _vertex(step, np.moveaxis(surface, axis, -1)[tuple(top[:axis] + top[axis + 1 :])])
        for axis, step in enumerate(steps)
    ]
    return Posterior(
        weight=weight[kept] / weight[kept].sum(),
        restricted=score[kept],
        hand_sd=np.tile(grid.guesses[:, 0], len(parts))[kept],
        tilt_sd=np.tile(grid.guesses[:, 2], len(parts))[kept],
        offset_sd=np.tile(grid.guesses[:, 3], len(parts))[kept],
        mean=np.concatenate([part.mean for part in parts])[kept],
        covariance=np.linalg.inv(np.concatenate([part.curve for part in parts])[kept]),
        best=(best[0], best[1], best[2], best[3], best[4]),
        shape_evidence=2.0 * float(surface.max() - surface[:, :, 0, 0].max()),
        nearest=top[-1],
    )


@dataclass(frozen=True, kw_only=True)
class _Part:
    """The posterior at one berry deviation, of each guess of the other deviations."""

    score: Floats
    mean: Floats
    curve: Floats
    log_weight: Floats


class _Grid:
    """All combinations of deviations of hands, spreads, tilts, offsets: `guesses`, one a row."""

    def __init__(
        self,
        data: PanelData,
        prior: Prior,
        *,
        hands: bool,
        spreads: bool,
        offsets: bool,
        apart: Sequence[int],
        earlier: Sequence[float],
    ) -> None:
        self.data, self.prior, self.earlier = data, prior, np.array(earlier, dtype=float)
        self.steps = (
            HAND_SDS if hands else HAND_SDS[:1],
            SPREAD_SDS if spreads else SPREAD_SDS[:1],
            TILT_SDS if offsets and data.n_cuts > 2 else TILT_SDS[:1],
            OFFSET_SDS if offsets else OFFSET_SDS[:1],
        )
        self.guesses = np.array(list(product(*self.steps)))
        pooled = np.delete(np.arange(data.n_raters), np.array(apart, dtype=int))
        self.hand = data.hand[pooled]
        self.effects = (
            self.hand,
            data.spread[pooled],
            data.tilt[pooled],
            data.offset[pooled].ravel(),
        )

    def precision(self, guesses: Floats) -> Floats:
        """Precision of all parameters under deviations, shape (guesses, p)."""
        out = np.tile(self.prior.precision, (len(guesses), 1))
        for effect, sd in zip(self.effects, guesses.T, strict=True):
            out[:, effect] = np.maximum(sd, NO_DEVIATION)[:, None] ** -2.0
        return out

    def around(self, mode: Mode) -> _Part:
        """Normal approximation around a mode, for every guess."""
        info, first = mode.information, self.data.n_fixed
        precision = self.precision(self.guesses)
        pull = info @ mode.theta + mode.gradient
        pull[:first] += (self.prior.precision * self.prior.centre)[:first]
        curve = np.repeat(info[None], len(precision), axis=0)
        at = np.arange(self.data.size)
        curve[:, at, at] += precision
        mean = np.linalg.solve(curve, pull[None, :, None])[:, :, 0]
        # Log-likelihood with places and log s integrated out too (restricted likelihood).
        sign, log_size = np.linalg.slogdet(curve)
        score = 0.5 * (mean @ pull - log_size + np.log(precision[:, first:]).sum(axis=1))
        score += mode.log_likelihood - mode.theta @ (mode.gradient + 0.5 * info @ mode.theta)
        noise = self._sampling_variance(info)
        # Nodes that do not reach can leave a curve that is none; such a guess counts for nothing.
        score = np.where((sign > 0) & (mean @ pull > 0.0) & (noise > 0.0), score, -np.inf)
        return _Part(
            score=score,
            mean=np.asarray(mean),
            curve=curve,
            log_weight=score + self._known(max(noise, NO_DEVIATION**2)),
        )

    def _sampling_variance(self, info: Floats) -> float:
        """Variance between raters' hands by chance, from raters as different as they may be."""
        if self.steps[0].size == 1:
            return 1.0
        loose = self.precision(np.array([[1.0, SPREAD_PRIOR, 0.0, 0.0]]))[0]
        between = np.linalg.inv(info + np.diag(loose))[np.ix_(self.hand, self.hand)]
        raters = self.hand.size
        variance = (np.trace(between) - between.sum() / raters) / max(raters - 1, 1)
        return float(variance) + NO_DEVIATION**2

    def _known(self, noise: float) -> Floats:
        """Log of what is known beforehand of each guess, and of its share of the grid."""
        lengths = [spans(step) for step in self.steps]
        lengths[0] = spans(np.log(noise + self.steps[0] ** 2))
        # A single boundary is known that much less than the mean of all.
        for shape in (2, 3):
            lengths[shape] = spans(np.log(noise * self.data.n_cuts + self.steps[shape] ** 2))
        priors = (HAND_PRIOR, SPREAD_PRIOR, TILT_PRIOR, OFFSET_PRIOR)
        logs = [
            np.log(length) - 0.5 * (step / prior) ** 2
            for length, step, prior in zip(lengths, self.steps, priors, strict=True)
        ]
        if self.earlier.size:
            logs[0] = self._carried_on()
        return np.array([sum(each) for each in product(*logs)])

    def _carried_on(self) -> Floats:
        """Log share of each deviation of hands as earlier seasons show it.

        Log-normal, wider by `SEASON_SD`: raters of another season may be more or less alike.
        """
        logs = np.log(np.maximum(self.earlier, NO_DEVIATION))
        steps = np.maximum(self.steps[0], NO_DEVIATION)
        z = (np.log(steps) - logs.mean()) / np.hypot(logs.std(), SEASON_SD)
        return np.asarray(np.log(spans(self.steps[0])) - np.log(steps) - 0.5 * z**2)


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
