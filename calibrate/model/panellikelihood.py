"""A panel's likelihood with its berries integrated out, and the mode of its posterior.

Berries are integrated out by adaptive quadrature; what is left is smooth in the few parameters, and
Newton's method finds its highest point.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from calibrate.model.paneldata import PanelData
from calibrate.stats.likelihood import log_interval
from gauge.errors import NotConvergedError

Floats = NDArray[np.float64]

_MAX_ITERATIONS = 60
# Log-likelihood; a promised gain beyond the edge of the parameters that is left untaken.
_EDGE = 0.5
# Standard deviation of log berries up to which few nodes do.
_LIKE_BERRIES = 0.1


@dataclass(frozen=True, kw_only=True)
class Effort:
    """How exactly a mode is found.

    `points` are the nodes of a berry, `wide_points` those of one whose deviation is beyond 0.1: of
    a berry that all call firm the likelihood ends in a step, for which nine nodes make intervals
    5 % too narrow. They stay where they are after so many `moves`; a step that promises a gain
    below `near` in log-likelihood ends the search.
    """

    points: int = 9
    wide_points: int = 21
    moves: int = 3
    near: float = 1e-7

    def nodes(self, berry_sd: float) -> int:
        """Nodes of a berry."""
        return self.points if berry_sd <= _LIKE_BERRIES else self.wide_points


FULL = Effort()


@dataclass(frozen=True, kw_only=True)
class Nodes:
    """At which effects of each berry the integrand is evaluated, and with what weight."""

    effect: Floats  # (n_berries, points)
    log_weight: Floats  # (n_berries, points)
    sigma: float  # standard deviation of berry effects; with 0 there is one node at zero

    @classmethod
    def start(cls, n_berries: int, sigma: float, points: int) -> Nodes:
        """Place the nodes where the population of berries is."""
        if sigma == 0.0:
            zero = np.zeros((n_berries, 1))
            return cls(effect=zero, log_weight=zero, sigma=0.0)
        return cls._around(np.zeros(n_berries), np.full(n_berries, sigma), sigma, points)

    @classmethod
    def _around(cls, centre: Floats, width: Floats, sigma: float, points: int) -> Nodes:
        effect, log_weight = adaptive_nodes(centre, width, sigma, points)
        return cls(effect=effect, log_weight=log_weight, sigma=sigma)

    def moved(self, share: Floats, sigma: float | None = None) -> Nodes:
        """Move to the mean and deviation of each effect given the shares of the nodes.

        Moments in place of mode and curvature: Naylor, J. C. & Smith, A. F. M. (1982) Appl.
        Statist. 31:214-225.
        """
        if self.sigma == 0.0:
            return self
        centre = (share * self.effect).sum(axis=1)
        width = np.sqrt((share * (self.effect - centre[:, None]) ** 2).sum(axis=1))
        width = np.maximum(width, 0.1 * self.sigma)
        return Nodes._around(centre, width, sigma or self.sigma, self.effect.shape[1])


def adaptive_nodes(
    centre: Floats, width: Floats, sigma: float, points: int
) -> tuple[Floats, Floats]:
    """Place Gauss-Hermite nodes of a normal effect where each group's likelihood is.

    The integral of ``L(b) Normal(b; 0, sigma)`` is ``sum exp(log_weight) L(effect)`` (Liu, Q. &
    Pierce, D. A. (1994) A note on Gauss-Hermite quadrature, Biometrika 81:624-629); one point is
    Laplace's approximation when `centre` is the mode and `width` its curvature.
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


@dataclass(frozen=True, kw_only=True)
class Prior:
    """Independent normal distributions of the parameters, each of shape (p,)."""

    centre: Floats
    precision: Floats


