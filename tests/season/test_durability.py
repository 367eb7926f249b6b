"""No acknowledged berry is lost, doubled, torn or invented: kill -9, power cut, disk errors.

The small versions of the campaigns in tests/bench. What a power cut may leave is modelled after
sqlite.org/atomiccommit.html: of what was not synced, any part by sectors of 512 bytes.
"""

from __future__ import annotations

import os
import sys

import pytest

from tests.diskfaults import disk_errors, power_cuts, real_full_disk
from tests.durability import kills
from tests.simdisk import Disk

watched = pytest.mark.skipif(not Disk.available(), reason="Python's SQLite is built in")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and kill -9")
@pytest.mark.parametrize("whole", [False, True])
def test_kill_9_while_logging(whole: bool) -> None:
    n, acknowledged, wrong = kills(30, seed=5, per_file=10, whole=whole)
    assert wrong == []
    assert n == 30
    assert acknowledged > 30  # the logger was at work, not only starting


@watched
@pytest.mark.slow
def test_power_cut_after_every_operation() -> None:
    n, wrong = power_cuts(3, 1)
    assert wrong == []
    assert n > 200


@watched
@pytest.mark.slow
@pytest.mark.parametrize("level", ["OFF", "NORMAL", "FULL"])
def test_power_cut_shows_that_every_sync_is_needed(level: str) -> None:
    # NORMAL and FULL leave the removal of the journal unsynced: after the cut it is back, and takes
    # the acknowledged berry with it (sqlite.org/pragma.html#pragma_synchronous says so of EXTRA).
    _, wrong = power_cuts(2, 1, level=level)
    # With OFF not even the file's name is on the disk.
    assert any("lost" in what or "does not exist" in what for what in wrong)


@pytest.mark.slow
@watched
@pytest.mark.parametrize("lasting", [False, True])
@pytest.mark.parametrize("kind", ["full", "input/output"])
def test_a_disk_that_refuses(kind: str, lasting: bool) -> None:
    n, wrong = disk_errors(1, kind=kind, lasting=lasting)
    assert wrong == []
    assert n > 30


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs RLIMIT_FSIZE")
def test_a_real_limit_on_the_file_is_met_with_a_clear_error(tmp_path) -> None:
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (224 * 1024, before[1]))
    try:
        acknowledged, error, wrong = real_full_disk(tmp_path, 2000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert type(error).__name__ == "StorageFailedError"
    assert wrong == []
    assert acknowledged > 10
