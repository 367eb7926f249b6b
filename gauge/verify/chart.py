"""The picture of a gauge's check-weight results over a season.

Drawing only; the numbers are in controlchart. Matplotlib is imported when a chart is drawn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from gauge.errors import CannotWriteError, InvalidValueError
from gauge.verify.controlchart import ewma, individuals

# The first results set the limits, so that a later drift cannot widen them.
_BASE = 10


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartPoint:
    """One result on one mass: when (a short text), its error in percent, the lab's tolerance."""

    at: str
    error_pct: float
    tolerance_pct: float


def draw_chart(
    series: Mapping[str, Sequence[ChartPoint]], target: Path, *, title: str = "Check weights"
) -> None:
    """Draw individuals and EWMA of the errors, one panel a mass.

    The first ten results that passed set the limits.

    Parameters
    ----------
    series : mapping of str to sequence of ChartPoint
        Results by mass, oldest first.
    target : Path
        A file whose ending says the kind: .png, .pdf or .svg.
    title : str, optional

    Raises
    ------
    InvalidValueError
        If there is no result, or the ending is not one of the three.
    CannotWriteError
        If the file cannot be written.
    """
    drawn = {mass: points for mass, points in series.items() if points}
    if not drawn:
        raise InvalidValueError(
            "the season file holds no check-weight result.", todo="Run gauge verify first."
        )
    if target.suffix.lower() not in (".png", ".pdf", ".svg"):
        raise InvalidValueError(
            f"{target}: a picture must end in .png, .pdf or .svg.", todo="Choose another name."
        )
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 0.9 + 2.5 * len(drawn)), layout="constrained")
    FigureCanvasAgg(figure)
    all_axes = figure.subplots(len(drawn), 1, squeeze=False)[:, 0]
    for axes, (mass, points) in zip(all_axes, drawn.items(), strict=True):
        _panel(axes, mass, points)
    figure.suptitle(title)
    handles, labels = all_axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=3, fontsize=8)
    metadata = {"Date": None} if target.suffix.lower() == ".svg" else {}
    if target.suffix.lower() == ".pdf":
        metadata = {"CreationDate": None}
    try:
        figure.savefig(target, dpi=150, metadata=metadata)
    except OSError as error:
        raise CannotWriteError(
            f"cannot write {target}: {error.strerror or error}.",
            todo="Close it elsewhere, or choose another name.",
        ) from None


def _panel(axes: object, mass: str, points: Sequence[ChartPoint]) -> None:
    from matplotlib.axes import Axes

    assert isinstance(axes, Axes)
    errors = [p.error_pct for p in points]
    places = list(range(1, len(errors) + 1))
    tolerance = points[-1].tolerance_pct
    for sign in (-1, 1):
        axes.axhline(
            sign * tolerance, color="black", lw=1.4, label="lab's tolerance" if sign > 0 else None
        )
    axes.axhline(0, color="0.6", lw=0.6)
    bad = {i for i, p in enumerate(points) if abs(p.error_pct) > p.tolerance_pct}
    # A gauge that failed was mended before its next result: it belongs to no run of results.
    run = [i for i in range(len(errors)) if i not in bad]
    outside: set[int] = set()
    if len(run) > 1:
        passed = [errors[i] for i in run]
        base = individuals(passed[:_BASE])
        sigma = (base.high - base.centre) / 3
        smooth = ewma(passed, target=base.centre, sigma=sigma)
        outside = {i for i in run if not base.low <= errors[i] <= base.high}
        outside |= {run[i] for i in smooth.outside}
        axes.fill_between(
            [0.5, len(errors) + 0.5], base.low, base.high, color="0.88", lw=0,
            label=f"3-sigma limits of the first {_BASE} passed",
        )  # fmt: skip
        at = [places[i] for i in run]
        axes.plot(at, smooth.smoothed, "-", color="0.25", lw=1.6, label="EWMA, weight 0.2")
        axes.plot(at, smooth.high, ":", color="0.25", lw=1, label="EWMA limits")
        axes.plot(at, smooth.low, ":", color="0.25", lw=1)
    kinds = [
        ("within limits", "o", "white", set(range(len(errors))) - bad - outside),
        ("outside of the limits", "D", "black", outside - bad),
        ("failed the tolerance", "X", "black", bad),
    ]
    for label, marker, fill, members in kinds:
        axes.plot(
            [places[i] for i in sorted(members)], [errors[i] for i in sorted(members)], marker,
            ms=6, mfc=fill, mec="black", ls="none", label=label, zorder=3,
        )  # fmt: skip
    axes.set_title(f"{mass}: {len(errors)} verifications", loc="left", fontsize=9)
    axes.set_ylabel("error, % of force")
    axes.set_xlim(0.5, len(errors) + 0.5)
    room = 1.25 * max(tolerance, *(abs(e) for e in errors))
    axes.set_ylim(-room, room)
    step = max(1, -(-len(points) // 8))
    axes.set_xticks(places[::step], [p.at for p in points][::step], fontsize=8)
