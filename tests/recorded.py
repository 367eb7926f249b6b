"""What is kept of answers in tests/reference, and how new answers are compared with it."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

REFERENCE = Path(__file__).parent / "reference"
KEPT_ITEMS = 12  # longer lists are kept as two items and digests
_IN_FULL = re.compile(r"-?\d+\.\d{9,}(e-?\d+)?")  # a number that a CSV holds in full precision


def load(name: str) -> dict[str, Any]:
    """Read what was recorded under that name."""
    found: dict[str, Any] = json.loads((REFERENCE / f"{name}.json").read_text("utf-8"))
    return found


def save(name: str, found: dict[str, Any]) -> None:
    """Write a record, a line a value, so that version control shows what changed."""
    text = json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False)
    (REFERENCE / f"{name}.json").write_text(text + "\n", "utf-8")


def shortened(value: Any) -> Any:
    """The value, each long list as its length, its first two items and a digest of each column.

    A column is all values of one key in all items, so that a key added later changes no digest.
    """
    if isinstance(value, dict):
        return {key: shortened(one) for key, one in value.items()}
    if not isinstance(value, list):
        return value
    first = [shortened(one) for one in value[: 2 if len(value) > KEPT_ITEMS else None]]
    if len(value) <= KEPT_ITEMS:
        return first
    columns: dict[str, list[str]] = {}
    for one in value:
        for path, text in _leaves(one, "[]"):
            columns.setdefault(path, []).append(text)
    digests = {
        path: hashlib.sha256("\n".join(texts).encode()).hexdigest()[:12]
        for path, texts in columns.items()
    }
    return {"items": len(value), "first": first, "columns": digests}


def _leaves(value: Any, path: str) -> Iterator[tuple[str, str]]:
    """Every value under a path, floats to six digits; of a list its length first."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from _leaves(one, f"{path}.{key}")
    elif isinstance(value, list):
        yield path, f"{len(value)} items"
        for one in value:
            yield from _leaves(one, f"{path}[]")
    elif isinstance(value, float):
        yield path, f"{round(value, 9) + 0.0:.6g}"
    else:
        yield path, json.dumps(value)


def differences(old: Any, new: Any, path: str = "") -> Iterator[str]:
    """What was removed or changed, each with its path; what a dictionary has more is no matter."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key, one in old.items():
            if key in new:
                yield from differences(one, new[key], f"{path} / {key}" if path else key)
            else:
                yield f"{path} / {key}: is gone" if path else f"{key}: is gone"
    elif isinstance(old, list) and isinstance(new, list):
        for index, (one, other) in enumerate(zip(old, new, strict=False)):
            yield from differences(one, other, f"{path} [{index}]")
        if len(old) != len(new):
            yield f"{path}: {len(new)} items, recorded {len(old)}"
    elif not _same(old, new):
        yield f"{path}: {repr(new)[:300]}, recorded {repr(old)[:300]}"


def _same(old: Any, new: Any) -> bool:
    """Exact, but floats to 1e-6 of their size or 1e-9; so are those that a CSV holds in full."""
    numbers = (int, float)
    if isinstance(old, str) and isinstance(new, str) and _IN_FULL.fullmatch(old):
        return bool(_IN_FULL.fullmatch(new)) and _same(float(old), float(new))
    if isinstance(old, bool) or isinstance(new, bool):
        return old is new
    if isinstance(old, numbers) and isinstance(new, numbers) and float in (type(old), type(new)):
        return math.isclose(old, new, rel_tol=1e-6, abs_tol=1e-9)
    return type(old) is type(new) and bool(old == new)
