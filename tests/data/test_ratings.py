"""Finger scores without force, read from a CSV."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibrate.data.ratings import load_ratings
from gauge.errors import BadTableError


def test_numbers_that_begin_again_in_every_sample_are_different_berries(tmp_path: Path) -> None:
    path = tmp_path / "scores.csv"
    path.write_text(
        "sample,berry,rater,score\nC1,1,ines,2\nC1,1,marek,3\nC2,1,ines,4\nC2,1,marek,5\n"
    )
    ratings = load_ratings(path)
    assert ratings.rank.tolist() == [[1, 2], [3, 4]]
    # A sheet of scores as `gauge scores` reads it calls the berry's number so.
    path.write_text(path.read_text().replace("berry", "number"))
    assert load_ratings(path).rank.tolist() == ratings.rank.tolist()
    path.write_text("berry,rater,score\n1,ines,2\n1,marek,3\n1,ines,4\n")
    with pytest.raises(BadTableError, match="row 4, column 'score': rater ines scored berry 1"):
        load_ratings(path)


def test_a_sheet_with_a_column_a_rater_is_refused_with_the_way_to_go(tmp_path: Path) -> None:
    path = tmp_path / "scores.csv"
    path.write_text("sample,berry,ines,marek\nC1,1,2,3\nC1,2,4,5\n")
    with pytest.raises(BadTableError, match=r"no column 'rater'.*comes in by 'gauge import'"):
        load_ratings(path)
