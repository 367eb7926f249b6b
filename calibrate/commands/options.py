"""Arguments and options that several `calibrate` commands share."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

import calibrate
import gauge
from calibrate.commands.answers import AS_JSON, as_json
from gauge.clikit import (
    FILE,
    POSITIVE,
    FiniteRange,
    number_option,
    read_by,
    record_options,
    say,
    season_argument,
)
from gauge.outfile import check_picture
from gauge.records import Flag
from gauge.units import Unit, parse_unit

if TYPE_CHECKING:
    from calibrate.cuts.fitting import ForceChoice
    from calibrate.data.scale import Scale

__all__ = ["FILE", "POSITIVE", "number_option", "season_argument"]

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


class _Share(FiniteRange):
    """A share between 0 and 1; who types percents is told the share."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter as error:
            typed = str(value).strip().removesuffix("%")
            percent = int(typed) if typed.isdecimal() else 0
            if 1 <= percent < 100:
                self.fail(f"{error.message} {percent} % is typed {percent / 100:.2f}.", param, ctx)
            raise


SHARE = _Share(0, 1, min_open=True, max_open=True)


@dataclass(frozen=True, kw_only=True, slots=True)
class FitOptions:
    """How pairs are read, and how a command is to fit where no calibration is stored."""

    force_scale: ForceChoice
    firmest: Literal["first", "last"]
    scores: str | None  # the scale of a CSV, as it was typed
    as_typed: bool = False  # rows that cannot be right are taken as they are
    without_flags: tuple[str, ...] = ()
    without_raters: tuple[str, ...] = ()
    level: float = 0.95  # of the intervals
    earlier: Path | None = None  # a season before, whose raters tell how far hands differ

    @property
    def scale(self) -> Scale | None:
        """The scale that was typed, None where none was."""
        return None if self.scores is None else _parsed_scale(self.scores, self.firmest)

    def pairs(self, source: Path, **how: Any) -> calibrate.Pairs:
        """Read the pairs of a source; `how` goes to `calibrate.data.pairs.load_pairs`."""
        how = {"scale": self.scale, "positive": self.force_scale == "log"} | how
        pairs = calibrate.load_pairs(source, firmest=self.firmest, as_typed=self.as_typed, **how)
        return pairs.without_flags(self.without_flags).without_raters(self.without_raters)

    def calibration(
        self, source: Path, name: str | None = None, pairs: calibrate.Pairs | None = None
    ) -> calibrate.Calibration:
        """Load the calibration of a name, or the season's own; else fit the pairs.

        The season's own is left aside where an option of the fit was typed.
        """
        if name := name or (None if asks_for_fit() else adopted_in([source])):
            return calibrate.load_calibration(source, name=name)
        return self.fitted(source, pairs)

    def earlier_hand_sds(self, source: Path) -> tuple[float, ...]:
        """Tell how far hands differed in the earlier season; nothing where none is named."""
        if self.earlier is None:
            return ()
        if self.earlier.resolve() == source.resolve():
            raise click.UsageError("--earlier is a season before SOURCE, not SOURCE itself.")
        if name := adopted_in([self.earlier]):
            return calibrate.load_calibration(self.earlier, name=name).hand_sds
        return replace(self, earlier=None).fitted(self.earlier).hand_sds

    def fitted(
        self,
        source: Path,
        pairs: calibrate.Pairs | None = None,
        hand_sds: Sequence[float] | None = None,
    ) -> calibrate.Calibration:
        """Fit the pairs of a source, unless they were read already.

        `hand_sds` of an earlier season, unless --earlier names one.
        """
        return calibrate.fit(
            self.pairs(source) if pairs is None else pairs,
            force_scale=self.force_scale,
            level=self.level,
            firmest=self.firmest,
            earlier_hand_sds=hand_sds or self.earlier_hand_sds(source),
        )


def asks_for_fit() -> bool:
    """Return whether an option that only a fit has was typed."""
    context = click.get_current_context()
    typed = click.core.ParameterSource.COMMANDLINE
    return any(context.get_parameter_source(part.name) is typed for part in fields(FitOptions))


