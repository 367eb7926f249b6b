"""What commands print for people and for programs: intervals, boundaries, warnings, pictures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from calibrate.data.labels import as_label, format_newton, format_value, unit, with_unit
from gauge.clikit import document, emit_json, kept, print_table, say

__all__ = [
    "as_label", "between", "document", "draw", "emit_json", "emit_one_or_all", "format_newton",
    "format_value", "print_table", "say", "sides", "signed", "span", "unit", "warn", "with_unit",
]  # fmt: skip


def span(low: float | None, high: float | None) -> str:
    """Write an interval for a table.

    Examples
    --------
    >>> span(5.12, 5.7), span(None, 5.7)
    ('5.12 to 5.70', 'open to 5.70')
    """
    return f"{format_newton(low)} to {format_newton(high)}"


def signed(one: Any, missing: str = "") -> list[str]:
    """Write a shift and its interval for two cells of a table, each with its sign."""
    if one is None or one.value is None:
        return ["unknown", missing]
    ends = [format_newton(side, sign="+") for side in (one.value, one.low, one.high)]
    return [ends[0], f"{ends[1]} to {ends[2]}"]


def sides(one: Any, value: str | None = "value", suffix: str = "") -> dict[str, float | None]:
    """Return an interval for JSON; with `value` None the two sides alone, all None of nothing."""
    names = {"value": value, "low": f"low{suffix}", "high": f"high{suffix}"}
    return {key: getattr(one, name, None) for name, key in names.items() if key is not None}


def between(scores: Sequence[str], firmest: str = "first") -> list[int | str]:
    """Return scores for JSON, such as the two at a boundary, in the order of the source."""
    return [as_label(label) for label in scores[:: 1 if firmest == "first" else -1]]


def warn(warnings: Iterable[str]) -> None:
    """Say each warning on stderr."""
    for warning in warnings:
        say(f"warning: {warning}")


def emit_one_or_all(documents: Sequence[object], key: str | None = None) -> None:
    """Write one document as it is, several as a list, or below a key."""
    several = list(documents) if key is None else {key: list(documents)}
    emit_json(documents[0] if len(documents) == 1 else several)


def draw(
    path: Path,
    figure: Any,
    title: str = "",
    *,
    of: Sequence[str | Path] = (),
    level: float | None = None,
    named: str = "picture",
) -> None:
    """Write a picture below its title, with its sources, the day and the level of intervals."""
    from datetime import UTC, datetime

    from calibrate.plots.style import save

    if (page := kept()) is not None:
        page.pictures.append((title, figure))
        return
    seasons = " and ".join(dict.fromkeys(Path(one).stem for one in of))
    intervals = "" if level is None else f"{level:.0%} intervals"
    made = f"made {datetime.now(UTC):%d %b %Y}"
    save(figure, path, title, "   |   ".join(filter(None, (seasons, made, intervals))))
    say(f"{named}: {path}")
