"""`gauge learn`: listen to a gauge and write its line format."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import json_option, option, receives
from gauge.errors import (
    AlreadyThereError,
    CannotWriteError,
    FirmhandError,
    NotSureError,
    StoppedError,
)
from gauge.outfile import CAPTURE, is_database, write_whole
from gauge.printed import emit_json, say

if TYPE_CHECKING:
    from gauge.learn.inference import Learned
    from gauge.learn.received import Received
    from gauge.units import Unit


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    port: str = option("Serial port, or a URL such as socket://host:4001.", required=True)
    out: Path = option(
        "Line format to write. What was received is kept beside it, in FORMAT.received.txt.",
        required=True,
        metavar="FORMAT.toml",
        type=click.Path(path_type=Path, dir_okay=False),
    )
    received_file: Path | None = option(
        "Keep what was received in this file, also where no format is found.", "--received"
    )
    yes: bool = option("Do not ask; requests may be sent to a silent gauge.")
    texts: tuple[str, ...] = option(
        r"Also try this request on a silent gauge; \r, \n and \xNN are understood.",
        "--request",
        metavar="TEXT",
    )
    unit_name: str | None = option(
        "Unit on the display, if lines have none.", "--unit", metavar="U"
    )
    seconds: float = option(
        "Longest time to listen at the setting that fits; trying one takes about 2 s.",
        low=1,
        high=3600,
        default=20.0,
    )


@click.command("learn")
@receives(_Asked)
@json_option
def command(asked: _Asked, as_json: bool) -> None:
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

    _check_target(asked.out, ask=not asked.yes)
    unit = parse_unit(asked.unit_name) if asked.unit_name else None
    given = [unescape(text) for text in asked.texts]

    def asks() -> Sequence[bytes]:
        question = "Nothing was received. Send requests (READ?, W) to the gauge?"
        return requests(given) if asked.yes or click.confirm(question, err=True) else ()

    def sweep(unit: Unit | None) -> Learned:
        listener = PortListener(asked.port)
        speed = not asked.port.startswith("socket://")
        sweep = Sweep(
            listener, seconds=asked.seconds, takes_speed=speed, unit=unit, asks=asks, report=say
        )
        try:
            return sweep.run()
        finally:
            listener.close()
            received.extend(sweep.received)
            if asked.received_file is not None:
                write_whole(asked.received_file, _capture_lines(received), kind=CAPTURE)

    received: list[Received] = []
    try:
        try:
            learned = sweep(unit)
        except NoUnitError as error:
            if asked.yes:
                raise
            say(error.what)
            learned = sweep(parse_unit(click.prompt("Unit on the display, such as N", err=True)))
        _describe(learned)
        if not asked.yes:
            _confirm(learned)
    except (KeyboardInterrupt, click.Abort):
        raise StoppedError(
            "stopped; no format was written.", todo="Run gauge learn again when the gauge is ready."
        ) from None
    if asked.received_file is None:
        beside = asked.out.with_name(f"{asked.out.stem}.received.txt")
        write_whole(beside, _capture_lines(received), kind=CAPTURE)
    write_whole(asked.out, [dump_format(replace(learned.fmt, name=asked.out.stem))])
    say(f"{asked.out}: written.")
    if as_json:
        emit_json(_document(learned, asked.out))


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
    if not ask and not is_format(out):  # --yes replaces formats alone
        raise AlreadyThereError(
            f"{out} exists and is no line format; it stays as it is.",
            todo="Give --out another name.",
        )
    if ask and not click.confirm(f"{out} exists. Replace it by what is learned now?", err=True):
        raise AlreadyThereError(f"{out} exists and stays as it is.", todo="Give --out a new name.")


def is_format(path: Path | str) -> bool:
    """Return whether a line format can be loaded from there."""
    from gauge.protocol.formatfile import load_format

    try:
        load_format(path)
    except FirmhandError:
        return False
    return True


def _confirm(learned: Learned) -> None:
    shown = f"{learned.largest_shown} {learned.largest_unit}"
    # Enter says neither: the answer decides whether every force is read rightly, and a no throws
    # away what was learned.
    question = f"Did the display show {shown} at the hardest squeeze?"
    if not click.confirm(question, default=None, err=True):
        raise NotSureError(
            f"the display did not show {shown}; no format was written.",
            todo="Learn again; if only the unit is wrong, 'gauge learn --unit' sets it.",
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
