"""The control chart of check weights: what is drawn, from numbers and from a season file."""

from __future__ import annotations

from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from click.testing import CliRunner

from gauge.cli import group
from gauge.errors import CannotWriteError, FirmhandError, InvalidValueError
from gauge.season.checks import CheckPoint
from gauge.season.file import open_season
from gauge.verify.chart import draw_chart


def _points(errors: list[float]) -> list[CheckPoint]:
    return [
        CheckPoint(at=f"2026-06-{i:02d}", error_pct=e, tolerance_pct=1.0)
        for i, e in enumerate(errors, start=1)
    ]


STEADY = [0.1, -0.1, 0.2, 0.0, -0.2, 0.1, 0.0, 0.1, -0.1, 0.0]


@pytest.mark.parametrize("ending", ["png", "pdf", "svg"])
def test_kinds_and_reruns(tmp_path: Path, ending: str) -> None:
    series = {"200g": _points(STEADY), "500g": _points([*STEADY, 1.4])}
    for name in ("one", "two"):
        draw_chart(series, tmp_path / f"{name}.{ending}")
    first = (tmp_path / f"one.{ending}").read_bytes()
    assert len(first) > 5000
    if ending != "svg":  # an svg's element ids are drawn anew each time
        assert (tmp_path / f"two.{ending}").read_bytes() == first


def test_it_needs_no_colour(tmp_path: Path) -> None:
    draw_chart({"500g": _points([*STEADY, 1.4])}, tmp_path / "a.png")
    pixels = matplotlib.image.imread(tmp_path / "a.png")[..., :3]
    assert np.ptp(pixels, axis=2).max() < 0.02
    assert pixels.min() < 0.1


def test_one_result_and_many_masses(tmp_path: Path) -> None:
    draw_chart({"500g": _points([0.3])}, tmp_path / "a.png")
    draw_chart({f"{i}00g": _points(STEADY) for i in range(1, 5)}, tmp_path / "b.png")
    one = matplotlib.image.imread(tmp_path / "a.png").shape
    four = matplotlib.image.imread(tmp_path / "b.png").shape
    assert four[0] > 2 * one[0]


def test_refusals(tmp_path: Path) -> None:
    with pytest.raises(InvalidValueError, match="no check-weight result"):
        draw_chart({"500g": []}, tmp_path / "a.png")
    with pytest.raises(InvalidValueError, match=r"\.png"):
        draw_chart({"500g": _points(STEADY)}, tmp_path / "a.bmp")
    with pytest.raises(CannotWriteError, match=r"a\.png"):
        draw_chart({"500g": _points(STEADY)}, tmp_path / "missing" / "a.png")


def test_from_a_season_file(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    words = ["verify", "--season", str(path), "--chart", str(tmp_path / "a.png")]
    open_season(path, create=True).close()
    refused = CliRunner().invoke(group, words)
    assert isinstance(refused.exception, FirmhandError)
    with open_season(path) as season:
        for i, error in enumerate(STEADY):
            season.add_verification(
                {"gravity_m_s2": 9.8, "gravity_from": "here", "tolerance_pct": 1.0, "passed": True,
                 "weights": [{"mass": "500g", "error_pct": error},
                             {"mass": "200g", "error_pct": None}]},
                at=f"2026-06-{i + 1:02d}T08:00:00+00:00",
            )  # fmt: skip
    assert CliRunner().invoke(group, words).exit_code == 0
    assert (tmp_path / "a.png").stat().st_size > 5000
