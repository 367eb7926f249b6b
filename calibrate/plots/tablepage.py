"""The one-page PDF of a table: picture, figures, models and cautions on a sheet of A4."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec

from calibrate.plots.style import GREY, INK, PAGE_IN, PALE, new_figure, page_axes
from calibrate.plots.table import Panel, arrow_note, draw_panels, panels
from calibrate.tables.report import CAUTION, Report, lines
from calibrate.tables.table import Row
from calibrate.tables.tabletext import Block, blocks

_MOST_ROWS = 18
_ROW_IN = (0.16, 0.42)  # inches; least and most height of a row of the picture
_AXES_IN = 0.75  # inches; title and ticks of the picture
_LABELS_IN = 1.1  # inches; names of its rows
_LINE_IN = 0.15  # inches; height of a line of a block, and of a note
_SIGN_IN = 0.062  # inches; width of a sign of a block
_TITLE_SIGN_IN = 0.073
_GAP_IN = 0.3  # inches; between two blocks
_CELL = 34  # signs; a longer cell takes several lines
_NOTE = 128  # signs in a line of the notes


@dataclass(frozen=True, kw_only=True, slots=True)
class _Placed:
    """A block as it is set, in inches from the upper left; title and cells in lines."""

    title: Sequence[str]
    rows: Sequence[Sequence[Sequence[str]]]
    n_names: int  # columns that are set to the left
    edges: Sequence[float]
    left: float = 0.0
    top: float = 0.0

    @classmethod
    def of(cls, block: Block) -> _Placed:
        """Break a block into lines and columns, never wider than the page."""
        texts = (block.header, *block.rows)
        rows = [[textwrap.wrap(cell, _CELL) or [""] for cell in row] for row in texts]
        edges = [0.0]
        for column in zip(*rows, strict=True):
            edges.append(edges[-1] + _SIGN_IN * (2 + max(len(x) for cell in column for x in cell)))
        narrow = min(1.0, PAGE_IN[0] / edges[-1])
        title = textwrap.wrap(block.title, max(_CELL, int(narrow * edges[-1] / _TITLE_SIGN_IN)))
        return cls(title=title, rows=rows, n_names=block.left, edges=[narrow * x for x in edges])

    @property
    def width(self) -> float:
        """In inches."""
        return max(self.edges[-1], _TITLE_SIGN_IN * max(map(len, self.title)))

    @property
    def height(self) -> float:
        """In inches, with the title and the space below."""
        n_lines = len(self.title) + sum(max(map(len, row)) for row in self.rows)
        return _LINE_IN * (n_lines + 1.8)


def draw_page(report: Report) -> Figure:
    """Lay the report out on one page of A4, portrait.

    What does not fit is left out from the end, and the page says so; the terminal and the JSON
    have everything.
    """
    rows, found = report.table.rows[:_MOST_ROWS], panels(report)
    texts = [*lines(report), *arrow_note(found), *report.notes, CAUTION]
    notes = [line for text in texts for line in textwrap.wrap(text, _NOTE, subsequent_indent="   ")]
    least = _AXES_IN + _ROW_IN[0] * len(rows)
    room = PAGE_IN[1] - least - _LINE_IN * (len(notes) + 2)
    placed, used, dropped = _shelves(blocks(report), room)
    hidden = len(report.table.rows) - len(rows)
    if dropped or hidden:
        room -= 2 * _LINE_IN  # the note may take three lines, of which one was reserved
        placed, used, dropped = _shelves(blocks(report), room)
        dropped += [f"the last {hidden} rows of the picture"] * bool(hidden)
        text = f"Not on this page, but in the terminal and --json: {'; '.join(dropped)}."
        notes = [*textwrap.wrap(text, _NOTE, max_lines=3), *notes]
    # What the page has left goes to the picture.
    height = min(least + room - used, _AXES_IN + _ROW_IN[1] * len(rows))
    figure = new_figure(height_in=height + used + _LINE_IN * (len(notes) + 1))
    axes = page_axes(figure, (0, PAGE_IN[0]), (figure.get_size_inches()[1], 0))
    _picture(found, rows, figure, height)
    for one in placed:
        _draw_block(axes, one, height + one.top)
    below = height + used + 0.5 * _LINE_IN
    for at, line in enumerate(notes):
        axes.text(0, below + at * _LINE_IN, line, fontsize=7.5, va="top", color=INK)
    return figure


def _picture(found: Sequence[Panel], rows: Sequence[Row], figure: Figure, height: float) -> None:
    """Draw the panels side by side at the top."""
    whole = figure.get_size_inches()[1]
    grid = GridSpec(
        1, len(found), figure, left=_LABELS_IN / PAGE_IN[0], right=0.96, wspace=0.16,
        top=1 - 0.2 / whole, bottom=1 - (height - _AXES_IN + 0.2) / whole,
    )  # fmt: skip
    axes = [figure.add_subplot(grid[0, at]) for at in range(len(found))]
    draw_panels(axes, rows, found)


def _shelves(to_set: Sequence[Block], room: float) -> tuple[list[_Placed], float, list[str]]:
    """Place blocks from the top, side by side where two fit.

    Returns them, the height that they take, and the titles of those that had no place.
    """
    placed: list[_Placed] = []
    left = top = shelf = 0.0
    dropped: list[str] = []
    for block in to_set:
        one = _Placed.of(block)
        if not (left and left + one.width <= PAGE_IN[0] and one.height <= shelf + 1e-9):
            if top + shelf + one.height > room:
                dropped.append(block.title)
                continue
            left, top, shelf = 0.0, top + shelf, one.height
        placed.append(replace(one, left=left, top=top))
        left += one.width + _GAP_IN
    return placed, top + shelf, dropped


def _draw_block(axes: Axes, one: _Placed, top: float) -> None:
    """Draw a block: title, header above a rule, rows, every other one shaded."""
    right = one.left + one.edges[-1]
    for at, text in enumerate(one.title):
        y = top + (at + 0.5) * _LINE_IN
        axes.text(one.left, y, text, fontsize=8, weight="bold", va="center_baseline")
    y = top + (len(one.title) + 0.2) * _LINE_IN
    for number, row in enumerate(one.rows):
        height = _LINE_IN * max(map(len, row))
        if number and number % 2 == 0:
            axes.fill_between([one.left, right], y, y + height, color=PALE, linewidth=0, zorder=0)
        for at, cell in enumerate(row):
            named = at < one.n_names
            x = one.left + (one.edges[at] if named else one.edges[at + 1])
            for line, text in enumerate(cell):
                axes.text(
                    x, y + (line + 0.5) * _LINE_IN, text, fontsize=7.5, va="center_baseline",
                    ha="left" if named else "right", weight="normal" if number else "bold",
                )  # fmt: skip
        y += height
        if not number:
            y += 0.3 * _LINE_IN
            axes.plot([one.left, right], [y - 0.12 * _LINE_IN] * 2, color=GREY, linewidth=0.8)
