"""How all pictures look, and how they are written: grey-safe, never by colour alone.

Figures are made without pyplot, so no window, display or global state is touched. Forces are drawn
in newtons; the axis shows them in the lab's unit.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, BinaryIO

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator
from matplotlib.transforms import Bbox

from calibrate.data.labels import in_unit, unit
from calibrate.stats.estimate import Estimate
from gauge.outfile import save_picture

# Seasons, scores and raters differ by dashes and markers first; the greys only help.
DASHES: tuple[object, ...] = (
    "-", (0, (6, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 1, 1, 1, 1, 1)), (0, (2, 2)),
)  # fmt: skip
MARKERS = ("o", "^", "s", "D", "v", "P")
INK, GREY, PALE = "#111111", "#5f5f5f", "#ececec"
THIN: dict[str, Any] = {"color": GREY, "linewidth": 0.8, "linestyle": (0, (1, 2))}
A4_IN = (8.27, 11.69)
_MARGIN_IN = 0.5
_HEADING_IN = 0.62  # inches; height of the heading above a picture
# inches; what a page of A4 holds below its heading
PAGE_IN = (A4_IN[0] - 2 * _MARGIN_IN, A4_IN[1] - 2 * _MARGIN_IN - _HEADING_IN)

# As files are written: the same names in each SVG, and text as text in a PDF.
_RC: dict[Any, Any] = {"svg.hashsalt": "firmhand", "pdf.fonttype": 42}


def new_figure(width_in: float = PAGE_IN[0], height_in: float = 5.0) -> Figure:
    """Make an empty figure of a size in inches, by default as wide as a page of A4 holds."""
    return Figure(figsize=(width_in, height_in), layout="constrained")


def tidy(axes: Axes, note: str = "", **more: Any) -> None:
    """Leave only the left and lower line of a panel, below a note; `more` as of `Axes.set`."""
    axes.set(**more)
    axes.set_title(note, loc="left", fontsize=9)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8)


class _UnitTicks(MaxNLocator):
    """Ticks at round numbers of the lab's unit, on an axis of newtons."""

    def tick_values(self, vmin: float, vmax: float) -> list[float]:
        """Return the places of the ticks, N."""
        ticks = super().tick_values(in_unit(vmin), in_unit(vmax))
        return [float(tick) / in_unit(1.0) for tick in ticks]


def force_axis(axis: Axis, name: str, note: str = "") -> None:
    """Show the lab's unit on an axis of forces, which are drawn in newtons, and name it."""
    axis.set_label_text(f"{name} ({unit()}){note}")
    axis.set_major_locator(_UnitTicks(nbins=8, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(
        FuncFormatter(lambda newton, _: f"{in_unit(newton):.6g}".replace("-", "\N{MINUS SIGN}"))
    )


def draw_interval(
    axes: Axes, one: Estimate, y: float, ends: tuple[float, float], marker: str, face: str = INK
) -> None:
    """Draw an estimate and its interval at a height; an open side goes to the end of the panel."""
    low = ends[0] if one.low is None else one.low
    high = ends[1] if one.high is None else one.high
    axes.plot([low, high], [y, y], color=INK, linewidth=1.3)
    axes.plot(one.known, y, marker, color=INK, markerfacecolor=face)


def write_along(axes: Axes, text: str, at: tuple[float, float], **more: Any) -> None:
    """Write the name of a curve on it, in the place of a legend; `more` as of `Axes.text`."""
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.9}
    axes.text(*at, text, fontsize=8.5, **{"ha": "center", "va": "center", "bbox": box, **more})


def write_near(
    axes: Axes, text: str, at: tuple[float, float], offset_pt: tuple[float, float], **more: Any
) -> None:
    """Write a text at a distance from a point; `more` as of `Axes.annotate`."""
    axes.annotate(text, at, xytext=offset_pt, textcoords="offset points", **more)


def page_axes(figure: Figure, xlim: tuple[float, float], ylim: tuple[float, float]) -> Axes:
    """Make axes of a whole figure, without lines, to set texts on."""
    figure.set_layout_engine("none")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set(xlim=xlim, ylim=ylim)
    return axes


def write_beside(axes: Axes, text: str, y: float) -> None:
    """Write a text to the right of a panel, at a height of its own scale."""
    axes.annotate(text, (1.01, y), xycoords=("axes fraction", "data"), va="center", fontsize=8)


def save_svg(figure: Figure, file: BinaryIO) -> None:
    """Draw a figure without a heading as SVG, to stand in a page."""
    with rc_context(_RC):
        figure.savefig(file, format="svg", metadata={"Date": None})


def save(figure: Figure, path: Path, title: str = "", line: str = "") -> None:
    """Write a figure with a heading above it: what it shows, and of which season and when.

    A PDF is a page of A4, to be printed as it is.
    """
    width, height = figure.get_size_inches()
    box = None
    if (width, height) not in (A4_IN, A4_IN[::-1]):
        top = height + (_HEADING_IN if title else 0.0) + _MARGIN_IN
        box = Bbox.from_extents(-_MARGIN_IN, -_MARGIN_IN, width + _MARGIN_IN, top)
        if path.suffix.lower() == ".pdf":
            box = Bbox.from_extents(-_MARGIN_IN, top - A4_IN[1], A4_IN[0] - _MARGIN_IN, top)
        figure.text(0, 1 + 0.36 / height, title, fontsize=14, weight="bold", color=INK)
        figure.text(0, 1 + 0.14 / height, line, fontsize=8.5, color=INK)
    with rc_context(_RC):
        save_picture(figure, path, bbox_inches=box)
