"""`gauge void`: take a berry out of use, with a reason. Nothing is deleted."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import document, emit_json, json_option, season_argument


@click.command("void", no_args_is_help=True)
@season_argument
@click.argument("berry_id", type=int)
@click.option("--why", required=True, help="The reason; it is kept with the berry.")
@json_option
def command(season: Path, berry_id: int, why: str, as_json: bool) -> None:
    """Void a berry, with a reason.

    A voided berry stays in the season file and is left out of every calculation; a void cannot be
    taken back. BERRY_ID is the id that 'gauge readings' lists, not the number of the berry in its
    sample. The last berry's number is free again, so that the next press is that berry.

    \b
    gauge void 2026.season 41 --why "slipped off the stand"
    """  # noqa: D301
    from gauge.season.file import open_season

    with open_season(season) as file:
        file.void(berry_id, why)
        berry = file.berry(berry_id)
    if as_json:
        emit_json(document(berry, "berry_id", "sample", "number", "void"))
        return
    peak = f", {berry.peak_shown} {berry.peak_unit}" if berry.peak_shown else ""
    click.echo(
        f"Berry {berry_id} is void (sample {berry.sample}, berry {berry.number}{peak}): "
        f"{berry.void}."
    )
