"""How all pictures look, and how they are written: grey-safe, never by colour alone.

Figures are made without pyplot, so no window, display or global state is touched.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibrate.stats.estimate import Estimate
from gauge.outfile import save_picture

# Seasons, scores and raters differ by dashes and markers first; the greys only help.
DASHES: tuple[object, ...] = (
    "-", (0, (6, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 1, 1, 1, 1, 1)), (0, (2, 2)),
)  # fmt: skip
MARKERS = ("o", "^", "s", "D", "v", "P")
INK, GREY, PALE = "#111111", "#6e6e6e", "#ececec"
THIN: dict[str, Any] = {"color": GREY, "linewidth": 0.8, "linestyle": (0, (1, 2))}

_RC: dict[Any, Any] = {
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": INK,
    "svg.hashsalt": "firmhand",
    "pdf.fonttype": 42,
}


def new_figure(width_in: float = 7.0, height_in: float = 5.0) -> Figure:
    """Make an empty figure of a size in inches."""
    with rc_context(_RC):
        return Figure(figsize=(width_in, height_in), layout="constrained")


def tidy(axes: Axes, xlabel: str = "", ylabel: str = "", **more: Any) -> None:
    """Name the axes of a panel and leave only its left and lower line; `more` as of `Axes.set`."""
    axes.set(xlabel=xlabel, ylabel=ylabel, **more)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8)


def draw_interval(
    axes: Axes, one: Estimate, y: float, ends: tuple[float, float], marker: str, face: str = INK
) -> None:
    """Draw an estimate and its interval at a height; an open side goes to the end of the panel."""
    low = ends[0] if one.low is None else one.low
    high = ends[1] if one.high is None else one.high
    axes.plot([low, high], [y, y], color=INK, linewidth=1.3)
    axes.plot(one.known, y, marker, color=INK, markerfacecolor=face)


def write_beside(axes: Axes, text: str, y: float) -> None:
    """Write a text to the right of a panel, at a height of its own scale."""
    axes.annotate(text, (1.01, y), xycoords=("axes fraction", "data"), va="center", fontsize=8)


def save(figure: Figure, path: Path) -> None:
    """Write a figure by `save_picture`."""
    with rc_context(_RC):
        save_picture(figure, path)
