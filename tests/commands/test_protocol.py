"""How berries are pressed: stated once, kept with what differs, and named where it is mixed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from calibrate.cli import group as calibrate
from gauge.cli import group as gauge
from gauge.errors import InvalidValueError
from gauge.pressprotocol import PressProtocol
from gauge.records import FingerScore, Sample, Session
from gauge.season.file import open_season
from tests.seasons import make_season, press


def run(group: object, *words: object) -> Result:
    result = CliRunner().invoke(group, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """A season of an 8 mm head, and a clamshell pressed by a 12 mm one."""
    path = make_season(tmp_path / "2026.season")
    with open_season(path) as file:
        other = file.add_session(Session(started_at="2026-07-06T08:00:00Z", head_mm=12.0))
        sample = file.add_sample(Sample(code="C09", selection="R-120", fruit_temp_c=4.0))
        for number, force in enumerate((1.1, 2.4, 3.9), 1):
            score = FingerScore(rater="ines", score="3")
            file.acknowledge_berry(
                other, sample, number, press(force, 9.0 * number), scores=[score]
            )
    return path


def test_sessions_pressed_before_are_those_with_berries(tmp_path: Path) -> None:
    path = tmp_path / "2026.season"
    words = ("protocol", path, "--set", "head_mm=8")
    with open_season(path, create=True) as file:
        first, _ = (file.add_session(Session(started_at="2026-07-06T08:00:00Z")) for _ in "ab")
        sample = file.add_sample(Sample(code="C09"))
    assert "pressed before" not in run(gauge, *words).stdout  # sessions with no berry
    with open_season(path) as file:
        file.acknowledge_berry(first, sample, 1, press(1.1, 9.0))
    assert "It holds for 1 session pressed before, too" in run(gauge, *words).stdout


def test_a_protocol_is_set_part_by_part_and_the_trail_keeps_what_stood_there(season: Path) -> None:
    run(gauge, "protocol", season, "--set", "head_mm=8", "--set", "speed=Hand", "--set", "end=30%")
    later = run(gauge, "protocol", season, "--set", "speed=2.5 mm/s", "--set",
                "orientation=calyx  down")  # fmt: skip
    assert "pressed before, too; --session N" in later.stdout
    shown = json.loads(run(gauge, "protocol", season, "--json").stdout)
    assert shown == {
        "head_mm": 8.0, "head_shape": None, "speed": 2.5, "end": "30 %",
        "orientation": "calyx down", "fruit_c": None,
        "sessions": {"2": {"head_mm": 12.0, "speed": 2.5, "end": "30 %",
                           "orientation": "calyx down"}},
    }  # fmt: skip
    words = run(gauge, "protocol", season).stdout
    assert "end of a press            30 % of the diameter" in words
    assert "shape of the head         not stated" in words
    with open_season(season, read_only=True) as file:
        changes = [row for row in file.trail() if row.table == "settings"]
        assert json.loads(changes[-1].old["value"])["speed"] == "by hand"
        assert not file.differences()
    run(gauge, "protocol", season, "--session", 2, "--set", "head_mm=8")
    assert json.loads(run(gauge, "protocol", season, "--json").stdout)["sessions"] == {}
    run(gauge, "protocol", season, "--session", 2, "--set", "fruit_c=0")
    of_session = json.loads(run(gauge, "protocol", season, "--session", 2, "--json").stdout)
    assert of_session["fruit_c"] == 0


@pytest.mark.parametrize(
    "typed",
    [
        "head=8",
        "head_mm",
        "head_mm=-8",
        "head_mm=1e9",
        "speed=fast",
        "end=5",
        "fruit_c=nan",
        "fruit_c=900",
    ],
)
def test_a_part_that_cannot_be_is_refused(typed: str) -> None:
    with pytest.raises(InvalidValueError):
        PressProtocol().with_typed([typed])


def test_heads_that_are_mixed_are_named_by_fit_table_and_compare(
    season: Path, tmp_path: Path
) -> None:
    found = json.loads(run(calibrate, "fit", season, "--json").stdout)
    head = "The diameter of the head differs: 8 mm, but 12 mm in session 2"
    assert any(one.startswith(head) for one in found["warnings"])
    assert any("temperature of 90 of 93 berries" in one for one in found["warnings"])
    table = json.loads(run(calibrate, "table", season, "--json").stdout)
    assert any(one.startswith(head) for one in table["notes"])
    last = make_season(tmp_path / "2025.season", head_mm=10.0)
    both = json.loads(run(calibrate, "compare", last, season, "--json").stdout)["warnings"]
    assert any("head differs (10 mm, then 8 mm, 12 mm)" in one for one in both)
    assert any("2025.season: the temperature of the fruit was not recorded" in one for one in both)
    pooled = json.loads(run(calibrate, "table", last, season, "--json").stdout)["notes"]
    assert any("10 mm, but 8 mm in 2026.season, session 1" in one for one in pooled)


def test_a_season_that_never_pressed_as_it_says_is_told(tmp_path: Path) -> None:
    season = make_season(tmp_path / "2026.season", head_mm=12.0)
    run(gauge, "protocol", season, "--set", "head_mm=8")
    found = json.loads(run(calibrate, "fit", season, "--json").stdout)["warnings"]
    assert any("head differs: 8 mm, but 12 mm in session 1" in one for one in found)


def test_fruit_of_different_temperature_is_named_and_a_store_is_no_fruit(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    with open_season(path, create=True) as file:
        session = file.add_session(Session(started_at="2026-07-06T08:00:00Z"))
        for code, fruit in (("A", 4.0), ("B", 20.0)):
            stored = Sample(code=code, selection=code, storage_temp_c=2.0, fruit_temp_c=fruit)
            sample = file.add_sample(stored)
            for number, force in enumerate((1.1, 2.4, 3.9), 1):
                pressed = press(force, 9.0 * number + 100 * (code == "B"))
                file.acknowledge_berry(session, sample, number, pressed)
    notes = json.loads(run(calibrate, "table", path, "--json").stdout)["notes"]
    assert any("Fruit of 4 to 20 °C is taken together" in one for one in notes)


def test_the_card_says_what_was_stated_and_nothing_else(season: Path, tmp_path: Path) -> None:
    def words() -> str:
        card = tmp_path / "card.svg"
        run(calibrate, "anchors", season, "--card", card)
        return card.read_text("utf-8").replace("\xa0", " ")

    before = words()
    assert "calyx" not in before
    assert "flat" not in before
    run(gauge, "protocol", season, "--set", "orientation=calyx down", "--set", "head_shape=flat")
    after = words()
    assert "calyx down" in after
    assert "head flat" in after  # two diameters: none is the season's
