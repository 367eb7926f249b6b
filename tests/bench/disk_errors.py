"""ENOSPC and EIO at each operation of the disk in turn, once or lasting; and a disk really full.

    python -m tests.bench.disk_errors [--berries 12]

Each must raise StorageFailedError, and everything acknowledged before must be there afterwards.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
import time
from pathlib import Path

from gauge.errors import StorageFailedError
from tests.diskfaults import disk_errors, real_full_disk


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--berries", type=int, default=12)
    given = parser.parse_args()
    start = time.perf_counter()
    wrong = []
    for kind in ("full", "input/output"):
        for lasting in (False, True):
            n, found = disk_errors(given.berries, kind=kind, lasting=lasting)
            how = "from then on" if lasting else "once"
            print(f"{kind}, {how}: refused at {n} operations in turn, {len(found)} wrong")
            wrong += found
    wrong += _small_disk()
    print(f"{time.perf_counter() - start:.0f} s")
    raise SystemExit("\n".join(wrong[:20]) if wrong else 0)


def _small_disk() -> list[str]:
    """Fill a file system of 256 KiB; only the superuser can make one."""
    with tempfile.TemporaryDirectory() as folder:
        command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", folder]
        try:
            made = subprocess.run(command, capture_output=True, check=False).returncode == 0
        except OSError:
            made = False
        if not made:
            print("a disk really full: not tried, for a small file system cannot be mounted here")
            return []
        try:
            acknowledged, error, wrong = real_full_disk(Path(folder), 5000)
        finally:
            subprocess.run(["umount", folder], check=True)
    print(f"a disk really full: {type(error).__name__} after {acknowledged} berries, {wrong} wrong")
    if not isinstance(error, StorageFailedError):
        wrong.append(f"a disk really full: {error!r}")
    return wrong


if __name__ == "__main__":
    main()
