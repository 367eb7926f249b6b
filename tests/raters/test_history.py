"""The chart of a hand over the season: limits, false alarms, and a slow drift that it finds."""

from dataclasses import replace

import numpy as np
import pytest

from calibrate.commands.checkanswer import show_history
from calibrate.data.pairs import Pairs
from calibrate.raters.history import RUN_LENGTH, average_run, hand_history
from gauge.errors import TooFewScoresError
from tests.bench.handshapes import CUTS_N, Hands, charted_stored, charted_two, draw_stored, score


@pytest.mark.parametrize(
    ("weight", "width", "runs"),
    [
        (0.4, 3.054, (500, 71.2, 14.3)),
        (0.25, 2.998, (500, 48.2, 11.1)),
        (0.2, 2.962, (500, 41.8, 10.5)),
        (0.1, 2.814, (500, 31.3, 10.3)),
        (0.05, 2.615, (500, 28.7, 11.4)),
    ],
)
def test_run_lengths_are_those_of_the_tables(weight: float, width: float, runs) -> None:
    """Lucas, J. M. & Saccucci, M. S. (1990) Technometrics 32:1-12, as Montgomery, Introduction to
    Statistical Quality Control, chapter 9, gives them for shifts of 0, 0.5 and 1 standard
    deviations (from memory).
    """
    found = [average_run(weight, width, shift) for shift in (0.0, 0.5, 1.0)]
    assert found == pytest.approx(runs, rel=0.006)


def _season(rng: np.random.Generator, shift_newton: np.ndarray) -> tuple[Pairs, Pairs]:
    """One hand: 120 berries that are the reference, then one berry for each shift of the hand."""
    one = Hands(raters=1, berries=120)
    before = score(rng, one, CUTS_N[None])
    later = [
        score(rng, replace(one, berries=1), CUTS_N[None] + shift) for shift in shift_newton.tolist()
    ]
    columns = ("force_newton", "rank", "count", "rater")
    n = shift_newton.size
    days = np.array([f"2026-07-{1 + i // 50:02d}T08:00:{i % 50:02d}" for i in range(n)], object)
    after = replace(
        before,
        **{name: np.concatenate([getattr(x, name) for x in later]) for name in columns},
        berry=np.arange(n),
        berries=tuple(f"c{i}" for i in range(n)),
        extra={"scored_at": days},
    )
    return before, after


def test_a_slow_drift_passes_the_limit_and_a_steady_hand_seldom() -> None:
    rng = np.random.default_rng(4)
    before, after = _season(rng, np.linspace(0.0, 0.6, 300))
    found = hand_history(after, "ines", against=before, reference="the adopted calibration")
    assert found.first_outside is not None
    assert 60 < found.first_outside < 300
    assert [point.n for point in found.points] == [50, 100, 150, 200, 250, 300]
    assert found.points[0].day == "2026-07-01"
    assert found.points[-1].shift_newton == pytest.approx(0.55, abs=0.3)
    assert found.points[-1].outside
    alarms = 0
    for _ in range(40):
        before, after = _season(rng, np.zeros(100))
        alarms += hand_history(after, "ines", against=before).first_outside is not None
    # 100 scores of a run length of 1000: about 4 of 40; more than 10 has a probability of 0.3 %.
    assert alarms <= 10
    assert found.run_length == RUN_LENGTH


@pytest.mark.parametrize("charted", [charted_stored, charted_two])
def test_a_steady_hand_seldom_passes_the_limit_whatever_its_berries(charted) -> None:
    """In storage fruit softens; of two scores most berries can hardly be mistaken."""
    one = Hands(raters=1)
    alarms = [next(charted(np.random.default_rng(i), one, 0.0))[1] for i in range(200)]
    # 200 scores of a run length of 1000: 18 %; 47 of 200 or more have a probability of 3 %.
    assert sum(alarms) < 47


def test_the_limit_is_wide_at_boundaries_that_the_reference_hardly_knows() -> None:
    """The first 60 scores of a storage trial are of firm fruit."""
    force = draw_stored(np.random.default_rng(3), 260)
    whole = score(np.random.default_rng(4), Hands(raters=1, berries=260), CUTS_N[None], force=force)
    limits = [point.limit_newton for point in hand_history(whole, "ines").points]
    assert limits[-1] > 1.3 * limits[1]


def test_a_point_is_filled_where_its_own_numbers_pass_the_limit() -> None:
    """Of a day on which the chart went out and came back, the score furthest out is shown."""
    shift_newton = np.concatenate([np.full(30, 1.0), np.full(20, -1.5), np.zeros(50)])
    before, after = _season(np.random.default_rng(6), shift_newton)
    points = hand_history(after, "ines", against=before).points
    assert points[0].outside
    for one in points:
        assert one.outside == (abs(one.shift_newton) > one.limit_newton)


def test_a_point_names_no_other_scores_day_where_some_have_none() -> None:
    before, after = _season(np.random.default_rng(6), np.zeros(60))
    days = after.extra["scored_at"].copy()
    days[[10, 39]] = None  # so that points are of twenty scores; the second one's last has no day
    found = hand_history(replace(after, extra={"scored_at": days}), "ines", against=before)
    assert [point.day for point in found.points] == ["2026-07-01", None, "2026-07-02"]


def test_without_a_calibration_the_first_scores_are_the_reference() -> None:
    before, after = _season(np.random.default_rng(5), np.zeros(30))
    whole = replace(before, extra={})
    found = hand_history(whole, "ines")
    assert (found.n_reference, found.n) == (60, 60)
    assert [point.n for point in found.points] == [20, 40, 60]
    with pytest.raises(TooFewScoresError, match="no score after"):
        hand_history(after, "ines")


@pytest.mark.parametrize("scored_at", [None, "2026-07-09"])
def test_one_day_stands_above_the_chart_and_not_in_every_row(
    capsys: pytest.CaptureFixture[str], scored_at: str | None
) -> None:
    before, after = _season(np.random.default_rng(4), np.zeros(100))
    after.extra["scored_at"] = np.full(100, scored_at, object)
    show_history([hand_history(after, "ines", against=before)] * 2)
    printed = capsys.readouterr().out
    assert printed.count("A weighted mean") == 1
    assert printed.count("2026-07-09") == 2 * (scored_at is not None)
    assert ("all dated 2026-07-09" in printed) == (scored_at is not None)
