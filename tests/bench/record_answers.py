"""Record what every command answers, after a look at what changed.

`python -m tests.bench.record_answers [answers] [screens]` prints the differences to what was
recorded and writes tests/reference/answers.json and screens.json, or the one that is named.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.answers import FAILED, collect
from tests.recorded import REFERENCE, differences, load, save

NAMES = ("answers", "screens")


def main() -> int:
    names = sys.argv[1:] or list(NAMES)
    if not set(names) <= set(NAMES):
        print(__doc__, file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        found = dict(zip(NAMES, collect(Path(folder)), strict=True))
    failed = [
        f"{call}: {one}"
        for name in names
        for call, one in found[name].items()
        if isinstance(one, str) and one.startswith(FAILED)
    ]
    if failed:
        print("\n".join(["Nothing was written:", *failed]), file=sys.stderr)
        return 1
    for name in names:
        path = REFERENCE / f"{name}.json"
        if path.exists():
            recorded = load(name)
            for one in differences(recorded, found[name]):
                print(one)
            # What is the same but for the last digits stays as it stands: only changes are written.
            for call, answer in found[name].items():
                kept = recorded.get(call, {})
                if not [*differences(kept, answer), *differences(answer, kept)]:
                    found[name][call] = kept
        save(name, found[name])
        print(f"{path.name}: {len(found[name])} calls, {path.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
