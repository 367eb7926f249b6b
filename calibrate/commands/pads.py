"""`calibrate pads`: presses of durable pads, which show whether gauge and newton stay the same."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import gauge
from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit, with_unit
from gauge.clikit import echo
from gauge.errors import InvalidValueError, TooFewScoresError
from gauge.units import MOST_NEWTON, newtons, parse_unit

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile

force_option = click.option(
    "--force", "forces", multiple=True, help="What the gauge showed; repeat for further presses."
)
unit_option = click.option("--unit", default="N", help="Unit of --force.")


@options.command("pads", unit="of season")
@options.season_argument
@click.argument("pad", required=False)
@force_option
@unit_option
@click.option("--batch", help="Of the pad; remembered.")
@click.option(
    "--made", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
    help="Day on which the pad was made; remembered.",
)  # fmt: skip
@options.number_option("--temp-c", "Temperature of the pad, C.", low=-30, high=60)
@options.as_of_option()
def command(
    season: Path,
    pad: str | None,
    forces: tuple[str, ...],
    unit: str,
    batch: str | None,
    made: datetime | None,
    temp_c: float | None,
    as_of: date,
) -> None:
    """Record presses of a durable pad, or list the pads.

    Does the gauge repeat, and is a newton still a newton? A pad keeps its force: it is an anchor at
    any age, links seasons ('calibrate compare'), and several presses of it on a day show how far
    the gauge differs from itself. A pad of another batch is another pad.

    \b
    calibrate pads 2026.season PAD-A --force 3.02 --force 3.05 --force 3.01 --batch 7 --temp-c 21
    calibrate pads 2026.season
    """  # noqa: D301
    forces_newton = forces_shown(forces, unit)
    with gauge.open_season(season, read_only=pad is None) as file:
        if pad is None:
            _list(file, as_of)
        elif not forces_newton:
            raise click.UsageError("A pad's press needs --force.")
        else:
            day = None if made is None else made.date().isoformat()
            about = {"batch": batch, "made_on": day, "temp_c": temp_c}
            _press(file, pad, forces_newton, about, as_of)


def forces_shown(forces: Sequence[str], shown_unit: str) -> list[float]:
    """Return forces as a gauge showed them in newtons; refuse what no berry has."""
    found = [newtons(force.replace(",", "."), parse_unit(shown_unit)) for force in forces]
    for newton, force in zip(found, forces, strict=True):
        if not 0 < newton <= MOST_NEWTON:
            what = "no force of compression" if newton <= 0 else "a force that no berry has"
            raise InvalidValueError(
                f"{force} {shown_unit} is {what}.", todo="Give what the gauge showed."
            )
    return found


def _press(
    file: SeasonFile, label: str, forces_newton: list[float], about: dict[str, Any], as_of: date
) -> None:
    """Store presses of a pad; batch and day of making are those of its last press, if not said."""
    from gauge.season.rows import PadPressRow

    before = [row for row in file.pad_presses() if row.pad == label]
    if before:
        known = {"batch": before[-1].batch, "made_on": before[-1].made_on}
        if about["batch"] in {None, known["batch"]}:
            about = about | {name: about[name] or known[name] for name in known}
    for newton in forces_newton:
        row = PadPressRow(pad=label, at=options.moment(as_of), force_newton=newton, **about)
        file.add_pad_press(row)
    mean = sum(forces_newton) / len(forces_newton)
    found = {"pad": label, "force_N": mean, "presses": len(forces_newton), **about}
    if not answers.emitted(found):
        shown = ", ".join(map(with_unit, forces_newton))
        answers.say(f"pad {label}: {shown} kept")


def _list(file: SeasonFile, as_of: date) -> None:
    """List the pads, and how the gauge repeats on them."""
    from calibrate.anchors.candidates import pads_of, repeated_presses
    from calibrate.stats.measurement import repeatability

    rows = file.pad_presses()
    pads = pads_of(rows)
    try:
        found = repeatability(repeated_presses(rows))
    except TooFewScoresError:
        found = None
    names = ("name", "batch", "temp_c", "presses", "force_newton", "sd_newton")
    listed = [
        answers.document(pad, *names)
        | {"made_on": pad.made_on and str(pad.made_on), "pressed_on": str(pad.pressed_on)}
        for pad in pads
    ]
    repeats = found and {"sd_N": found.sd, "coefficient_N": found.coefficient, "df": found.df}
    if answers.emitted({"pads": listed, "repeatability": repeats}):
        return
    answers.print_table(
        ["pad", "batch", "age", "C", "pressed on", "presses", f"force {unit()}", f"SD {unit()}"],
        [
            [
                pad.name,
                pad.batch or "-",
                "-" if pad.made_on is None else f"{(as_of - pad.made_on).days} d",
                "-" if pad.temp_c is None else f"{pad.temp_c:g}",
                str(pad.pressed_on or "-"),
                str(pad.presses),
                format_newton(pad.force_newton),
                format_newton(pad.sd_newton, missing="-"),
            ]
            for pad in pads
        ],
        left=(0, 1),
    )
    if found is None:
        echo("Press a pad several times a day to learn how the gauge repeats (--force, repeated).")
        return
    echo(
        f"The gauge repeats on pads with a standard deviation of {with_unit(found.sd)} "
        f"({found.df} degrees of freedom).\nA fit takes that error out of the cut points by "
        f"--gauge-sd {found.sd:.3g} (N), if fruit is pressed in the same way."
    )
