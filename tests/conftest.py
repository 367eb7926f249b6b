"""Folders of the tests on a memory disk where there is one: every berry waits for the disk.

What a power cut or a full disk leaves is tested on a model of the disk (simdisk), and on limits
that hold on any; nothing here depends on what the disk is made of.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import pytest

MEMORY = Path("/dev/shm")
NEEDED_BYTES = 500_000_000
_MADE = pytest.StashKey[str]()


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Set --basetemp, unless it is given."""
    usable = MEMORY.is_dir() and os.access(MEMORY, os.W_OK)
    if config.option.basetemp or not usable or shutil.disk_usage(MEMORY).free < NEEDED_BYTES:
        return
    config.stash[_MADE] = tempfile.mkdtemp(prefix="firmhand-tests-", dir=MEMORY)
    config.option.basetemp = os.path.join(config.stash[_MADE], "base")


def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave nothing in memory."""
    if _MADE in config.stash:
        shutil.rmtree(config.stash[_MADE], ignore_errors=True)
