"""The methods paragraph: what was recorded stands in it, what was not is said so."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from calibrate.cli import group as calibrate
from gauge.cli import group as gauge
from gauge.package import __version__
from gauge.records import Sample, Session
from gauge.season.file import open_season
from tests.seasons import make_season, press

RUNS = Path(__file__).parents[2] / "sample_runs"


def paragraph(season: Path) -> tuple[str, list[str]]:
    result = CliRunner().invoke(calibrate, ["methods", str(season), "--json"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    shown = CliRunner().invoke(calibrate, ["methods", str(season)]).stdout
    assert " ".join(shown.split()) == found["text"]
    assert max(map(len, shown.splitlines())) < 80
    return found["text"], found["not_recorded"]


def test_a_season_of_bare_berries_lacks_nearly_all(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    with open_season(path, create=True) as file:
        sample = file.add_sample(Sample(code="A"))
        session = file.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        file.acknowledge_berry(session, sample, 1, press(2.0, 1.0))
    text, missing = paragraph(path)
    for what in (
        "harvest", "storage", "temperature of the fruit", "time out of the store", "gauge",
        "serial number", "operator", "check with weights", "certificates", "diameter of the head",
        "shape of the head", "speed of the head", "end of a press", "orientation of berries",
        "finger scores", "calibration",
    ):  # fmt: skip
        assert what in missing
    assert "flat" not in text
    assert "calyx" not in text
    assert text.count("not recorded") >= 14


def test_a_store_of_unknown_temperature_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    with open_season(path, create=True) as file:
        sample = file.add_sample(Sample(code="A", storage_day=4.0))
        session = file.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        file.acknowledge_berry(session, sample, 1, press(2.0, 1.0))
    text, missing = paragraph(path)
    assert "stored 4 days; temperature of the store not recorded;" in text
    assert "temperature of the store" in missing


def test_what_was_recorded_stands_in_the_paragraph(tmp_path: Path) -> None:
    path = make_season(tmp_path / "2026.season")
    week = RUNS / "2026-blackberry" / "weights" / "2026-05-04.txt"
    for call in (
        ["protocol", path, "--set", "head_shape=flat", "--set", "speed=2", "--set", "end=5mm",
         "--set", "orientation=calyx down"],
        ["verify", "--capture", week, "--at", "2026-05-04", "--format", RUNS / "gauge.toml",
         "--season", path, "--mass", "200g", "--mass", "500g", "--mass", "200g",
         "--weight-class", "M1", "--latitude", "35.5", "--gauge", "bench gauge",
         "--certificate", "gauge", "K-118", "2026-01-31", "2036-01-31"],
        *(["correct", path, "sample", code, "--set", f"fruit_temp_c={c}", "--set",
           "out_of_store_h=2", "--why", "logbook"] for code, c in (("C01", 18), ("C02", 19.5))),
    ):  # fmt: skip
        result = CliRunner().invoke(gauge, list(map(str, call)))
        assert result.exit_code == 0, result.output
    adopted = CliRunner().invoke(calibrate, ["adopt", str(path), "july", "--yes"])
    assert adopted.exit_code == 0, adopted.output
    text, missing = paragraph(path)
    with open_season(path, read_only=True) as file:
        digest, kept = file.digest, file.calibrations()[0]
    for said in (
        "90 blackberry berries in 3 samples of 2 selections",
        "temperature of the fruit 18 to 19.5 °C (recorded for 60 of 90)",
        "gauge bench gauge", "diameter of the head 8 mm; shape of the head flat",
        "speed of the head 2 mm/s; end of a press 5 mm; orientation of berries calyx down",
        "loading hanging; class of the weights M1", "4.90 N (k = 2, JCGM 100:2008);",
        "certificate K-118 of the gauge, issued 2026-01-31, due 2036-01-31",
        "3 raters (ines, marek, odile) scored 90 of the berries by finger on the scale 1, 2, 3, 4",
        "from 270 scores by a cumulative logistic model with random effects",
        "95% intervals; calibration july", kept.fingerprint[:12], f"firmhand {__version__}", digest,
    ):  # fmt: skip
        assert said in text
    assert "1/2 " + f"{kept.document['cuts_n'][0]:.2f} (" in text
    assert missing == [
        "harvest", "storage", "diameter of the berries", "serial number", "capacity", "operator",
        "order of squeezes",
    ]  # fmt: skip


def test_whose_scores_the_cut_points_are_of_is_said_where_others_scored_too(tmp_path: Path) -> None:
    path = make_season(tmp_path / "2026.season")
    suspended = ["rater", "odile", "--set", "status=suspended", "--why", "a cold"]
    assert CliRunner().invoke(gauge, ["correct", str(path), *suspended]).exit_code == 0
    assert CliRunner().invoke(calibrate, ["adopt", str(path), "july", "--yes"]).exit_code == 0
    text, _ = paragraph(path)
    assert "3 raters (ines, marek, odile) scored 90 of the berries" in text
    assert "from 180 scores (ines, marek) by a cumulative" in text


def test_how_peaks_of_a_sheet_were_taken_is_not_known(tmp_path: Path) -> None:
    path, sheet = tmp_path / "a.season", tmp_path / "old.csv"
    sheet.write_text("sample,berry,force_N\nA,1,2.0\nA,2,1.5\n")
    assert CliRunner().invoke(gauge, ["import", str(path), str(sheet)]).exit_code == 0
    text, missing = paragraph(path)
    assert "imported" in text
    assert "largest reading" not in text
    assert "how peaks were taken" in missing
    with open_season(path) as file:
        session = file.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        file.acknowledge_berry(session, 1, 3, press(2.0, 1.0))
    text, missing = paragraph(path)
    assert "of 2 berries it was imported" in text
    assert "how peaks were taken" not in missing