@dataclass(frozen=True, kw_only=True)
class Evaluation:
    """Log-likelihood of a panel with the berries integrated out, and its derivatives by theta."""

    theta: Floats  # (p,)
    log_likelihood: float
    gradient: Floats  # (p,)
    hessian: Floats  # (p, p)
    nodes: Nodes
    share: Floats  # (n_berries, points), probability of each node given the data

    @cached_property
    def information(self) -> Floats:
        """Minus the Hessian; flat in directions in which the likelihood is not concave.

        Few scores can leave such directions, and a normal approximation that bends the wrong way
        would rise without end where raters may differ widely.
        """
        values, vectors = np.linalg.eigh(-self.hessian)
        if values[0] > -1e-9 * values[-1]:
            return -self.hessian
        return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)

    def under(self, prior: Prior) -> Evaluation:
        """Move to the mode under a prior by the normal approximation around this one."""
        pull = self.gradient - prior.precision * (self.theta - prior.centre)
        step = np.linalg.solve(np.diag(prior.precision) - self.hessian, pull)
        return replace(
            self,
            theta=self.theta + step,
            log_likelihood=self.log_likelihood
            + float(step @ (self.gradient + 0.5 * self.hessian @ step)),
            gradient=self.gradient + self.hessian @ step,
        )

    def log_posterior(self, prior: Prior) -> float:
        """Log-likelihood times prior, but a constant."""
        away = self.theta - prior.centre
        return self.log_likelihood - 0.5 * float(prior.precision @ away**2)

    def evidence(self, prior: Prior) -> float:
        """Integrate all parameters out by Laplace's method, but a constant; at the mode."""
        curve = np.diag(prior.precision) - self.hessian
        return self.log_posterior(prior) - 0.5 * float(np.linalg.slogdet(curve)[1])


def evaluate(data: PanelData, theta: Floats, nodes: Nodes) -> Evaluation:
    """Compute the log-likelihood and its exact derivatives, for nodes held where they are.

    The Hessian of a sum over nodes is the mean of the complete Hessian plus the variance of the
    complete score (Louis, T. A. (1982) J. R. Stat. Soc. B 44:226-233). `theta` must have its cut
    points in order.
    """
    w = data.weight[:, None]
    value, first, second = _of_rows(data, theta, nodes.effect[data.berry])
    total = data.berry_sum @ (w * value) + nodes.log_weight
    top = total.max(axis=1, keepdims=True)
    share = np.exp(total - top)
    mass = share.sum(axis=1, keepdims=True)
    share /= mass
    log_likelihood = float((np.log(mass) + top).sum())

    # Rows of one rater and rank depend on theta alike: their second derivatives are added up first.
    weight, parts = w * share[data.berry], len(first)
    block = np.empty((len(data.cell_map), parts, parts))
    for (a, b), bend in second.items():
        of_row = (weight * bend).sum(axis=1)
        block[:, a, b] = block[:, b, a] = np.bincount(data.cell, of_row, len(block))
    flat = data.cell_map.reshape(-1, data.size)
    hessian = flat.T @ (block @ data.cell_map).reshape(-1, data.size)
    mean = np.zeros((data.n_berries, data.size))
    pulls = np.concatenate([w * one for one in first]).T.copy()
    for node, pull in zip(share.T[:, :, None], pulls, strict=True):
        score = (data.berry_map @ pull).reshape(mean.shape)
        mean += node * score
        score *= np.sqrt(node)
        hessian += score.T @ score
    hessian -= mean.T @ mean
    return Evaluation(
        theta=theta,
        log_likelihood=log_likelihood,
        gradient=mean.sum(axis=0),
        hessian=hessian,
        nodes=nodes,
        share=share,
    )


