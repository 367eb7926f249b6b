"""`gauge void`: take a berry out of use, or back into it, with a reason. Nothing is deleted."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import document, echo, emit_json, json_option, season_argument


@click.command("void", no_args_is_help=True)
@season_argument
@click.argument("berry_id", type=int)
@click.option("--undo", is_flag=True, help="Take a void back.")
@click.option("--why", required=True, help="The reason; it is kept in the change log.")
@json_option
def command(season: Path, berry_id: int, undo: bool, why: str, as_json: bool) -> None:
    """Void a berry, or take its void back, with a reason.

    A voided berry stays in the season file and is left out of every calculation. BERRY_ID is the id
    that 'gauge readings' lists, not the number of the berry in its sample. The last berry's number
    is free again, so that the next press is that berry; where it was pressed again, a void that is
    taken back gives the berry the next free number.

    \b
    gauge void 2026.season 41 --why "slipped off the stand"
    gauge void 2026.season 41 --undo --why "it was berry 42 that slipped"
    """  # noqa: D301
    from gauge.season.file import open_season

    with open_season(season) as file:
        before = file.berry(berry_id)
        if undo:
            file.take_back_void(berry_id, why)
        else:
            file.void(berry_id, why)
        berry = file.berry(berry_id)
    if as_json:
        emit_json(document(berry, "berry_id", "sample", "number", "void"))
        return
    peak = f", {berry.peak_shown} {berry.peak_unit}" if berry.peak_shown else ""
    what = f"sample {berry.sample}, berry {berry.number}{peak}"
    if not undo:
        echo(f"Berry {berry_id} is void ({what}): {berry.void}.")
        return
    echo(f"Berry {berry_id} counts again ({what}).")
    if berry.number != before.number:
        echo(f"Its number {before.number} was pressed again, so it is {berry.number} now.")
