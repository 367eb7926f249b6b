"""`gauge simulate`: a virtual gauge that berries are pressed on, or check weights hung from."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import click

from gauge.clikit import say

if TYPE_CHECKING:
    from gauge.simulate.server import Server

FAULTS = ("noise", "unit", "overload", "cut")


@click.command("simulate")
@click.option(
    "--format",
    "format_name",
    default="number-unit",
    metavar="NAME|FILE",
    help="Line format: a shipped one by name, or a file.  [default: number-unit]",
)
@click.option(
    "--line",
    "template",
    metavar="TEMPLATE",
    help=r"The line itself, as '{value:7.2f} {unit}\r\n', if it cannot be derived.",
)
@click.option(
    "--tcp",
    "tcp_port",
    type=click.IntRange(0, 65535),
    metavar="PORT",
    help="Serve socket://127.0.0.1:PORT instead of a pseudo-terminal; 0 for any.",
)
@click.option(
    "--com-port",
    is_flag=True,
    help="Serve RFC 2217 on the TCP port: the client's speed, data bits and parity count.",
)
@click.option("--link", type=click.Path(path_type=Path), help="Also reachable by this link.")
@click.option(
    "--mode",
    type=click.Choice(["streaming", "polled", "button"]),
    help="Instead of the format's own.",
)
@click.option(
    "--rate-hz",
    type=click.FloatRange(0.5, 10_000),
    default=20.0,
    show_default=True,
    help="Readings a second.",
)
@click.option("--unit", "unit_name", help="Unit shown, if the format leaves it open.")
@click.option("--step", "step", default="0.01", show_default=True, help="Step of the display.")
@click.option(
    "--capacity-n",
    "capacity_newton",
    type=click.FloatRange(0.1),
    default=22.0,
    show_default=True,
    help="Beyond this the gauge says overload.",
)
@click.option(
    "--noise-n",
    "noise_newton",
    type=click.FloatRange(0),
    default=0.006,
    show_default=True,
    help="Standard deviation of its noise.",
)
@click.option(
    "--baseline-n",
    "baseline_newton",
    type=float,
    default=0.0,
    show_default=True,
    help="What it shows at rest.",
)
@click.option(
    "--gain-error",
    "gain_pct",
    type=click.FloatRange(-90, 900),
    default=0.0,
    show_default=True,
    help="Percent by which the gauge reads high.",
)
@click.option(
    "--baud", type=click.IntRange(50), help="Speed of the gauge, instead of the format's."
)
@click.option(
    "--bytesize",
    type=click.Choice(["7", "8"]),
    help="Data bits of the gauge, instead of the format's.",
)
@click.option(
    "--parity",
    type=click.Choice(["N", "E", "O"]),
    help="Parity of the gauge, instead of the format's.",
)
@click.option(
    "--client-framing",
    type=click.Choice(["7E1", "7O1", "8N1", "8E1", "8O1"]),
    help="Data bits and parity of the client, which a pseudo-terminal does not tell.",
)
@click.option(
    "--berries", type=click.IntRange(1), default=10, show_default=True, help="How many are pressed."
)
@click.option(
    "--mean-n",
    "mean_newton",
    type=click.FloatRange(0.05),
    default=3.0,
    show_default=True,
    help="Mean peak on the day of harvest.",
)
@click.option(
    "--cv",
    type=click.FloatRange(0, 2),
    default=0.3,
    show_default=True,
    help="Coefficient of variation of the peaks.",
)
@click.option(
    "--softening",
    type=click.FloatRange(0, 1),
    default=0.06,
    show_default=True,
    help="Share of the mean lost in a day of storage.",
)
@click.option(
    "--day", type=click.FloatRange(0), default=0.0, show_default=True, help="Day of storage."
)
@click.option(
    "--mass",
    "masses",
    multiple=True,
    metavar="500g",
    help="Hang this check weight instead of pressing berries; may be repeated.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    type=click.Choice(FAULTS),
    help="noise on the line, a unit switched halfway, an overload, an end mid-press.",
)
@click.option(
    "--speedup",
    type=click.FloatRange(0.01, 1000),
    default=1.0,
    show_default=True,
    help="Above 1 the hand is faster than life.",
)
@click.option("--seconds", type=click.FloatRange(0), help="Stop after so many seconds.")
@click.option("--forever", is_flag=True, help="Stay at rest when the berries are done.")
@click.option(
    "--linger",
    "linger_s",
    type=click.FloatRange(0),
    default=10.0,
    show_default=True,
    help="Seconds to wait for a client that left, or stay at rest at the end.",
)
@click.option(
    "--capture",
    "capture_file",
    type=click.Path(path_type=Path),
    help="Write what a logger would hear to this file, at once, and open no line.",
)
def command(
    format_name: str,
    template: str | None,
    tcp_port: int | None,
    com_port: bool,
    link: Path | None,
    mode: str | None,
    rate_hz: float,
    unit_name: str | None,
    step: str,
    capacity_newton: float,
    noise_newton: float,
    baseline_newton: float,
    gain_pct: float,
    baud: int | None,
    bytesize: str | None,
    parity: str | None,
    client_framing: str | None,
    berries: int,
    mean_newton: float,
    cv: float,
    softening: float,
    day: float,
    masses: tuple[str, ...],
    seed: int,
    faults: tuple[str, ...],
    speedup: float,
    seconds: float | None,
    forever: bool,
    linger_s: float,
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
    from gauge.simulate.berrymodel import Selection
    from gauge.simulate.course import course
    from gauge.simulate.linewriter import LineWriter
    from gauge.simulate.playback import recorded, serve
    from gauge.simulate.uart import Wire
    from gauge.simulate.virtualgauge import Display, Faults, VirtualGauge
    from gauge.units import parse_unit

    fmt = load_format(format_name)
    display = Display(
        step=_step(step),
        noise_newton=noise_newton,
        baseline_newton=baseline_newton,
        gain=1 + gain_pct / 100,
        capacity_newton=capacity_newton,
    )
    line = None if template is None else unescape(template).decode("latin-1")
    writer = LineWriter(fmt, template=line, decimals=display.decimals)
    unit = parse_unit(unit_name) if unit_name else writer.units()[0]
    selection = Selection(
        code="simulated", mean_newton=mean_newton, cv=cv, softening_per_day=softening
    )
    track = course(
        Random(seed), selection=selection, berries=berries, day=day, masses=masses,
        overload_newton=1.3 * capacity_newton if "overload" in faults else None, cut="cut" in faults,
    )  # fmt: skip
    upset = Faults(
        noise_share=0.02 if "noise" in faults else 0.0,
        unit_from_s=track.duration_s / 2 if "unit" in faults else math.inf,
        unit_then=next((u for u in writer.units() if u is not unit), None),
    )
    if "unit" in faults and upset.unit_then is None:
        raise click.UsageError("this line format shows one unit only, which cannot switch.")
    gauge = VirtualGauge(
        writer=writer,
        track=track,
        display=display,
        unit=unit,
        rate_hz=rate_hz,
        mode=mode or fmt.mode,
        seed=seed,
        faults=upset,
    )
    if capture_file is not None:
        write_whole(capture_file, (f"{line}\n" for line in write_capture(recorded(gauge))))
        say(f"{capture_file}: {track.duration_s:.1f} s written")
        return
    wire = Wire(
        baudrate=baud or fmt.baudrate or 9600,
        bytesize=int(bytesize or fmt.bytesize),
        parity=parity or fmt.parity,
        stopbits=fmt.stopbits,
    )
    client = None
    if client_framing:
        client = replace(wire, bytesize=int(client_framing[0]), parity=client_framing[1])
    end = _end(tcp_port, link, com_port=com_port)
    try:
        click.echo(end.address)
        played_s = serve(
            end, gauge, wire=wire, client_wire=client, request=fmt.request, speedup=speedup,
            seconds=seconds, forever=forever, linger_s=linger_s,
        )  # fmt: skip
    except KeyboardInterrupt:
        say("stopped")
    else:
        say(f"done: {min(played_s, track.duration_s):.1f} s of {track.duration_s:.1f} s played")
    finally:
        end.close()


def _step(text: str) -> Decimal:
    from decimal import InvalidOperation

    try:
        step = Decimal(text)
    except InvalidOperation:
        raise click.BadParameter(f"'{text}' is not a number.", param_hint="--step") from None
    if not (step.is_finite() and step > 0):
        raise click.BadParameter("the step must be above zero.", param_hint="--step")
    return step


def _end(tcp_port: int | None, link: Path | None, *, com_port: bool) -> Server:
    from gauge.simulate.server import PtyServer, TcpServer

    if tcp_port is None and not com_port:
        return PtyServer(link)
    if link is not None:
        raise click.UsageError("--link goes with a pseudo-terminal, not with --tcp.")
    return TcpServer(tcp_port or 0, com_port=com_port)
