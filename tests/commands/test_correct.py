"""`gauge correct`: what was typed wrong is put right, and the trail keeps what it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from gauge.cli import group
from gauge.errors import AlreadyThereError, InvalidValueError, NoSuchRecordError
from gauge.records import FingerScore, Sample
from gauge.season.file import open_season
from tests.season_helpers import begun, press


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Two samples with two berries each, and an empty one; "mareck" is a typing error."""
    path = tmp_path / "a.season"
    with begun(path, "C1", "C2", "C-typo") as season:
        for sample in (1, 2):
            for number in (1, 2):
                marks = [FingerScore(rater="ines", score="2")]
                name = "mareck" if (sample, number) == (2, 2) else "marek"
                marks.append(FingerScore(rater=name, score="3"))
                start = 10.0 * sample + number
                season.acknowledge_berry(1, sample, number, press(start), scores=marks)
    return path


def run(path: Path, *words: str) -> str:
    line = ["correct", str(path), *words, "--why", "typed wrong"]
    result = CliRunner().invoke(group, line)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.output


def last_change(path: Path) -> tuple[str, dict[str, Any], dict[str, Any], str | None]:
    with open_season(path, read_only=True) as season:
        assert season.differences() == []
        row = season.trail()[-1]
        return row.kind, row.old, row.new, row.why


def test_a_rater_typed_wrong_is_joined_to_the_right_one(path: Path) -> None:
    assert run(path, "rater", "MARECK", "--name", "Marek") == "rater MARECK is now marek.\n"
    with open_season(path, read_only=True) as season:
        assert season.rater_names() == ["ines", "marek"]
    old, new = {"rater": "mareck"}, {"rater": "marek"}
    assert last_change(path) == ("correct", old, new, "typed wrong")


def test_two_raters_of_one_berry_are_not_joined(path: Path) -> None:
    with pytest.raises(AlreadyThereError, match="ines and marek both scored berry 1 and 2 more"):
        run(path, "rater", "ines", "--name", "marek")
    with pytest.raises(NoSuchRecordError, match="no rater 'tove'"):
        run(path, "rater", "tove", "--name", "ines")


def test_a_sample_is_renamed_and_completed(path: Path) -> None:
    run(path, "sample", "c1", "--name", "K1", "--set", "selection=R-120", "--set", "storage_day=7")
    with open_season(path, read_only=True) as season:
        sample = season.sample("K1").sample
        assert (sample.selection, sample.storage_day) == ("R-120", 7.0)
        assert {berry.sample for berry in season.berries()} == {"K1", "C2"}
    kind, old, _, _ = last_change(path)
    assert (kind, old["code"], old["selection"]) == ("correct", "C1", "R-114")


@pytest.mark.parametrize(
    ("setting", "message"),
    [("colour=red", "a sample has no 'colour'"), ("storage_day=x", "'x' is no storage_day"),
     ("berries_planned=0", "'0' is no berries_planned"), ("code=", "a sample has no 'code'"),
     ("harvest_date=31.7.", "'31.7.' is no harvest_date"),
     ("storage_day=-4", "'-4' is no storage_day"), ("fruit_temp_c=nan", "'nan' is no fruit_temp")],
)  # fmt: skip
def test_what_no_sample_has_is_refused(path: Path, setting: str, message: str) -> None:
    before = path.read_bytes()
    with pytest.raises(InvalidValueError, match=message):
        run(path, "sample", "C1", "--set", setting)
    assert path.read_bytes() == before


def test_samples_are_joined_and_the_empty_one_is_hidden(path: Path) -> None:
    run(path, "sample", "C2", "--name", "C1")
    run(path, "sample", "C-typo", "--hide")
    with open_season(path, read_only=True) as season:
        assert [row.sample.code for row in season.samples()] == ["C1"]
        assert [(b.sample, b.number) for b in season.berries()] == [("C1", n) for n in (1, 2, 3, 4)]
    with pytest.raises(AlreadyThereError, match="has 4 berries, so it is not hidden"):
        run(path, "sample", "C1", "--hide")


def test_a_hidden_code_is_free_to_be_planned_again_only_under_another_name(path: Path) -> None:
    run(path, "sample", "C-typo", "--hide")
    with open_season(path) as season, pytest.raises(AlreadyThereError, match="'C-typo'"):
        season.add_sample(Sample(code="C-typo"))


@pytest.mark.parametrize(("kind", "name"), [("sample", "C1"), ("rater", "ines")])
def test_a_name_without_letters_is_refused_before_it_is_stored(
    path: Path, kind: str, name: str
) -> None:
    before = path.read_bytes()
    with pytest.raises(InvalidValueError, match="needs a"):
        run(path, kind, name, "--name", "  ")
    assert path.read_bytes() == before


def test_a_code_typed_in_another_case_joins_and_one_that_is_taken_is_refused(path: Path) -> None:
    run(path, "sample", "C-typo", "--hide")
    with pytest.raises(AlreadyThereError, match="'c-typo' is a code of sample C-typo, which is hi"):
        run(path, "sample", "C1", "--name", "c-typo")
    with pytest.raises(AlreadyThereError, match="'c1' is a code of sample C1"):
        run(path, "sample", "C2", "--set", "blind_code=c1")
    run(path, "sample", "C2", "--name", "c1")
    with open_season(path, read_only=True) as season:
        assert [row.sample.code for row in season.samples()] == ["C1"]


def test_a_berry_is_moved(path: Path) -> None:
    shown = run(path, "berry", "3", "--sample", "C1")
    assert shown == "berry 3 is now berry 3 of sample C1.\n"
    with pytest.raises(NoSuchRecordError):
        run(path, "berry", "99", "--sample", "C1")
    with pytest.raises(AlreadyThereError, match="of sample C1 already"):
        run(path, "berry", "3", "--sample", "C1")


@pytest.mark.parametrize(
    "words", [("rater", "ines"), ("berry", "x", "--sample", "C1"), ("rater", "ines", "--hide"),
              ("sample", "C1", "--set", "selection")],
)  # fmt: skip
def test_what_says_nothing_is_a_mistake_of_usage(path: Path, words: tuple[str, ...]) -> None:
    assert "Usage:" in run(path, *words)


def test_berries_of_a_session_that_goes_on_after_its_sample_was_joined_are_shown(
    path: Path,
) -> None:
    with open_season(path) as season:
        run(path, "sample", "C2", "--name", "C1")
        season.acknowledge_berry(1, 2, 3, press(40.0))
        codes = [row.sample.code for row in season.samples()]
        assert codes == ["C1", "C2", "C-typo"]
    shown = CliRunner().invoke(group, ["readings", str(path), "--json"])
    assert shown.exit_code == 0
    assert '"sample": "C2", "number": 3' in shown.output
