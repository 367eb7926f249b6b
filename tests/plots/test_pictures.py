"""Pictures as they are written: a page of A4 with its heading, axes in the lab's unit."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calibrate.data.labels import shown_in
from calibrate.plots.style import force_axis, new_figure, save
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
