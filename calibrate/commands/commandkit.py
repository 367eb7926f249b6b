"""Options that several `calibrate` commands share. No command is here."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from calibrate.cuts.fitting import ForceChoice
    from calibrate.cuts.source import CalibrationChoice

Function = Callable[..., Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class FitOptions:
    """How a command is to fit where no calibration is stored.

    Attributes
    ----------
    force_scale : {"linear", "log", "auto"}
    firmest : {"first", "last"}
    scores : str or None
        Scale of a CSV, as it was typed.
    level : float
        Of the intervals.
    """

    force_scale: ForceChoice
    firmest: str
    scores: str | None
    level: float

    def choice(self, source: Path, name: str | None = None) -> CalibrationChoice:
        """The stored calibration of that name, or the fit of the source's own pairs.

        Examples
        --------
        >>> how = FitOptions(force_scale="log", firmest="first", scores=None, level=0.95)
        >>> how.choice(Path("2026.season"), "panel").name
        'panel'
        """
        from calibrate.cuts.source import CalibrationChoice

        return CalibrationChoice(
            source=source,
            name=name,
            force_scale=self.force_scale,
            firmest=self.firmest,
            scores=self.scores,
            level=self.level,
        )


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

    The command receives them as `how`, a `FitOptions`, and, if `stored`, `calibration_name`.

    Parameters
    ----------
    stored : bool
        Whether a calibration stored in the season file may be named.

    Examples
    --------
    >>> @click.command()
    ... @calibration_options(stored=False)
    ... def show(how: FitOptions) -> str:
    ...     return how.force_scale
    >>> show.main(["--force-scale", "log"], standalone_mode=False)
    'log'
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
        @functools.wraps(function)
        def with_options(
            *, force_scale: ForceChoice, firmest: str, scores: str | None, level: float, **own: Any
        ) -> Any:
            how = FitOptions(force_scale=force_scale, firmest=firmest, scores=scores, level=level)
            return function(how=how, **own)

        for option in reversed(options):
            with_options = option(with_options)
        return with_options

    return decorate
