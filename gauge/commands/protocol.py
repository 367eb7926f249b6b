"""`gauge protocol`: how a season's berries are pressed, shown and set."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import json_option, season_argument
from gauge.plaintext import plural
from gauge.pressprotocol import PARTS
from gauge.printed import echo, emit_json

_KEYS = "; ".join(f"{name} ({part.called}, {part.typed})" for name, part in PARTS.items())


@click.command("protocol", no_args_is_help=True)
@season_argument
@click.option(
    "--set", "settings", metavar="KEY=VALUE", multiple=True,
    help=f"{_KEYS}. Nothing after = clears it.",
)  # fmt: skip
@click.option("--session", "session_id", type=int, help="Of this session, where it differs.")
@json_option
def command(season: Path, settings: tuple[str, ...], session_id: int | None, as_json: bool) -> None:
    """Show or set how berries are pressed.

    What is stated here stands on the card, in the report and in the methods; nothing else does.
    A session that differs (another head, by 'gauge log --head-mm' or --protocol) is named by fit,
    table and compare. What stood there before is kept in the change log.

    \b
    gauge protocol 2026.season
    gauge protocol 2026.season --set head_mm=8 --set speed=2 --set "end=5 mm"
    gauge protocol 2026.season --session 3 --set head_mm=12
    """  # noqa: D301
    from gauge.pressprotocol import PressProtocol
    from gauge.season.file import open_season

    with open_season(season, read_only=not settings) as file:
        usual, stated = file.protocol, file.protocol
        if session_id is not None:
            stated = PressProtocol.of(file.session(session_id).session, PressProtocol())
        if settings:
            stated = stated.with_typed(settings)
            file.set_protocol(stated, session_id)
            usual = file.protocol
        found = {row.session_id: PressProtocol.of(row.session, usual) for row in file.sessions()}
        pressed = {berry.session_id for berry in file.berries()}
    shown = stated if session_id is None else usual.but(stated)
    others = {i: one.words() for i, one in found.items() if one != usual and session_id is None}
    if as_json:
        parts = {name: shown.stated.get(name) for name in PARTS}
        emit_json({**parts, "sessions": {i: found[i].stated for i in others}})
        return
    for name, part in PARTS.items():
        echo(f"{part.called:24}  {shown.said(name) or 'not stated'}")
    for i, words in others.items():
        echo(f"session {i}: {words}")
    if settings and session_id is None and (alike := pressed & (found.keys() - others.keys())):
        n = plural(len(alike), "session")
        echo(f"It holds for {n} pressed before, too; --session N states what was another way.")
