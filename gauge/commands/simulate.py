"""`gauge simulate`: a virtual gauge that berries are pressed on, or check weights hung from."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import FILE, NOT_NEGATIVE, record_options, say
from gauge.errors import PortError

if TYPE_CHECKING:
    from gauge.protocol.lineformat import LineFormat, SerialSettings
    from gauge.simulate.berrymodel import Track
    from gauge.simulate.server import Server
    from gauge.simulate.virtualgauge import Display, Faults
    from gauge.units import Unit

FAULTS = ("noise", "unit", "overload", "cut")


def read_step(_ctx: click.Context, _param: click.Parameter, text: str) -> Decimal:
    """Read the step of a display with its digits."""
    try:
        step = Decimal(text)
    except InvalidOperation:
        raise click.BadParameter(f"'{text}' is not a number.") from None
    if not (step.is_finite() and step > 0):
        raise click.BadParameter("the step must be above zero.")
    return step


def make_display(*, gain_pct: float, **shown: Any) -> Display:
    """Make the display from its options."""
    from gauge.simulate.virtualgauge import Display

    return Display(gain=1 + gain_pct / 100, **shown)


line_options = record_options(
    "line",
    dict,
    click.option(
        "--tcp",
        "tcp_port",
        type=click.IntRange(0, 65535),
        metavar="PORT",
        help="Serve socket://127.0.0.1:PORT instead of a pseudo-terminal; 0 for any.",
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
    click.option("--step", default="0.01", callback=read_step, help="Step of the display."),
    click.option(
        "--capacity-n",
        "capacity_newton",
        type=click.FloatRange(0.1),
        default=22.0,
        help="Beyond this the gauge says overload.",
    ),
    click.option(
        "--noise-n",
        "noise_newton",
        type=NOT_NEGATIVE,
        default=0.006,
        help="Standard deviation of its noise.",
    ),
    click.option("--baseline-n", "baseline_newton", default=0.0, help="What it shows at rest."),
    click.option(
        "--gain-error",
        "gain_pct",
        type=click.FloatRange(-90, 900),
        default=0.0,
        help="Percent by which the gauge reads high.",
    ),
)
serial_options = record_options(
    "serial",
    dict,
    click.option(
        "--baud", "baudrate", type=click.IntRange(50), help="Speed, instead of the format's."
    ),
    click.option("--bytesize", type=click.Choice([7, 8]), help="Data bits, likewise."),
    click.option("--parity", type=click.Choice(["N", "E", "O"]), help="Parity, likewise."),
    click.option(
        "--client-framing",
        type=click.Choice(["7E1", "7O1", "8N1", "8E1", "8O1"]),
        help="Data bits and parity of the client, which a pseudo-terminal does not tell.",
    ),
)
press_options = record_options(
    "pressed",
    dict,
    click.option("--berries", type=click.IntRange(1), default=10, help="How many are pressed."),
    click.option(
        "--mean-n",
        "mean_newton",
        type=click.FloatRange(0.05),
        default=3.0,
        help="Mean peak on the day of harvest.",
    ),
    click.option(
        "--cv", type=click.FloatRange(0, 2), default=0.3, help="Coefficient of variation of peaks."
    ),
    click.option(
        "--softening",
        "softening_per_day",
        type=click.FloatRange(0, 1),
        default=0.06,
        help="Share of the mean lost in a day.",
    ),
    click.option("--day", type=NOT_NEGATIVE, default=0.0, help="Day of storage."),
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
    click.option(
        "--speedup",
        type=click.FloatRange(0.01, 1000),
        default=1.0,
        help="Above 1 berries are pressed faster than in life.",
    ),
    click.option("--seconds", type=NOT_NEGATIVE, help="Stop after so many seconds."),
    click.option("--forever", is_flag=True, help="Stay at rest when the berries are done."),
    click.option(
        "--linger",
        "linger_s",
        type=NOT_NEGATIVE,
        default=10.0,
        help="Seconds to wait for a client that left, or stay at rest at the end.",
    ),
)


@click.command("simulate")
@click.option(
    "--format",
    "format_name",
    default="number-unit",
    metavar="NAME|FILE",
    help="Line format: a shipped one by name, or a file.",
)
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
@click.option(
    "--rate-hz", type=click.FloatRange(0.5, 10_000), default=20.0, help="Readings a second."
)
@click.option("--unit", "unit_name", help="Unit shown, if the format leaves it open.")
@display_options
@serial_options
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
    from gauge.outfile import write_whole
    from gauge.protocol.capture import unescape, write_capture
    from gauge.protocol.formatfile import load_format
    from gauge.simulate.linewriter import LineWriter
    from gauge.simulate.playback import recorded, serve
    from gauge.simulate.virtualgauge import VirtualGauge
    from gauge.units import parse_unit

    fmt = load_format(format_name)
    text = None if template is None else unescape(template).decode("latin-1")
    writer = LineWriter(fmt, template=text, decimals=display.decimals)
    unit = parse_unit(unit_name) if unit_name else writer.units()[0]
    other_unit = next((u for u in writer.units() if u is not unit), None)
    track = _track(seed, faults, display.capacity_newton, **pressed)
    gauge = VirtualGauge(
        writer=writer,
        track=track,
        display=display,
        unit=unit,
        rate_hz=rate_hz,
        mode=mode or fmt.mode,
        seed=seed,
        faults=_faults(faults, track.duration_s / 2, other_unit),
    )
    if capture_file is not None:
        write_whole(capture_file, (f"{line}\n" for line in write_capture(recorded(gauge))))
        say(f"{capture_file}: {track.duration_s:.1f} s written")
        return
    settings, client = _settings(fmt, **serial)
    server = _server(**line)
    try:
        click.echo(server.address)
        played_s = serve(
            server, gauge, settings=settings, client=client, request=fmt.request, **play
        )
    except KeyboardInterrupt:
        say("stopped")
    else:
        say(f"done: {min(played_s, track.duration_s):.1f} s of {track.duration_s:.1f} s played")
    finally:
        server.close()


def _track(
    seed: int,
    faults: Sequence[str],
    capacity_newton: float,
    *,
    berries: int,
    day: float,
    masses: tuple[str, ...],
    **selection: float,
) -> Track:
    """Draw what happens at the head."""
    from gauge.simulate.berrymodel import Selection, simulated_track

    return simulated_track(
        Random(seed),
        selection=Selection(code="simulated", **selection),
        berries=berries,
        day=day,
        masses=masses,
        overload_newton=1.3 * capacity_newton if "overload" in faults else None,
        cut="cut" in faults,
    )


def _faults(names: Sequence[str], halfway_s: float, other_unit: Unit | None) -> Faults:
    """Make the faults of the line and the display."""
    from gauge.simulate.virtualgauge import Faults

    if "unit" in names and other_unit is None:
        raise click.UsageError("this line format shows one unit only, which cannot switch.")
    return Faults(
        noise_share=0.02 if "noise" in names else 0.0,
        unit_from_s=halfway_s if "unit" in names else math.inf,
        unit_then=other_unit,
    )


def _settings(
    fmt: LineFormat,
    *,
    baudrate: int | None,
    bytesize: int | None,
    parity: str | None,
    client_framing: str | None,
) -> tuple[SerialSettings, SerialSettings | None]:
    """Return the line settings of the gauge and, where stated, of the client."""
    settings = replace(
        fmt.settings,
        baudrate=baudrate or fmt.baudrate or 9600,
        bytesize=bytesize or fmt.bytesize,
        parity=parity or fmt.parity,
    )
    if client_framing is None:
        return settings, None
    return settings, replace(settings, bytesize=int(client_framing[0]), parity=client_framing[1])


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
