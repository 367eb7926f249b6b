"""What a panel fit says: cut points with intervals, the raters, the next rater.

Plain records; raters makes them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.data.scale import Scale
from calibrate.model.cutmodel import ForceScale
from calibrate.stats.estimate import Estimate

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class RaterCuts:
    """One rater of a panel.

    Attributes
    ----------
    name : str
    n : int
        Scores given.
    shift : Estimate
        How much more force than the panel's centre this hand needs, as a share of force (0.1 is
        10 % more), pooled towards the panel.
    spread : float
        In newtons, or log newtons on the log scale.
    cuts : tuple of Estimate
    unused : tuple of str
        Labels that this rater never used.
    """

    name: str
    n: int
    shift: Estimate
    spread: float
    cuts: tuple[Estimate, ...]
    unused: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PanelFit:
    """The scale of a panel.

    Attributes
    ----------
    scale : Scale
    force_scale : {'linear', 'log'}
    level : float
    n : int
        Scores.
    cuts : tuple of Estimate
        Of the centre of the population of hands that the raters come from, firmest first. The
        interval includes what the few raters leave unknown of it.
    these_raters : tuple of Estimate
        Of the mean hand of these very raters: what they share, where no other hand matters, as
        when the same raters are compared over seasons.
    spread : float
        Of a middling rater, for one berry: in newtons, or log newtons on the log scale.
    hand_sd, spread_sd, berry_sd : float or None
        Standard deviations of log hands, log spreads and log berry effects (about shares: 0.1 is
        10 %); the highest restricted likelihood on the grid of panelintervals. None where the
        model has no such effect.
    raters : tuple of RaterCuts
        Empty for a panel of one.
    next_rater : tuple of Estimate
        Where the cut points of a rater not yet seen will lie. Empty for a panel of one.
    log_likelihood : float
        Marginal: berries summed out by adaptive quadrature, hands and spreads by Laplace's method,
        at the standard deviations above.
    parameters : int
        Cut points, spread, standard deviations.
    warnings : tuple of str
    covariance : tuple of tuple of float
        Over all boundaries and, last, the spread, on the model's scale of force; zero where a cut
        is not known.
    """

    scale: Scale
    force_scale: ForceScale
    level: float
    n: int
    cuts: tuple[Estimate, ...]
    these_raters: tuple[Estimate, ...]
    spread: float
    hand_sd: float | None
    spread_sd: float | None
    berry_sd: float | None
    raters: tuple[RaterCuts, ...]
    next_rater: tuple[Estimate, ...]
    log_likelihood: float
    parameters: int
    warnings: tuple[str, ...]
    covariance: tuple[tuple[float, ...], ...]

    @property
    def aic(self) -> float:
        """Akaike's criterion of the marginal likelihood."""
        return 2.0 * self.parameters - 2.0 * self.log_likelihood

    @property
    def cut_newton(self) -> Floats:
        """The panel's cut points in newtons, NaN where not identified, shape (n_ranks - 1,)."""
        return np.array([np.nan if cut.value is None else cut.value for cut in self.cuts])
