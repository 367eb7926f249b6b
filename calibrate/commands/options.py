"""Arguments and options that several `calibrate` commands share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

import calibrate
import gauge
from calibrate.data.scale import Scale, parse_scale
from gauge.clikit import DAY, FiniteRange, begun, option
from gauge.errors import InvalidValueError
from gauge.outfile import check_picture
from gauge.printed import say
from gauge.records import Flag

if TYPE_CHECKING:
    from calibrate.cuts.fitting import ForceChoice


class _Share(FiniteRange):
    """A share between 0 and 1; the error names the share where percents were typed."""

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


def _as_day(_context: click.Context, _option: click.Parameter, typed: datetime | None) -> date:
    return (typed or datetime.now(UTC)).date()


def moment(as_of: date) -> str:
    """Return the time of what is done on a day: now, if it is today; one to come is refused."""
    now = datetime.now(UTC)
    if not begun(as_of):
        raise InvalidValueError(
            f"{as_of} is still to come, and what is stored has been done.",
            todo="Give the day on which it was done with --as-of, or leave it out for today.",
        )
    return now.isoformat(timespec="seconds") if as_of == now.date() else as_of.isoformat()


def as_of_option(*flags: str) -> Any:
    """Declare the day from which ages count."""
    what = "Day on which this is done, from which ages count; today if none."
    return option(what, "--as-of", *flags, type=DAY, metavar="YYYY-MM-DD", callback=_as_day)


def level_option(what: str = "Level of the intervals.") -> Any:
    """Declare a level of confidence; `what` is its help."""
    return option(what, type=SHARE, default=0.95)


def force_scale_option(what: str, *choices: str) -> Any:
    """Declare the scale of force; `what` is its help."""
    return option(what, type=click.Choice(choices or ["linear", "log"]), default="linear")


def sale_limit_option() -> Any:
    """Declare the sale limit, for a source that has none."""
    return option("Softest score that may be sold, where the source has none.")


def scale_option(what: str) -> Any:
    """Declare a scale, firmest first; `what` is its help."""
    return option(what, "--scores", read=parse_scale)


def _checked_picture(typed: Any) -> Any:
    """Refuse a picture format before any work is done."""
    for path in typed if isinstance(typed, tuple) else [typed]:
        check_picture(path)
    return typed


def refuse_itself(earlier: Path, season: Path, of: str, *, named: str = "--earlier") -> None:
    """Refuse a season as the one before itself."""
    if earlier.resolve() == season.resolve():
        raise click.UsageError(f"{named} is a season before {of}, not {of} itself.")


def plot_option(what: str = "Draw it to this png, pdf or svg file.", *flags: str) -> Any:
    """Declare a picture, or several; `what` is its help."""
    return option(what, *flags, read=_checked_picture, once=True)


def name_option(what: str) -> Any:
    """Declare the name of a stored calibration; `what` is its help."""
    return option(what, "--calibration", metavar="NAME")


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftOut:
    """What is left out of a source."""

    without_flags: tuple[str, ...] = option(
        "Leave out berries with this flag, such as 'zero off'; repeat.",
        "--without-flag",
        metavar="FLAG",
        type=click.Choice([flag.value for flag in Flag], case_sensitive=False),
    )
    without_raters: tuple[str, ...] = option(
        "Leave out the scores of this rater; repeat.", "--without-rater", metavar="NAME"
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class PairOptions(LeftOut):
    """How pairs are read."""

    force_scale: ForceChoice = force_scale_option(
        "Scale of force in a fit; auto chooses by AIC.", "linear", "log", "auto"
    )
    firmest: Literal["first", "last"] = option(
        "Whether the first (lowest) score of the scale is the firmest, or the last.",
        type=click.Choice(["first", "last"]), default="first",
    )  # fmt: skip
    scores: str | None = option("The scale of a CSV, such as 1-5 or firm,soft.")
    as_typed: bool = option("Take rows that cannot be right as they are typed.")

    @property
    def scale(self) -> Scale | None:
        """The scale that was typed, None where none was."""
        return None if self.scores is None else parse_scale(self.scores, firmest=self.firmest)

    def pairs(self, source: Path, **how: Any) -> calibrate.Pairs:
        """Read the pairs of a source; `how` goes to `calibrate.data.pairs.load_pairs`."""
        how = {"scale": self.scale, "positive": self.force_scale == "log"} | how
        pairs = calibrate.load_pairs(source, firmest=self.firmest, as_typed=self.as_typed, **how)
        return pairs.without_flags(self.without_flags).without_raters(self.without_raters)


@dataclass(frozen=True, kw_only=True, slots=True)
class FitOptions(PairOptions):
    """How a command is to fit where no calibration is stored."""

    level: float = level_option()
    earlier: Path | None = option(
        "A season before: how far its raters' hands differ is carried on."
    )

    def calibration(
        self, source: Path, name: str | None = None, pairs: calibrate.Pairs | None = None
    ) -> calibrate.Calibration:
        """Load the calibration of a name, or the season's own; else fit the pairs.

        The season's own is left aside where an option of the fit was typed.
        """
        stored = None if asks_for_fit() and not name else named_calibration([source], name)
        return stored or self.fitted(source, pairs)

    def earlier_hand_sds(self, source: Path) -> tuple[float, ...]:
        """Tell how far hands differed in the earlier season; nothing where none is named."""
        if self.earlier is None:
            return ()
        refuse_itself(self.earlier, source, "SOURCE")
        if name := adopted_in([self.earlier]):
            return calibrate.load_calibration(self.earlier, name=name).hand_sds
        return replace(self, earlier=None).fitted(self.earlier).hand_sds

    def fitted(
        self,
        source: Path,
        pairs: calibrate.Pairs | None = None,
        hand_sds: Sequence[float] | None = None,
        **how: Any,
    ) -> calibrate.Calibration:
        """Fit the pairs of a source, unless they were read already; `how` goes to the fit.

        `hand_sds` of an earlier season, unless --earlier names one.
        """
        return calibrate.fit(
            self.pairs(source) if pairs is None else pairs,
            force_scale=self.force_scale,
            level=self.level,
            firmest=self.firmest,
            earlier_hand_sds=self.earlier_hand_sds(source) if hand_sds is None else hand_sds,
            **how,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class CalibrationOptions(FitOptions):
    """Where a calibration comes from: one that is stored, or a fit."""

    calibration_name: str | None = name_option(
        "Take this stored calibration, not the season's own or a fit."
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
        if name := remembered(source, "calibration"):
            say(f"calibration {name}, adopted by {source}")
            return name
    return None


def remembered(season: Path, name: str, typed: str | None = None) -> str | None:
    """Return a setting of a season, which remembers what is typed for it."""
    with gauge.open_season(season, read_only=True) as file:
        known: str | None = file.setting(name)
    if typed is None or str(typed) == known:
        return known
    with gauge.open_season(season) as file:
        file.set_setting(name, str(typed), kind=name)
    say(f"{season} remembers the {name} {typed}.")
    return str(typed)


def named_calibration(
    sources: Sequence[Path],
    name: str | None,
    cuts: Path | None = None,
    sale_limit: str | None = None,
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
