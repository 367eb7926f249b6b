"""`gauge log`: one trustworthy peak per berry, stored before it is shown."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import option, receives
from gauge.commands.goingon import agreed, complete, on_terminal, remember, zero
from gauge.commands.options import (
    NEW_RATER,
    GaugeOptions,
    begun_season,
    format_option,
    loading_rate_option,
    plan_squeezes,
    press_only_option,
)
from gauge.commands.statedsample import (
    SampleOptions,
    StatedSample,
    more_option,
    new_option,
    requested_sample,
    sample_of,
)
from gauge.errors import NothingReceivedError
from gauge.plaintext import plural
from gauge.printed import say
from gauge.records import Session

if TYPE_CHECKING:
    from gauge.screens.benchactions import BenchActions
    from gauge.season.file import SeasonFile
    from gauge.session.memory import Place


@dataclass(frozen=True, kw_only=True)
class _Asked(GaugeOptions, SampleOptions):
    port: str | None = option("Device, such as /dev/ttyUSB0 or COM3, or a URL.")
    season_file: Path | None = option("Season file; begun if there is none.", "--season")
    berries: int | None = option("Stop after N berries.", low=1, metavar="N")
    yes: bool = option("Do not wait for Enter.")
    plain: bool = option("Lines only, no screen control.")
    raters: str | None = option("Raters who score berries by finger.", metavar="NAME,NAME")
    blind: bool = option("Hide forces until all raters have scored; show blind codes.")
    half_width_newton: float | None = option(
        "Half-width that the mean's 95 % interval shall have, in N.",
        "--half-width",
        above=0,
        metavar="N",
    )
    silent_stop_s: float | None = option(
        "End when no reading came for S seconds.", "--stop-after-silence", above=0, metavar="S"
    )
    verify_days: float = option(
        "Warn when the last good check of the gauge is older.", low=0, default=7.0
    )
    protocol: tuple[str, ...] = option(
        "How this session presses, where not as the season's protocol says; see 'gauge protocol'.",
        metavar="KEY=VALUE",
    )
    head_mm: float | None = option("Diameter of the head.", above=0)

    def scoring(self) -> dict[str, Any]:
        """Read --raters and --blind."""
        names = tuple(name.strip() for name in (self.raters or "").split(",") if name.strip())
        if self.raters is not None and not names:
            raise click.UsageError("--raters names nobody: write --raters ines,marek.")
        if self.blind and not names:
            raise click.UsageError(
                "--blind hides forces until the raters have scored: give --raters."
            )
        if len(set(names)) != len(names):
            raise click.UsageError("--raters names the same rater twice.")
        return {"raters": names, "blind": self.blind}

    def session(self) -> Session:
        """Read who presses with what, and how where that is not as the season's protocol says."""
        from gauge.pressprotocol import PressProtocol

        own = PressProtocol().with_typed(self.protocol).stated
        return Session(
            started_at="",
            operator=self.operator,
            gauge=self.gauge,
            gauge_serial=self.gauge_serial,
            head_mm=self.head_mm or own.pop("head_mm", None),
            capacity_newton=self.capacity_newton,
            protocol=json.dumps(own) if own else None,
        )


@click.command("log")
@format_option()
@receives(_Asked)
@new_option
@more_option
@press_only_option
@click.option("--quiet", is_flag=True, help="Ring no bell.")
@click.option("--json", "as_json", is_flag=True, help="One JSON line for each stored berry.")
@click.option("--new-rater", "new_raters", multiple=True, help=NEW_RATER)
@loading_rate_option
def command(asked: _Asked, format_name: str | None, **how: Any) -> None:
    """Log one peak per berry.

    Press a berry, wait for the bell, take the next one: no key is needed. A berry is shown only
    when it is safely stored. A press that the line cut short is no berry: you are asked to press
    again. Ctrl-C ends cleanly; logging the same sample later goes on with the next number.

    Each squeeze softens a berry, so --raters take turns: the screen says who squeezes next, and
    the order is kept.

    Without options it goes on where the last session on this machine left, with the next sample of
    the plan: it shows that, and waits for Enter. 'gauge start' sets up a first day.

    \b
    gauge log
    gauge log --port /dev/ttyUSB0 --format my.toml --season 2026.season \\
        --sample C-07 --crop blackberry --selection R-114 --planned 25
    gauge log --port COM3 --format my.toml --season 2026.season --next
    gauge log --raters ines,marek --blind
    """  # noqa: D301
    from gauge.season.file import open_season
    from gauge.session.daylists import summary
    from gauge.session.samplechoice import next_or_match

    stated = asked.stated()
    place, remembered, odd = complete(
        asked.port, format_name, asked.season_file, asked.session(), **asked.scoring()
    )
    lines_only = asked.plain or how["as_json"]
    on_screen = not lines_only and sys.stdout.isatty() and on_terminal()
    if remembered:
        lines: list[str] = []
        with ExitStack() as held:
            season = row = None
            if Path(place.season).exists():
                season = held.enter_context(open_season(place.season, read_only=True))
                row = next_or_match(season.samples(), stated.code)
            if not odd:
                lines = summary(place, season, row, stated.code, zero(place), asked.verify_days)
            known = row is not None and row.sample.fruit_temp_c is not None
        measured = None if known or stated.known["fruit_temp_c"] else stated.known
        if not agreed(lines, odd, yes=asked.yes, measured=measured):
            from gauge.commands import start

            click.get_current_context().invoke(start.command)
            return
    how |= {"on_screen": on_screen, "ask": on_terminal() and not asked.yes}
    names = ("berries", "half_width_newton", "verify_days", "silent_stop_s")
    log_at(place, stated, LogOptions(**how, **{name: getattr(asked, name) for name in names}))


