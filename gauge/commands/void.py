"""`gauge void`: take a berry out of use, or back into it, with a reason. Nothing is deleted."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import json_option, season_argument
from gauge.errors import AlreadyThereError
from gauge.printed import document, echo, emit_json


def _ranges(
    _context: click.Context, _argument: click.Parameter, typed: tuple[str, ...]
) -> list[range]:
    """Read ids, and the first and last of several: 31-60."""
    found = []
    for text in typed:
        first, _, last = text.partition("-")
        last = last or first
        if not (first.isdecimal() and last.isdecimal() and int(first) <= int(last)):
            raise click.BadParameter(
                f"'{text}' is no berry id such as 41, nor ids such as 31-60. "
                "'gauge readings' lists them."
            )
        found.append(range(int(first), int(last) + 1))
    return found


@click.command("void", no_args_is_help=True)
@season_argument
@click.argument("berry_id", nargs=-1, required=True, callback=_ranges)
@click.option("--undo", is_flag=True, help="Take a void back.")
@click.option("--why", required=True, help="The reason; it is kept in the change log.")
@json_option
def command(season: Path, berry_id: list[range], undo: bool, why: str, as_json: bool) -> None:
    """Void berries, or take their voids back, with a reason.

    A voided berry stays in the season file and is left out of every calculation. BERRY_ID is the id
    that 'gauge readings' lists, not the number of the berry in its sample; 31-60 are thirty, such
    as a sheet that was imported with the wrong unit. The last berry's number is free again, so that
    the next press is that berry; where it was pressed again, a void that is taken back gives the
    berry the next free number.

    \b
    gauge void 2026.season 41 --why "slipped off the stand"
    gauge void 2026.season 41 --undo --why "it was berry 42 that slipped"
    gauge void 2026.season 31-60 --why "newtons, imported as kgf"
    """  # noqa: D301
    from gauge.season.file import open_season

    with open_season(season) as file:
        rows = {row.berry_id: row for row in file.berries()}
        for end in (end for several in berry_id for end in (several[0], several[-1])):
            if end not in rows:
                file.berry(end)  # says what is not there
        before = [row for row in rows.values() if any(row.berry_id in each for each in berry_id)]
        unfit = [str(row.berry_id) for row in before if (row.void is None) == undo]
        if unfit and len(before) > 1:
            raise AlreadyThereError(
                f"Not void: {', '.join(unfit)}." if undo else f"Void already: {', '.join(unfit)}.",
                todo="Nothing was changed. Leave those out.",
            )
        for row in before:
            if undo:
                file.take_back_void(row.berry_id, why)
            else:
                file.void(row.berry_id, why)
        rows = {row.berry_id: row for row in file.berries()}
    berries = [rows[row.berry_id] for row in before]
    if as_json:
        found = [document(berry, "berry_id", "sample", "number", "void") for berry in berries]
        emit_json(found[0] if len(found) == 1 else found)
        return
    for old, berry in zip(before, berries, strict=True):
        peak = f", {berry.peak_shown} {berry.peak_unit}" if berry.peak_shown else ""
        what = f"sample {berry.sample}, berry {berry.number}{peak}"
        if not undo:
            echo(f"Berry {berry.berry_id} is void ({what}): {berry.void}.")
            continue
        echo(f"Berry {berry.berry_id} counts again ({what}).")
        if berry.number != old.number:
            echo(f"Its number {old.number} was pressed again, so it is {berry.number} now.")
