"""`gauge correct`: what was typed wrong is put right, and the trail keeps what it was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from gauge.cli import group
from gauge.errors import AlreadyThereError, InvalidValueError, NoSuchRecordError, NotConfirmedError
from gauge.records import FingerScore, Sample
from gauge.season.file import open_season
from gauge.season.rows import ClamshellRow, PracticeRow
from tests.answers import call
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


def run(path: Path, *words: str, why: str = "typed wrong") -> str:
    line = ["correct", str(path), *words, "--why", why]
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
    with pytest.raises(AlreadyThereError, match="Rater ines is named so already"):
        run(path, "rater", "ines", "--name", "ines")


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
     ("storage_day=-4", "'-4' is no storage_day"), ("fruit_temp_c=nan", "'nan' is no fruit_temp"),
     ("fruit_temp_c=9999", "9999 is no fruit_temp_c: it lies from -10 to 60"),
     ("storage_day=1_0", "'1_0' is not a finite number"), ("hidden=maybe", "no 'hidden'"),
     ("crop=banana", "'banana' is no crop known here. Known are blackberry, raspberry")],
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


def test_what_is_set_while_two_samples_are_joined_is_said_of_the_one_that_stays(path: Path) -> None:
    shown = run(path, "sample", "C2", "--name", "C1", "--set", "selection=R-120", "--set",
                "crop=Blackberry")  # fmt: skip
    _, said = shown.splitlines()
    assert said == "sample C2 is now C1, has selection R-120 now, has crop blackberry now."
    with open_season(path, read_only=True) as season:
        sample = season.sample("C1").sample
        assert (sample.selection, sample.crop) == ("R-120", "blackberry")
        assert season.differences() == []


def test_hiding_is_taken_back_and_a_hidden_code_says_how(path: Path, tmp_path: Path) -> None:
    run(path, "sample", "C-typo", "--hide")
    how = "'gauge correct SEASON sample C-typo --set hidden=no' shows it again"
    with open_season(path) as season, pytest.raises(AlreadyThereError, match=how):
        season.add_sample(Sample(code="C-typo"))
    sheet = tmp_path / "a.csv"
    sheet.write_text("sample,force_N\nC-typo,2\n")
    result = CliRunner().invoke(group, ["import", str(path), str(sheet)])
    assert how in str(result.exception)
    assert run(path, "sample", "c-typo", "--set", "hidden=no") == (
        "sample c-typo is shown again.\n"
    )
    with open_season(path, read_only=True) as season:
        assert [row.sample.code for row in season.samples()] == ["C1", "C2", "C-typo"]


def belonging(path: Path) -> list[tuple[int, str, int, str | None]]:
    with open_season(path, read_only=True) as season:
        assert season.differences() == []
        return [(b.berry_id, b.sample, b.number, b.void) for b in season.berries()]


def test_a_joining_is_said_and_one_undo_parts_the_samples_again(path: Path) -> None:
    count(path, "C2", "ines")
    with open_season(path) as season:
        season.void(4, "slipped")
    before = belonging(path)
    result = call(f"gauge correct {path} sample C2 --name C1 --why slip")
    said = f"joined it. gauge correct {path} sample C2 --undo --why TEXT parts them."
    assert (result.status, result.out) == (0, "sample C2 is now C1.\n")
    assert said in " ".join(result.err.split())
    with open_season(path) as season:
        season.acknowledge_berry(1, 1, None, press(50.0))  # of C1, where it stays
    shown = run(path, "sample", "C2", "--undo")
    assert shown == "sample C2 is apart again, with 1 berry.\n"
    assert belonging(path) == [*before[:2], (5, "C1", 4, None), *before[2:]]
    with open_season(path, read_only=True) as season:
        assert [row.sample for row in season.clamshell_counts()] == ["C2"]
        assert [row.sample.code for row in season.samples()] == ["C1", "C2", "C-typo"]
    with pytest.raises(NoSuchRecordError, match="C2 was not joined"):
        run(path, "sample", "C2", "--undo")


def test_what_was_pressed_or_moved_after_a_joining_stays_where_it_is(path: Path) -> None:
    run(path, "sample", "C2", "--name", "C1")
    with open_season(path) as season:
        season.acknowledge_berry(1, 2, 1, press(40.0))  # a session of C2 went on
    run(path, "berry", "4", "--sample", "C-typo")
    run(path, "sample", "C2", "--undo")
    found = {berry: (sample, number) for berry, sample, number, _ in belonging(path)}
    assert found[5] == ("C2", 1)
    assert found[3] == ("C2", 2)  # the next number: its own was pressed meanwhile
    assert found[4][0] == "C-typo"


def test_a_sample_is_not_parted_from_one_that_is_hidden(path: Path) -> None:
    before = belonging(path)
    run(path, "sample", "C2", "--name", "C1")
    run(path, "sample", "C1", "--name", "C-typo")
    with pytest.raises(AlreadyThereError, match="C1, to which C2 was joined, is hidden"):
        run(path, "sample", "C2", "--undo")
    run(path, "sample", "C1", "--undo")
    run(path, "sample", "C2", "--undo")
    assert belonging(path) == before


def test_a_joining_is_asked_about_on_a_terminal(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gauge.commands.correct.on_terminal", lambda: True)
    before = path.read_bytes()
    line = f"gauge correct {path} sample C2 --name C1 --why slip"
    result = call(line, "n\n")
    assert result.status == NotConfirmedError.exit_code
    assert "Sample C1 is there already. Join the 2 berries of C2 to it? [y/N]" in result.err
    assert path.read_bytes() == before
    assert call(line, "y\n").status == 0
    with open_season(path, read_only=True) as season:
        assert [row.sample.code for row in season.samples()] == ["C1", "C-typo"]


def count(path: Path, sample: str, rater: str) -> None:
    with open_season(path) as season:
        sheet = {"counts": {"1": 3, "4": 2}}
        season.add_clamshell_counts([ClamshellRow(sample=sample, rater=rater, at="t", sheet=sheet)])


def test_a_rater_is_corrected_wherever_the_name_stands(path: Path) -> None:
    count(path, "C1", "mareck")
    with open_season(path) as season:
        season.add_practice(
            PracticeRow(
                rater="mareck", at="t", calibration="july", anchor="1", force_newton=2.0,
                score="3", off_newton=0.0,
            )
        )  # fmt: skip
    run(path, "rater", "mareck", "--name", "marek")
    with open_season(path, read_only=True) as season:
        assert season.every_rater() == ["ines", "marek"]
        assert [row.rater for row in season.clamshell_counts()] == ["marek"]
        assert [row.rater for row in season.practice()] == ["marek"]
        assert season.differences() == []


def test_two_names_on_the_roster_become_one_whose_status_stays(path: Path) -> None:
    run(path, "rater", "marek", "--set", "status=suspended")
    run(path, "rater", "mareck", "--set", "status=in training")
    run(path, "rater", "mareck", "--name", "marek")
    with open_season(path, read_only=True) as season:
        assert season.every_rater() == ["ines", "marek"]
        assert [(row.name, row.status) for row in season.roster()] == [("marek", "suspended")]
        assert season.differences() == []
    run(path, "rater", "marek", "--set", "status=qualified")
    with open_season(path, read_only=True) as season:
        assert [(row.name, row.status) for row in season.roster()] == [("marek", "qualified")]


def test_who_only_counted_is_corrected_but_not_joined_to_who_counted_the_same(path: Path) -> None:
    count(path, "C1", "odlie")
    run(path, "rater", "odlie", "--name", "odile")
    count(path, "C1", "tove")
    with pytest.raises(AlreadyThereError, match="tove and odile both counted sample C1"):
        run(path, "rater", "tove", "--name", "odile")


def test_counts_of_a_clamshell_move_with_its_sample(path: Path) -> None:
    count(path, "C-typo", "ines")
    with pytest.raises(AlreadyThereError, match="has 1 sheet, so it is not hidden"):
        run(path, "sample", "C-typo", "--hide")
    run(path, "sample", "C-typo", "--name", "C1")
    with open_season(path, read_only=True) as season:
        assert [row.sample for row in season.clamshell_counts()] == ["C1"]
    count(path, "C2", "ines")
    with pytest.raises(AlreadyThereError, match="ines counted C2 and C1"):
        run(path, "sample", "C2", "--name", "C1")


@pytest.mark.parametrize(
    "words", [("sample", "C1", "--name", "K1"), ("rater", "ines", "--name", "inez"),
              ("berry", "1", "--sample", "C2")],
)  # fmt: skip
def test_a_correction_without_a_reason_is_refused(path: Path, words: tuple[str, ...]) -> None:
    before = path.read_bytes()
    with pytest.raises(InvalidValueError, match="a change needs a reason"):
        run(path, *words, why=" ")
    assert path.read_bytes() == before


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
