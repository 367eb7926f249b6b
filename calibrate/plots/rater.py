"""One rater's check on one page: scores against force, shift at each boundary, confusion table."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from calibrate.data.labels import format_value
from calibrate.plots.style import GREY, INK, PALE, THIN, draw_interval, force_axis, new_figure, tidy
from calibrate.raters.check import RaterCheck


def draw_rater(report: RaterCheck) -> Figure:
    """Draw the one-page picture of a check."""
    figure = new_figure(height_in=9.2)
    grid = figure.add_gridspec(3, 2, height_ratios=(3.2, 2.4, 1.0), width_ratios=(3, 2))
    _scores(figure.add_subplot(grid[0, :]), report)
    _shifts(figure.add_subplot(grid[1, 0]), report)
    _table(figure.add_subplot(grid[1, 1]), report)
    _words(figure.add_subplot(grid[2, :]), report)
    return figure


def _scores(axes: Axes, report: RaterCheck) -> None:
    """Draw berries by score and force; the panel's bands behind, wrong scores ringed."""
    labels = report.panel.scale.labels
    last = len(labels) - 1
    edges = [report.panel.force(float(e)) if np.isfinite(e) else e for e in report.panel.edges()]
    top = float(report.force_newton.max()) * 1.05
    for k in range(len(labels)):
        low, high = max(edges[k + 1], 0.0), min(edges[k], top)
        if high > low:
            axes.fill_between([low, high], last - k - 0.42, last - k + 0.42, color=PALE, zorder=0)
    rng = np.random.default_rng(0)
    y = last - report.rank + rng.uniform(-0.28, 0.28, len(report.rank))
    wrong = report.panel.ranks(report.force_newton) != report.rank
    axes.plot(
        report.force_newton[~wrong], y[~wrong], ".", color=GREY, markersize=5, label="as panel"
    )
    axes.plot(
        report.force_newton[wrong], y[wrong], "o", color=INK, markerfacecolor="none", markersize=6,
        label="otherwise",
    )  # fmt: skip
    for boundary in report.boundaries:
        if boundary.panel_newton is not None:
            axes.axvline(boundary.panel_newton, **THIN)
            axes.annotate(
                "/".join(boundary.between), (boundary.panel_newton, 1.0), fontsize=8, ha="center",
                va="bottom", xycoords=("data", "axes fraction"),
            )  # fmt: skip
    axes.set_yticks(range(len(labels)), labels[::-1])
    axes.legend(frameon=False, fontsize=8, loc="upper left")
    tidy(axes, ylabel="score given", xlim=(0, top))
    force_axis(axes.xaxis, "force", "; shaded: the panel's band of each score")


def _shifts(axes: Axes, report: RaterCheck) -> None:
    rows = [(f"{b.between[0]} / {b.between[1]}", b.shift_newton) for b in report.boundaries]
    rows.append(("all", report.shift_newton))
    limits = [b.limit_newton or 0.0 for b in report.boundaries]
    for place, limit in enumerate(reversed(limits), start=1):
        axes.fill_between([-limit, limit], place - 0.5, place + 0.5, color=PALE, zorder=0)
    axes.axvline(0, color=GREY, linewidth=0.8)
    reach = max(limits) * 1.2
    for _, shift in rows:
        reach = max(reach, *(1.1 * abs(x) for x in (shift.low, shift.high) if x is not None), 0)
    for place, (_, shift) in enumerate(reversed(rows)):
        if shift.value is None:
            axes.text(0, place, "unknown", ha="center", va="center", fontsize=8)
            continue
        draw_interval(axes, shift, place, (-reach, reach), "D" if place == 0 else "o")
    axes.set_yticks(range(len(rows)), [name for name, _ in reversed(rows)])
    tidy(axes, ylabel="boundary", xlim=(-reach, reach))
    note = ", above zero: needs more\nshaded: the lab's limit"
    force_axis(axes.xaxis, f"hand minus {report.reference}", note)


def _table(axes: Axes, report: RaterCheck) -> None:
    counts = report.agreement.table
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    axes.imshow(share, cmap="Greys", vmin=0, vmax=1.6, aspect="auto")
    labels = report.panel.scale.labels
    for (i, j), count in np.ndenumerate(counts):
        if count:
            axes.text(j, i, f"{count:.0f}", ha="center", va="center", fontsize=9)
    axes.set_xticks(range(len(labels)), labels)
    axes.set_yticks(range(len(labels)), labels)
    axes.set(xlabel="score given", ylabel="panel's score")


def _words(axes: Axes, report: RaterCheck) -> None:
    axes.set_axis_off()
    one = report.agreement
    kappa = format_value(one.kappa.value, missing="undefined")
    lines = [
        f"{one.n} berries: {one.exact:.0%} as the panel, {one.within_one:.0%} within one score, "
        f"quadratic kappa {kappa}.",
        f"Panel here: {', '.join(report.panel.raters)}.",
        *report.sentences(),
    ]
    if practise := report.to_practise():
        lines.append(f"Practise the anchors at {', '.join(practise)}.")
    text = "\n".join(textwrap.fill(line, 108) for line in lines)
    axes.text(0, 1, text, va="top", fontsize=9.5, transform=axes.transAxes)
