"""Loading a calibration that was made before: by name, or from a file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.cuts.loading import load_calibration
from calibrate.data.scale import RASPBERRY
from gauge.errors import (
    BadTableError,
    CannotCompareError,
    InvalidValueError,
    NoSuchRecordError,
    UnreadableFileError,
)
from gauge.season.file import open_season

ONE = Calibration(
    scale=RASPBERRY, force_scale="log", cuts=as_cuts([1.5], [1.4], [None]), spread=0.2, n=80,
    raters=("ines", "odile"), covariance=((0.01, 0.0), (0.0, 0.002)), fingerprint="one",
)  # fmt: skip


def store(path: Path, name: str, calibration: Calibration) -> Path:
    with open_season(path, create=not path.exists(), crop="raspberry") as season:
        season.save_calibration(name, calibration.fingerprint, calibration.to_document())
    return path


def test_by_name_from_the_season_file_that_holds_it(tmp_path: Path) -> None:
    holds = store(tmp_path / "2026.season", "july", ONE)
    other = store(tmp_path / "2025.season", "august", ONE)
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("force_N,score\n")
    assert load_calibration(holds, name="july") == ONE
    assert load_calibration(sheet, other, holds, name="july") == ONE
    assert load_calibration(str(holds), name="july", sale_limit="soft").scale.sale_limit == "soft"
    for sources in ((holds,), (holds, other), ()):
        with pytest.raises(NoSuchRecordError, match="may"):
            load_calibration(*sources, name="may")
    with pytest.raises(InvalidValueError, match="no name"):
        load_calibration(holds, other)


def test_two_different_calibrations_of_one_name_are_refused(tmp_path: Path) -> None:
    first = store(tmp_path / "2026.season", "july", ONE)
    same = store(tmp_path / "copy.season", "july", ONE)
    other = store(tmp_path / "2025.season", "july", replace(ONE, fingerprint="other"))
    assert load_calibration(first, same, name="july") == ONE
    with pytest.raises(CannotCompareError, match="hold different calibrations 'july'"):
        load_calibration(first, other, name="july")


def test_from_a_file_of_fit_and_from_a_document(tmp_path: Path) -> None:
    path = tmp_path / "cuts.json"
    path.write_text(json.dumps(ONE.to_document()))
    assert load_calibration(path) == ONE
    cut = {"between": [1, 2], "force_N": 1.5, "low_N": 1.4, "high_N": None}
    fit = {"scores": [1.0, 2.0], "spread": 0.2, "force_scale": "log", "cuts": [cut]}
    path.write_text(json.dumps(fit))
    found = load_calibration(path, sale_limit="1")
    assert (found.scale.labels, found.scale.sale_boundary) == (("1", "2"), 0)
    assert found.cuts == ONE.cuts


def test_the_firmest_score_comes_first_whichever_way_the_fit_was_listed(tmp_path: Path) -> None:
    path = tmp_path / "cuts.json"
    cuts = [{"between": [1, 2], "force_N": 1.0}, {"between": [2, 3], "force_N": 2.0}]
    path.write_text(json.dumps({"scores": [1, 2, 3], "spread": 0.2, "cuts": cuts}))
    found = load_calibration(path)
    assert (found.scale.labels, found.cut_newton.tolist()) == (("3", "2", "1"), [2.0, 1.0])


@pytest.mark.parametrize("text", ["no json", "{}", '{"scores": [1, 2], "cuts": []}'])
def test_other_files_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "cuts.json"
    path.write_text(text)
    with pytest.raises(BadTableError, match="calibrate fit"):
        load_calibration(path)
    with pytest.raises(UnreadableFileError):
        load_calibration(tmp_path / "none.json")