def adopted_in(sources: Sequence[Path]) -> str | None:
    """Find the season's own calibration, of the first season that has one, and say so."""
    from calibrate.data.pairs import looks_like_season

    for source in filter(looks_like_season, sources):
        with gauge.open_season(source, read_only=True) as season:
            if name := season.setting("calibration"):
                say(f"calibration {name}, adopted by {source}")
                return str(name)
    return None


source_argument = click.argument("source", type=FILE)
_SOURCES = ("source", "season", "season1", "season2", "sources")
_parsed_unit = read_by(parse_unit)


def _keep(context: click.Context, _option: click.Parameter, typed: bool) -> None:
    context.meta[AS_JSON] = typed


_JSON = click.Option(
    ["--json"], is_flag=True, expose_value=False, callback=_keep, help="Print one JSON document."
)


def command(
    name: str,
    *,
    unit: Literal["--unit", "of season", "none"] = "--unit",
    read_unit: Callable[..., Any] = _parsed_unit,
    json: bool = True,
    **more: Any,
) -> Callable[[Callable[..., None]], click.Command]:
    """Make a command that shows forces in the lab's unit, and prints JSON in newtons with --json.

    `unit`: whether it gets --unit, which a season remembers and `read_unit` reads, takes that of
    its season, or shows no forces. `more` as of `click.command`.
    """

    def decorate(function: Callable[..., None]) -> click.Command:
        @functools.wraps(function)
        def shown(*, shown_unit: Unit | None = None, **values: Any) -> None:
            from calibrate.data.labels import shown_in

            named = (values.get(name) or () for name in _SOURCES)
            paths = [p for one in named for p in (one if isinstance(one, tuple) else (one,))]
            lab_unit = _lab_unit(paths, shown_unit)
            with shown_in(Unit.N if as_json() else lab_unit):
                function(**values)

        build: Any = click.command(name, **more)
        made: click.Command = build(function if unit == "none" else shown)
        if unit == "--unit":
            what = "Show forces in this unit, such as lbf; the season remembers it."
            names = ["--unit", "shown_unit"]
            made.params.append(click.Option(names, metavar="UNIT", callback=read_unit, help=what))
        made.params += [_JSON] * json
        return made

    return decorate


def _lab_unit(sources: Sequence[Path], typed: Unit | None) -> Unit:
    """Return the unit in which forces are shown, of the first season; it remembers a typed one."""
    from calibrate.data.pairs import looks_like_season

    for source in filter(looks_like_season, sources):
        return parse_unit(remembered(source, "unit", typed) or "N")
    return typed or Unit.N


def remembered(season: Path, name: str, typed: str | None) -> str | None:
    """Return a setting of a season, which remembers what is typed for it."""
    with gauge.open_season(season, read_only=True) as file:
        known: str | None = file.setting(name)
    if typed is None or str(typed) == known:
        return known
    with gauge.open_season(season) as file:
        file.set_setting(name, str(typed), kind=name)
    say(f"{season} remembers the {name} {typed}.")
    return str(typed)


def force_scale_option(what: str, *choices: str) -> Decorator:
    """Make the option of the scale of force; `what` is its help."""
    choice = click.Choice(choices or ["linear", "log"])
    return click.option("--force-scale", type=choice, default="linear", help=what)


firmest_option = click.option(
    "--firmest", type=click.Choice(["first", "last"]), default="first",
    help="Whether the first (lowest) score of the scale is the firmest, or the last.",
)  # fmt: skip
as_typed_option = click.option(
    "--as-typed", is_flag=True, help="Take rows that cannot be right as they are typed."
)
without_flag_option = click.option(
    "--without-flag",
    "without_flags",
    multiple=True,
    metavar="FLAG",
    type=click.Choice([flag.value for flag in Flag], case_sensitive=False),
    help="Leave out berries with this flag, such as 'zero off'; repeat.",
)
without_rater_option = click.option(
    "--without-rater", "without_raters", metavar="NAME", multiple=True,
    help="Leave out the scores of this rater; repeat.",
)  # fmt: skip
scores_option = click.option("--scores", help="The scale of a CSV, such as 1-5 or firm,soft.")


