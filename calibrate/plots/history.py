"""The hands of a season side by side: how far each has moved, with the limit of chance."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibrate.plots.style import GREY, INK, PALE, force_axis, new_figure, tidy
from calibrate.raters.history import HandHistory

_ROW_IN = 2.1  # inches; height of the panel of a hand


def draw_histories(charts: Sequence[HandHistory]) -> Figure:
    """Draw a panel a hand, on one scale: the shift of each day over its limits."""
    figure = new_figure(height_in=0.3 + _ROW_IN * len(charts))
    panels = figure.subplots(len(charts), 1, squeeze=False, sharey=True)[:, 0]
    for axes, chart in zip(panels, charts, strict=True):
        _hand(axes, chart)
    return figure


def _hand(axes: Axes, chart: HandHistory) -> None:
    """Draw one hand; a day on which it passed the limit is filled, and a limit is grey."""
    places = range(len(chart.points))
    limits = [point.limit_newton for point in chart.points]
    axes.fill_between(places, [-one for one in limits], limits, color=PALE, linewidth=0)
    axes.axhline(0, color=GREY, linewidth=0.8)
    shifts = [point.shift_newton for point in chart.points]
    axes.plot(places, shifts, color=INK, linewidth=1.2)
    for filled, face in ((True, INK), (False, "white")):
        mine = [place for place in places if chart.points[place].outside is filled]
        axes.plot(mine, [shifts[at] for at in mine], "o", color=INK, markerfacecolor=face, ms=5)
    every = -(-len(chart.points) // 7)
    days = [point.day for point in chart.points]
    dated = None not in days and len(set(days)) == len(days)
    names = [str(one.day) if dated else f"score {one.n}" for one in chart.points]
    axes.set_xticks(places[::every], names[::every])
    axes.set_xlim(-0.5, len(chart.points) - 0.5)
    tidy(
        axes,
        f"{chart.rater}, against {chart.reference} ({chart.n_reference} scores)\n"
        "shaded: the limit of chance; filled: it was passed",
    )
    force_axis(axes.yaxis, "shift")
