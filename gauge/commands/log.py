"""`gauge log`: one trustworthy peak per berry, stored before it is shown."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import say
from gauge.errors import NothingReceivedError

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import SampleRow

_SAMPLE_OPTIONS = (
    click.option(
        "--crop",
        help="Of a new season or sample; raspberry brings firm and soft, any other scores 1 to 5.",
    ),
    click.option("--selection", help="Of a new sample."),
    click.option("--plot", help="Of a new sample."),
    click.option("--replicate", help="Of a new sample."),
    click.option("--harvest-date", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
                 callback=lambda _ctx, _param, day: day and day.date().isoformat(),
                 help="Of a new sample."),
    click.option("--storage-day", type=click.FloatRange(0), help="Days stored."),
    click.option("--storage-temp-c", type=float, help="Of the store, in degrees Celsius."),
    click.option("--fruit-temp-c", type=float, help="Of the fruit, in degrees Celsius."),
    click.option("--clamshell", help="Of a new sample."),
    click.option("--site", help="Where it was picked."),
    click.option("--lot", help="Lot that the sample was taken from."),
    click.option("--planned", "berries_planned", type=click.IntRange(1), metavar="N",
                 help="Berries that the sample is to have."),
)  # fmt: skip
_SESSION_OPTIONS = (
    click.option("--operator", help="Who presses."),
    click.option("--gauge", help="Name of the gauge."),
    click.option("--serial-number", "gauge_serial", help="Serial number of the gauge."),
    click.option("--head-mm", type=click.FloatRange(0, min_open=True),
                 help="Diameter of the head."),
    click.option("--capacity-n", "capacity_newton", type=click.FloatRange(0, min_open=True),
                 help="Capacity of the gauge."),
)  # fmt: skip


def _all(options: tuple[Callable[[Any], Any], ...]) -> Callable[[Any], Any]:
    def add(function: Any) -> Any:
        for option in reversed(options):
            function = option(function)
        return function

    return add


@click.command("log", no_args_is_help=True)
@click.option("--port", required=True, help="Device, such as /dev/ttyUSB0 or COM3, or a URL.")
@click.option("--format", "format_name", required=True, metavar="FORMAT.toml",
              help="Line format that gauge learn wrote, or a shipped one by name.")  # fmt: skip
@click.option("--season", "season_file", required=True, type=click.Path(path_type=Path),
              help="Season file; begun if there is none.")  # fmt: skip
@click.option("--sample", "code", metavar="CODE", help="Sample, by its code or blind code.")
@click.option("--next", "take_next", is_flag=True, help="The next sample of the plan.")
@click.option("--berries", type=click.IntRange(1), metavar="N", help="Stop after N berries.")
@click.option("--plain", is_flag=True, help="Lines only, no screen control.")
@click.option("--json", "as_json", is_flag=True, help="One JSON line for each stored berry.")
@click.option("--raters", metavar="NAME,NAME", help="Raters who score berries by finger.")
@click.option("--blind", is_flag=True,
              help="Hide forces until all raters have scored; show blind codes.")  # fmt: skip
@click.option("--loading-rate", metavar="LOW-HIGH",
              help="Planned rate of loading in N/s; presses outside it are flagged.")  # fmt: skip
@click.option("--half-width", "half_width_newton", type=click.FloatRange(0, min_open=True), metavar="N",
              help="Wanted half-width of the mean's 95 % interval, in N.")  # fmt: skip
@click.option("--verify-days", type=click.FloatRange(0), default=7.0, show_default=True,
              help="Warn when the last good check of the gauge is older.")  # fmt: skip
@click.option("--stop-after-silence", "silent_stop_s", type=click.FloatRange(0, min_open=True),
              metavar="S", help="End when no reading came for S seconds.")  # fmt: skip
@_all(_SESSION_OPTIONS)
@_all(_SAMPLE_OPTIONS)
def command(
    port: str,
    format_name: str,
    season_file: Path,
    code: str | None,
    take_next: bool,
    berries: int | None,
    plain: bool,
    as_json: bool,
    raters: str | None,
    blind: bool,
    loading_rate: str | None,
    half_width_newton: float | None,
    verify_days: float,
    silent_stop_s: float | None,
    operator: str | None,
    gauge: str | None,
    gauge_serial: str | None,
    head_mm: float | None,
    capacity_newton: float | None,
    **sample_fields: Any,
) -> None:
    """Log one peak per berry.

    Press a berry, hear the bell, take the next one: no key is needed. A berry is shown only when
    it is safely stored. A press that the line cut short is no berry, and you are told to press
    again. Ctrl-C ends cleanly; logging the same sample later goes on with the next number.

    \b
    gauge log --port /dev/ttyUSB0 --format my.toml --season 2026.season \\
        --sample C-07 --crop blackberry --selection R-114 --planned 25
    gauge log --port COM3 --format my.toml --season 2026.season --next
    gauge log --port /dev/ttyUSB0 --format my.toml --season 2026.season \\
        --sample K-01 --raters ines,marek --blind
    """  # noqa: D301
    if (code is None) != take_next:
        raise click.UsageError("give --sample CODE, or --next for the next one of the plan.")
    names = tuple(name.strip() for name in (raters or "").split(",") if name.strip())
    if raters is not None and not names:
        raise click.UsageError("--raters names nobody: write --raters ines,marek.")
    if blind and not names:
        raise click.UsageError("--blind hides forces until the raters have scored: give --raters.")
    if len(set(names)) != len(names):
        raise click.UsageError("--raters names the same rater twice.")
    from contextlib import ExitStack

    from gauge.detect.detectorsettings import DetectorSettings
    from gauge.port.portreader import reader_for
    from gauge.records import Session
    from gauge.season.checks import check_warning
    from gauge.season.file import open_season
    from gauge.session.benchchoice import berries_left, chosen_format, shown_name
    from gauge.session.logger import Logger
    from gauge.session.sitting import Sitting

    fmt = chosen_format(format_name)
    settings = DetectorSettings(loading_rate_newton_s=planned_rates(loading_rate))
    session = Session(
        started_at="",
        operator=operator,
        gauge=gauge,
        gauge_serial=gauge_serial,
        head_mm=head_mm,
        capacity_newton=capacity_newton,
    )
    with ExitStack() as held:
        # The port first: one that is not there must not begin a season or a sample.
        reader = held.enter_context(reader_for(port, fmt))
        crop = sample_fields["crop"]
        season = held.enter_context(open_season(season_file, create=True, crop=crop))
        stray = _outside_the_plan(season, code)
        row = _sample(season, code, sample_fields)
        warning = check_warning(season.verifications(), days=verify_days, gauge_serial=gauge_serial)
        warning = " ".join(filter(None, (stray, warning)))
        on_screen = sys.stdout.isatty() and not (plain or as_json)
        stay = berries is None and on_screen
        if berries is None and (take_next or on_screen):
            berries = berries_left(row)
        sitting = Sitting(
            reader=reader,
            fmt=fmt,
            season=season,
            sample=row,
            session=session,
            raters=names if blind else (),
            berries=berries,
            make_logger=lambda *args, **options: Logger(*args, settings=settings, **options),
        )
        with sitting:
            if warning:
                say(warning)
            if not on_screen:
                from gauge.session.plain import PlainScreen, stopping

                say(f"Listening on {port}: sample {shown_name(row, blind=blind)}, Ctrl-C ends.")
                with stopping() as stop:
                    screen = PlainScreen(sitting, as_json=as_json, silent_stop_s=silent_stop_s)
                    screen.run(stop)
            else:
                from gauge.session.bench import BenchScreen

                BenchScreen(
                    sitting,
                    raters=names,
                    blind=blind,
                    warning=warning,
                    half_width_newton=half_width_newton,
                    silent_stop_s=silent_stop_s,
                    stay=stay,
                ).run()
    count = sitting.logger.total
    say(f"{count} {'berry' if count == 1 else 'berries'} stored in {season_file}.")
    if silent_stop_s is not None and berries is not None and count < berries:
        raise NothingReceivedError(
            f"{port}: only {count} of {berries} berries came before the silence.",
            todo="All that came is stored; log the sample again for the rest.",
        )


def _sample(season: SeasonFile, code: str | None, fields: dict[str, Any]) -> SampleRow:
    from gauge.records import Sample
    from gauge.session.benchchoice import chosen_sample, planned_next

    if code is None:
        return planned_next(season)
    row, differs = chosen_sample(season, Sample(code=code, **fields))
    for difference in differs:
        say(f"Sample {row.sample.code} is in the season file with {difference}; it stays so.")
    return row


def _outside_the_plan(season: SeasonFile, code: str | None) -> str:
    """Words on a sample that a season with a plan does not know: most are slips of the key."""
    from difflib import get_close_matches

    rows = season.samples()
    known = [name for row in rows for name in (row.sample.code, row.sample.blind_code) if name]
    if code is None or code in known or all(row.sample.plan_order is None for row in rows):
        return ""
    near = get_close_matches(code, known, 1)
    return f"Sample {code} is not in the plan and new{f': {near[0]}?' if near else '.'}"


def planned_rates(text: str | None) -> tuple[float, float] | None:
    """Read a range of loading rates, such as ``0.5-3``.

    Raises
    ------
    click.BadParameter
        If it is no range.

    Examples
    --------
    >>> planned_rates("0.5-3")
    (0.5, 3.0)
    """
    if text is None:
        return None
    low, _, high = text.partition("-")
    try:
        return float(low), float(high)
    except ValueError:
        raise click.BadParameter(
            f"'{text}' is not a range such as 0.5-3.", param_hint="--loading-rate"
        ) from None
