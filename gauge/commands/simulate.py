"""`gauge simulate`: a virtual gauge that berries are pressed on, or check weights hung from."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import FILE, echo, number_option, read_by, record_options, say
from gauge.commands.options import format_option
from gauge.errors import PortError
from gauge.outfile import write_whole

if TYPE_CHECKING:
    from gauge.protocol.lineformat import LineFormat, SerialSettings
    from gauge.simulate.berrymodel import Selection
    from gauge.simulate.server import Server
    from gauge.simulate.virtualgauge import Display, VirtualGauge
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


def make_display(*, gain_error: float, **shown: Any) -> Display:
    """Make the display from its options; `gain_error` is in percent."""
    from gauge.simulate.virtualgauge import Display

    return Display(gain=1 + gain_error / 100, **shown)


def make_selection(*, softening: float, **known: Any) -> Selection:
    """Make the selection whose berries are pressed from its options."""
    from gauge.simulate.berrymodel import Selection

    return Selection(code="simulated", softening_per_day=softening, **known)


line_options = record_options(
    "line",
    dict,
    number_option(
        "--tcp",
        "Serve socket://127.0.0.1:PORT instead of a pseudo-terminal; 0 for any.",
        low=0,
        high=65535,
        whole=True,
        name="tcp_port",
        metavar="PORT",
    ),
    click.option(
        "--com-port",
        is_flag=True,
        help="Serve RFC 2217 on the TCP port: the client's speed, data bits and parity count.",
    ),
    click.option("--link", type=FILE, help="Also reachable by this link."),
)
display_options = record_options(
    "display",
    make_display,
    click.option("--step", default="0.01", callback=read_by(read_step), help="Display step."),
    number_option("--capacity-n", "Beyond this the gauge says overload.", low=0.1, default=22.0),
    number_option("--noise-n", "Standard deviation of its noise.", low=0, default=0.006),
    number_option("--baseline-n", "What it shows at rest.", default=0.0),
    number_option(
        "--gain-error", "Percent by which the gauge reads high.", low=-90, high=900, default=0.0
    ),
)
serial_options = record_options(
    "serial",
    dict,
    number_option("--baud", "Speed, instead of the format's.", low=50, whole=True, name="baudrate"),
    click.option("--bytesize", type=click.Choice([7, 8]), help="Data bits, likewise."),
    click.option("--parity", type=click.Choice(["N", "E", "O"]), help="Parity, likewise."),
    click.option(
        "--client-framing",
        type=click.Choice(["7E1", "7O1", "8N1", "8E1", "8O1"]),
        help="Data bits and parity of the client, which a pseudo-terminal does not report.",
    ),
)
selection_options = record_options(
    "selection",
    make_selection,
    number_option("--mean-n", "Mean peak on the day of harvest.", low=0.05, default=3.0),
    number_option("--cv", "Coefficient of variation of the peaks.", low=0, high=2, default=0.3),
    number_option(
        "--softening", "Share of the mean lost in a day of storage.", low=0, high=1, default=0.06
    ),
)
press_options = record_options(
    "pressed",
    dict,
    number_option("--berries", "How many are pressed.", low=1, whole=True, default=10),
    number_option("--day", "Day of storage.", low=0, default=0.0),
    click.option(
        "--mass",
        "masses",
        multiple=True,
        metavar="500g",
        help="Hang this check weight instead of pressing berries; may be repeated.",
    ),
)
play_options = record_options(
    "play",
    dict,
    number_option(
        "--speedup",
        "Above 1 berries are pressed faster than in life.",
        low=0.01,
        high=1000,
        default=1.0,
    ),
    number_option("--seconds", "Stop after so many seconds.", low=0),
    click.option("--forever", is_flag=True, help="Stay at rest when the berries are done."),
    number_option(
        "--linger",
        "Seconds to wait for a client that left, and at the end.",
        low=0,
        default=10.0,
        name="linger_s",
    ),
)


@click.command("simulate")
@format_option(default="number-unit")
@click.option(
    "--line",
    "template",
    metavar="TEMPLATE",
    help=r"The line itself, as '{value:7.2f} {unit}\r\n', if it cannot be derived.",
)
@line_options
@click.option(
    "--mode", type=click.Choice(["streaming", "polled", "button"]), help="Instead of the format's."
)
@number_option("--rate-hz", "Readings a second.", low=0.5, high=10_000, default=20.0)
@click.option("--unit", "unit_name", help="Unit shown, if the format leaves it open.")
@display_options
@serial_options
@selection_options
@press_options
@click.option("--seed", default=1, help="Same seed, same bytes.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    type=click.Choice(FAULTS),
    help="noise on the line, a unit switched halfway, an overload, an end mid-press.",
)
@play_options
@click.option(
    "--capture",
    "capture_file",
    type=FILE,
    help="Write what a logger would receive to this file, at once, and open no line.",
)
def command(
    format_name: str,
    template: str | None,
    line: dict[str, Any],
    mode: str | None,
    rate_hz: float,
    unit_name: str | None,
    display: Display,
    serial: dict[str, Any],
    selection: Selection,
    pressed: dict[str, Any],
    seed: int,
    faults: tuple[str, ...],
    play: dict[str, Any],
    capture_file: Path | None,
) -> None:
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
    from gauge.simulate.berrymodel import simulated_track
    from gauge.simulate.linewriter import LineWriter
    from gauge.simulate.playback import recorded
    from gauge.simulate.virtualgauge import VirtualGauge
    from gauge.units import parse_unit

    fmt, client = _stated(load_format(format_name), mode, **serial)
    text = None if template is None else unescape(template).decode("latin-1")
    writer = LineWriter(fmt, template=text, decimals=display.decimals)
    unit = parse_unit(unit_name) if unit_name else writer.units[0]
    other_unit = next((u for u in writer.units if u is not unit), None)
    track = simulated_track(
        Random(seed),
        selection=selection,
        overload_newton=1.3 * display.capacity_newton if "overload" in faults else None,
        cut="cut" in faults,
        **pressed,
    )
    gauge = VirtualGauge(
        writer=writer,
        track=track,
        display=display,
        unit=unit,
        rate_hz=rate_hz,
        seed=seed,
        **_faults(faults, track.duration_s / 2, other_unit),
    )
    if capture_file is not None:
        write_whole(capture_file, (f"{line}\n" for line in write_capture(recorded(gauge))))
        say(f"{capture_file}: {track.duration_s:.1f} s written")
        return
    _serve(_server(**line), gauge, client=client, **play)


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


def _stated(
    fmt: LineFormat, mode: str | None, client_framing: str | None, **stated: Any
) -> tuple[LineFormat, SerialSettings | None]:
    """Return the format with what was stated of it and, where stated, the client's settings."""
    given = {name: value for name, value in stated.items() if value is not None}
    settings = replace(fmt.settings, **{"baudrate": fmt.settings.baudrate or 9600} | given)
    fmt = replace(fmt, mode=mode or fmt.mode, settings=settings)
    if client_framing is None:
        return fmt, None
    return fmt, replace(settings, bytesize=int(client_framing[0]), parity=client_framing[1])


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
