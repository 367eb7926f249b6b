"""The anchor card: one page for the wall of the bench, legible at two metres and in grey print."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from calibrate.anchors.choice import Anchor, AnchorSet
from calibrate.cuts.bands import Band
from calibrate.cuts.calibration import Calibration
from calibrate.plots.style import GREY, INK, PALE, new_figure
from gauge.units import Unit, convert

CAUTIONS = (
    "Berries perish: squeeze an anchor no more often and no longer than stated. Wash hands, wear "
    "gloves, and never sell or eat squeezed fruit. Whether fruit may be sold is decided by local "
    "grades, food-safety rules and the buyer's terms, not by this card."
)
A4_LANDSCAPE_IN = (11.69, 8.27)


@dataclass(frozen=True, kw_only=True, slots=True)
class CardNotes:
    """What the foot of the card says; `head_mm` and `digest` are None where they are not known."""

    season: str
    head_mm: float | None
    made_on: date
    valid_until: date
    press_limit: int
    digest: str | None = None  # of the season, when the card was made


def draw_card(calibration: Calibration, chosen: AnchorSet, notes: CardNotes) -> Figure:
    """Draw the card: a row for each score, firmest on top, with its anchors."""
    figure = new_figure(*A4_LANDSCAPE_IN)
    figure.set_layout_engine("none")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set(xlim=(0, 100), ylim=(0, 100))
    text = partial(axes.text, va="center", color=INK)
    text(3, 95, "Anchor card", fontsize=30, weight="bold")
    text(31, 95, notes.season, fontsize=22)
    valid = f"valid until {notes.valid_until:%d %b %Y}"
    text(97, 95, valid, fontsize=20, weight="bold", ha="right")
    for x, title in (
        (4, "score"),
        (17, "force"),
        (48, "target"),
        (62, "squeeze in this order (boundary: this side)"),
    ):
        text(x, 89.5, title, fontsize=13, color=GREY)
    top, foot = 87.0, 16.0
    height = (top - foot) / len(chosen.bands)
    order = list(enumerate(squeeze_order(chosen.anchors), 1))
    for index, band in enumerate(chosen.bands):
        upper = top - index * height
        if index % 2 == 0:
            axes.add_patch(Rectangle((2, upper - height), 96, height, color=PALE, zorder=0))
        axes.plot([2, 98], [upper, upper], color=GREY, linewidth=0.8)
        _row(axes, band, upper - height / 2, height)
        _anchors(axes, [one for one in order if one[1].score == band.score], upper, height)
    axes.plot([2, 98], [foot, foot], color=GREY, linewidth=0.8)
    limit = calibration.scale.sale_boundary
    if limit is not None:
        y = top - (limit + 1) * height
        axes.plot([2, 98], [y, y], color=INK, linewidth=5, zorder=5)
        box = {"facecolor": INK, "edgecolor": INK, "pad": 3}
        text(
            17, y, "SALE LIMIT: not for sale below this line", fontsize=13, weight="bold",
            color="white", bbox=box, zorder=6,
        )  # fmt: skip
    _foot(axes, calibration, notes)
    return figure


def _row(axes: Axes, band: Band, y: float, height: float) -> None:
    """Write a score, its band and its target."""
    text = partial(axes.text, va="center")
    size = 50 if len(band.score) < 3 else 30
    text(7, y, band.score, fontsize=size, weight="bold", ha="center")
    if band.low_newton is None or band.target_newton is None:
        text(17, y, "no force of its own", fontsize=18)
        return
    above, below = y + height * 0.14, y - height * 0.26
    others = f"{band_text(band, Unit.LBF)}     {band_text(band, Unit.KGF)}"
    pounds, kilos = (convert(band.target_newton, Unit.N, unit) for unit in (Unit.LBF, Unit.KGF))
    text(17, above, band_text(band, Unit.N), fontsize=28, weight="bold")
    text(17, below, others, fontsize=13)
    text(48, above, f"{band.target_newton:.2f} N", fontsize=24)
    text(48, below, f"{pounds:.2f} lbf  {kilos:.3f} kgf", fontsize=11)


def _anchors(
    axes: Axes, anchors: Sequence[tuple[int, Anchor]], upper: float, height: float
) -> None:
    """List the numbered anchors of a score, as large as they fit."""
    lines = [
        f"{number}. {one.candidate.label}  {one.candidate.force_newton:.2f} N"
        + (f", boundary {one.boundary}" if one.boundary else "")
        for number, one in anchors
    ]
    columns = 1 if len(lines) <= 6 else 2
    rows = max(-(-len(lines) // columns), 3)
    # A sign is at most 0.6 of its size wide on average, a line 1.3 high; one point is 1/72 inch.
    wide_pt = 0.35 / columns * A4_LANDSCAPE_IN[0] * 72 / max(map(len, lines), default=1)
    high_pt = height / rows / 100 * A4_LANDSCAPE_IN[1] * 72
    size = min(13.0, wide_pt / 0.6, high_pt / 1.3)
    for place, line in enumerate(lines):
        x = 62 + 36 / columns * (place % columns)
        y = upper - height * (0.04 + 0.92 * (place // columns + 0.5) / rows)
        axes.text(x, y, line, fontsize=size, va="center")


def _foot(axes: Axes, calibration: Calibration, notes: CardNotes) -> None:
    """Write the conditions and the cautions."""
    head = "" if notes.head_mm is None else f"{notes.head_mm:g} mm flat head, "
    raters = ", ".join(calibration.raters) or "one hand"
    use = f"{head}calyx down   |   at most {notes.press_limit} squeezes an anchor   |   "
    made = f"made {notes.made_on:%d %b %Y}"
    source = f"calibration of {calibration.n} scores by {raters}"
    source += f", season digest {notes.digest}" if notes.digest else ""
    axes.text(3, 13.4, use + made, fontsize=12, va="center")
    axes.text(3, 10.2, source, fontsize=12, va="center")
    axes.text(3, 4.8, textwrap.fill(CAUTIONS, 122), fontsize=10.5, va="center", color=INK)


def band_text(band: Band, unit: Unit) -> str:
    """Write a band in a unit, as it stands on the card."""
    digits = 3 if unit is Unit.KGF else 2
    low = convert(band.low_newton or 0.0, Unit.N, unit)
    if band.high_newton is None:
        return f"from {low:.{digits}f} {unit} up"
    high = convert(band.high_newton, Unit.N, unit)
    if low == 0:
        return f"below {high:.{digits}f} {unit}"
    return f"{low:.{digits}f} to {high:.{digits}f} {unit}"


def squeeze_order(anchors: Sequence[Anchor]) -> list[Anchor]:
    """Order the anchors for squeezing: scores first, firm to soft, then the boundaries.

    A hand first learns what each score feels like, and then where one turns into the next.
    """
    return sorted(anchors, key=lambda a: (a.boundary is not None, -a.candidate.force_newton))
