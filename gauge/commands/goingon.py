"""How `gauge log` goes on where the last session on this machine left: shown, then begun.

What is remembered lies in the folder that FIRMHAND_HOME names, or in the platform's own.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.errors import FirmhandError, NothingReceivedError, StoppedError
from gauge.printed import say

if TYPE_CHECKING:
    from gauge.records import Session
    from gauge.session.memory import Place

_ZERO_S = 1.0  # s; readings are taken for so long to show the zero


def home() -> Path:
    """Return the folder in which this machine's last session is remembered."""
    return Path(os.environ.get("FIRMHAND_HOME") or click.get_app_dir("firmhand"))


def on_terminal() -> bool:
    """Return whether somebody can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def remember(place: Place) -> None:
    """Keep a place for the next session on this machine."""
    from gauge.port.serialport import serial_ports
    from gauge.session.memory import store

    store(home(), place, serial_ports())


def complete(
    port: str | None,
    format_name: str | None,
    season: Path | None,
    session: Session,
    raters: tuple[str, ...],
    blind: bool,
) -> tuple[Place, bool, str | None]:
    """Complete what was typed by what is remembered; return if anything was, and what is odd."""
    from gauge.port.serialport import serial_ports
    from gauge.session.memory import OF_SESSION, Place, found, load

    typed: dict[str, Any] = {name: getattr(session, name) for name in OF_SESSION}
    typed |= {"port": port, "format_name": format_name, "season": season and str(season)}
    typed |= {"raters": raters, "blind": blind}
    if port and format_name and season:
        return Place(**typed), False, None
    last, odd = load(home()), None
    if last is None:
        raise click.UsageError(
            "no session is remembered on this machine: 'gauge start' sets everything up, or give "
            "--port, --format and --season."
        )
    if port is None:
        last, odd = found(last, serial_ports())
    elif port != last.port:
        last = replace(last, usb=None, gauge=None, gauge_serial=None)
    return replace(last, **{name: value for name, value in typed.items() if value}), True, odd


def agreed(
    lines: list[str], odd: str | None, *, yes: bool, measured: dict[str, Any] | None = None
) -> bool:
    """Show where a session goes on, and wait for Enter; False where the tech changes something.

    Where `measured` is given, the state of the fruit is asked in the same breath, and put into it.
    A `StoppedError` says that the tech does not want it, or that nobody can be asked.
    """
    for line in lines:
        say(line)
    if odd:
        say(f"!  {odd}")
    if yes and not odd:
        return True
    if not on_terminal():
        todo = "Give --port, --format and --season." if odd else "Give --yes to go on so."
        raise StoppedError("nobody can be asked here whether this is right.", todo=todo)
    from gauge.session.samplechoice import fruit_values

    words = "Enter to go on, c to change, q to quit"
    if measured is not None:
        say("Or type the fruit's °C, and its hours out of the store, as 18 2.")
    while True:
        answer = click.prompt(words, default="", show_default=False, err=True).strip().lower()
        if answer in {"q", "n", "no"}:
            raise StoppedError("nothing was begun.")
        if measured is None or not answer or answer == "c":
            return answer != "c"
        try:
            measured |= fruit_values(answer)
            return True
        except FirmhandError as error:
            say(str(error))


def zero(place: Place) -> str:
    """Read what the gauge shows now; the session itself opens the port anew."""
    import statistics

    from gauge.port.portreader import receive
    from gauge.protocol.formatfile import load_format
    from gauge.protocol.framing import Framer
    from gauge.records import Chunk

    fmt = load_format(place.format_name)
    if fmt.mode == "button":
        return "is sent when its key is pressed"
    framer, until_s = Framer(fmt), time.monotonic() + _ZERO_S
    readings = []
    for item in receive(place.port, fmt):
        readings += framer.feed(item.t_ns, item.data) if isinstance(item, Chunk) else []
        if time.monotonic() > until_s or len(readings) > 20:
            break
    if not readings:
        raise NothingReceivedError(
            f"{place.port}: nothing that {fmt.name} can read came in {_ZERO_S:g} s.",
            todo="Switch the gauge on, and let it send; 'gauge learn' makes a new format.",
        )
    level = statistics.median(reading.value for reading in readings)
    return f"{round(level, 2) + 0.0:.2f} {readings[-1].unit} (tare the gauge if it is not zero)"
