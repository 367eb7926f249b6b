"""`gauge log`: one trustworthy peak per berry, stored before it is shown."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from gauge.clikit import FILE, number_option, read_by, record_options, say
from gauge.commands.options import (
    capacity_option,
    format_option,
    gauge_options,
    loading_rate_option,
)
from gauge.errors import NothingReceivedError
from gauge.records import Sample, Session

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import SampleRow
    from gauge.session.livesession import LiveSession


class Scoring(NamedTuple):
    """Who scores berries by finger, and whether the force is hidden until they have."""

    raters: tuple[str, ...]
    blind: bool


def read_scoring(raters: str | None, blind: bool) -> Scoring:
    """Read --raters and --blind."""
    names = tuple(name.strip() for name in (raters or "").split(",") if name.strip())
    if raters is not None and not names:
        raise click.UsageError("--raters names nobody: write --raters ines,marek.")
    if blind and not names:
        raise click.UsageError("--blind hides forces until the raters have scored: give --raters.")
    if len(set(names)) != len(names):
        raise click.UsageError("--raters names the same rater twice.")
    return Scoring(names, blind)


class StatedSample(NamedTuple):
    """What the command line says of the sample; without a code it is the next one of the plan."""

    code: str | None
    known: dict[str, Any]

    @property
    def crop(self) -> str | None:
        """Crop of the sample, and of a season that is begun."""
        crop: str | None = self.known["crop"]
        return crop


def read_sample(code: str | None, take_next: bool, **known: Any) -> StatedSample:
    """Read --sample or --next, and what is known of a new sample."""
    if (code is None) != take_next:
        raise click.UsageError("give --sample CODE, or --next for the next one of the plan.")
    return StatedSample(code, known)


scoring_options = record_options(
    "scoring",
    read_scoring,
    click.option("--raters", metavar="NAME,NAME", help="Raters who score berries by finger."),
    click.option(
        "--blind", is_flag=True, help="Hide forces until all raters have scored; show blind codes."
    ),
)
session_options = record_options(
    "session",
    partial(Session, started_at=""),
    *gauge_options,
    number_option("--head-mm", "Diameter of the head.", above=0),
    capacity_option,
)
sample_options = record_options(
    "stated",
    read_sample,
    click.option("--sample", "code", metavar="CODE", help="Sample, by its code or blind code."),
    click.option("--next", "take_next", is_flag=True, help="The next sample of the plan."),
    click.option(
        "--crop",
        help="Of a new season or sample; raspberry brings firm and soft, any other scores 1 to 5.",
    ),
    click.option("--selection", help="Of a new sample."),
    click.option("--plot", help="Of a new sample."),
    click.option("--replicate", help="Of a new sample."),
    click.option(
        "--harvest-date",
        type=click.DateTime(["%Y-%m-%d"]),
        metavar="YYYY-MM-DD",
        callback=read_by(lambda day: day.date().isoformat()),
        help="Of a new sample.",
    ),
    number_option("--storage-day", "Days stored.", low=0),
    number_option("--storage-temp-c", "Of the store, in degrees Celsius."),
    number_option("--fruit-temp-c", "Of the fruit, in degrees Celsius."),
    click.option("--clamshell", help="Of a new sample."),
    click.option("--site", help="Where it was picked."),
    click.option("--lot", help="Lot that the sample was taken from."),
    number_option(
        "--planned",
        "Berries that the sample is to have.",
        low=1,
        whole=True,
        name="berries_planned",
        metavar="N",
    ),
)


@click.command("log", no_args_is_help=True)
@click.option("--port", required=True, help="Device, such as /dev/ttyUSB0 or COM3, or a URL.")
@format_option(required=True)
@click.option(
    "--season", "season_file", required=True, type=FILE, help="Season file; begun if there is none."
)
@sample_options
@number_option("--berries", "Stop after N berries.", low=1, whole=True, metavar="N")
@click.option("--plain", is_flag=True, help="Lines only, no screen control.")
@click.option("--json", "as_json", is_flag=True, help="One JSON line for each stored berry.")
@scoring_options
@loading_rate_option
@number_option(
    "--half-width",
    "Half-width that the mean's 95 % interval shall have, in N.",
    above=0,
    name="half_width_newton",
    metavar="N",
)
@number_option(
    "--verify-days", "Warn when the last good check of the gauge is older.", low=0, default=7.0
)
@number_option(
    "--stop-after-silence",
    "End when no reading came for S seconds.",
    above=0,
    name="silent_stop_s",
    metavar="S",
)
@session_options
def command(
    port: str,
    format_name: str,
    season_file: Path,
    stated: StatedSample,
    berries: int | None,
    plain: bool,
    as_json: bool,
    scoring: Scoring,
    loading_rate_newton_s: tuple[float, float] | None,
    half_width_newton: float | None,
    verify_days: float,
    silent_stop_s: float | None,
    session: Session,
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
    from contextlib import ExitStack

    from gauge.port.portreader import reader_for
    from gauge.protocol.formatfile import load_format
    from gauge.season.checks import check_warning
    from gauge.season.file import open_season
    from gauge.session.livesession import LiveSession
    from gauge.session.samplechoice import berries_left

    fmt = load_format(format_name)
    on_screen = sys.stdout.isatty() and not (plain or as_json)
    with ExitStack() as held:
        # The port first: one that is not there must not begin a season or a sample.
        reader = held.enter_context(reader_for(port, fmt))
        season = held.enter_context(open_season(season_file, create=True, crop=stated.crop))
        checks = season.verifications()
        check = check_warning(checks, days=verify_days, gauge_serial=session.gauge_serial)
        warning = " ".join(filter(None, (_outside_the_plan(season, stated.code), check)))
        row = _sample(season, stated)
        n_required = berries
        if berries is None and (stated.code is None or on_screen):
            n_required = berries_left(row)
        live = LiveSession(
            reader=reader,
            fmt=fmt,
            season=season,
            sample=row,
            session=session,
            raters=scoring.raters if scoring.blind else (),
            n_required=n_required,
            loading_rate_newton_s=loading_rate_newton_s,
            silent_stop_s=silent_stop_s,
        )
        with live:
            if warning:
                say(warning)
            if on_screen:
                from gauge.session.bench import BenchScreen

                BenchScreen(
                    live,
                    **scoring._asdict(),
                    warning=warning,
                    half_width_newton=half_width_newton,
                    stay=berries is None,
                ).run()
            else:
                _run_plain(live, row, blind=scoring.blind, as_json=as_json)
    _report(live, n_required)


def _run_plain(live: LiveSession, row: SampleRow, *, blind: bool, as_json: bool) -> None:
    from gauge.session.plain import PlainScreen, stopping
    from gauge.session.samplechoice import shown_name

    name = shown_name(row, blind=blind)
    say(f"Listening on {live.reader.port}: sample {name}, Ctrl-C ends.")
    with stopping() as stop:
        PlainScreen(live, as_json=as_json).run(stop)


def _report(live: LiveSession, n_required: int | None) -> None:
    """Say how many berries are stored; fewer than required because of a silence are an error."""
    n = live.recorder.n_logged
    say(f"{n} {'berry' if n == 1 else 'berries'} stored in {live.season.path}.")
    if live.silent_stop_s is not None and n_required is not None and n < n_required:
        raise NothingReceivedError(
            f"{live.reader.port}: only {n} of {n_required} berries came before the silence.",
            todo="All that came is stored; log the sample again for the rest.",
        )


def _sample(season: SeasonFile, stated: StatedSample) -> SampleRow:
    from gauge.session.samplechoice import find_or_begin, planned_next

    if stated.code is None:
        return planned_next(season)
    row, differs = find_or_begin(season, Sample(code=stated.code, **stated.known))
    for difference in differs:
        say(f"Sample {row.sample.code} is in the season file with {difference}; it stays so.")
    return row


def _outside_the_plan(season: SeasonFile, code: str | None) -> str:
    """Warn of a sample that a season with a plan does not know: most are typing errors."""
    from difflib import get_close_matches

    from gauge.session.samplechoice import has_plan

    rows = season.samples()
    known = [name for row in rows for name in (row.sample.code, row.sample.blind_code) if name]
    if code is None or code in known or not has_plan(season):
        return ""
    near = get_close_matches(code, known, 1)
    return f"Sample {code} is not in the plan and new{f': {near[0]}?' if near else '.'}"
