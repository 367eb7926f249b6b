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

from calibrate.model.panellikelihood import Evaluation
from calibrate.model.panelsetup import DEVIATIONS, NO_DEVIATION, SPREADS, Panel
from calibrate.stats.estimate import Estimate

Floats = NDArray[np.float64]

# Scale of the half-normal prior of the standard deviation of log berries: assumed.
BERRY_PRIOR = 0.2
# Standard deviation of the logarithm of hands' deviation from season to season: assumed.
SEASON_SD = 0.3
# Share of the largest weight below which a guess is left out.
_NEGLIGIBLE = 1e-5
_NORMAL_DENSITY_AT_0 = 1.0 / np.sqrt(2.0 * np.pi)


@dataclass(frozen=True, kw_only=True)
class Posterior:
    """Normal distributions of a panel's parameters, one for each of g guesses of the deviations."""

    panel: Panel
    weight: Floats  # (g,), adds up to one
    deviations: Floats  # (g, 4), of hands, spreads, tilts and offsets
    mean: Floats  # (g, p)
    covariance: Floats  # (g, p, p)
    # The four deviations and that of berries of the highest restricted likelihood.
    best: tuple[float, ...]
    shape_evidence: float  # twice the gain in restricted log-likelihood by tilts and offsets
    nearest: Evaluation  # the mode that has the berry deviation next to that

    def middle(self, column: Floats) -> float:
        """Mean of one linear combination of the parameters."""
        return float(self.weight @ (self.mean @ column))

    def cuts(
        self, columns: Floats, level: float, *, extra: Floats | float = 0.0
    ) -> tuple[Estimate, ...]:
        """Estimate cut points in newtons of the weights in their logs, at all boundaries."""
        return self.panel.in_newton(self.of(columns, extra=extra).estimates(level))

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
        sds, at = np.unique(self.deviations[:, 0], return_inverse=True)
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
            if (np.abs(excess) < 1e-12).all():
                break
            inside = (x - step > low) & (x - step < high)
            x = np.where(inside, x - step, 0.5 * (low + high))
        return np.asarray(x)


def pool(
    panel: Panel,
    modes: Sequence[Evaluation],
    *,
    earlier_hand_sds: Sequence[float] = (),
    centre_only: bool = False,
) -> Posterior:
    """Average over a grid of the deviations of hands, spreads, tilts, offsets and berries.

    `modes` are one for each berry deviation, ascending, found under the panel's prior, which is
    kept for places, log s and everything of raters apart, who say nothing about the others.
    `earlier_hand_sds` are equally likely values of the deviation of hands as other raters of other
    seasons show it. With `centre_only` the posterior is of the panel's first `n_fixed` parameters.
    """
    steps = [
        kind.grid if differs else kind.grid[:1]
        for kind, differs in zip(DEVIATIONS, panel.differ, strict=True)
    ]
    if panel.data.n_cuts < 3:
        steps[2] = steps[2][:1]  # two boundaries may tilt by their offsets
    guesses, berry_sds = np.array(list(product(*steps))), np.array([m.nodes.sigma for m in modes])
    score, noise, means, covariances = zip(
        *(_around(panel, steps, mode) for mode in modes), strict=True
    )
    known = np.array([_known(steps, one, panel.data.n_cuts, earlier_hand_sds) for one in noise])
    known += (np.log(spans(berry_sds)) - 0.5 * (berry_sds / BERRY_PRIOR) ** 2)[:, None]
    log_weight = np.ravel(score + known)
    weight = np.exp(log_weight - log_weight.max())
    kept = weight > _NEGLIGIBLE
    each = [
        (mean[few], covariance[few]) if centre_only else _whole(panel, guesses[few], mode)
        for few, mode, mean, covariance in zip(
            np.split(kept, len(modes)), modes, means, covariances, strict=True
        )
    ]
    surface = np.transpose(score).reshape(*map(len, steps), len(modes))
    top = np.unravel_index(np.argmax(surface), surface.shape)
    best = [
        _vertex(step, np.moveaxis(surface, axis, -1)[(*top[:axis], *top[axis + 1 :])])
        for axis, step in enumerate((*steps, berry_sds))
    ]
    return Posterior(
        panel=panel,
        weight=weight[kept] / weight[kept].sum(),
        deviations=np.tile(guesses, (len(modes), 1))[kept],
        mean=np.concatenate([mean for mean, _ in each]),
        covariance=np.concatenate([covariance for _, covariance in each]),
        best=tuple(best),
        shape_evidence=2.0 * float(surface.max() - surface[:, :, 0, 0].max()),
        nearest=modes[int(top[-1])],
    )


