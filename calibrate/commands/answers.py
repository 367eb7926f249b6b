"""What commands print for people and for programs: intervals, boundaries, warnings, pictures."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import click

from calibrate.commands.options import remembered
from calibrate.data.labels import (
    as_label,
    format_newton,
    format_value,
    shown_in,
    unit,
    with_unit,
)
from gauge.clikit import parameters, read_by
from gauge.printed import document, emit_json, kept, print_table, say
from gauge.units import Unit, parse_unit

__all__ = [
    "as_json", "as_label", "between", "command", "document", "draw", "emitted", "format_newton",
    "format_value", "one_or_all", "print_rows", "print_table", "say", "sides", "signed", "span",
    "unit", "warn", "with_unit",
]  # fmt: skip

_AS_JSON = "calibrate.as_json"  # where the context of a command keeps whether --json was typed


def as_json() -> bool:
    """Return whether the command is to print one JSON document."""
    return bool(click.get_current_context().meta.get(_AS_JSON))


_SOURCES = ("source", "season", "season1", "season2", "sources")
_parsed_unit = read_by(parse_unit)


def _keep(context: click.Context, _option: click.Parameter, typed: bool) -> None:
    context.meta[_AS_JSON] = typed


_JSON = click.Option(
    ["--json"], is_flag=True, expose_value=False, callback=_keep, help="Print one JSON document."
)


def command(
    name: str,
    record: type | None = None,
    *,
    unit: Literal["--unit", "of season", "none"] = "--unit",
    read_unit: Callable[..., Any] = _parsed_unit,
    json: bool = True,
    **more: Any,
) -> Callable[[Callable[..., None]], click.Command]:
    """Make a command that shows forces in the lab's unit, and prints JSON in newtons with --json.

    It receives a `record`, made of the options and arguments that its fields declare. `unit`:
    whether it gets --unit, which a season remembers and `read_unit` reads, takes that of its
    season, or shows no forces. `more` as of `click.command`.
    """

    def decorate(function: Callable[..., None]) -> click.Command:
        @functools.wraps(function)
        def shown(*, shown_unit: Unit | None = None, **values: Any) -> None:
            named = (values.get(name) or () for name in _SOURCES)
            paths = [p for one in named for p in (one if isinstance(one, tuple) else (one,))]
            lab_unit = Unit.N if unit == "none" else _lab_unit(paths, shown_unit)
            with shown_in(Unit.N if as_json() else lab_unit):
                if record is None:
                    function(**values)
                else:
                    function(record(**values))

        build: Any = click.command(name, **more)
        made: click.Command = build(shown)
        made.params += [] if record is None else parameters(record)
        if unit == "--unit":
            what = "Show forces in this unit, such as lbf; the season remembers it."
            names = ["--unit", "shown_unit"]
            made.params.append(click.Option(names, metavar="UNIT", callback=read_unit, help=what))
        made.params += [_JSON] * json
        return made

    return decorate


def _lab_unit(sources: Sequence[Path], typed: Unit | None) -> Unit:
    """Return the unit in which forces are shown, of the first season; it remembers a typed one."""
    from calibrate.data.pairs import looks_like_season

    for source in filter(looks_like_season, sources):
        return parse_unit(remembered(source, "unit", typed) or "N")
    return typed or Unit.N


def emitted(found: object) -> bool:
    """Print the document of an answer if --json asks for it; return whether it did."""
    if as_json():
        emit_json(found)
    return as_json()


def print_rows(rows: Sequence[Mapping[str, str]], **how: Any) -> None:
    """Print rows, one or more, as a table with their keys as its header; `how` of `print_table`."""
    print_table(list(rows[0]), [list(row.values()) for row in rows], **how)


def span(low: float | None, high: float | None) -> str:
    """Write an interval for a table.

    Examples
    --------
    >>> span(5.12, 5.7), span(None, 5.7)
    ('5.12 to 5.70', 'open to 5.70')
    """
    return f"{format_newton(low)} to {format_newton(high)}"


def signed(one: Any, head: str, interval: str = "interval", missing: str = "") -> dict[str, str]:
    """Write a shift and its interval for two columns of a table, each with its sign."""
    if one.value is None:
        return {head: "unknown", interval: missing}
    value, low, high = (format_newton(side, sign="+") for side in (one.value, one.low, one.high))
    return {head: value, interval: f"{low} to {high}"}


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


def one_or_all(documents: Sequence[object], key: str | None = None) -> object:
    """Return one document as it is, several as a list, or below a key."""
    if len(documents) == 1:
        return documents[0]
    return list(documents) if key is None else {key: list(documents)}


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
