"""The picture of a table: mean force and percent soft of every row, with intervals and letters."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibrate.plots.style import GREY, INK, MARKERS, PALE, new_figure, tidy
from calibrate.stats.estimate import Estimate
from calibrate.tables.report import Report
from calibrate.tables.rows import Row
from calibrate.tables.tabletext import letters_rule

MOST_ROWS = 60


def draw_table(report: Report) -> Figure:
    """Draw the rows of a table, one line each, in the order of the table.

    Parameters
    ----------
    report : Report
        The first 60 rows are drawn; a longer table says so.

    Returns
    -------
    Figure
    """
    rows = report.table.rows[:MOST_ROWS]
    kinds = panels(report)
    figure = new_figure(7.0, max(2.6, 1.4 + 0.26 * len(rows)))
    axes = figure.subplots(1, len(kinds), sharey=True, squeeze=False)[0]
    for axis, (title, outcome, of) in zip(axes, kinds, strict=True):
        draw_panel(axis, rows, title, outcome, of)
    label_rows(axes[0], rows)
    left = len(report.table.rows) - len(rows)
    more = f"; {left} further rows are not drawn" if left else ""
    figure.supxlabel(
        f"Bars: {report.level:.0%} intervals, {report.table.unit} as the unit{more}.\n"
        f"{letters_rule(report)}",
        fontsize=7.5,
    )
    return figure


def panels(report: Report) -> list[tuple[str, str, Callable[[Row], Estimate | None]]]:
    """Which panels have something to show: title, outcome of the letters, and the estimate."""
    rows = report.table.rows
    kinds: list[tuple[str, str, Callable[[Row], Estimate | None]]] = []
    if any(row.n for row in rows):
        kinds.append(("mean peak force, N", "force", lambda row: row.force))
    if any(row.shares and row.shares.soft for row in rows):
        kinds.append(("soft berries, %", "soft", _soft))
    elif any(row.predicted_soft for row in rows):
        kinds.append(("soft berries predicted from force, %", "", _predicted))
    if any(row.shares and row.shares.marketable for row in rows):
        kinds.append(("marketable berries, %", "", _marketable))
    if not kinds:
        kinds.append(("mean finger score", "score", lambda row: row.mean_score))
    return kinds


def _soft(row: Row) -> Estimate | None:
    return row.shares.soft.times(100) if row.shares and row.shares.soft else None


def _marketable(row: Row) -> Estimate | None:
    return row.shares.marketable.times(100) if row.shares and row.shares.marketable else None


def _predicted(row: Row) -> Estimate | None:
    return row.predicted_soft.times(100) if row.predicted_soft else None


def draw_panel(
    axis: Axes,
    rows: Sequence[Row],
    title: str,
    outcome: str,
    of: Callable[[Row], Estimate | None],
) -> None:
    """Draw one estimate of every row as a dot with its interval; an open interval has no bar."""
    last = [tuple(row.levels.values())[1:] for row in rows]
    marks = {key: MARKERS[i % len(MARKERS)] for i, key in enumerate(dict.fromkeys(last))}
    for at, row in enumerate(rows):
        if at % 2:
            axis.axhspan(at - 0.5, at + 0.5, color=PALE, zorder=0, linewidth=0)
        one = of(row)
        if one is None or one.value is None:
            continue
        if one.low is not None and one.high is not None:
            axis.plot([one.low, one.high], [at, at], color=INK, linewidth=1.2, zorder=2)
        axis.plot(one.value, at, marks[last[at]], color=INK, markersize=5, zorder=3)
        letters = row.letters.get(outcome, "")
        if letters:
            axis.annotate(
                letters,
                (1.01, at),
                xycoords=("axes fraction", "data"),
                va="center",
                fontsize=8,
                annotation_clip=False,
            )
    axis.set_title(title, fontsize=9, loc="left")
    axis.set_ylim(len(rows) - 0.5, -0.5)
    axis.grid(axis="x", color=GREY, alpha=0.3, linewidth=0.6)
    if title.endswith("%"):
        axis.set_xlim(-3, 103)
    else:
        axis.set_xlim(left=0)
    tidy(axis)


def label_rows(axis: Axes, rows: Sequence[Row]) -> None:
    """Name the rows; levels after the first with their own names."""
    names = []
    for row in rows:
        first, *others = row.levels.items() or [("", "all")]
        told = [first[1] or "-", *(f"{_short(name)} {text or '-'}" for name, text in others)]
        names.append(", ".join(told))
    axis.set_yticks(range(len(rows)), names, fontsize=8)
    axis.tick_params(axis="y", length=0)


def _short(level: str) -> str:
    return {"storage_day": "day", "storage_temp_c": "°C", "harvest_date": "harvest"}.get(
        level, level
    )
