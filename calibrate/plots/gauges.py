"""The picture of two gauges: difference against mean, with the limits of agreement."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calibrate.data.labels import with_unit
from calibrate.plots.style import GREY, INK, PALE, force_axis, new_figure, tidy, write_beside
from calibrate.stats.measurement import LimitsOfAgreement


def draw_gauges(
    found: LimitsOfAgreement,
    names: tuple[str, str],
    first: NDArray[np.float64],
    second: NDArray[np.float64],
) -> Figure:
    """Draw every berry once, with bias and limits and the intervals of each as bands.

    `first` and `second` are the forces in newtons by each gauge, shape (berries, repeats).
    """
    both = np.isfinite(first).any(axis=1) & np.isfinite(second).any(axis=1)
    a, b = np.nanmean(first[both], axis=1), np.nanmean(second[both], axis=1)
    figure = new_figure(height_in=4.2)
    axes = figure.subplots()
    for one, name, dash in (
        (found.upper, "upper limit", "--"),
        (found.bias, "mean difference", "-"),
        (found.lower, "lower limit", "--"),
    ):
        if one.value is None or one.low is None or one.high is None:
            continue
        axes.axhspan(one.low, one.high, color=PALE, linewidth=0, zorder=0)
        axes.axhline(one.value, color=INK, linestyle=dash, linewidth=1.1)
        write_beside(axes, f"{name}\n{with_unit(one.value)}", one.value)
    axes.axhline(0, color=GREY, linewidth=0.8, linestyle=":")
    axes.plot((a + b) / 2, a - b, "o", color=INK, markersize=4, markerfacecolor="white")
    tidy(axes, f"{found.n} berries on both gauges; bands are intervals")
    force_axis(axes.xaxis, "mean of the two gauges")
    force_axis(axes.yaxis, f"{names[0]} minus {names[1]}")
    return figure
