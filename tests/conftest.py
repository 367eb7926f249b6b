"""Folders of the tests, its own for each run, on a memory disk where there is one.

On memory, as every berry waits for the disk. What a power cut or a full disk leaves is tested on
a model of the disk (simdisk), and on limits that hold on any; nothing here depends on what the
disk is made of.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from uuid import uuid4

import pytest

# As the command lines set it: a sum over threads may differ in its last digit.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

MEMORY = Path("/dev/shm")
NEEDED_BYTES = 500_000_000
# Files go to the workers whole, so that a build serves all tests of its file: the longest first,
# lest one worker ends long after the others.
LONGEST = ("test_readme", "test_answers", "test_manager_commands", "test_durability", "test_demo",
           "test_bounds", "test_detector", "test_panel")  # fmt: skip
_MADE = pytest.StashKey[str]()


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Set the folder for temporary files, and --basetemp unless it is given.

    Two runs on one machine use the same names of pseudo-terminals, one after the other: with a
    folder of locks each, one run never holds a port of the other. Loggers within a run share it.
    """
    usable = MEMORY.is_dir() and os.access(MEMORY, os.W_OK)
    usable = usable and shutil.disk_usage(MEMORY).free >= NEEDED_BYTES
    made = tempfile.mkdtemp(prefix="firmhand-tests-", dir=MEMORY if usable else None)
    os.chmod(made, 0o1777)  # as the usual one: another user meets the same locks
    config.stash[_MADE] = os.environ["TMPDIR"] = tempfile.tempdir = made
    # What one run remembers of its last session is nobody else's.
    os.environ["FIRMHAND_HOME"] = os.path.join(made, "home")
    if usable and not config.option.basetemp:
        config.option.basetemp = os.path.join(made, "base")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest files."""
    items.sort(key=lambda item: (*LONGEST, item.path.stem).index(item.path.stem))


def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave nothing in memory."""
    if _MADE in config.stash:
        shutil.rmtree(config.stash[_MADE], ignore_errors=True)


@pytest.fixture(autouse=True)
def _home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test begin on a machine that remembers nothing."""
    monkeypatch.setenv("FIRMHAND_HOME", str(tmp_path_factory.getbasetemp() / uuid4().hex))
