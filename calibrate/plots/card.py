"""The anchor card: one page for the wall of the bench, legible at two metres and in grey print."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from hashlib import blake2b

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from calibrate.anchors.choice import Anchor, AnchorSet
from calibrate.cuts.bands import Band
from calibrate.cuts.calibration import Calibration
from calibrate.data.labels import format_newton, unit, with_unit
from calibrate.plots.style import A4_IN, GREY, INK, PALE, new_figure, page_axes
from gauge.units import Unit

CAUTIONS = (
    "Berries perish: squeeze an anchor no more often and no longer than stated. Wash hands, wear "
    "gloves, and never sell or eat squeezed fruit. Whether fruit may be sold is decided by local "
    "grades, food-safety rules and the buyer's terms, not by this card."
)
_A4_LANDSCAPE_IN = A4_IN[::-1]
_NO_BREAK = "\N{NO-BREAK SPACE}"
_TOP, _FOOT = 86.0, 20.0  # shares of the height; the rows of the scores lie between them


@dataclass(frozen=True, kw_only=True, slots=True)
class CardNotes:
    """What head and foot of the card say; what was not stated or is not known is empty or None.

    `pressed` is how the season presses berries, `digest` that of the season when this was made.
    """

    season: str
    pressed: Sequence[str] = ()
    anchors: str = ""  # how many are of which kind
    made_on: date
    valid_until: date | None  # None where the age of an anchor is not known
    press_limit: int
    crop: str | None = None
    lab: str | None = None
    digest: str | None = None


def draw_card(calibration: Calibration, chosen: AnchorSet, notes: CardNotes) -> Figure:
    """Draw the card: a row for each score, firmest on top, and the anchors beside all rows.

    Anchors are there as codes, in the order in which they are squeezed: beside its score or force,
    an anchor would tell what to feel, and practice would not be blind.
    """
    figure = new_figure(*_A4_LANDSCAPE_IN)
    axes = page_axes(figure, (0, 100), (0, 100))
    text = partial(axes.text, va="center", color=INK)
    text(3, 95, "Anchor card", fontsize=28, weight="bold")
    about = ", ".join(filter(None, (notes.season, notes.crop, notes.lab)))
    text(31, 95.2, textwrap.shorten(about, 48), fontsize=16)
    until = notes.valid_until
    valid = f"valid until {until:%d %b %Y}" if until else "age not known: press again"
    text(97, 95, valid, fontsize=18 if until else 15, weight="bold", ha="right")
    titles = ("score", "force at which it is the likeliest", "target", "anchors, in this order")
    for x, title in zip((4, 16, 57, 78), titles, strict=True):
        text(x, 89, title, fontsize=13, color=GREY)
    height = (_TOP - _FOOT) / len(chosen.bands)
    for index, band in enumerate(chosen.bands):
        upper = _TOP - index * height
        if index % 2 == 0:
            axes.add_patch(Rectangle((2, upper - height), 74, height, color=PALE, zorder=0))
        axes.plot([2, 76], [upper, upper], color=GREY, linewidth=0.8)
        _row(axes, band, upper - height / 2, height)
    axes.plot([2, 76], [_FOOT, _FOOT], color=GREY, linewidth=0.8)
    limit = calibration.scale.sale_boundary
    if limit is not None:
        y = _TOP - (limit + 1) * height
        axes.plot([2, 76], [y, y], color=INK, linewidth=5, zorder=5)
        cut = calibration.cuts[limit].value
        at = "" if cut is None else f" {with_unit(cut)} (cut point)"
        box = {"facecolor": INK, "edgecolor": INK, "pad": 3}
        text(
            16, y, f"SALE LIMIT{at}: not for sale below this line", fontsize=13, weight="bold",
            color="white", bbox=box, zorder=6,
        )  # fmt: skip
    _codes(axes, [one.candidate.label for one in squeeze_order(chosen.anchors)])
    _foot(axes, calibration, notes)
    return figure


def _row(axes: Axes, band: Band, y: float, height: float) -> None:
    """Write a score, its band and its target: the lab's unit large, the others below."""
    text = partial(axes.text, va="center", color=INK)
    text(7, y, band.score, fontsize=50 if len(band.score) < 3 else 30, weight="bold", ha="center")
    if band.low_newton is None or band.target_newton is None:
        text(16, y, "no force of its own", fontsize=18)
        return
    above, below = y + height * 0.14, y - height * 0.24
    others = [one for one in (Unit.N, Unit.LBF, Unit.KGF) if one is not unit()]
    small = 16 if len(others) < 3 else 13
    text(16, above, band_text(band, unit()), fontsize=28, weight="bold")
    text(16, below, "    ".join(band_text(band, one) for one in others), fontsize=small)
    targets = [with_unit(band.target_newton, shown=one) for one in (unit(), *others)]
    text(57, above, targets[0], fontsize=24)
    text(57, below, "  ".join(targets[1:]), fontsize=min(small, 14))


def _codes(axes: Axes, codes: Sequence[str]) -> None:
    """List the numbered codes of the anchors beside all rows, as large as they fit."""
    lines = [f"{number}. {code}" for number, code in enumerate(codes, 1)]
    columns = 1 if len(lines) <= 20 else 2
    rows = max(-(-len(lines) // columns), 12)
    # A sign is at most 0.6 of its size wide on average, a line 1.3 high; one point is 1/72 inch.
    wide_pt = 0.20 / columns * A4_IN[1] * 72 / max(map(len, lines), default=1)
    high_pt = (_TOP - _FOOT) / rows / 100 * A4_IN[0] * 72
    for place, line in enumerate(lines):
        x = 78 + 20 / columns * (place // rows)
        y = _TOP - (_TOP - _FOOT) * (place % rows + 0.5) / rows
        axes.text(x, y, line, fontsize=min(16.0, wide_pt / 0.6, high_pt / 1.3), va="center")


def _foot(axes: Axes, calibration: Calibration, notes: CardNotes) -> None:
    """Write the conditions, in as many lines as they take, and the cautions."""
    said = [
        *notes.pressed,
        f"at most {notes.press_limit} squeezes an anchor",
        notes.anchors,
        f"made {notes.made_on:%d %b %Y}",
        f"calibration of {calibration.n} scores by {', '.join(calibration.raters) or 'one hand'}",
        f"season digest {notes.digest}" if notes.digest else "",
    ]
    # A part is never broken: its blanks do not count as such.
    parts = "  | ".join(one.replace(" ", _NO_BREAK) for one in said if one)
    text = partial(axes.text, 3, va="center", color=INK)
    for at, line in enumerate(textwrap.wrap(parts, 112)):
        text(17.6 - 3.1 * at, line.strip("| "), fontsize=12)
    text(4.9, textwrap.fill(CAUTIONS, 106, break_on_hyphens=False), fontsize=12.5)


def band_text(band: Band, shown: Unit) -> str:
    """Write a band in a unit, as it stands on the card."""
    low = format_newton(band.low_newton or 0.0, shown=shown)
    if band.high_newton is None:
        return f"from {low} {shown} up"
    high = with_unit(band.high_newton, shown=shown)
    return f"{low} to {high}" if band.low_newton else f"below {high}"


def squeeze_order(anchors: Sequence[Anchor]) -> list[Anchor]:
    """Mix the anchors for squeezing, a card alike each time: firm to soft would give them away."""
    return sorted(anchors, key=lambda one: blake2b(one.candidate.label.encode()).digest())