def _of_rows(
    data: PanelData, theta: Floats, effect: Floats
) -> tuple[Floats, list[Floats], dict[tuple[int, int], Floats]]:
    """Log-likelihood of each row at each node, and its derivatives of first and second order.

    By upper place, lower place, log spread and, where it is taken in, what a squeeze takes.
    """
    edges, k, j = data.edges(theta), data.rank, data.rater
    if data.squeezes is not None:
        effect = effect + (theta[data.n_places + 1] * data.squeezes)[:, None]
    h = data.h[:, None]
    x = h + effect if data.log_scale else h * np.exp(effect)
    scale = (np.exp(data.spread_weights @ theta)[j] * data.widening)[:, None]
    at_up, at_low = edges[j, k + 1][:, None], edges[j, k][:, None]
    has_up, has_low = np.isfinite(at_up), np.isfinite(at_low)
    up, low = (x - at_up) / scale, (x - at_low) / scale
    value, d_up, d_low, d_up2, d_up_low, d_low2 = log_interval(up, low)
    # A cut point at infinity never moves.
    up, low = np.where(has_up, up, 0.0), np.where(has_low, low, 0.0)
    slope_up = np.where(has_up, 1.0 if data.log_scale else at_up, 0.0) / scale
    slope_low = np.where(has_low, 1.0 if data.log_scale else at_low, 0.0) / scale
    first = [-d_up * slope_up, -d_low * slope_low, -(d_up * up + d_low * low)]
    bend_up = 0.0 if data.log_scale else 1.0
    both = (
        d_up2 * up * up + 2.0 * d_up_low * up * low + d_low2 * low * low + d_up * up + d_low * low
    )
    second = {
        (0, 0): d_up2 * slope_up**2 - bend_up * d_up * slope_up,
        (1, 1): d_low2 * slope_low**2 - bend_up * d_low * slope_low,
        (0, 1): d_up_low * slope_up * slope_low,
        (0, 2): (d_up2 * up + d_up_low * low + d_up) * slope_up,
        (1, 2): (d_low2 * low + d_up_low * up + d_low) * slope_low,
        (2, 2): both,
    }
    if data.squeezes is not None:
        by_h = data.squeezes[:, None] * (1.0 if data.log_scale else x) / scale
        bend_h = 0.0 if data.log_scale else data.squeezes[:, None] * (d_up + d_low)
        off_spread = (d_up2 + d_up_low) * up + (d_low2 + d_up_low) * low + d_up + d_low
        first.append((d_up + d_low) * by_h)
        second[0, 3] = -(d_up2 + d_up_low) * slope_up * by_h
        second[1, 3] = -(d_low2 + d_up_low) * slope_low * by_h
        second[2, 3] = -off_spread * by_h
        second[3, 3] = ((d_up2 + 2.0 * d_up_low + d_low2) * by_h + bend_h) * by_h
    return value, first, second


def find_mode(
    data: PanelData,
    theta: Floats,
    prior: Prior,
    *,
    berry_sd: float,
    near: Evaluation | None = None,
    effort: Effort = FULL,
) -> Evaluation:
    """Maximise likelihood times prior by damped Newton steps.

    `theta` is the start, with cut points in order; `berry_sd` the standard deviation of log berry
    effects, 0 for none. The nodes of a mode `near` by are taken over.
    """
    points = effort.nodes(berry_sd)
    if near is not None and near.nodes.sigma > 0.0 and near.nodes.effect.shape[1] == points:
        nodes = near.nodes.moved(near.share, berry_sd)
    else:
        nodes = Nodes.start(data.n_berries, berry_sd, points)
        if berry_sd > 0.0:
            nodes = nodes.moved(evaluate(data, theta, nodes).share)
    here = evaluate(data, theta, nodes)
    for iteration in range(1, _MAX_ITERATIONS + 1):
        slope = here.gradient - prior.precision * (here.theta - prior.centre)
        step, ridge = _uphill(np.diag(prior.precision) - here.hessian, slope)
        gain = float(slope @ step)
        if gain < effort.near and ridge == 0.0:
            return here
        # A step beyond a factor of e in anything is not to be trusted.
        length = 1.0 / max(1.0, float(np.abs(step).max()))
        shortest = 1e-4 * length
        while length > shortest:
            trial = here.theta + length * step
            if data.in_order(trial):
                there = evaluate(data, trial, here.nodes)
                if there.log_posterior(prior) >= here.log_posterior(prior) - 1e-9:
                    break
            length *= 0.5
        else:
            # At the edge where cut points would cross; the normal approximation there has a slope.
            if gain < _EDGE and ridge == 0.0:
                return here
            if data.in_order(trial):
                break
            raise NotConvergedError(
                "Two cut points of a rater meet: too few scores lie between them.",
                todo="Score more berries near the boundaries, until every rater has given every "
                "score; or ask for --penalised, a fit that takes all raters as one hand.",
            )
        here = there
        # Nodes that kept moving would keep the mode moving too.
        if iteration <= effort.moves and gain > 1e-4:
            here = evaluate(data, here.theta, here.nodes.moved(here.share))
    raise NotConvergedError(
        "The panel's likelihood has no maximum that could be found.",
        todo="Look for raters whose scores run against force, one at a time (--rater).",
    )


def _uphill(curve: Floats, slope: Floats) -> tuple[Floats, float]:
    """Solve curve step = slope; the ridge is what made the curve positive, 0 if it was."""
    ridge = 0.0
    size = float(np.abs(np.diagonal(curve)).max())
    while True:
        try:
            factor = np.linalg.cholesky(curve + ridge * np.eye(slope.size))
        except np.linalg.LinAlgError:
            ridge = max(10.0 * ridge, 1e-6 * size)
            continue
        return np.linalg.solve(factor.T, np.linalg.solve(factor, slope)), ridge
