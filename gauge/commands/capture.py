"""`gauge capture`: every byte that a session received, as text for `gauge replay`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import FILE, json_option, season_argument
from gauge.errors import NoSuchRecordError
from gauge.outfile import CAPTURE, write_whole
from gauge.printed import document, emit_json, print_table, say

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import SessionRow


@click.command("capture", no_args_is_help=True)
@season_argument
@click.argument("session", type=int, required=False)
@click.option("--out", type=FILE, help="The text file to write.")
@json_option
def command(season: Path, session: int | None, out: Path | None, as_json: bool) -> None:
    """Write a session's capture as text.

    Without a session, the sessions of the season are listed. A line of the text is a time in
    nanoseconds, a tab, and the bytes that the gauge sent; 'gauge replay' finds the peaks in it
    again.

    \b
    gauge capture 2026.season
    gauge capture 2026.season 3 --out session3.txt
    """  # noqa: D301
    from gauge.season.file import open_season

    if session is not None and out is None:
        raise click.UsageError("Name the text file to write: --out FILE.")
    with open_season(season, read_only=True) as file:
        if session is None or out is None:
            _list(file.sessions(), as_json)
            return
        n_bytes = _write(file, session, out)
    if as_json:
        emit_json({"session": session, "file": str(out), "bytes": n_bytes})
    else:
        say(f"Session {session}: {n_bytes} bytes written to {out}.")


def _write(file: SeasonFile, session: int, out: Path) -> int:
    """Write a session's capture; return its number of bytes."""
    from gauge.protocol.capture import write_capture

    row = file.session(session)
    n_bytes = sum(len(chunk.data) for chunk in file.chunks(session))
    if not n_bytes:
        raise NoSuchRecordError(
            f"{file.path}: session {session} received nothing.", todo="No text was written."
        )

    def lines() -> Iterator[str]:
        gauge = " ".join(filter(None, [row.session.gauge, row.session.gauge_serial]))
        yield f"# session {session} of {file.code}, begun {row.session.started_at}\n"
        for name, value in (("gauge", gauge), ("line format", row.session.line_format)):
            if value:
                yield f"# {name}: {' '.join(value.split())}\n"
        for line in write_capture(file.received(session)):
            yield f"{line}\n"

    write_whole(out, lines(), kind=CAPTURE)
    return n_bytes


def _list(rows: list[SessionRow], as_json: bool) -> None:
    listed = [
        {"session": row.session_id, "ended_at": row.ended_at}
        | document(row.session, "started_at", "purpose", "operator", "gauge")
        for row in rows
    ]
    if as_json:
        emit_json(listed)
    elif listed:
        keys = ["session", "purpose", "started_at", "ended_at", "operator"]
        header = ["session", "purpose", "begun", "ended", "operator"]
        cells = [[str(row[key] or "-") for key in keys] for row in listed]
        print_table(header, cells, left=range(1, 5))
    else:
        say("This season has no session yet.")
