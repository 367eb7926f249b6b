"""The picture of a gauge's check-weight results over a season.

The numbers are in gauge.season.checks. Matplotlib is imported when a chart is drawn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from gauge.errors import InvalidValueError
from gauge.outfile import check_picture, save_picture
from gauge.season.checks import N_BASE, CheckPoint, control_chart

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_chart(
    series: Mapping[str, Sequence[CheckPoint]], target: Path, *, title: str = "Check weights"
) -> None:
    """Draw the errors by date with their control chart, one panel a mass.

    The results of each mass are oldest first; the ending of `target` says the kind of file: .png,
    .pdf or .svg.
    """
    drawn = {mass: points for mass, points in series.items() if points}
    if not drawn:
        raise InvalidValueError(
            "the season file holds no check-weight result.", todo="Run gauge verify first."
        )
    check_picture(target)
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 0.9 + 2.5 * len(drawn)), layout="constrained")
    all_axes = figure.subplots(len(drawn), 1, squeeze=False)[:, 0]
    for axes, (mass, points) in zip(all_axes, drawn.items(), strict=True):
        _panel(axes, mass, points)
    figure.suptitle(title)
    handles, labels = all_axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2, fontsize=8)
    with rc_context({"svg.hashsalt": "firmhand"}):
        save_picture(figure, target)


def _panel(axes: Axes, mass: str, points: Sequence[CheckPoint]) -> None:
    """Draw the errors on one mass over the limits and the average of their control chart."""
    chart = control_chart(points)
    errors = [point.error_pct for point in points]
    places = [date.fromisoformat(point.at).toordinal() for point in points]
    ends = places[0] - 1, places[-1] + 1
    tolerance = points[-1].tolerance_pct
    axes.axhline(tolerance, color="black", lw=1.4, label="lab's tolerance")
    axes.axhline(-tolerance, color="black", lw=1.4)
    axes.axhline(0, color="0.6", lw=0.6)
    if chart.base is not None and chart.smooth is not None:
        axes.fill_between(
            ends, chart.base.low, chart.base.high, color="0.88", lw=0,
            label=f"usual range: mean ± 3 SD of the first {N_BASE} passed",
        )  # fmt: skip
        at, smooth = [places[i] for i in chart.run], chart.smooth
        label = "running average (EWMA, newest 0.2)"
        axes.plot(at, smooth.smoothed, "-", color="0.25", lw=1.6, label=label)
        label = "usual range of the running average"
        axes.plot(at, smooth.high, ":", color="0.25", lw=1, label=label)
        axes.plot(at, smooth.low, ":", color="0.25", lw=1)
    inside = [i for i in chart.run if i not in chart.outside]
    for label, marker, fill, members in (
        ("within the usual range", "o", "white", inside),
        ("outside the usual range", "D", "black", chart.outside),
        ("failed the tolerance", "X", "black", chart.failed),
    ):
        axes.plot(
            [places[i] for i in members], [errors[i] for i in members], marker,
            ms=6, mfc=fill, mec="black", ls="none", label=label, zorder=3,
        )  # fmt: skip
    axes.set_title(f"{mass}: {len(errors)} verifications", loc="left", fontsize=9)
    axes.set_ylabel("error, % of force")
    axes.set_xlim(*ends)
    room = 1.25 * max(tolerance, *(abs(e) for e in errors))
    axes.set_ylim(-room, room)
    ticks = range(places[0], places[-1] + 1, max(1, -(-(places[-1] - places[0]) // 7)))
    axes.set_xticks(ticks, [date.fromordinal(day).isoformat() for day in ticks], fontsize=8)
