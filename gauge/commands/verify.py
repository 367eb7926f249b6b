"""`gauge verify`: check weights on the gauge, the verdict, and the chart of the season."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import emit_json, say
from gauge.errors import StoppedError, VerificationFailedError

if TYPE_CHECKING:
    from gauge.protocol.lineformat import LineFormat
    from gauge.records import Chunk, Gap
    from gauge.season.file import SeasonFile
    from gauge.verify.checkweight import CheckResult, StableReading
    from gauge.verify.plateau import WeightWatch

_CAUTIONS = """\
Before you hang a weight: use the hook or holder made for it, lower it without a jerk, keep hands
and feet from under it, and stay below the capacity of the gauge. A falling weight can hurt, an
overload can ruin the cell. Follow your laboratory's rules. This is a check between calibrations;
it does not replace a calibration by a competent laboratory."""


@click.command("verify")
@click.option("--port", help="Port of the gauge, such as /dev/ttyUSB0 or socket://host:port.")
@click.option(
    "--capture",
    "capture_file",
    type=click.Path(path_type=Path),
    help="Judge a capture of the weights being hung, instead of a port.",
)
@click.option("--at", "taken_at", metavar="TIME", help="When the capture was taken (ISO 8601).")
@click.option("--format", "format_name", metavar="FORMAT.toml", help="Line format of the gauge.")
@click.option(
    "--season",
    "season_file",
    type=click.Path(path_type=Path),
    required=True,
    help="Season file that keeps the result.",
)
@click.option(
    "--mass",
    "masses",
    multiple=True,
    metavar="500g",
    help="A check weight in g, kg, lb or oz; once for each, in the order hung.",
)
@click.option(
    "--runs",
    type=click.IntRange(1, 20),
    default=1,
    show_default=True,
    help="How often the whole list is hung.",
)
@click.option("--latitude", type=float, help="Of the bench, in degrees; kept for next time.")
@click.option("--elevation", type=float, help="Of the bench, in m; kept with the latitude.")
@click.option(
    "--tolerance",
    type=click.FloatRange(0.01, 50),
    default=1.0,
    show_default=True,
    help="The lab's own, in percent of the force.",
)
@click.option(
    "--weight-class",
    type=click.Choice(["F2", "M1", "M2"]),
    help="OIML R 111 class of the weights; its limit counts against the gauge.",
)
@click.option(
    "--capacity-n", "capacity_newton", type=click.FloatRange(0.1), help="Capacity of the gauge."
)
@click.option("--gauge", "gauge_name", help="Name of the gauge.")
@click.option("--serial-number", help="Serial number of the gauge.")
@click.option("--operator", help="Who hangs the weights.")
@click.option(
    "--timeout",
    "timeout_s",
    type=click.FloatRange(1),
    default=60.0,
    show_default=True,
    help="Seconds to wait for each weight.",
)
@click.option(
    "--chart",
    "chart_file",
    type=click.Path(path_type=Path),
    help="Draw the season's control chart; without --mass only that.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    port: str | None,
    capture_file: Path | None,
    taken_at: str | None,
    format_name: str | None,
    season_file: Path,
    masses: tuple[str, ...],
    runs: int,
    latitude: float | None,
    elevation: float | None,
    tolerance: float,
    weight_class: str | None,
    capacity_newton: float | None,
    gauge_name: str | None,
    serial_number: str | None,
    operator: str | None,
    timeout_s: float,
    chart_file: Path | None,
    as_json: bool,
) -> None:
    """Check the gauge against check weights.

    Leave the gauge empty, hang the weights in the order named, take the last one off. No key is
    needed: each reading is taken when it is stable. The result is kept in the season file; the
    exit status says whether the gauge passed.

    \b
    gauge verify --port /dev/ttyUSB0 --format my.toml --season 2026.season \\
        --mass 200g --mass 500g --latitude 35.5 --elevation 250
    gauge verify --season 2026.season --chart weights.png
    """  # noqa: D301
    if not masses:
        if chart_file is None:
            raise click.UsageError("name a check weight: --mass 500g.")
        _chart(season_file, chart_file)
        return
    if (port is None) == (capture_file is None):
        raise click.UsageError("give --port, or --capture with a file.")
    if taken_at is not None and capture_file is None:
        raise click.UsageError("--at goes with --capture.")
    started_at = _utc(taken_at)
    if format_name is None:
        raise click.UsageError("give --format, the line format that gauge learn wrote.")
    from gauge.mass import parse_mass
    from gauge.protocol.formatfile import load_format
    from gauge.records import Session
    from gauge.season.file import open_season
    from gauge.verify.gravity import gravity_at
    from gauge.verify.verification import CheckSettings, verify

    fmt = load_format(format_name)
    hung = tuple(parse_mass(mass) for mass in masses) * runs
    with open_season(season_file, create=True) as season:
        given = latitude is not None or elevation is not None
        site = (latitude, elevation) if given else (season.latitude_deg, season.elevation_m)
        gravity = gravity_at(*site)
        if given:
            season.set_site(latitude_deg=latitude, elevation_m=elevation)
        settings = CheckSettings(
            masses=hung,
            gravity=gravity,
            tolerance_pct=tolerance,
            weight_class=weight_class,
            capacity_newton=capacity_newton or _last_capacity_newton(season),
            timeout_s=timeout_s,
        )
        say(_CAUTIONS)
        if settings.capacity_newton is None:
            say("The gauge's capacity is not known: give --capacity-n to guard against overload.")
        session = Session(
            started_at=started_at,
            purpose="verify",
            operator=operator,
            gauge=gauge_name,
            gauge_serial=serial_number,
            capacity_newton=settings.capacity_newton,
            port=port,
            line_format=fmt.name,
            note=None if capture_file is None else f"from {capture_file.name}",
        )
        heard = _recorded(capture_file) if port is None else _live(port, fmt)
        try:
            verdict, complete = verify(
                heard, fmt=fmt, season=season, session=session, settings=settings, tell=_tell
            )
        except KeyboardInterrupt:
            raise StoppedError(
                f"stopped before all weights were read; {season_file} keeps what was heard, but no "
                "result.",
                todo="Take the weight off, and run gauge verify again from the start.",
            ) from None
    if chart_file is not None:
        _chart(season_file, chart_file)
    if as_json:
        emit_json(verdict.document())
    else:
        _show(verdict)
    if not verdict.passed:
        missing = [w.mass.shown for w in verdict.weights if w.error_pct is None]
        why = (
            f"no stable reading on {', '.join(missing)} within {timeout_s:g} s"
            if not complete
            else "outside of the tolerance of " + f"{tolerance:g} %"
        )
        raise VerificationFailedError(
            f"the gauge failed its check: {why}.",
            todo="Do not log berries with it until it is mended and passes; the result is kept.",
        )


def _tell(watch: WeightWatch, step: StableReading | None) -> None:
    if step is not None:
        on = "empty" if step.mass is None else step.mass.shown
        say(f"  {on}: {step.shown} {step.unit}" + (" (stable)" if step.mass else ""))
    say("All read." if watch.done else f"Now {watch.action}.")


def _show(verdict: CheckResult) -> None:
    def text(value: float | None) -> str:
        return "-" if value is None else f"{value:+.2f}"

    click.echo(f"Gravity: {verdict.gravity.m_s2:.5f} m/s2, {verdict.gravity.source}")
    click.echo("Expected forces: conventional mass (8000 kg/m3, air 1.2 kg/m3)")
    click.echo(f"{'mass':>8} {'expected':>9} {'read':>9} {'error':>7} {'repeat':>7} "
               f"{'revers.':>7} {'step':>6}")  # fmt: skip
    click.echo(f"{'':>8} {'N':>9} {'N':>9} {'%':>7} {'%':>7} {'%':>7} {'%':>6}")
    for w in verdict.weights:
        read = (
            f"{sum(w.readings_newton) / len(w.readings_newton):9.4f}"
            if w.readings_newton
            else f"{'-':>9}"
        )
        click.echo(
            f"{w.mass.shown:>8} {w.expected_newton:9.4f} {read} {text(w.error_pct):>7} "
            f"{text(w.repeatability_pct):>7} {text(w.reversibility_pct):>7} "
            f"{w.resolution_pct:6.2f}  {'passed' if w.passed else 'FAILED'}"
        )
    if verdict.zero_return_newton is not None:
        click.echo(f"Zero after the weights: {verdict.zero_return_newton:+.4g} N")
    for warning in verdict.warnings:
        click.echo(f"Note: {warning}")
    word = "PASSED" if verdict.passed else "FAILED"
    click.echo(f"{word} against the lab's own tolerance of {verdict.tolerance_pct:g} %")


def _last_capacity_newton(season: SeasonFile) -> float | None:
    """The capacity that was stated last for this season's gauge."""
    stated = [
        row.session.capacity_newton for row in season.sessions() if row.session.capacity_newton
    ]
    return stated[-1] if stated else None


def _chart(season_file: Path, chart_file: Path) -> None:
    from gauge.season.checks import points_by_mass
    from gauge.season.file import open_season
    from gauge.verify.chart import draw_chart

    with open_season(season_file, read_only=True) as season:
        series = points_by_mass(season.verifications())
        draw_chart(series, chart_file, title=f"Check weights, {season.code}")
    say(f"{chart_file}: control chart written")


def _utc(taken_at: str | None) -> str:
    """The time of the check as ISO 8601 in UTC; now, unless it is told."""
    from datetime import UTC, datetime

    try:
        at = datetime.now(UTC) if taken_at is None else datetime.fromisoformat(taken_at)
    except ValueError:
        raise click.BadParameter(
            f"'{taken_at}' is no time such as 2026-07-06 or 2026-07-06T08:30.", param_hint="--at"
        ) from None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return at.astimezone(UTC).isoformat(timespec="seconds")


def _recorded(capture_file: Path | None) -> Iterator[Chunk | Gap]:
    from gauge.protocol.capture import load_capture

    assert capture_file is not None
    return load_capture(capture_file)


def _live(port: str, fmt: LineFormat) -> Iterator[Chunk | Gap]:
    from gauge.port.portreader import receive

    return receive(port, fmt)
