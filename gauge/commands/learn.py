"""`gauge learn`: listen to a gauge and write its line format."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import FILE, emit_json, json_option, number_option, say
from gauge.errors import AlreadyThereError, CannotWriteError, NotSureError, StoppedError
from gauge.outfile import is_database, write_whole

if TYPE_CHECKING:
    from gauge.learn.inference import Learned
    from gauge.learn.received import Received
    from gauge.units import Unit


@click.command("learn")
@click.option("--port", required=True, help="Serial port, or a URL such as socket://host:4001.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FORMAT.toml",
    help="Line format to write. What was received is kept beside it, in FORMAT.received.txt.",
)
@click.option(
    "--received",
    "received_file",
    type=FILE,
    help="Keep what was received in this file, also where no format is found.",
)
@click.option("--yes", is_flag=True, help="Do not ask; requests may be sent to a silent gauge.")
@click.option(
    "--request",
    "texts",
    multiple=True,
    metavar="TEXT",
    help=r"Also try this request on a silent gauge; \r, \n and \xNN are understood.",
)
@click.option("--unit", "unit_name", metavar="U", help="Unit on the display, if lines have none.")
@number_option(
    "--seconds",
    "Longest time to listen at the setting that fits; trying one takes about 2 s.",
    low=1,
    high=3600,
    default=20.0,
)
@json_option
def command(
    port: str,
    out: Path,
    received_file: Path | None,
    yes: bool,
    texts: tuple[str, ...],
    unit_name: str | None,
    seconds: float,
    as_json: bool,
) -> None:
    """Listen to a gauge and write its line format.

    Plug the gauge in, let it send, and squeeze its head slowly, twice, when asked.

    \b
    gauge learn --port /dev/ttyUSB0 --out bench.toml
    gauge learn --port COM3 --out bench.toml --unit N --request "D\\r"

    When more than one format is possible, it says what would decide between them and writes none.
    """  # noqa: D301
    from gauge.learn.listener import PortListener
    from gauge.learn.received import NoUnitError
    from gauge.learn.sweep import Sweep, requests
    from gauge.protocol.capture import unescape
    from gauge.protocol.formatfile import dump_format
    from gauge.units import parse_unit

    _check_target(out, ask=not yes)
    unit = parse_unit(unit_name) if unit_name else None
    given = [unescape(text) for text in texts]

    def asks() -> Sequence[bytes]:
        question = "Nothing was received. Send requests (READ?, W) to the gauge?"
        return requests(given) if yes or click.confirm(question, err=True) else ()

    def sweep(unit: Unit | None) -> Learned:
        listener = PortListener(port)
        speed = not port.startswith("socket://")
        sweep = Sweep(
            listener, seconds=seconds, takes_speed=speed, unit=unit, asks=asks, report=say
        )
        try:
            return sweep.run()
        finally:
            listener.close()
            received.extend(sweep.received)
            if received_file is not None:
                write_whole(received_file, _capture_lines(received))

    received: list[Received] = []
    try:
        try:
            learned = sweep(unit)
        except NoUnitError as error:
            if yes:
                raise
            say(error.what)
            learned = sweep(parse_unit(click.prompt("Unit on the display, such as N", err=True)))
        _describe(learned)
        if not yes:
            _confirm(learned)
    except (KeyboardInterrupt, click.Abort):
        raise StoppedError(
            "stopped; no format was written.", todo="Run gauge learn again when the gauge is ready."
        ) from None
    if received_file is None:
        write_whole(out.with_name(f"{out.stem}.received.txt"), _capture_lines(received))
    write_whole(out, [dump_format(replace(learned.fmt, name=out.stem))])
    say(f"{out}: written.")
    if as_json:
        emit_json(_document(learned, out))


def _capture_lines(received: Sequence[Received]) -> Iterator[str]:
    """Write what was received as capture text, one setting after the other."""
    from gauge.protocol.capture import escape, write_capture
    from gauge.records import Chunk

    since_ns = 0
    for one in received:
        asked = f", asked {escape(one.request)}" if one.request else ""
        yield f"# {one.settings}{asked}{'' if one.chunks else ': silent'}\n"
        shifted = [Chunk(since_ns + c.t_ns, c.data) for c in one.chunks]
        yield from (f"{line}\n" for line in write_capture(shifted))
        since_ns = shifted[-1].t_ns + 1 if shifted else since_ns


def _describe(learned: Learned) -> None:
    from gauge.protocol.capture import escape

    fmt = learned.fmt
    say(f"Received {learned.n_lines} lines at {fmt.settings}, mode {fmt.mode}.")
    line = escape(learned.largest_line.encode("latin-1"))
    say(f"Line with the largest force:  {line}")
    say(f"which is read as:             {learned.largest_shown} {learned.largest_unit}")
    for note in learned.notes:
        say(f"Note: {note}.")


def _check_target(out: Path, *, ask: bool) -> None:
    """Refuse before anybody squeezes what could not be written after."""
    if not out.parent.is_dir():
        raise CannotWriteError(
            f"there is no folder {out.parent}.", todo="Make it, or name another."
        )
    if not out.exists():
        return
    if is_database(out):
        raise AlreadyThereError(
            f"{out} is a season file or another database, and stays as it is.",
            todo="Give --out a name such as bench.toml.",
        )
    if ask and not click.confirm(f"{out} exists. Replace it by what is learned now?", err=True):
        raise AlreadyThereError(f"{out} exists and stays as it is.", todo="Give --out a new name.")


def _confirm(learned: Learned) -> None:
    shown = f"{learned.largest_shown} {learned.largest_unit}"
    # Enter says neither: the answer decides whether every force is read rightly, and a no throws
    # away what was learned.
    question = f"Did the display show {shown} at the hardest squeeze?"
    if not click.confirm(question, default=None, err=True):
        raise NotSureError(
            f"the display did not show {shown}; no format was written.",
            todo="Learn again; if the unit is wrong, give --unit.",
        )


def _document(learned: Learned, out: Path) -> dict[str, object]:
    fmt = learned.fmt
    return {
        "baudrate": fmt.settings.baudrate,
        "mode": fmt.mode,
        "pattern": fmt.pattern,
        "format": str(out),
        "framing": fmt.settings.framing,
        "request": None if fmt.request is None else fmt.request.decode("latin-1"),
        "unit": str(fmt.unit or learned.largest_unit),
        "lines": learned.n_lines,
        "largest": float(learned.largest_shown),
        "largest_line": learned.largest_line,
        "notes": list(learned.notes),
    }
