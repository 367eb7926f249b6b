"""What commands print: answers, tables and JSON on stdout, messages on stderr, or on a page."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, fields
from typing import Any

import click

from gauge.plaintext import printable

# json.dumps escapes those below a space
_UNSAFE_IN_JSON = re.compile(r"[\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


@dataclass(frozen=True, kw_only=True, slots=True)
class PrintedTable:
    """A table that a command prints; the columns `left` are set to the left."""

    title: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: Collection[int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Printed:
    """What a command prints and draws, kept for a page; a picture is its title and figure."""

    sentences: list[str] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)
    tables: list[PrintedTable] = field(default_factory=list)
    pictures: list[tuple[str, Any]] = field(default_factory=list)


_KEPT: ContextVar[Printed | None] = ContextVar("kept", default=None)


@contextmanager
def keep_printed() -> Iterator[Printed]:
    """Keep what commands print for people and draw, as long as the block lasts."""
    page = Printed()
    token = _KEPT.set(page)
    try:
        yield page
    finally:
        _KEPT.reset(token)


def kept() -> Printed | None:
    """Return what keeps what is printed now; None where it goes to the terminal."""
    return _KEPT.get()


def emit_json(document: object) -> None:
    """Write one JSON document as one line on stdout and flush it; NaN is refused, JSON has none.

    Examples
    --------
    >>> emit_json({"peak_N": 2.37})
    {"peak_N": 2.37}
    """
    import json

    text = json.dumps(document, allow_nan=False, ensure_ascii=False)
    click.echo(_UNSAFE_IN_JSON.sub(lambda found: f"\\u{ord(found[0]):04x}", text))
    sys.stdout.flush()


def document(record: Any, *names: str) -> dict[str, Any]:
    """Return attributes of a record, by default all fields of a dataclass, as they are in JSON.

    A force ``x_newton`` becomes ``x_N``.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> document(SimpleNamespace(n=4, low_newton=2.37), "n", "low_newton")
    {'n': 4, 'low_N': 2.37}
    """
    chosen = names or tuple(field.name for field in fields(record))
    return {re.sub("_newton$", "_N", name): getattr(record, name) for name in chosen}


def print_table(
    header: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    title: str = "",
    left: Collection[int] = (0,),
    whole: Collection[int] = (),
    edge: bool = True,
) -> None:
    """Print a table on stdout, readable without colour.

    Columns `left` are set to the left, all others to the right, as numbers are; columns `whole` are
    never broken into lines; `edge` sets a blank around the table.

    Examples
    --------
    >>> print_table(["cut", "N"], [["1/2", "5.41"]])
    <BLANKLINE>
     cut     N
     ─────────
     1/2  5.41
    <BLANKLINE>
    """
    if (page := kept()) is not None:
        page.tables.append(PrintedTable(title=title, header=header, rows=[*rows], left=left))
        return
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, show_edge=edge, pad_edge=False, collapse_padding=True)
    for index, name in enumerate(header):
        justify = "left" if index in left else "right"
        table.add_column(name, justify=justify, no_wrap=index in whole)  # type: ignore[arg-type]
    for row in rows:
        table.add_row(*(Text(printable(cell, keep="")) for cell in row))
    if title:
        echo(title)
    Console(highlight=False).print(table)


def say(message: str) -> None:
    """Write a message for a person on stderr, wrapped to the terminal where it is one.

    Examples
    --------
    >>> from contextlib import redirect_stderr
    >>> with redirect_stderr(sys.stdout):
    ...     say("nothing received yet")
    nothing received yet
    """
    if (page := kept()) is not None:
        page.messages.append(message)
        return
    text = printable(message)
    if sys.stderr.isatty():
        text = "\n".join(
            textwrap.fill(line, shutil.get_terminal_size().columns, subsequent_indent="   ",
                          break_long_words=False, break_on_hyphens=False)
            for line in text.splitlines()
        )  # fmt: skip
    click.echo(text, err=True)


def echo(message: str = "") -> None:
    r"""Write an answer for a person on stdout.

    Examples
    --------
    >>> echo("a name: " + chr(27) + "[2J")
    a name: \x1b[2J
    """
    if (page := kept()) is not None:
        page.sentences.extend([message] * bool(message.strip()))
        return
    click.echo(printable(message))