def _around(
    panel: Panel, steps: Sequence[Floats], mode: Evaluation
) -> tuple[Floats, float, Floats, Floats]:
    """Approximate the posterior around a mode by a normal distribution, for every guess.

    Gives the guesses' restricted log-likelihoods (places and log s integrated out too), the
    sampling variance of hands, and means and covariances of the parameters that no guess concerns.
    One kind of effect after another is integrated out, so that what guesses have in common is done
    once: the Schur complement of its block, with the pull as a border, whose corner so gathers the
    exponent (Goodnight, J. H. (1979) Am. Stat. 33:149-158).
    """
    info, first = mode.information, panel.data.n_fixed
    effects = [effect[panel.pooled].ravel() for effect in panel.data.effects]
    rest = np.setdiff1d(np.arange(panel.data.size), np.concatenate(effects))
    order, precision = np.concatenate([rest, *effects]), panel.prior.precision
    left = np.zeros((1, order.size + 1, order.size + 1))
    left[0, 1:, 1:] = info[np.ix_(order, order)]
    left[0, 1:, 0] = left[0, 0, 1:] = _pull(panel, mode)[order]
    at = 1 + np.arange(rest.size)
    left[0, at, at] += precision[rest]
    log_size = -np.log(precision[rest[rest >= first]]).sum(keepdims=True)
    for effect, step in zip(reversed(effects), reversed(steps), strict=True):
        own, at = np.maximum(step, NO_DEVIATION) ** -2.0, np.arange(effect.size)
        n = left.shape[1] - effect.size
        block = np.repeat(left[None, :, n:, n:], step.size, axis=0)
        block[:, :, at, at] += own[:, None, None]
        left = left[:, :n, :n] - left[:, :n, n:] @ np.linalg.solve(block, left[None, :, n:, :n])
        log_size = log_size + np.linalg.slogdet(block)[1] - at.size * np.log(own)[:, None]
        left, log_size = left.reshape(-1, n, n), log_size.ravel()
    covariance = np.asarray(np.linalg.inv(left[:, 1:, 1:]))
    mean = (covariance @ left[:, 1:, :1])[:, :, 0]
    height = (mean * left[:, 1:, 0]).sum(axis=1) - left[:, 0, 0]
    score = 0.5 * (height - log_size - np.linalg.slogdet(left[:, 1:, 1:])[1])
    score += mode.log_likelihood - mode.theta @ (mode.gradient + 0.5 * info @ mode.theta)
    return score, _sampling_variance(panel, info), mean, covariance


def _pull(panel: Panel, mode: Evaluation) -> Floats:
    """Precision times mean of the likelihood around a mode, and of what is known of places."""
    first, prior = panel.data.n_fixed, panel.prior
    pull = mode.gradient + mode.information @ mode.theta
    pull[:first] += (prior.precision * prior.centre)[:first]
    return np.asarray(pull)


def _whole(panel: Panel, guesses: Floats, mode: Evaluation) -> tuple[Floats, Floats]:
    """Mean and covariance of all parameters around a mode, for every guess."""
    curve = np.repeat(mode.information[None], len(guesses), axis=0)
    at = np.arange(panel.data.size)
    curve[:, at, at] += panel.precisions(guesses)
    covariance = np.asarray(np.linalg.inv(curve))
    return covariance @ _pull(panel, mode), covariance


def _sampling_variance(panel: Panel, info: Floats) -> float:
    """Variance between raters' hands by chance, from raters as different as they may be."""
    if not panel.differ[0]:
        return 1.0
    loose = panel.precisions(np.array([[1.0, SPREADS.scale, 0.0, 0.0]]))[0]
    hand = panel.data.effects[0][panel.pooled]
    between = np.linalg.inv(info + np.diag(loose))[np.ix_(hand, hand)]
    variance = (np.trace(between) - between.sum() / hand.size) / max(hand.size - 1, 1)
    return float(variance) + NO_DEVIATION**2


def _known(steps: Sequence[Floats], noise: float, n_cuts: int, earlier: Sequence[float]) -> Floats:
    """Log of what is known beforehand of each guess, and of its share of the grid."""
    # The variance between raters by chance; a single boundary is known that much less than the mean
    # of all.
    by_chance = (noise, None, noise * n_cuts, noise * n_cuts)
    logs = [
        np.log(spans(step if chance is None else np.log(chance + step**2)))
        - 0.5 * (step / kind.scale) ** 2
        for step, chance, kind in zip(steps, by_chance, DEVIATIONS, strict=True)
    ]
    if len(earlier):
        logs[0] = _carried_on(steps[0], np.array(earlier, dtype=float))
    return np.array([sum(each) for each in product(*logs)])


def _carried_on(hand_sds: Floats, earlier: Floats) -> Floats:
    """Log share of each deviation of hands as earlier seasons show it.

    Log-normal, wider by `SEASON_SD`: raters of another season may be more or less alike.
    """
    logs = np.log(np.maximum(earlier, NO_DEVIATION))
    steps = np.maximum(hand_sds, NO_DEVIATION)
    z = (np.log(steps) - logs.mean()) / np.hypot(logs.std(), SEASON_SD)
    return np.asarray(np.log(spans(hand_sds)) - np.log(steps) - 0.5 * z**2)


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
