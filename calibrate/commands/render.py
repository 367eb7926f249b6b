"""Tables and numbers for people: what the commands print when no JSON is asked for.

Plain text at 80 columns, readable without colour. Nothing is computed here.
"""

from __future__ import annotations

from calibrate.data.labels import format_newton
from gauge.clikit import print_table

__all__ = ["print_table", "span"]


def span(low: float | None, high: float | None) -> str:
    """An interval for a table.

    Examples
    --------
    >>> span(5.12, 5.7), span(None, 5.7)
    ('5.12 to 5.70', 'open to 5.70')
    """
    return f"{format_newton(low)} to {format_newton(high)}"
