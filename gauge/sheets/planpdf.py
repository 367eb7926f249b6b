"""The plan on paper: a sheet to write on for each sample, and labels with its blind codes.

Matplotlib is imported when the sheets are drawn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gauge.errors import InvalidValueError
from gauge.outfile import PDF, drafted
from gauge.records import Sample

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from gauge.season.rows import SampleRow
    from gauge.sheets.squeezes import SqueezePlan

_PAGE_INCHES = (8.27, 11.69)  # A4
_ROWS = 30  # berries on one sheet
_LABELS = (3, 8)  # labels side by side, and above one another
_UNPLANNED = 20  # rows of a sample without a planned number
_ENDINGS = {1: "st", 2: "nd", 3: "rd"}  # a bare number in a column of scores looks like a score
_LEGEND = "1st, 2nd ... say who squeezes a berry first; write the score beside it."


def write_sheets(
    rows: Sequence[SampleRow],
    target: Path,
    *,
    raters: Sequence[str],
    title: str,
    blind: bool,
    squeezes: SqueezePlan,
) -> int:
    """Write the plan as a PDF, and return how many pages it has.

    A column for each rater, in which a small 1st, 2nd ... says when in the row of squeezes he or
    she comes; `blind` prints blind codes alone, neither code nor selection.
    """
    if target.suffix.lower() != ".pdf":
        raise InvalidValueError(f"{target} is not named .pdf.", todo="Name it sheet.pdf.")
    samples = [row.sample for row in rows]
    if not samples:
        raise InvalidValueError(
            "no planned sample is to be printed.",
            todo="gauge plan imports a plan; --all prints samples that are done, too.",
        )
    from matplotlib.backends.backend_pdf import PdfPages

    undated = {"CreationDate": None, "Producer": None}
    with drafted(target, PDF) as draft, PdfPages(draft, metadata=undated) as pdf:
        for place, row in enumerate(rows, 1):
            of = f"{title}   sample {place} of {len(samples)}"
            for page in _sheets(row, of, raters, squeezes, blind=blind):
                pdf.savefig(page)
        per_page = _LABELS[0] * _LABELS[1]
        for first in range(0, len(samples), per_page):
            pdf.savefig(_labels(samples[first : first + per_page], blind=blind))
        n_pages: int = pdf.get_pagecount()
    return n_pages


def _page() -> tuple[Figure, Axes]:
    """Make an empty page, measured in shares of its width and height from the upper left."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=_PAGE_INCHES)
    axes = figure.add_axes((0.06, 0.04, 0.88, 0.92))
    axes.set(xlim=(0, 1), ylim=(1, 0))
    axes.axis("off")
    return figure, axes


def _name(sample: Sample, *, blind: bool) -> str:
    return (sample.blind_code if blind else None) or sample.code


def _known(sample: Sample) -> str:
    """Return what a tech may know of a sample whose work is blind."""
    parts = [
        ("harvested", sample.harvest_date),
        ("storage day", sample.storage_day),
        ("store °C", sample.storage_temp_c),
        ("clamshell", sample.clamshell),
    ]
    return "   ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in parts
        if value is not None
    )


def _sheets(
    sample_row: SampleRow, of: str, named: Sequence[str], squeezes: SqueezePlan, *, blind: bool
) -> Iterator[Figure]:
    sample, raters = sample_row.sample, named or ("", "", "")
    numbers = range(1, (sample.berries_planned or _UNPLANNED) + 1)
    for first in range(0, len(numbers), _ROWS):
        batch = numbers[first : first + _ROWS]
        figure, axes = _page()
        axes.text(0, 0.025, _name(sample, blind=blind), size=26, weight="bold", va="center")
        axes.text(1, 0.015, of, size=9, ha="right", va="center")
        axes.text(1, 0.035, _known(sample), size=9, ha="right", va="center")
        if not blind:
            whose = " ".join(filter(None, (sample.selection, sample.plot, sample.replicate)))
            axes.text(1, 0.055, whose, size=9, ha="right", va="center")
        axes.text(0, 0.065, "date            by            fruit °C            gauge", size=9)
        heads = ["berry", "peak", *raters, "remarks"]
        left = [0.0, 0.1, *(0.24 + 0.12 * i for i in range(len(raters)))]
        left += [min(0.24 + 0.12 * len(raters), 0.9), 1.0]
        top, high = 0.09, 0.029
        for x, head in zip(left, heads, strict=False):
            axes.text(x + 0.01, top + high / 2, head, size=9, va="center", clip_on=True)
        for row, number in enumerate(batch, 1):
            y = top + high * (row + 0.5)
            axes.text(0.01, y, str(number), size=11, va="center")
            turns = squeezes.turns(named, sample_row.sample_id, number)
            if turns.press_only:
                axes.text(left[2] + 0.01, y, "press only: no squeeze", size=9, va="center")
            for place, (rater, _) in enumerate(turns.marks, 1):
                x = left[2 + list(named).index(rater)] + (0.005 if place <= len(named) else 0.09)
                turn = f"{place}{_ENDINGS.get(place, 'th')}"
                axes.text(x, y - 0.2 * high, turn, size=7, color="0.2", va="center")
        bottom = top + high * (len(batch) + 1)
        if len(named) > 1:
            axes.text(0, bottom + high / 2, _LEGEND, size=9, va="center")
        axes.hlines([top + high * i for i in range(len(batch) + 2)], 0, 1, lw=0.5, color="0.4")
        axes.vlines(left, top, bottom, lw=0.5, color="0.4")
        yield figure


def _labels(samples: Sequence[Sample], *, blind: bool) -> Figure:
    across, down = _LABELS
    figure, axes = _page()
    axes.vlines([i / across for i in range(across + 1)], 0, 1, lw=0.3, color="0.6")
    axes.hlines([i / down for i in range(down + 1)], 0, 1, lw=0.3, color="0.6")
    for place, sample in enumerate(samples):
        x, y = (place % across + 0.5) / across, (place // across + 0.5) / down
        axes.text(x, y - 0.02, _name(sample, blind=blind), size=24, weight="bold", ha="center")
        if not blind:  # a label with the days of storage would tell the rater
            known = _known(sample).replace("   ", "\n")
            axes.text(x, y + 0.02, known, size=8, ha="center", va="top")
    return figure