@dataclass(frozen=True, kw_only=True, slots=True)
class LogOptions:
    """How berries are logged: what may be begun, what is shown, and when it ends."""

    on_screen: bool = True
    ask: bool = True
    new: bool = False
    more: bool = False
    press_only: bool | None = None
    new_raters: Sequence[str] = ()
    berries: int | None = None
    quiet: bool = False
    as_json: bool = False
    loading_rate_per_s: tuple[float, float] | None = None
    half_width_newton: float | None = None
    verify_days: float = 7.0
    silent_stop_s: float | None = None


def log_at(place: Place, stated: StatedSample, how: LogOptions) -> None:
    """Log berries at a place; the season and the sample are begun only once the port is open."""
    from gauge.port.portreader import reader_for
    from gauge.protocol.formatfile import load_format
    from gauge.screens.benchactions import BenchActions
    from gauge.screens.plain import PlainScreen
    from gauge.session.daylists import doubts
    from gauge.session.livesession import LiveSession
    from gauge.session.samplechoice import fruit_missing, lacking

    season_file = Path(place.season)
    fmt = load_format(place.format_name)
    with ExitStack() as held:
        # The port first: one that is not there must not begin a season or a sample.
        reader = held.enter_context(reader_for(place.port, fmt))
        requested = requested_sample(season_file, stated, new=how.new, ask=how.ask)
        season = held.enter_context(begun_season(season_file, crop=stated.crop))
        place = replace(place, raters=_known_raters(season, place.raters, how.new_raters))
        plan_squeezes(season, press_only=how.press_only)
        row = sample_of(season, requested)
        left = lacking(row, more=how.more, may_be_full=how.on_screen)
        amiss = doubts(place, season, how.verify_days)
        with LiveSession(
            reader=reader,
            fmt=fmt,
            season=season,
            sample=row,
            session=_rated(season, place.session),
            raters=place.raters if place.blind else (),
            squeezers=place.raters,
            n_required=min((n for n in (left, how.berries) if n is not None), default=None),
            loading_rate_per_s=how.loading_rate_per_s,
            silent_stop_s=how.silent_stop_s,
            on_reading=partial(remember, place),
        ) as live:
            for line in (*amiss, *fruit_missing(row)):
                say(line)
            actions = BenchActions(live, raters=place.raters, blind=place.blind)
            if how.on_screen:
                bench: dict[str, Any] = {"warning": next(iter(amiss), None), "quiet": how.quiet}
                bench |= {"half_width_newton": how.half_width_newton, "stay": how.berries is None}
                _run_bench(actions, **bench)
            else:
                PlainScreen(actions, as_json=how.as_json, quiet=how.quiet).run_session()
            _report(actions, how.berries)


def _known_raters(season: SeasonFile, names: Sequence[str], new: Sequence[str]) -> tuple[str, ...]:
    """Return raters as the season spells them, known from now on; say whose scores do not count."""
    known = tuple(season.rater_named(name, new=new) for name in names)
    season.know_raters(known)
    for rater in season.roster():
        if rater.name in known and rater.status != "qualified":
            say(f"{rater.about}: these scores do not count in the panel.")
    return known


def _rated(season: SeasonFile, session: Session) -> Session:
    """Return a session with the capacity of its gauge, where the season knows it."""
    from gauge.season.checks import known_capacity

    named = {"gauge": session.gauge, "gauge_serial": session.gauge_serial}
    known = session.capacity_newton or known_capacity(season.sessions(), **named)
    return replace(session, capacity_newton=known)


def _run_bench(actions: BenchActions, **shown: Any) -> None:
    """Run the bench screen, and say its last words and how the day stands."""
    from gauge.screens.bench import BenchScreen
    from gauge.session.daylists import day_done

    screen = BenchScreen(actions, **shown)
    screen.run_session()
    season = actions.session.season
    done = day_done(season.samples(), season.berries(), date.today(), blind=actions.blind)
    for line in (*screen.last_words, *done):
        say(line)


def _report(actions: BenchActions, n_required: int | None) -> None:
    """Say how many berries are stored; fewer than required because of a silence are an error."""
    live, n = actions.session, actions.session.recorder.n_logged
    row = actions.progress().row  # it may have been renamed, or joined to another one, meanwhile
    new = f"{plural(n, 'berry')} stored in {live.season.path}" if n else "0 new"
    say(f"{new}; {actions.name(row)} has {row.berries}.")
    if live.silent_stop_s is not None and n_required is not None and n < n_required:
        raise NothingReceivedError(
            f"{live.reader.port}: only {n} of {n_required} berries came before the silence.",
            todo="All that came is stored; log the sample again for the rest.",
        )
