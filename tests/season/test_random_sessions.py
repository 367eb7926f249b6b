"""No honest season fails its audit: the small version of tests/bench/random_sessions.py."""

from tests.randomsessions import random_session


def test_random_sessions_neither_crash_nor_fail_their_audit() -> None:
    found = [random_session(seed) for seed in range(900, 912)]
    assert [wrong for _, each in found for wrong in each] == []
    assert sum(berries for berries, _ in found) > 20
