"""Tables and numbers for people: what the commands print when no JSON is asked for.

Plain text at 80 columns, readable without colour. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from calibrate.data.labels import newtons


def print_table(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    title: str = "",
    left: Collection[int] = (0,),
) -> None:
    """Print a table on stdout.

    Parameters
    ----------
    header : sequence of str
    rows : sequence of sequences of str
        One text a column.
    title : str
    left : collection of int
        Columns set to the left; all others to the right, as numbers are.

    Examples
    --------
    >>> print_table(["cut", "N"], [["1/2", "5.41"]])
    <BLANKLINE>
     cut      N
     ──────────
     1/2   5.41
    <BLANKLINE>
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, title=title or None, title_justify="left", pad_edge=False)
    for index, name in enumerate(header):
        table.add_column(name, justify="left" if index in left else "right")
    for row in rows:
        # Angle or square brackets in a label are text, not markup.
        table.add_row(*(cell.replace("[", r"\[") for cell in row))
    Console(highlight=False).print(table)


def span(low: float | None, high: float | None) -> str:
    """An interval for a table.

    Examples
    --------
    >>> span(5.12, 5.7), span(None, 5.7)
    ('5.12 to 5.70', 'open to 5.70')
    """
    return f"{newtons(low)} to {newtons(high)}"
