"""Covariance of a panel's cut points and spread, for what is derived from both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibrate.model.panelintervals import Mixture
from calibrate.model.panelstart import Panel
from calibrate.stats.estimate import Estimate

Floats = NDArray[np.float64]


def centre_covariance(
    panel: Panel, mixture: Mixture, cuts: Sequence[Estimate], spread: float, level: float
) -> tuple[tuple[float, ...], ...]:
    """Covariance over all boundaries and, last, the spread, on the model's scale of force.

    The deviation of each cut is that of the normal distribution whose interval is the panel's own,
    so that what follows from it is as wide as the panel allows; correlations are those of the
    mixture. Rows and columns of an unknown cut are zero.

    Parameters
    ----------
    panel : Panel
    mixture : Mixture
    cuts : sequence of Estimate
        One a boundary, with both sides known or none.
    spread : float
    level : float
        Of the intervals of `cuts`.
    """
    from scipy.special import ndtri

    places = [panel.column(place=k) for k in range(panel.data.n_cuts)]
    joint = mixture.joint(np.column_stack([*places, panel.spread_column()]))
    deviation = np.sqrt(np.diagonal(joint))
    z = float(ndtri(0.5 + level / 2))
    size = len(cuts) + 1
    place = np.full(size, -1)
    scale = np.zeros(size)
    for boundary, cut in enumerate(cuts):
        if cut.value is None or cut.low is None or cut.high is None:
            continue
        place[boundary] = np.searchsorted(panel.used, boundary, side="right") - 1
        in_log = float(np.log(cut.high / cut.low)) / (2 * z)
        scale[boundary] = in_log * (cut.value if panel.force_scale == "linear" else 1.0)
    place[-1], scale[-1] = panel.data.n_cuts, deviation[-1] * spread
    correlation = joint / np.outer(deviation, deviation)
    known = place >= 0
    whole = np.where(np.outer(known, known), correlation[np.ix_(place, place)], 0.0)
    return tuple(tuple(float(x) for x in row) for row in whole * np.outer(scale, scale))
