"""`gauge backup`: a checked copy of a season, also of one in use."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import FILE, json_option, season_argument
from gauge.printed import emit_json, say


@click.command("backup", no_args_is_help=True)
@season_argument
@click.argument("copy", type=FILE)
@json_option
def command(season: Path, copy: Path, as_json: bool) -> None:
    """Write a checked copy of a season.

    The season may be in use. The copy is read back and compared with its digests before it gets its
    name. To restore it, close all programs that use the season and copy it back.

    \b
    gauge backup 2026.season /media/stick/2026-07-14.season
    """  # noqa: D301
    from gauge.season.file import open_season

    with open_season(season, read_only=True) as file:
        digest = file.backup(copy)
    if as_json:
        emit_json({"copy": str(copy), "digest": digest})
    else:
        say(f"{copy} is a checked copy of {season}. Last digest {digest}.")
