"""Scores typed from paper: the keys, and what is stored by them."""

from __future__ import annotations

from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from gauge.cli import group
from gauge.errors import InvalidValueError, NoSuchRaterError, NoSuchRecordError
from gauge.forms.scoreform import ScoreForm
from tests.seasons import make_season


def typed(keys: str) -> ScoreForm:
    form = ScoreForm(labels=("1", "2", "3", "4", "5"), berries=("3", "4", "7"))
    for key in keys:
        form = form.press(key)
    return form


@pytest.mark.parametrize(
    ("keys", "scores", "message"),
    [
        ("2", {"3": "2"}, "berry 3: 2"),
        ("2-5", {"3": "2", "7": "5"}, "berry 7: 5"),
        ("22/", {"3": "2"}, "berry 4 undone"),
        ("\x7f", {}, "nothing to undo"),
        ("6", {}, "no such key: 1 1, 2 2, 3 3, 4 4, 5 5"),
        ("0", {}, "no such key: 1 1, 2 2, 3 3, 4 4, 5 5"),
        ("2221", {"3": "2", "4": "2", "7": "2"}, "all berries are in"),
        ("2\r", {"3": "2"}, "done"),
    ],
)
def test_a_key_is_a_berry_or_says_why_not(keys: str, scores: dict[int, str], message: str) -> None:
    form = typed(keys)
    assert (form.scores, form.message, form.done) == (scores, message, keys.endswith("\r"))


def test_a_scale_of_more_scores_than_keys_is_refused() -> None:
    with pytest.raises(InvalidValueError, match="more than 9 keys"):
        ScoreForm(labels=tuple("abcdefghij"), berries=("1",))


def run(season: Path, *words: str) -> str:
    line = ["scores", str(season), "--form", *words]
    result = CliRunner().invoke(group, line, catch_exceptions=False)
    return result.output


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return make_season(tmp_path / "a.season", berries=32)


def test_keys_of_the_pad_score_what_the_rater_has_not_scored(
    season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = iter(["3", "-2", "\r"])
    monkeypatch.setattr(click, "getchar", lambda: next(keys))
    line = ("--sample", "c02", "--rater")
    with pytest.raises(NoSuchRaterError, match=r"'tove' has scored nothing.*--new-rater"):
        run(season, *line, "tove")
    shown = run(season, *line, "tove", "--new-rater", "tove")
    assert "berry 1: 3 | berry 2" in shown
    assert "1 score by tove stored" in shown  # the last of two was skipped
    with pytest.raises(NoSuchRecordError, match="no berry that ines has not scored"):
        run(season, *line, "INES")


def test_a_form_without_a_terminal_says_so(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> str:
        raise OSError(6, "No such device or address")

    monkeypatch.setattr(click, "getchar", none)
    shown = run(season, "--sample", "C02", "--rater", "tove", "--new-rater", "tove")
    assert "needs a terminal" in shown
