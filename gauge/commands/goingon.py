"""How `gauge log` goes on where the last session on this machine left: remembered, shown, asked.

What is remembered lies in the folder that FIRMHAND_HOME names, or in the platform's own.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from gauge.clikit import say
from gauge.errors import NothingReceivedError, StoppedError
from gauge.records import Session

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.session.memory import LastSession

_ZERO_S = 1.0  # s; readings are taken for so long to show the zero


class Scoring(NamedTuple):
    """Who scores berries by finger, and whether the force is hidden until they have."""

    raters: tuple[str, ...]
    blind: bool


class Place(NamedTuple):
    """Where berries are logged, with what and by whom; `odd` is what the tech must know first."""

    port: str
    format_name: str
    season: Path
    session: Session
    scoring: Scoring
    odd: str | None = None


def home() -> Path:
    """Return the folder in which this machine's last session is remembered."""
    return Path(os.environ.get("FIRMHAND_HOME") or click.get_app_dir("firmhand"))


def on_terminal() -> bool:
    """Return whether somebody can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def complete(
    port: str | None,
    format_name: str | None,
    season: Path | None,
    session: Session,
    scoring: Scoring,
) -> tuple[Place, bool]:
    """Complete what was typed by what is remembered; tell whether anything had to be."""
    if port and format_name and season:
        return Place(port, format_name, season, session, scoring), False
    from gauge.port.serialport import serial_ports
    from gauge.session.memory import find_port, load

    last = load(home())
    if last is None:
        raise click.UsageError(
            "no session is remembered on this machine: 'gauge start' sets everything up, or give "
            "--port, --format and --season."
        )
    found, odd = (port, None) if port else find_port(last, serial_ports())
    place = Place(
        found or last.port,
        format_name or last.format_name,
        season or Path(last.season),
        # Its name and serial number are those of a gauge that is plugged in, or of none.
        session if odd or (port and port != last.port) else _named(session, last),
        scoring if scoring.raters else Scoring(last.raters, last.blind),
        odd,
    )
    return place, True


def _named(session: Session, last: LastSession) -> Session:
    names = ("gauge", "gauge_serial", "operator", "head_mm", "capacity_newton")
    return replace(session, **{n: getattr(session, n) or getattr(last, n) for n in names})


def remember(place: Place) -> None:
    """Keep a place for the next session on this machine."""
    from gauge.port.serialport import serial_ports
    from gauge.session.memory import LastSession, store

    session = place.session
    shipped = not Path(place.format_name).exists()
    info = next((info for info in serial_ports() if info.port == place.port), None)
    real = os.path.abspath(place.port) if os.path.exists(place.port) else place.port
    last = LastSession(
        port=real,
        usb=info.identity if info else None,
        format_name=place.format_name if shipped else str(Path(place.format_name).absolute()),
        season=str(place.season.absolute()),
        raters=place.scoring.raters,
        blind=place.scoring.blind,
        **{
            name: getattr(session, name)
            for name in ("gauge", "gauge_serial", "operator", "head_mm", "capacity_newton")
        },
    )
    store(home(), last)


def confirm(place: Place, lines: Sequence[str], *, yes: bool) -> Place:
    """Show where a session goes on, and wait for Enter; return the place, changed if asked to.

    Raises
    ------
    StoppedError
        If the tech says no.
    """
    for line in lines:
        say(line)
    if place.odd:
        say(f"!  {place.odd}")
    if yes and not place.odd:
        return place
    if not on_terminal():
        todo = "Give --port, --format and --season." if place.odd else "Give --yes to go on so."
        raise StoppedError("nobody can be asked here whether this is right.", todo=todo)
    answer = click.prompt(
        "Enter to go on, c to change, q to quit", default="", show_default=False, err=True
    ).strip()
    if answer.lower() in {"q", "n", "no"}:
        raise StoppedError("nothing was begun.")
    return _changed(place) if answer.lower() == "c" else place


def _changed(place: Place) -> Place:
    """Ask for each thing, with what is known as the answer of Enter."""

    def ask(words: str, known: str | None) -> str:
        text: str = click.prompt(words, default=known or "", show_default=bool(known), err=True)
        return text.strip()

    session, raters = place.session, ", ".join(place.scoring.raters)
    port = ask("port", place.port)
    format_name = ask("line format", place.format_name)
    season = Path(ask("season file", str(place.season)))
    session = replace(
        session,
        gauge=ask("name of the gauge", session.gauge) or None,
        gauge_serial=ask("its serial number", session.gauge_serial) or None,
        operator=ask("operator", session.operator) or None,
    )
    names = tuple(filter(None, (n.strip() for n in ask("raters, by commas", raters).split(","))))
    scoring = Scoring(names, place.scoring.blind and bool(names))
    return Place(port, format_name, season, session, scoring)


def summary(place: Place, season: SeasonFile | None, sample: str, days: float) -> list[str]:
    """List what a day begins with: season and sample, gauge and its check, zero, raters, due."""
    from datetime import date

    from gauge.season.checks import check_warning
    from gauge.session.daylists import due_line

    session = place.session
    named = session.gauge or session.gauge_serial or "(no name)"
    raters = " and ".join(place.scoring.raters) or "none"
    blind = ", blind" if place.scoring.blind else ""
    checks = season.verifications() if season else []
    check = check_warning(checks, days=days, gauge=session.gauge, gauge_serial=session.gauge_serial)
    head = f"{session.head_mm:g} mm" if session.head_mm else "not stated (--head-mm)"
    lines = [
        f"{place.season.name}, {sample}",
        f"gauge     {named} on {place.port}",
        f"check     {check or f'good, within {days:g} days'}",
        f"zero      {_zero(place)}",
        f"head      {head}",
        f"raters    {raters}{blind}",
        f"operator  {session.operator or 'not stated (--operator)'}",
    ]
    if season is not None:
        lines.append(due_line(season.samples(), date.today(), blind=place.scoring.blind))
    return lines


def _zero(place: Place) -> str:
    """Read what the gauge shows now; the session itself opens the port anew."""
    import statistics
    import time

    from gauge.port.portreader import reader_for
    from gauge.protocol.formatfile import load_format
    from gauge.protocol.framing import Framer
    from gauge.records import Chunk

    if place.odd:
        return "not read"
    fmt = load_format(place.format_name)
    if fmt.mode == "button":
        return "is sent when its key is pressed"
    framer, unit = Framer(fmt), ""
    values: list[float] = []
    with reader_for(place.port, fmt) as reader:
        until_s = time.monotonic() + _ZERO_S
        while time.monotonic() < until_s and len(values) < 20:
            for item in reader.get(0.1):
                if isinstance(item, Chunk):
                    for reading in framer.feed(item.t_ns, item.data):
                        values.append(reading.value)
                        unit = str(reading.unit)
    if not values:
        raise NothingReceivedError(
            f"{place.port}: nothing that {fmt.name} can read came in {_ZERO_S:g} s.",
            todo="Switch the gauge on, and let it send; 'gauge learn' makes a new format.",
        )
    return f"{statistics.median(values) + 0.0:.2f} {unit} (tare the gauge if it is not zero)"
