"""Pictures as they are written: a page of A4 with its heading, axes in the lab's unit."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calibrate.data.labels import shown_in
from calibrate.plots.history import draw_histories
from calibrate.plots.style import INK, force_axis, new_figure, save
from calibrate.raters.history import HandHistory, HistoryPoint
from gauge.units import Unit


def test_a_pdf_is_a_page_of_a4_with_title_and_season(tmp_path: Path) -> None:
    """A4 is 210 mm by 297 mm (ISO 216), 595 by 842 points."""
    figure = new_figure(height_in=4.0)
    figure.subplots().plot([0, 1], [0, 1])
    save(figure, tmp_path / "a.pdf", "The sale limit", "2026   |   95% intervals")
    box = re.search(rb"/MediaBox\s*\[\s*([^\]]*)\]", (tmp_path / "a.pdf").read_bytes())
    assert box is not None
    assert [float(x) for x in box[1].split()] == pytest.approx([0, 0, 595, 842], abs=1)
    save(figure, tmp_path / "a.svg", "The sale limit", "2026   |   95% intervals")
    assert "The sale limit" in (tmp_path / "a.svg").read_text("utf-8")


def test_an_axis_of_forces_has_round_ticks_in_the_lab_s_unit() -> None:
    """One pound-force is 4.4482216 N (NIST SP 811, Appendix B.8)."""
    with shown_in(Unit.LBF):
        figure = new_figure()
        axes = figure.subplots()
        axes.plot([0.0, 8.9], [0, 1])
        force_axis(axes.xaxis, "force")
        figure.draw_without_rendering()
        assert axes.get_xlabel() == "force (lbf)"
        for tick in axes.get_xticklabels():
            pounds = float(tick.get_text().replace("\N{MINUS SIGN}", "-"))
            assert pounds * 4.4482216 == pytest.approx(tick.get_position()[0], abs=1e-6)
            assert round(20 * pounds, 6) == int(round(20 * pounds, 6)), pounds


def test_the_charts_of_hands_stand_below_one_another_and_mark_what_passed_its_limit() -> None:
    def point(day: str | None, n: int, shift: float) -> HistoryPoint:
        return HistoryPoint(
            day=day, n=n, shift_newton=shift, limit_newton=0.35, outside=abs(shift) > 0.35
        )

    days = [point(f"2026-07-{n:02}", 20 * n, 0.1 * n) for n in range(1, 6)]
    undated = [point(None, 20, 0.0), point(None, 40, -0.4)]
    charts = [
        HandHistory(
            rater=rater, reference="the adopted calibration", n_reference=200, n=points[-1].n,
            run_length=1000, points=tuple(points), first_outside=None,
        )
        for rater, points in (("ines", days), ("odile", undated))
    ]  # fmt: skip
    figure = draw_histories(charts)
    first, second = figure.axes
    assert first.get_title(loc="left").startswith("ines, against the adopted calibration")
    dots = [line for line in first.lines if line.get_marker() == "o"]
    [filled] = [line for line in dots if line.get_markerfacecolor() == INK]
    assert [first.lines[1].get_ydata()[at] for at in filled.get_xdata()] == [
        pytest.approx(0.4), pytest.approx(0.5)
    ]  # fmt: skip
    assert [text.get_text() for text in second.get_xticklabels()] == ["score 20", "score 40"]
