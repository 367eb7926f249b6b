"""The picture of a fit: berries by score and force, cut points with intervals, probabilities."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibrate.cuts.calibration import Calibration
from calibrate.data.labels import as_label, format_newton
from calibrate.data.pairs import Pairs
from calibrate.plots.style import (
    DASHES,
    GREY,
    INK,
    MARKERS,
    PALE,
    force_axis,
    new_figure,
    tidy,
    write_near,
)

_MOST_POINTS = 1500


def draw_fit(calibration: Calibration, pairs: Pairs) -> Figure:
    """Draw a calibration over the berries that it was fitted to.

    Above, each berry stands at its force in the row of its score, with a marker for its rater;
    the cut points cross the rows with their intervals. Below, the probability of each score.
    Shaded bands show which score is the likeliest side of the cut points.
    """
    figure = new_figure(height_in=6.0)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3, 2])
    grid = _grid(pairs)
    upper.set_xlim(grid[0], grid[-1])
    for axes in (upper, lower):
        _bands(axes, calibration, (float(grid[0]), float(grid[-1])))
    _berries(upper, calibration, pairs)
    _cuts(upper, calibration)
    _curves(lower, calibration, grid)
    named = len(pairs.raters)
    who = f"panel of {named} raters" if named > 1 else "one rater" if named else "one hand"
    drawn = f"; about {_MOST_POINTS:,} drawn" if pairs.rank.size > _MOST_POINTS else ""
    level = f"{calibration.level:.0%}"
    note = f"{calibration.n:,} scores, {who}{drawn}; cut points with {level} intervals"
    tidy(upper, note, ylabel="finger score")
    tidy(lower, ylabel="probability of score", ylim=(0.0, 1.12))
    force_axis(lower.xaxis, "force that the finger felt" if calibration.softening else "peak force")
    lower.set_yticks([0.0, 0.25, 0.5, 0.75, 1.0])
    return figure


def _grid(pairs: Pairs) -> np.ndarray:
    low, high = float(pairs.force_newton.min()), float(pairs.force_newton.max())
    margin = 0.04 * (high - low)
    start = max(low - margin, low / 2.0) if low >= 0 else low - margin
    return np.linspace(start, high + margin, 400)


def _bands(axes: Axes, calibration: Calibration, limits: tuple[float, float]) -> None:
    """Shade every other score's stretch between its cut points."""
    cuts = dict.fromkeys(cut.value for cut in calibration.cuts if cut.value is not None)
    edges = np.clip([limits[1], *cuts, limits[0]], *limits)
    for k in range(0, edges.size - 1, 2):
        axes.axvspan(edges[k + 1], edges[k], color=PALE, linewidth=0, zorder=0)


def _berries(axes: Axes, calibration: Calibration, pairs: Pairs) -> None:
    """Draw one point a row, spread out within its score's row by a fixed pattern."""
    order = np.lexsort((pairs.force_newton, pairs.rater, pairs.rank))
    shown = order[:: max(1, -(-order.size // _MOST_POINTS))]
    # Multiples of the golden ratio fill a row evenly and need no random numbers.
    jitter = 0.56 * ((np.arange(shown.size) * 0.6180339887498949) % 1.0 - 0.5)
    raters = pairs.raters or ("",)
    for index, name in enumerate(raters):
        mine = pairs.rater[shown] == index
        axes.scatter(
            pairs.force_newton[shown][mine],
            pairs.rank[shown][mine] + jitter[mine],
            s=13.0 if shown.size <= 500 else 6.0,
            marker=MARKERS[index % len(MARKERS)],
            facecolors="none" if index % 2 == 0 else GREY,
            edgecolors=INK if index % 2 == 0 else GREY,
            linewidths=0.7,
            label=name,
            zorder=2,
        )
    if 1 < len(raters) <= 2 * len(MARKERS):
        # Soft berries of high force are the rarest: the lower right corner stays free.
        axes.legend(loc="lower right", fontsize=8, title="rater", title_fontsize=8)
    labels = calibration.scale.labels
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(len(labels) - 0.5, -0.5)


def _cuts(axes: Axes, calibration: Calibration) -> None:
    """Draw a line at each cut point, its interval as a bar with caps, its force in words."""
    names: dict[float, list[str]] = {}
    sides: dict[float, tuple[float | None, float | None]] = {}
    for one, pair in zip(calibration.cuts, calibration.scale.boundaries, strict=True):
        if one.value is not None:
            # Around a score that nobody gave, two cut points are one line.
            names.setdefault(one.value, []).append(_in_order(*pair))
            sides[one.value] = (one.low, one.high)
    left, right = axes.get_xlim()
    ends = {
        cut: (left if low is None else max(low, left), right if high is None else min(high, right))
        for cut, (low, high) in sides.items()
    }
    tiers = _tiers(ends, 0.04 * (right - left))
    axes.set_ylim(axes.get_ylim()[0], -1.25 - 0.65 * max(tiers.values(), default=0))
    for cut, tier in tiers.items():
        axes.axvline(cut, color=INK, linewidth=0.8, zorder=1)
        height = -0.55 - 0.65 * tier
        axes.plot(ends[cut], [height, height], color=INK, linewidth=2.2, zorder=4)
        for end, known, arrow in zip(ends[cut], sides[cut], "<>", strict=True):
            # A cap closes a side that the data close; one that is open, or beyond the picture,
            # gets an arrow head.
            mark = "|" if end == known else arrow
            axes.plot(end, height, mark, color=INK, markersize=7, clip_on=False, zorder=4)
        axes.annotate(
            f"{', '.join(names[cut])}\n{format_newton(cut)}",
            (cut, height - 0.1),
            ha="center",
            va="bottom",
            fontsize=7.5,
            annotation_clip=True,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
            zorder=5,
        )


def _tiers(ends: dict[float, tuple[float, float]], label: float) -> dict[float, int]:
    """Find the lowest free tier for each interval, so that none hides another or its label."""
    tiers: dict[float, int] = {}
    taken: list[float] = []
    for cut in sorted(ends):
        low, high = min(ends[cut][0], cut - label), max(ends[cut][1], cut + label)
        free = next((t for t, until in enumerate(taken) if until < low), len(taken))
        taken[free : free + 1] = [high]
        tiers[cut] = free
    return tiers


def _in_order(firm: str, soft: str) -> str:
    """Order two neighbouring scores as people do: 1|2 whichever is the firmer, firm|soft."""
    numbers = isinstance(as_label(firm), int) and isinstance(as_label(soft), int)
    return f"{soft}|{firm}" if numbers and int(soft) < int(firm) else f"{firm}|{soft}"


def _curves(axes: Axes, calibration: Calibration, grid: np.ndarray) -> None:
    table = calibration.probabilities(grid)
    for k, (label, column) in enumerate(zip(calibration.scale.labels, table.T, strict=True)):
        if not column.max() > 0:
            continue
        axes.plot(grid, column, color=INK, linestyle=DASHES[k % len(DASHES)], linewidth=1.4)
        top = int(column.argmax())
        side = "left" if top == 0 else "right" if top == grid.size - 1 else "center"
        style = {"ha": side, "va": "bottom", "fontsize": 9, "fontweight": "bold"}
        write_near(axes, label, (grid[top], column[top]), (0, 3), **style)
