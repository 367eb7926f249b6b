"""Options that several `gauge` commands share."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import click

from gauge.clikit import F, number_option, read_by
from gauge.errors import InvalidValueError


def _read_loading_rate(text: str) -> tuple[float, float]:
    """Read a range of loading rates in N/s, such as ``0.5-3``."""
    low, _, high = text.partition("-")
    try:
        rate_newton_s = float(low), float(high)
    except ValueError:
        raise click.BadParameter(f"'{text}' is not a range such as 0.5-3.") from None
    if not 0 <= rate_newton_s[0] < rate_newton_s[1] < math.inf:
        raise InvalidValueError(
            f"'{text}' is no range of loading rates.", todo="Give LOW-HIGH in N/s, such as 0.5-3."
        )
    return rate_newton_s


def format_option(**more: Any) -> Callable[[F], F]:
    """Make the option of the line format, as `load_format` takes it."""
    text = "Line format: a file that gauge learn wrote, or a shipped one by name."
    return click.option("--format", "format_name", metavar="FORMAT.toml", help=text, **more)


loading_rate_option = click.option(
    "--loading-rate",
    "loading_rate_newton_s",
    metavar="LOW-HIGH",
    callback=read_by(_read_loading_rate),
    help="Planned rate of loading in N/s; presses outside it are flagged.",
)
capacity_option = number_option("--capacity-n", "Capacity of the gauge, in N.", above=0)
gauge_options = (
    click.option("--operator", help="Who works at the gauge."),
    click.option("--gauge", help="Name of the gauge."),
    click.option("--serial-number", "gauge_serial", help="Serial number of the gauge."),
)
