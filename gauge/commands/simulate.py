"""`gauge simulate`: a virtual gauge that berries are pressed on, or check weights hung from."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import option, receives
from gauge.commands.options import format_option
from gauge.errors import PortError
from gauge.outfile import CAPTURE, write_whole
from gauge.printed import echo, say

if TYPE_CHECKING:
    from gauge.protocol.lineformat import LineFormat, SerialSettings
    from gauge.simulate.server import Server
    from gauge.simulate.virtualgauge import VirtualGauge
    from gauge.units import Unit

FAULTS = ("noise", "unit", "overload", "cut")


def read_step(text: str) -> Decimal:
    """Read the step of a display with its digits."""
    try:
        step = Decimal(text)
    except InvalidOperation:
        raise click.BadParameter(f"'{text}' is not a number.") from None
    if not (step.is_finite() and step > 0):
        raise click.BadParameter("the step must be above zero.")
    return step


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    template: str | None = option(
        r"The line itself, as '{value:7.2f} {unit}\r\n', if it cannot be derived.",
        "--line",
        metavar="TEMPLATE",
    )
    tcp_port: int | None = option(
        "Serve socket://127.0.0.1:PORT instead of a pseudo-terminal; 0 for any.",
        "--tcp",
        low=0,
        high=65535,
        metavar="PORT",
    )
    com_port: bool = option(
        "Serve RFC 2217 on the TCP port: the client's speed, data bits and parity count."
    )
    link: Path | None = option("Also reachable by this link.")
    mode: str | None = option(
        "Instead of the format's.", type=click.Choice(["streaming", "polled", "button"])
    )
    rate_hz: float = option("Readings a second.", low=0.5, high=10_000, default=20.0)
    unit_name: str | None = option("Unit shown, if the format leaves it open.", "--unit")
    step: Decimal = option("Display step.", default="0.01", read=read_step)
    capacity_newton: float = option(
        "Beyond this the gauge says overload.", "--capacity-n", low=0.1, default=22.0
    )
    noise_newton: float = option(
        "Standard deviation of its noise.", "--noise-n", low=0, default=0.006
    )
    baseline_newton: float = option("What it shows at rest.", "--baseline-n", default=0.0)
    gain_error: float = option(
        "Percent by which the gauge reads high.", low=-90, high=900, default=0.0
    )
    baudrate: int | None = option("Speed, instead of the format's.", "--baud", low=50)
    bytesize: int | None = option("Data bits, likewise.", type=click.Choice([7, 8]))
    parity: str | None = option("Parity, likewise.", type=click.Choice(["N", "E", "O"]))
    client_framing: str | None = option(
        "Data bits and parity of the client, which a pseudo-terminal does not report.",
        type=click.Choice(["7E1", "7O1", "8N1", "8E1", "8O1"]),
    )
    mean_newton: float = option(
        "Mean peak on the day of harvest.", "--mean-n", low=0.05, default=3.0
    )
    cv: float = option("Coefficient of variation of the peaks.", low=0, high=2, default=0.3)
    softening: float = option(
        "Share of the mean lost in a day of storage.", low=0, high=1, default=0.06
    )
    berries: int = option("How many are pressed.", low=1, default=10)
    day: float = option("Day of storage.", low=0, default=0.0)
    masses: tuple[str, ...] = option(
        "Hang this check weight instead of pressing berries; may be repeated.",
        "--mass",
        metavar="500g",
    )
    seed: int = option("Same seed, same bytes.", default=1)
    faults: tuple[str, ...] = option(
        "noise on the line, a unit switched halfway, an overload, an end mid-press.",
        "--fault",
        type=click.Choice(FAULTS),
    )
    speedup: float = option(
        "Above 1 berries are pressed faster than in life.", low=0.01, high=1000, default=1.0
    )
    seconds: float | None = option("Stop after so many seconds.", low=0)
    forever: bool = option("Stay at rest when the berries are done.")
    linger_s: float = option(
        "Seconds to wait for a client that left, and at the end.", "--linger", low=0, default=10.0
    )
    capture_file: Path | None = option(
        "Write what a logger would receive to this file, at once, and open no line.", "--capture"
    )


@click.command("simulate")
@format_option(default="number-unit")
@receives(_Asked)
def command(asked: _Asked, format_name: str) -> None:
    """Run a virtual gauge.

    It prints the port to open, waits for a client, and presses seeded berries (or hangs check
    weights) while the client listens. It ends by itself when all are done.

    \b
    gauge simulate --link /tmp/gauge --berries 5
    gauge log --port /tmp/gauge --format number-unit --season a.season --sample A --berries 5
    \b
    gauge simulate --tcp 4001 --mass 200g --mass 500g --gain-error 2
    """  # noqa: D301
    from gauge.protocol.capture import unescape, write_capture
    from gauge.protocol.formatfile import load_format
    from gauge.simulate.berrymodel import Selection, simulated_track
    from gauge.simulate.linewriter import LineWriter
    from gauge.simulate.playback import recorded
    from gauge.simulate.virtualgauge import Display, VirtualGauge
    from gauge.units import parse_unit

    fmt, client = _stated(load_format(format_name), asked)
    text = None if asked.template is None else unescape(asked.template).decode("latin-1")
    shown = _some(asked, "step", "capacity_newton", "noise_newton", "baseline_newton")
    display = Display(gain=1 + asked.gain_error / 100, **shown)
    writer = LineWriter(fmt, template=text, decimals=display.decimals)
    unit = parse_unit(asked.unit_name) if asked.unit_name else writer.units[0]
    other_unit = next((u for u in writer.units if u is not unit), None)
    softening, known = asked.softening, _some(asked, "mean_newton", "cv")
    track = simulated_track(
        Random(asked.seed),
        selection=Selection(code="simulated", softening_per_day=softening, **known),
        overload_newton=1.3 * display.capacity_newton if "overload" in asked.faults else None,
        cut="cut" in asked.faults,
        **_some(asked, "berries", "day", "masses"),
    )
    gauge = VirtualGauge(
        writer=writer,
        track=track,
        display=display,
        unit=unit,
        rate_hz=asked.rate_hz,
        seed=asked.seed,
        **_faults(asked.faults, track.duration_s / 2, other_unit),
    )
    if asked.capture_file is not None:
        lines = (f"{line}\n" for line in write_capture(recorded(gauge)))
        write_whole(asked.capture_file, lines, kind=CAPTURE)
        say(f"{asked.capture_file}: {track.duration_s:.1f} s written")
        return
    play = _some(asked, "speedup", "seconds", "forever", "linger_s")
    _serve(_server(asked.tcp_port, asked.com_port, asked.link), gauge, client=client, **play)


def _some(asked: _Asked, *names: str) -> dict[str, Any]:
    return {name: getattr(asked, name) for name in names}


def _serve(server: Server, gauge: VirtualGauge, **play: Any) -> None:
    """Play the gauge on a line until it is done or stopped, and say how far it came."""
    from gauge.simulate.playback import serve

    duration_s = gauge.track.duration_s
    try:
        echo(server.address)
        played_s = serve(server, gauge, **play)
    except KeyboardInterrupt:
        say("stopped")
    else:
        say(f"done: {min(played_s, duration_s):.1f} s of {duration_s:.1f} s played")
    finally:
        server.close()


def _faults(names: Sequence[str], halfway_s: float, other_unit: Unit | None) -> dict[str, Any]:
    """Return the faults of the line and the display, as of a virtual gauge."""
    if "unit" in names and other_unit is None:
        raise click.UsageError("this line format shows one unit only, which cannot switch.")
    faults: dict[str, Any] = {"noise_share": 0.02} if "noise" in names else {}
    if "unit" in names:
        faults |= {"unit_from_s": halfway_s, "unit_then": other_unit}
    return faults


def _stated(fmt: LineFormat, asked: _Asked) -> tuple[LineFormat, SerialSettings | None]:
    """Return the format with what was stated of it and, where stated, the client's settings."""
    stated = _some(asked, "baudrate", "bytesize", "parity")
    given = {name: value for name, value in stated.items() if value is not None}
    settings = replace(fmt.settings, **{"baudrate": fmt.settings.baudrate or 9600} | given)
    fmt = replace(fmt, mode=asked.mode or fmt.mode, settings=settings)
    if (framing := asked.client_framing) is None:
        return fmt, None
    return fmt, replace(settings, bytesize=int(framing[0]), parity=framing[1])


def _server(tcp_port: int | None, com_port: bool, link: Path | None) -> Server:
    from gauge.simulate.server import TcpServer

    if tcp_port is None and not com_port:
        if sys.platform == "win32":
            raise PortError("there are no pseudo-terminals here.", todo="Use --tcp PORT.")
        else:
            from gauge.simulate.ptyserver import PtyServer

            return PtyServer(link)
    if link is not None:
        raise click.UsageError("--link goes with a pseudo-terminal, not with --tcp.")
    return TcpServer(tcp_port or 0, com_port=com_port)
