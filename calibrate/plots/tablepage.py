"""The one-page PDF of a table: picture, figures, models and cautions on a sheet of A4."""

from __future__ import annotations

import textwrap

from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec

from calibrate.plots.style import INK, PALE, new_figure
from calibrate.plots.table import draw_panel, label_rows, panels
from calibrate.tables.report import CAUTION, Report
from calibrate.tables.tabletext import Block, blocks, lines

A4_IN = (8.27, 11.69)
_MOST_ROWS = 18
_LINE_IN = 0.145  # inches; height of a line of a block
_NOTE_IN = 0.135  # inches; height of a line of the notes
_WIDTH = 150  # signs in a line of the notes
_GAP = 0.04  # share of the width; between two blocks
_LONGEST_CELL = 50  # signs


def draw_page(report: Report) -> Figure:
    """Lay the report out on one page of A4, portrait.

    What does not fit is left out from the end, and the page says so; the terminal and the JSON
    have everything.
    """
    figure = new_figure(*A4_IN)
    figure.set_layout_engine("none")
    table = report.table
    rows = table.rows[:_MOST_ROWS]
    by = " and ".join(table.by) or "all berries"
    figure.text(0.07, 0.965, f"Firmness by {by}", fontsize=15, weight="bold", va="top")
    names = ", ".join(source.rsplit("/", 1)[-1] for source in table.pool.sources)
    count = table.pool.n or sum(one.n for one in table.pool.clamshells)
    head = f"{count} berries, {table.unit} as the unit. From {names}"
    figure.text(0.07, 0.94, textwrap.shorten(head, 118), fontsize=8, va="top")

    found = panels(report)
    height = (0.75 + 0.17 * len(rows)) / A4_IN[1]
    grid = GridSpec(
        1, len(found), figure, left=0.2, right=0.93, top=0.895, bottom=0.895 - height, wspace=0.14
    )
    for at, panel in enumerate(found):
        axis = figure.add_subplot(grid[0, at])
        draw_panel(axis, rows, panel)
        if at:
            axis.set_yticks([])
        else:
            label_rows(axis, rows)
        axis.tick_params(axis="y", labelsize=7)

    texts = [*lines(report), *report.notes, CAUTION]
    notes = [line for text in texts for line in textwrap.wrap(text, _WIDTH)]
    bottom = 0.03 + len(notes) * _NOTE_IN / A4_IN[1]
    dropped = _fill(figure, blocks(report), 0.895 - height - 0.04, bottom + 0.01)
    if dropped or len(table.rows) > len(rows):
        notes.insert(0, "Not on this page: some rows or blocks. The terminal and --json show all.")
        bottom += _NOTE_IN / A4_IN[1]
    figure.text(
        0.07, bottom - 0.005, "\n".join(notes), fontsize=6.8, va="top", linespacing=1.3, color=INK
    )
    return figure


def _fill(figure: Figure, to_set: list[Block], top: float, bottom: float) -> bool:
    """Set blocks from the top, side by side where two fit; return whether one had no place."""
    dropped, left, shelf = False, 0.0, 0.0
    for block in to_set:
        need = (len(block.rows) + 2.9) * _LINE_IN / A4_IN[1]
        width = _edges(block)[-1]
        if left and left + width <= 1 and need <= shelf + 1e-9:
            _draw_block(figure, block, left, top, need)
            left += width + _GAP
            continue
        if top - shelf - need < bottom:
            dropped = True
            continue
        top, left, shelf = top - shelf, width + _GAP, need
        _draw_block(figure, block, 0.0, top, need)
    return dropped


def _draw_block(figure: Figure, block: Block, left: float, top: float, height: float) -> None:
    axis = figure.add_axes((0.07 + 0.86 * left, top - height, 0.86, height))
    axis.set_axis_off()
    axis.set(xlim=(0, 1), ylim=(len(block.rows) + 2.9, 0))
    axis.text(0, 0.6, block.title, fontsize=8, weight="bold", va="center")
    edges = _edges(block)
    axis.plot([0, edges[-1]], [2.1, 2.1], color=INK, linewidth=0.6)
    for y, row in enumerate((block.header, *block.rows), start=1):
        weight = "bold" if y == 1 else "normal"
        for at, text in enumerate(row):
            x, side = (edges[at], "left") if at < block.left else (edges[at + 1], "right")
            axis.text(x, y + 0.6, _short(text), fontsize=7, ha=side, va="center", weight=weight)
        if y > 1 and y % 2:
            axis.axhspan(y + 0.1, y + 1.1, xmax=edges[-1], color=PALE, linewidth=0, zorder=0)


def _short(text: str) -> str:
    """Shorten a reason why there is no value; the terminal and the JSON have all of it."""
    return textwrap.shorten(text, _LONGEST_CELL, placeholder=" ...")


def _edges(block: Block) -> list[float]:
    """Place the column edges by the longest text of each column, never beyond the page."""
    widths = [
        2 + max(len(text) for text in (name, *(_short(row[at]) for row in block.rows)))
        for at, name in enumerate(block.header)
    ]
    share = min(1 / sum(widths), 0.0098)
    edges = [0.0]
    for width in widths:
        edges.append(edges[-1] + width * share)
    return edges
