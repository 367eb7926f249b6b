"""Turns of raters, against the definition of balance, and what a season plans of squeezes."""

import json
from collections import Counter
from itertools import pairwise

import pytest
from click.testing import CliRunner, Result

from gauge.cli import group
from gauge.records import Session
from gauge.season.file import open_season
from gauge.sheets.squeezes import SqueezePlan, williams
from tests.seasons import press


def run(*words: object, text: str | None = None) -> Result:
    result = CliRunner().invoke(group, [str(word) for word in words], input=text)
    assert result.exit_code == 0, result.output
    return result


@pytest.mark.parametrize("n", range(1, 10))
def test_williams_squares_are_balanced(n: int) -> None:
    """Each treatment is equally often at each place, and equally often right after each other one.

    The definition of a design balanced for the first residual effect: Williams, E. J. (1949) Aust.
    J. Sci. Res. A 2:149-168; n rows are enough for an even number, 2 n for an odd one.
    """
    rows = williams(n)
    assert len(rows) == (1 if n == 1 else n if n % 2 == 0 else 2 * n)
    assert all(sorted(row) == list(range(n)) for row in rows)
    for column in zip(*rows, strict=True):
        assert set(Counter(column).values()) == {len(rows) // n}
    after = Counter(pair for row in rows for pair in pairwise(row))
    assert len(after) == n * (n - 1)
    assert len(set(after.values())) <= 1
    # The first n rows alone are a Latin square.
    for column in zip(*rows[:n], strict=True):
        assert sorted(column) == list(range(n))


def test_turns_do_not_depend_on_how_raters_are_named() -> None:
    plan = SqueezePlan()
    for number in range(1, 8):
        turns = plan.turns(["ines", "marek", "odile"], 3, number)
        assert turns == plan.turns(["odile", "ines", "marek"], 3, number)
        assert turns.words(number).startswith(f"berry {number}: squeezed by {turns.raters[0]}, ")
    assert plan.turns([], 3, 1).words(1) == plan.turns(["ines"], 3, 1).words(1) == ""


def test_shares_hold_in_every_sample() -> None:
    plan = SqueezePlan(press_only=5, again=10, seed=7)
    raters = ["ines", "marek", "odile"]
    places = set()
    for sample_id in range(1, 30):
        turns = {n: plan.turns(raters, sample_id, n) for n in range(1, 21)}
        only = [n for n, one in turns.items() if one.press_only]
        twice = [n for n, one in turns.items() if len(one.raters) == 4]
        assert [(n - 1) // 5 for n in only] == [0, 1, 2, 3]
        assert [(n - 1) // 10 for n in twice] == [0, 1]
        for n in twice:
            first, *_, last = turns[n].raters
            assert first == last
            assert turns[n].marks[0] == (first, 1)
            assert turns[n].marks[-1] == (first, 2)
            assert f"{first} again" in turns[n].words(n)
        places |= {(n - 1) % 5 for n in only}
        assert "WITHOUT a squeeze" in turns[only[0]].words(only[0])
    assert places == set(range(5))  # at random, not always the same of five
    other = SqueezePlan(press_only=5, again=10, seed=8)
    assert any(plan.turns(raters, 1, n) != other.turns(raters, 1, n) for n in range(1, 21))
    assert SqueezePlan.of(plan.setting()) == plan
    assert SqueezePlan.of(None) == SqueezePlan()


def test_sheet_and_form_keep_to_the_turns_of_the_plan(tmp_path) -> None:
    season, raters = tmp_path / "a.season", "odile,ines,marek"
    (tmp_path / "plan.csv").write_text("code,berries\nC-01,20\n")
    run("plan", season, "--import", tmp_path / "plan.csv", "--seed", "7", "--press-only")
    (planned,) = json.loads(run("plan", season, "--json").stdout)["samples"]
    assert (len(planned["press_only"]), len(planned["squeezed_again"])) == (4, 2)
    run("sheet", season, "--out", tmp_path / "sheet.pdf", "--raters", raters)
    with open_season(season) as file:
        plan = SqueezePlan.of(file.setting("squeezes"))
        assert plan.setting() == {"press_only": 5, "again": 10, "seed": 7}
        session = file.add_session(Session(started_at="2026-07-01T08:00:00Z"))
        for number in range(1, 21):
            only = number in planned["press_only"]
            file.acknowledge_berry(session, 1, number, press(3, 5.0 * number), press_only=only)
    for rater in raters.split(","):
        run("scores", season, "--form", "--sample", "C-01", "--rater", rater,
            "--new-rater", rater, text="2" * 30 + "\n")  # fmt: skip
    with open_season(season, read_only=True) as file:
        for berry in file.berries():
            turns = plan.turns(raters.split(","), 1, berry.number)
            given = sorted(berry.scores, key=lambda mark: mark.squeeze_order)
            assert [(mark.rater, mark.occasion) for mark in given] == turns.marks
            assert [mark.squeeze_order for mark in given] == [*range(1, len(given) + 1)]
            assert turns.press_only == berry.press_only == (berry.number in planned["press_only"])
    run("plan", season, "--no-press-only", "--no-again")
    with open_season(season, read_only=True) as file:
        assert SqueezePlan.of(file.setting("squeezes")) == SqueezePlan(seed=7)
