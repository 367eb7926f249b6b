"""No bit that rots is used without a word: the small version of tests/bench/rot.py."""

import pytest

from tests.rot import rot


@pytest.mark.slow
def test_flipped_bits_are_refused_or_change_nothing() -> None:
    counts, wrong = rot(120, seed=20)
    assert wrong == []
    assert counts["readings refused"] > 30
    assert counts["fit refused"] > 30
