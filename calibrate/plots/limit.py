"""The sale limit and the acceptance of lots as pictures: what each limit lets pass."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from calibrate.cuts.acceptance import SamplingPlan
from calibrate.cuts.salelimit import ThresholdCost, WithinCurve
from calibrate.data.labels import with_unit
from calibrate.plots.style import (
    DASHES,
    INK,
    PALE,
    THIN,
    force_axis,
    new_figure,
    tidy,
    write_along,
    write_near,
)
from calibrate.stats.estimate import Estimate


def draw_limit(
    curve: WithinCurve, limit: Estimate, share: float, costs: Sequence[ThresholdCost], level: float
) -> Figure:
    """Draw the curve with its interval above, and the two errors by threshold below.

    `limit` is the force in newtons from which on `share` of berries is within the sale limit;
    `costs` are those of a fine grid of thresholds.
    """
    figure = new_figure(height_in=6.0)
    above, below = figure.subplots(2, 1, sharex=True)
    above.fill_between(curve.force_newton, curve.low, curve.high, color=PALE, linewidth=0)
    above.plot(curve.force_newton, curve.probability, color=INK)
    if limit.value is not None:
        above.plot([limit.value], [share], "o", color=INK)
        above.axhline(share, **THIN)
        for axes in (above, below):
            axes.axvline(limit.value, **THIN)
        text = (
            f"{share:.0%} from {with_unit(limit.value)} on, of the middle hand;\n"
            f"shaded: {level:.0%} interval"
        )
        write_near(above, text, (limit.value, share), (10, -26), fontsize=9)
    thresholds = [cost.threshold_newton for cost in costs]
    for values, name, dash in (
        ([c.sound_discarded for c in costs], "sound, but withheld", DASHES[0]),
        ([c.soft_shipped for c in costs], "soft, but shipped", DASHES[1]),
    ):
        below.plot(thresholds, values, color=INK, linestyle=dash)
        steep = int(np.abs(np.array(values) - max(values) / 2).argmin())
        write_along(below, name, (thresholds[steep], values[steep]))
    tidy(above, ylabel="probability of a score\nwithin the sale limit", ylim=(0, 1.02))
    tidy(below, ylabel="berries out of 100", ylim=(0, None))
    force_axis(below.xaxis, "withhold berries below this force")
    return figure


def draw_operating_curve(plan: SamplingPlan, at_most: float, level: float) -> Figure:
    """Draw the operating curve: how probably a lot is accepted by its share soft."""
    figure = new_figure()
    axes = figure.subplots()
    share = np.linspace(0, min(1.0, 2.5 * at_most), 401)
    axes.plot(100 * share, 100 * plan.accepted(share), color=INK)
    axes.axvline(100 * at_most, **THIN)
    risk = 100 * float(plan.accepted(at_most))
    axes.plot([100 * at_most], [risk], "o", color=INK)
    text = (
        f"a lot of {at_most:.1%} soft is accepted {risk:.1f} % of the time\n"
        f"({100 * (1 - level):.3g} % or less by the plan)"
    )
    write_near(axes, text, (100 * at_most, risk), (6, 12), fontsize=8)
    axes.set_xlim(left=0)
    above = "probability that it is accepted, %\n(operating characteristic curve)"
    tidy(axes, xlabel="share soft in the lot, %", ylabel=above, ylim=(0, 101))
    return figure
