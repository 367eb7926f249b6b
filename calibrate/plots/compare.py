"""Seasons overlaid: each boundary's probability curve, and the cut points with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

import numpy as np
from matplotlib.figure import Figure

from calibrate.cuts.calibration import Calibration
from calibrate.plots.style import (
    DASHES,
    GREY,
    INK,
    MARKERS,
    draw_interval,
    force_axis,
    new_figure,
    tidy,
    write_along,
)


def draw_seasons(calibrations: Sequence[Calibration], own_scale: bool) -> Figure:
    """Draw two or more seasons of one scale, distinguished by dash and marker, not by colour.

    `own_scale`: the intervals are those of these raters' own scale, narrower than those of a fit.
    """
    figure = new_figure(height_in=5.8)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    cuts = [cut for one in calibrations for cut in one.cuts]
    known = [end for cut in cuts for end in (cut.value, cut.low, cut.high) if end]
    low, high = min(known), max(known)
    margin = 0.35 * (high - low) + 0.2
    force = np.linspace(max(low - margin, 0.02), high + margin, 400)
    names = [f"{a} / {b}" for a, b in calibrations[0].scale.boundaries]
    for index, one in enumerate(calibrations):
        marker, ink, face = MARKERS[index % len(MARKERS)], INK, INK
        if index == 0:
            ink, face = GREY, "white"
        curve = {"color": ink, "linestyle": DASHES[index % len(DASHES)]}
        upto = np.cumsum(one.probabilities(force), axis=1)
        for k, cut in enumerate(one.cuts):
            if cut.value is not None:
                above.plot(force, upto[:, k], linewidth=1.3, **curve)
                if index == 0:
                    write_along(above, names[k], (cut.value, 0.5))
                y = len(names) - 1 - k + 0.18 * (index - (len(calibrations) - 1) / 2)
                draw_interval(below, cut, y, (force[0], force[-1]), marker, face)
        name = PurePath(one.source).stem or f"season {index + 1}"
        above.plot([], [], label=name, **curve)
        below.plot([], [], marker, color=INK, markerfacecolor=face, ls="none", label=name)
    above.legend(frameon=False, fontsize=8, loc="upper left", bbox_to_anchor=(0.0, 0.95))
    below.set_yticks(range(len(names)), names[::-1])
    below.legend(frameon=False, fontsize=8, loc="lower right")
    tidy(above, ylabel="probability of the firmer score\nof a pair, or a firmer one", ylim=(0, 1))
    any_rater = "any such raters"
    whose = f"these raters (a fit's are of {any_rater}, and wider)" if own_scale else any_rater
    note = f"{calibrations[0].level:.0%} intervals of the scale of {whose}"
    tidy(below, note, ylabel="cut point between", ylim=(-0.6, len(names) - 0.4))
    force_axis(below.xaxis, "force")
    return figure
