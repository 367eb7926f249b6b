"""Options that several `calibrate` commands share. No command is here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

Function = Callable[..., Any]


firmest_option = click.option(
    "--firmest",
    type=click.Choice(["first", "last"]),
    default="first",
    show_default=True,
    help="Whether the first (lowest) score of the scale is the firmest, or the last.",
)
scores_option = click.option("--scores", help="The scale of a CSV, such as 1-5 or firm,soft.")
level_option = click.option(
    "--level",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=0.95,
    show_default=True,
    help="Level of the intervals.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")


def calibration_options(*, stored: bool = True) -> Callable[[Function], Function]:
    """Add the options that say where a calibration comes from.

    The command receives `force_scale`, `firmest`, `scores`, `level` and, if `stored`,
    `calibration_name`.

    Parameters
    ----------
    stored : bool
        Whether a calibration stored in the season file may be named.
    """
    options = [
        click.option(
            "--force-scale",
            type=click.Choice(["linear", "log", "auto"]),
            default="linear",
            show_default=True,
            help="Scale of force in a fit; auto chooses by AIC.",
        ),
        firmest_option,
        scores_option,
        level_option,
    ]
    if stored:
        options.append(
            click.option(
                "--calibration",
                "calibration_name",
                metavar="NAME",
                help="Take this stored calibration of the season file instead of fitting.",
            )
        )

    def decorate(function: Function) -> Function:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate
