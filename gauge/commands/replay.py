"""`gauge replay`: the berries of a capture, found again as if the gauge sent it now."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import FILE
from gauge.commands.goingon import on_terminal
from gauge.commands.options import begun_season, crop_option, format_option, loading_rate_option
from gauge.commands.statedsample import (
    StatedSample,
    more_option,
    new_option,
    requested_sample,
    sample_of,
)
from gauge.errors import NothingReceivedError
from gauge.plaintext import plural
from gauge.printed import echo, emit_json, say

if TYPE_CHECKING:
    from gauge.protocol.lineformat import LineFormat


@click.command("replay")
@click.argument("capture", type=FILE)
@format_option(required=True)
@click.option(
    "--season",
    "season_file",
    type=FILE,
    help="Store the berries in this season file; begun if there is none.",
)
@click.option("--sample", "code", metavar="CODE", help="Sample of the season that they belong to.")
@crop_option
@new_option
@more_option
@loading_rate_option
@click.option("--json", "as_json", is_flag=True, help="One JSON line for each berry.")
def command(
    capture: Path,
    format_name: str,
    season_file: Path | None,
    code: str | None,
    crop: str | None,
    new: bool,
    more: bool,
    loading_rate_per_s: tuple[float, float] | None,
    as_json: bool,
) -> None:
    """Find the peaks in a capture again.

    Prints the same lines as gauge log, as fast as the machine can. Gaps of the capture are gaps
    here too, and a press that the capture cuts short is no berry. With --season and --sample the
    berries and the capture are stored; the same capture is not taken twice for one sample. As for
    gauge log, a sample that a plan does not know needs --new, and a full one --more.

    \b
    gauge replay monday.capture --format my.toml
    gauge replay monday.capture --format my.toml --season 2026.season --sample C-07
    """  # noqa: D301
    if (season_file is None) != (code is None):
        raise click.UsageError("--season and --sample go together.")

    from gauge.port.claims import claim_sample
    from gauge.protocol.capture import load_capture
    from gauge.protocol.formatfile import load_format
    from gauge.records import Gap, Session
    from gauge.season.tables import now
    from gauge.session.berrystore import refuse_repeat
    from gauge.session.events import BerryLogged, Event, describe
    from gauge.session.recorder import BerryRecorder, DetectorSettings, rederivable
    from gauge.session.samplechoice import lacking

    fmt = load_format(format_name)
    name = capture.name
    settings = DetectorSettings(loading_rate_per_s=loading_rate_per_s)

    def show(events: list[Event]) -> None:
        for event in events:
            if isinstance(event, BerryLogged):
                if as_json:
                    emit_json(event.document())
                else:
                    echo(describe(event, name))
            elif not isinstance(event, Gap):
                say(describe(event, name))

    _refuse_unreadable(capture, fmt)
    with ExitStack() as held:
        place: dict[str, Any] = {}
        if season_file is not None and code is not None:
            stated = StatedSample(code, {"crop": crop})
            requested = requested_sample(season_file, stated, new=new, ask=on_terminal())
            season = held.enter_context(begun_season(season_file, crop=crop))
            held.enter_context(claim_sample(season_file, code))
            row = sample_of(season, requested)
            refuse_repeat(season, row, load_capture(capture))
            lacking(row, more=more)
            session = Session(started_at=now(), note=f"replay of {name}")
            session = rederivable(session, fmt, settings)
            place = {"season": season, "sample": row, "session_id": season.add_session(session)}
        recorder = BerryRecorder(fmt, settings=settings, **place)
        for item in load_capture(capture):
            show(recorder.feed(item))
        show(recorder.close())
    counts = recorder.framer.counts
    berries, readings = plural(recorder.n_logged, "berry"), plural(counts.readings, "reading")
    say(f"{berries} in {readings}; {plural(counts.rejected, 'line')} rejected.")


def _refuse_unreadable(capture: Path, fmt: LineFormat) -> None:
    """Read a capture through: a bad one must not begin a season, or half of one."""
    from gauge.protocol.capture import load_capture
    from gauge.protocol.framing import Framer
    from gauge.records import Chunk

    framer = Framer(fmt)
    for item in load_capture(capture):
        if isinstance(item, Chunk) and not framer.counts.readings:
            framer.feed(item.t_ns, item.data)
    if not framer.counts.readings:
        raise NothingReceivedError(
            f"{capture}: not one line is as the line format {fmt.name} says.",
            todo="Check --format; 'gauge learn' makes a format.",
        )
