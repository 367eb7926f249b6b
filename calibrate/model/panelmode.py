"""The mode of a panel's posterior, and the curvature there, for one deviation of the berries.

Newton's method in the few parameters that are left when berries are integrated out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.model.panellikelihood import Nodes, PanelData, evaluate, in_order
from gauge.errors import NotConvergedError

Floats = NDArray[np.float64]

# Standard deviation of logs that stands for zero.
NO_DEVIATION = 1e-4
# Nodes of a berry, and after how many steps they stay where they are.
POINTS = 9
_MOVES = 3
_MAX_ITERATIONS = 60
_NEAR = 1e-7


@dataclass(frozen=True, kw_only=True)
class Prior:
    """Independent normal distributions of the parameters, each of shape (p,)."""

    centre: Floats
    precision: Floats


@dataclass(frozen=True, kw_only=True)
class Mode:
    """Highest point of likelihood times prior, for one standard deviation of berries.

    Attributes
    ----------
    theta : ndarray of float, shape (p,)
    log_likelihood : float
        Berries integrated out, without the prior.
    gradient : ndarray of float, shape (p,)
        Of the log-likelihood alone.
    information : ndarray of float, shape (p, p)
        Minus the Hessian of the log-likelihood alone.
    nodes : Nodes
    share : ndarray of float, shape (n_berries, points)
        Probability of each node of each berry.
    iterations : int
    """

    theta: Floats
    log_likelihood: float
    gradient: Floats
    information: Floats
    nodes: Nodes
    share: Floats
    iterations: int

    def evidence(self, prior: Prior) -> float:
        """Log-likelihood with all parameters integrated out by Laplace's method, but a constant."""
        away = self.theta - prior.centre
        curve = self.information + np.diag(prior.precision)
        lost = float(prior.precision @ away**2) + float(np.linalg.slogdet(curve)[1])
        return self.log_likelihood - 0.5 * lost


def find_mode(
    data: PanelData,
    theta: Floats,
    prior: Prior,
    *,
    berry_sd: float,
    near: Mode | None = None,
    points: int = POINTS,
) -> Mode:
    """Maximise likelihood times prior by damped Newton steps.

    `theta` is the start, with cut points in order; `berry_sd` the standard deviation of log berry
    effects, 0 for none. The nodes of a mode `near` by are taken over.
    """
    if near is not None and near.nodes.sigma > 0.0 and near.nodes.effect.shape[1] == points:
        nodes = near.nodes.moved(near.share, berry_sd)
    else:
        nodes = Nodes.start(data.n_berries, berry_sd, points)
        if berry_sd > 0.0:
            nodes = nodes.moved(evaluate(data, theta, nodes).share)
    here = evaluate(data, theta, nodes)
    for iteration in range(1, _MAX_ITERATIONS + 1):
        away = theta - prior.centre
        slope = here.gradient - prior.precision * away
        curve = -here.hessian + np.diag(prior.precision)
        step, ridge = _uphill(curve, slope)
        gain = float(slope @ step)
        if gain < _NEAR and ridge == 0.0:
            return Mode(
                theta=theta,
                log_likelihood=here.value,
                gradient=here.gradient,
                information=-here.hessian,
                nodes=nodes,
                share=here.share,
                iterations=iteration,
            )
        value = here.value - 0.5 * float(prior.precision @ away**2)
        # A step beyond a factor of e in anything is not to be trusted.
        length = 1.0 / max(1.0, float(np.abs(step).max()))
        shortest = 1e-4 * length
        while length > shortest:
            trial = theta + length * step
            if in_order(data, trial):
                there = evaluate(data, trial, nodes)
                away = trial - prior.centre
                if there.value - 0.5 * float(prior.precision @ away**2) >= value - 1e-9:
                    break
            length *= 0.5
        else:
            break
        theta, here = trial, there
        # Nodes that kept moving would keep the mode moving too.
        if iteration <= _MOVES and gain > 1e-4:
            nodes = nodes.moved(here.share)
            here = evaluate(data, theta, nodes)
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