def _parsed_scale(typed: str, firmest: str = "first") -> Scale:
    from calibrate.data.scale import parse_scale

    return parse_scale(typed, firmest=firmest)


def scale_option(what: str) -> Decorator:
    """Make the option of a scale, firmest first, received as `scale`; `what` is its help."""
    return click.option("--scores", "scale", callback=read_by(_parsed_scale), help=what)


sale_limit_option = click.option(
    "--sale-limit", help="Softest score that may be sold, where the source has none."
)
earlier_option = click.option(
    "--earlier", type=FILE, help="A season before: how far its raters' hands differ is carried on."
)


def _as_day(_context: click.Context, _option: click.Parameter, typed: datetime | None) -> date:
    return (typed or datetime.now(UTC)).date()


def moment(as_of: date) -> str:
    """Return the time of what is done on a day: now, if it is today.

    Raises
    ------
    InvalidValueError
        If the day has begun nowhere on Earth.
    """
    from gauge.errors import InvalidValueError

    now = datetime.now(UTC)
    if as_of > (now + timedelta(hours=14)).date():
        raise InvalidValueError(
            f"{as_of} is still to come, and what is stored has been done.",
            todo="Give the day on which it was done with --as-of, or leave it out for today.",
        )
    return now.isoformat(timespec="seconds") if as_of == now.date() else as_of.isoformat()


def as_of_option(*names: str) -> Decorator:
    """Make the option of the day from which ages count, received as `as_of`."""
    return click.option(
        "--as-of", *names, "as_of", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
        callback=_as_day, help="Day on which this is done, from which ages count; today if none.",
    )  # fmt: skip


level_option = click.option("--level", type=SHARE, default=0.95, help="Level of the intervals.")


def _checked_picture(typed: Any) -> Any:
    """Refuse a picture format before any work is done."""
    for path in typed if isinstance(typed, tuple) else [typed]:
        check_picture(path)
    return typed


def plot_option(
    what: str = "Draw it to this png, pdf or svg file.", *names: str, multiple: bool = False
) -> Decorator:
    """Make the option of a picture; `what` is its help, `names` other names than --plot."""
    flags, check = names or ("--plot",), read_by(_checked_picture)
    return click.option(*flags, type=FILE, multiple=multiple, callback=check, help=what)


def name_option(what: str, **more: Any) -> Decorator:
    """Make the option that names a stored calibration; `what` is its help."""
    return click.option("--calibration", "calibration_name", metavar="NAME", help=what, **more)


def cuts_option(what: str) -> Decorator:
    """Make the option of a file that `calibrate fit --json` wrote; `what` is its help."""
    return click.option("--cuts", type=FILE, help=what)


def named_calibration(
    sources: Sequence[Path], name: str | None, cuts: Path | None, sale_limit: str | None = None
) -> calibrate.Calibration | None:
    """Load the calibration of `--cuts`, or that which `--calibration` names in one of the sources.

    Where neither is given, that which a season has adopted; None if none has.
    """
    if name is not None and cuts is not None:
        raise click.UsageError("Give --calibration or --cuts, not both.")
    if cuts is not None:
        return calibrate.load_calibration(cuts, sale_limit=sale_limit)
    if name := name or adopted_in(sources):
        return calibrate.load_calibration(*sources, name=name, sale_limit=sale_limit)
    return None


def pair_options(force_scale: Decorator, *more: Decorator) -> Decorator:
    """Add the options by which pairs are read; the command receives them as `how`."""
    reading = (
        firmest_option, scores_option, as_typed_option, without_flag_option, without_rater_option,
    )  # fmt: skip
    return record_options("how", FitOptions, force_scale, *reading, *more)


def calibration_options(*, stored: bool = True) -> Decorator:
    """Add the options that say where a calibration comes from.

    The command receives them as `how`, and as `calibration_name` that of a stored one, if it may
    take one (`stored`).
    """
    what = "Scale of force in a fit; auto chooses by AIC."
    scale = force_scale_option(what, "linear", "log", "auto")
    fit = pair_options(scale, level_option, earlier_option)
    name = name_option("Take this stored calibration, not the season's own or a fit.")
    return (lambda function: fit(name(function))) if stored else fit
