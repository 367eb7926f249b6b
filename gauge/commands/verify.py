"""`gauge verify`: check weights on the gauge, the verdict, and the chart of the season."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import json_option, option, receives
from gauge.commands.certificates import certificate_option, certify
from gauge.commands.options import GaugeOptions, begun_season, format_option
from gauge.errors import StoppedError, VerificationFailedError
from gauge.printed import echo, emit_json, print_table, say
from gauge.records import Chunk, Gap, Session
from gauge.verify.mass import Mass, parse_mass

if TYPE_CHECKING:
    from gauge.protocol.lineformat import LineFormat
    from gauge.season.file import SeasonFile
    from gauge.season.rows import CertificateRow, CheckweightRow
    from gauge.verify.checkweight import CheckResult, CheckSettings
    from gauge.verify.plateau import WeightWatch

_CAUTIONS = """\
Before you hang a weight: use the hook or holder made for it, lower it without a jerk, keep hands
and feet from under it, and stay below the capacity of the gauge. A falling weight can hurt, an
overload can ruin the cell. Follow your laboratory's rules. This is a check between calibrations;
it does not replace a calibration by a competent laboratory."""


def read_time(text: str) -> str:
    """Read a time in ISO 8601, in UTC where it does not say."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(
            f"'{text}' is no time such as 2026-07-06 or 2026-07-06T08:30."
        ) from None
    at = at if at.tzinfo else at.replace(tzinfo=UTC)
    return at.astimezone(UTC).isoformat(timespec="seconds")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(GaugeOptions):
    port: str | None = option("Port of the gauge, such as /dev/ttyUSB0 or socket://host:port.")
    capture: Path | None = option("Judge a capture of the weights being hung, instead of a port.")
    taken_at: str | None = option(
        "When the capture was taken (ISO 8601).", "--at", metavar="TIME", read=read_time
    )
    season_file: Path = option("Season file that keeps the result.", "--season", required=True)
    masses: tuple[Mass, ...] = option(
        "A check weight in g, kg, lb or oz; once for each, in the order hung.",
        "--mass",
        metavar="500g",
        read=lambda texts: tuple(map(parse_mass, texts)),
    )
    runs: int = option("How often the whole list is hung.", low=1, high=20, default=1)
    tolerance_pct: float = option(
        "The lab's own, in percent of the force.", "--tolerance", low=0.01, high=50, default=1.0
    )
    weight_class: str | None = option(
        "OIML R 111 class of the weights; its limit counts against the gauge.",
        type=click.Choice(["F2", "M1", "M2"]),
    )
    loading: str = option(
        "Whether weights hang from the gauge, or are set on its head while it stands upright: "
        "berries are pressed, so compression checks what is used.",
        type=click.Choice(["hanging", "compression"]),
        default="hanging",
    )
    timeout_s: float = option("Seconds to wait for each weight.", "--timeout", low=1, default=60.0)
    latitude_deg: float | None = option(
        "Of the bench, in degrees; kept for next time.", "--latitude"
    )
    elevation_m: float | None = option("Of the bench, in m; kept with the latitude.", "--elevation")
    chart_file: Path | None = option(
        "Draw the season's control chart; without --mass only that.", "--chart"
    )

    @property
    def named(self) -> dict[str, str | None]:
        """What the gauge is known by."""
        return {"gauge": self.gauge, "gauge_serial": self.gauge_serial}


@click.command("verify")
@format_option()
@receives(_Asked)
@certificate_option
@json_option
def command(
    asked: _Asked,
    format_name: str | None,
    certificates: tuple[CertificateRow, ...],
    as_json: bool,
) -> None:
    """Check the gauge against check weights.

    Leave the gauge empty, hang the weights in the order named, take the last one off. No key is
    needed: each reading is taken when it is stable. The result is kept in the season file, with the
    expanded uncertainty of a peak (k = 2); the exit status says whether the gauge passed.

    \b
    gauge verify --port /dev/ttyUSB0 --format my.toml --season 2026.season \\
        --mass 200g --mass 500g --latitude 35.5 --elevation 250
    gauge verify --season 2026.season --chart weights.png
    """  # noqa: D301
    if not asked.masses:
        _without_weights(asked, certificates)
        return
    fmt, received, taken = _source(asked, format_name)
    from gauge.season.checks import known_capacity
    from gauge.verify.verification import verify

    with begun_season(asked.season_file) as season:
        certify(season, certificates, **asked.named)
        known = known_capacity(season.sessions(), **asked.named)
        settings = _settings(season, asked, asked.capacity_newton or known)
        say(_CAUTIONS)
        if settings.capacity_newton is None:
            say("The gauge's capacity is not known: give --capacity-n to guard against overload.")
        session = Session(
            purpose="verify",
            capacity_newton=settings.capacity_newton,
            operator=asked.operator,
            gauge=asked.gauge,
            gauge_serial=asked.gauge_serial,
            **taken,
        )
        try:
            result = verify(received, fmt, season, session, settings, report=_Shown())
        except KeyboardInterrupt:
            raise StoppedError(
                f"stopped before all weights were read; {asked.season_file} keeps what was "
                "received, but no result.",
                todo="Take the weight off, and run gauge verify again from the start.",
            ) from None
    if asked.chart_file is not None:
        _chart(asked.season_file, asked.chart_file)
    emit_json(result.document()) if as_json else _show(result)
    if not result.passed:
        raise VerificationFailedError(
            f"the gauge failed its check: outside of the tolerance of {result.tolerance_pct:g} %.",
            todo="Do not log berries with it until it is fixed and passes; the result is kept.",
        )


