"""One panel drawn as planned, fitted as it will be: the half-widths that its berries give."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.data.pairs import Pairs
from gauge.errors import FirmhandError

if TYPE_CHECKING:
    from calibrate.cuts.samplesize import PlannedPanel

Floats = NDArray[np.float64]
# From so many berries on, and where they differ by no more, few nodes of a berry are enough.
_MANY_BERRIES, _LIKE_BERRIES = 60, 0.1


@dataclass(frozen=True, kw_only=True)
class Simulation:
    """What one panel is drawn from; panels of one seed share their hands and first berries."""

    calibration: Calibration
    force_newton: Floats
    panel: PlannedPanel
    berries: int
    level: float
    seed: int


def draw(what: Simulation) -> Pairs:
    """Draw hands, berries and scores."""
    truth, panel, n = what.calibration, what.panel, what.berries
    rng = np.random.default_rng([what.seed, panel.raters])
    hand_sd = panel.hand_sds[what.seed % len(panel.hand_sds)] if panel.raters > 1 else 0.0
    cut = truth.h(np.exp(rng.normal(0.0, hand_sd, panel.raters))[:, None] * truth.cut_newton)
    # One row a berry: which force, its item effect, and a chance for each rater.
    chance = rng.random((n, panel.raters + 2))
    force = np.sort(what.force_newton)[(chance[:, 0] * what.force_newton.size).astype(int)]
    item = np.exp(panel.berry_sd * _normal(chance[:, 1]))
    spread = _own_spread(what) * truth.growth.factor(force)[:, None]
    felt = truth.h(force * item)[:, None] + spread * np.log(chance[:, 2:] / (1.0 - chance[:, 2:]))
    rank = (felt[:, :, None] < cut).sum(axis=2)
    return Pairs(
        scale=truth.scale,
        force_newton=np.repeat(force, panel.raters),
        rank=rank.ravel().astype(np.int64),
        count=np.ones(rank.size),
        rater=np.tile(np.arange(panel.raters), n),
        berry=np.repeat(np.arange(n), panel.raters),
        raters=tuple(f"rater {j + 1}" for j in range(panel.raters)),
        berries=tuple(f"berry {i + 1}" for i in range(n)),
        source="the planned panel",
    )


def _normal(chance: Floats) -> Floats:
    from scipy.special import ndtri

    return np.asarray(ndtri(chance))


def _own_spread(what: Simulation) -> float:
    """Spread of one hand, which in a calibration holds how berries differ at the middle cut too."""
    truth = what.calibration
    middle = float(np.median(truth.cut_newton)) if truth.force_scale == "linear" else 1.0
    berries = what.panel.berry_sd * middle * math.sqrt(3) / math.pi
    whole = float(truth.spread_at(middle))
    own = math.sqrt(max(whole**2 - berries**2, 0.25 * whole**2))
    return own * truth.spread / whole


def simulated_half_widths(what: Simulation) -> Floats:
    """Fit the panel as `calibrate.cuts.fitting.fit` does; infinite where that is refused.

    The mode of a panel is found less exactly, which changes no half-width by more than 1 % or so.
    """
    from calibrate.model.panel import fit_panel_centre
    from calibrate.model.panellikelihood import Effort

    pairs, truth = draw(what), what.calibration
    open_side = np.full(len(truth.cuts), np.inf)
    try:
        if what.panel.raters > 1:
            alike, many = what.panel.berry_sd <= _LIKE_BERRIES, what.berries >= _MANY_BERRIES
            effort = Effort(
                points=5 if alike and many else 9,
                wide_points=9 if alike else 21,
                moves=1,
                near=1e-2,
            )
            cuts = fit_panel_centre(
                pairs, force_scale=truth.force_scale, level=what.level, growth=truth.growth,
                effort=effort,
            )  # fmt: skip
        else:
            from calibrate.cuts.fitting import fit

            cuts = fit(pairs, force_scale=truth.force_scale, level=what.level).cuts
    except FirmhandError:
        return open_side
    widths = [
        math.inf if cut.low is None or cut.high is None else (cut.high - cut.low) / 2
        for cut in cuts
    ]
    return np.array(widths)
