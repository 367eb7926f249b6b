"""calibrate from Python: one line each, with the answers that the command line gives."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import calibrate
from calibrate.cli import group
from calibrate.data.scale import BLACKBERRY
from tests.seasons import CUTS_N, make_season


@pytest.fixture(scope="module")
def seasons(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("seasons")
    later = (4.5, 3.6, 2.1, 1.2)
    return (
        make_season(folder / "2025.season", berries=60),
        make_season(folder / "2026.season", berries=60, seed=2, cuts_newton=later),
    )


def answer(*arguments: object) -> dict:
    result = CliRunner().invoke(group, [*map(str, arguments), "--json"])
    assert result.exit_code == 0, result.exception
    return json.loads(result.stdout)


def test_fit_gives_the_cut_points_as_an_array(seasons: tuple[Path, Path], tmp_path: Path) -> None:
    found = calibrate.fit(calibrate.load_pairs(seasons[0]))
    printed = answer("fit", seasons[0])
    assert isinstance(found.cut_newton, np.ndarray)
    assert found.cut_newton.tolist() == [cut["force_N"] for cut in printed["cuts"]]
    assert [cut.low for cut in found.cuts] == [cut["low_N"] for cut in printed["cuts"]]
    assert found.cut_newton == pytest.approx(CUTS_N, abs=0.5)
    path = tmp_path / "cuts.json"
    path.write_text(json.dumps(printed))
    assert calibrate.load_calibration(path).cut_newton.tolist() == found.cut_newton.tolist()


def test_a_cut_that_is_not_known_is_nan(tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_text("force_N,score\n2,1\n4,1\n5,1\n1,2\n2,2\n3,2\n")
    pairs = calibrate.load_pairs(path, scale=BLACKBERRY)
    assert isinstance(pairs, calibrate.Pairs)
    cuts = calibrate.fit(pairs).cut_newton
    assert np.isfinite(cuts[0])
    assert np.isnan(cuts[1:]).all()


def test_check_rater_is_the_command(seasons: tuple[Path, Path]) -> None:
    found = calibrate.check_rater(calibrate.load_pairs(seasons[0]), "odile")
    printed = answer("check", seasons[0], "--rater", "odile")
    assert found.shift_newton.to_json() == printed["shift_N"]
    assert (found.verdict, found.sentences()) == (printed["verdict"], printed["sentences"])


def test_choose_anchors_takes_pairs(seasons: tuple[Path, Path]) -> None:
    pairs = calibrate.load_pairs(seasons[0])
    found = calibrate.choose_anchors(calibrate.fit(pairs), pairs)
    printed = answer("anchors", seasons[0])["anchors"]
    assert [anchor.candidate.label for anchor in found.anchors] == [one["berry"] for one in printed]


def test_compare_seasons_takes_pairs_or_calibrations(seasons: tuple[Path, Path]) -> None:
    first, second = map(calibrate.load_pairs, seasons)
    found = calibrate.compare_seasons(first, second)
    printed = answer("compare", *seasons)
    assert found.same_raters
    assert [
        (one.shift_newton.value, one.shift_newton.low, one.equivalent) for one in found.shifts
    ] == [(one["shift_N"], one["low_N"], one["equivalent"]) for one in printed["cuts"]]
    kept = calibrate.compare_seasons(found.first, found.second)
    assert isinstance(found.first, calibrate.Calibration)
    assert [one.shift_newton for one in kept.shifts] == [one.shift_newton for one in found.shifts]