def _without_weights(asked: _Asked, certificates: tuple[CertificateRow, ...]) -> None:
    """Keep certificates, or draw the chart: what needs no weight."""
    if certificates:
        with begun_season(asked.season_file) as season:
            certify(season, certificates, **asked.named)
    if asked.chart_file is not None:
        _chart(asked.season_file, asked.chart_file)
    elif not certificates:
        raise click.UsageError("name a check weight: --mass 500g.")


def _source(
    asked: _Asked, format_name: str | None
) -> tuple[LineFormat, Iterator[Chunk | Gap], dict[str, Any]]:
    """Return the line format, what is received, and what the session says of it."""
    from gauge.port.portreader import receive
    from gauge.protocol.capture import load_capture
    from gauge.protocol.formatfile import load_format
    from gauge.season.tables import now

    port, capture = asked.port, asked.capture
    if (port is None) == (capture is None):
        raise click.UsageError("give --port, or --capture with a file.")
    if asked.taken_at is not None and capture is None:
        raise click.UsageError("--at goes with --capture.")
    if format_name is None:
        raise click.UsageError("give --format, the line format that gauge learn wrote.")
    fmt = load_format(format_name)
    items = receive(port, fmt) if port is not None else load_capture(capture or "")
    note = None if capture is None else f"from {capture.name}"
    at = asked.taken_at or now()
    return fmt, items, {"started_at": at, "port": port, "note": note, "line_format": fmt.name}


def _settings(season: SeasonFile, asked: _Asked, capacity_newton: float | None) -> CheckSettings:
    """Complete what is stated by what the season knows of its site."""
    from gauge.verify.checkweight import CheckSettings
    from gauge.verify.gravity import gravity_at

    site = {"latitude_deg": asked.latitude_deg, "elevation_m": asked.elevation_m}
    if any(value is not None for value in site.values()):
        gravity = gravity_at(**site)
        season.set_site(**site)
    else:
        gravity = gravity_at(season.latitude_deg, season.elevation_m)
    return CheckSettings(
        masses=asked.masses * asked.runs,
        gravity=gravity,
        capacity_newton=capacity_newton,
        tolerance_pct=asked.tolerance_pct,
        weight_class=asked.weight_class,
        loading=asked.loading,
        timeout_s=asked.timeout_s,
    )


class _Shown:
    """Shows what to do and what is read, as it comes; on a terminal the live force too."""

    def __init__(self) -> None:
        self._live, self._width = sys.stderr.isatty(), 0
        self._action, self._n_warnings = "", 0

    def __call__(
        self, watch: WeightWatch, shown: str | None, reading: CheckweightRow | None
    ) -> None:
        if reading is not None:
            on = f"{reading.mass_shown}:" if reading.mass_shown else "empty:"
            self._say(f"  {on} {shown}{' (stable)' if reading.mass_shown else ''}")
        for warning in watch.warnings[self._n_warnings :]:
            self._say(f"  !  {warning}")
        self._n_warnings = len(watch.warnings)
        action = "All read." if watch.done else f"Now {watch.action}."
        if action != self._action or reading is not None:
            self._action = action
            self._say(action)
        if self._live and shown is not None and not watch.done:
            text = f"  now {shown}"
            click.echo(f"\r{text:{self._width}}", nl=False, err=True)
            self._width = len(text)

    def _say(self, text: str) -> None:
        """Say a line in the place of the live one."""
        if self._width:
            click.echo(f"\r{'':{self._width}}\r", nl=False, err=True)
        self._width = 0
        say(text)


def _show(result: CheckResult) -> None:
    def percent(value: float | None) -> str:
        return "-" if value is None else f"{value:+.2f}"

    echo(f"Gravity: {result.gravity_m_s2:.5f} m/s2, {result.gravity_from}")
    echo("Expected forces: conventional mass (8000 kg/m3, air 1.2 kg/m3)")
    rows = []
    for w in result.weights:
        n = len(w.readings_newton)
        rows.append(
            [
                w.mass.shown,
                f"{w.expected_newton:.4f}",
                f"{sum(w.readings_newton) / n:.4f}" if n else "-",
                percent(w.error_pct),
                percent(w.repeatability_pct),
                percent(w.reversibility_pct),
                f"{w.resolution_pct:.2f}",
                "passed" if w.passed else "FAILED",
            ]
        )
    header = ["mass", "expected N", "read N", "error %", "repeat. %", "revers. %", "step %", ""]
    print_table(header, rows, left=(0, 7))
    if result.zero_return_newton is not None:
        echo(f"Zero after the weights: {result.zero_return_newton:+.4g} N")
    budget = result.uncertainty
    wide = ", ".join(
        f"{budget.expanded_newton(w.expected_newton):#.2g} N at {w.expected_newton:.3g} N"
        for w in result.weights
    )
    missing = f"; not in it: {', '.join(budget.missing)}" if budget.missing else ""
    text = f"Expanded uncertainty of a peak (k = 2, JCGM 100:2008): {wide}{missing}"
    echo(textwrap.fill(text, 79))
    for warning in result.warnings:
        echo(f"Note: {warning}")
    word = "PASSED" if result.passed else "FAILED"
    echo(f"{word} against the lab's own tolerance of {result.tolerance_pct:g} %")


def _chart(season_file: Path, chart_file: Path) -> None:
    from gauge.season.checks import points_by_mass
    from gauge.season.file import open_season
    from gauge.verify.chart import draw_chart

    with open_season(season_file, read_only=True) as season:
        series = points_by_mass(season.verifications())
        draw_chart(series, chart_file, title=f"Check weights, {season.code}")
    say(f"{chart_file}: control chart written")
