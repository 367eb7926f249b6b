"""The picture of a table: mean force and percent soft of every row, with intervals and letters."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibrate.data.labels import unit
from calibrate.plots.style import (
    GREY,
    INK,
    MARKERS,
    PALE,
    force_axis,
    new_figure,
    tidy,
    write_beside,
)
from calibrate.stats.estimate import Estimate
from calibrate.tables.measures import Shares
from calibrate.tables.report import Report, letters_rule, level_text
from calibrate.tables.table import Row
from gauge.errors import TooFewScoresError

MOST_ROWS = 60


@dataclass(frozen=True, kw_only=True)
class Panel:
    """One picture of a table: an estimate a row, and the outcome whose letters stand beside it."""

    title: str
    outcome: str
    estimates: Sequence[Estimate | None]


def draw_table(report: Report) -> Figure:
    """Draw the first 60 rows of a table, one line each; a longer table says so."""
    rows = report.table.rows[:MOST_ROWS]
    if not rows:
        raise TooFewScoresError("No berry and no sheet makes a row.", todo="Log or import some.")
    found = panels(report)
    figure = new_figure(height_in=max(2.6, 1.4 + 0.26 * len(rows)))
    draw_panels(figure.subplots(1, len(found), squeeze=False)[0], rows, found)
    left = len(report.table.rows) - len(rows)
    said = [f"Bars: {report.table.level:.0%} intervals, {report.table.unit} as the unit."]
    said += arrow_note(found)
    said += [f"{left} further rows are not drawn."] * bool(left)
    said += [letters_rule(report)] * any(row.letters for row in rows)
    text = "\n".join(line for one in said for line in textwrap.wrap(one, 120))
    figure.supxlabel(text, fontsize=7.5, x=0.01, ha="left")
    return figure


def arrow_note(found: Sequence[Panel]) -> list[str]:
    """Explain the arrow of `draw_panel`, where there is one."""
    cut = any(one is not None and (one.low or 0) < 0 for panel in found for one in panel.estimates)
    return ["An arrow at 0: the interval goes on below it; no force and no share does."] * cut


def panels(report: Report) -> list[Panel]:
    """Choose the panels that have something to show."""
    rows = report.table.rows
    forces = [row.force for row in rows] if any(row.n for row in rows) else []
    shares = [row.shares or Shares() for row in rows]
    soft = [one.soft for one in shares]
    predicted = [] if any(soft) else [row.predicted_soft for row in rows]
    offered: tuple[tuple[str, str, Sequence[Estimate | None]], ...] = (
        ("mean peak force", "force", forces),
        ("soft berries, %", "soft", _percent(soft)),
        ("soft berries predicted from force, %", "", _percent(predicted)),
        ("marketable berries, %", "", _percent([one.marketable for one in shares])),
    )
    found = [
        Panel(title=title, outcome=outcome, estimates=estimates)
        for title, outcome, estimates in offered
        if any(estimates)
    ]
    scores = [row.mean_score for row in rows]
    return found or [Panel(title="mean finger score", outcome="score", estimates=scores)]


def _percent(shares: Sequence[Estimate | None]) -> list[Estimate | None]:
    return [share.times(100) if share else None for share in shares]


def draw_panels(axes: Sequence[Axes], rows: Sequence[Row], found: Sequence[Panel]) -> None:
    """Draw panels side by side; the first names the rows."""
    for axis, panel in zip(axes, found, strict=True):
        draw_panel(axis, rows, panel)
        axis.set_yticks([])
    names = []
    for row in rows:
        first, *others = row.levels.items() or [("", "all")]
        names.append(", ".join([first[1] or "-", *map(level_text, others)]))
    axes[0].set_yticks(range(len(rows)), names, fontsize=8)
    axes[0].tick_params(axis="y", length=0)


def draw_panel(axis: Axes, rows: Sequence[Row], panel: Panel) -> None:
    """Draw one estimate of every row as a dot with its interval; an open interval has no bar."""
    last = [tuple(row.levels.values())[1:] for row in rows]
    marks = {key: MARKERS[i % len(MARKERS)] for i, key in enumerate(dict.fromkeys(last))}
    for at, (row, one) in enumerate(zip(rows, panel.estimates, strict=False)):
        if at % 2:
            axis.axhspan(at - 0.5, at + 0.5, color=PALE, zorder=0, linewidth=0)
        if one is None or one.value is None:
            continue
        if one.low is not None and one.high is not None:
            axis.plot([one.low, one.high], [at, at], color=INK, linewidth=1.2, zorder=2)
            if one.low < 0:  # the axis begins at 0: an arrow marks what it cuts off
                axis.plot(0, at, "<", color=INK, markersize=5, clip_on=False, zorder=3)
        axis.plot(one.value, at, marks[last[at]], color=INK, markersize=5, zorder=3)
        write_beside(axis, row.letters.get(panel.outcome, ""), at)
    axis.set_ylim(len(rows) - 0.5, -0.5)
    axis.grid(axis="x", color=GREY, alpha=0.3, linewidth=0.6)
    axis.set_xlim(*((-3, 103) if panel.title.endswith("%") else (0, None)))
    title = panel.title
    if panel.outcome == "force":
        force_axis(axis.xaxis, "")
        title += f", {unit()}"
    tidy(axis, title, xlabel="")
