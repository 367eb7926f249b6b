"""Which sample berries are logged into: stated, matched, or begun after a question."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from gauge.clikit import DAY, option, past_day
from gauge.commands.options import read_crop
from gauge.errors import NoSuchRecordError, StoppedError
from gauge.printed import say
from gauge.records import POSSIBLE, Sample

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import SampleRow


class StatedSample(NamedTuple):
    """What the command line says of the sample; without a code it is the next one of the plan."""

    code: str | None
    known: dict[str, Any]

    @property
    def crop(self) -> str | None:
        """Crop of the sample, and of a season that is begun."""
        crop: str | None = self.known["crop"]
        return crop


def _number(name: str, text: str) -> Any:
    low, high = POSSIBLE[name]
    return option(text, low=low, high=high)


@dataclass(frozen=True, kw_only=True)
class SampleOptions:
    """Which sample is meant, and what is known of a new one."""

    code: str | None = option("Sample, by its code or blind code.", "--sample", metavar="CODE")
    take_next: bool = option("The next sample of the plan.", "--next")
    crop: str | None = option(
        "Of a new season or sample; raspberry brings firm and soft, any other 1 to 5.",
        read=read_crop,
    )
    selection: str | None = option("Of a new sample.")
    plot: str | None = option("Of a new sample.")
    replicate: str | None = option("Of a new sample.")
    harvest_date: str | None = option(
        "Of a new sample.",
        type=DAY,
        metavar="YYYY-MM-DD",
        read=past_day,
    )
    storage_day: float | None = _number("storage_day", "Days stored.")
    storage_temp_c: float | None = _number("storage_temp_c", "Of the store, in degrees Celsius.")
    fruit_temp_c: float | None = _number("fruit_temp_c", "Of the fruit, in degrees Celsius.")
    out_of_store_h: float | None = _number(
        "out_of_store_h", "Hours between the store and the press."
    )
    clamshell: str | None = option("Of a new sample.")
    site: str | None = option("Where it was picked.")
    lot: str | None = option("Lot that the sample was taken from.")
    berries_planned: int | None = option(
        "Berries that the sample is to have.", "--planned", low=1, metavar="N"
    )

    def stated(self) -> StatedSample:
        """Return what is stated of the sample: without --sample as with --next."""
        if self.code is not None and self.take_next:
            raise click.UsageError("give --sample CODE, or --next for the next one of the plan.")
        names = [one.name for one in fields(SampleOptions) if one.name not in {"code", "take_next"}]
        return StatedSample(self.code, {name: getattr(self, name) for name in names})


new_option = click.option(
    "--new", is_flag=True, help="Begin a sample, or a season, that is not known yet."
)
more_option = click.option(
    "--more", is_flag=True, help="Take more berries than the sample was planned for."
)


def requested_sample(season_file: Path, stated: StatedSample, *, new: bool, ask: bool) -> Sample:
    """Return the sample that is meant; an unknown one is begun only after a question.

    Where nobody can be asked, one that the season's plan does not know is refused.
    """
    from gauge.season.file import open_season
    from gauge.season.rows import match, nearest
    from gauge.session.samplechoice import has_plan, next_or_match

    rows: list[SampleRow] = []
    if season_file.exists():
        with open_season(season_file, read_only=True) as season:
            rows = season.samples()
    code = stated.code
    row = next_or_match(rows, code)
    if row is None and code is None:
        if not ask:
            raise NoSuchRecordError(
                f"{season_file}: no {'planned sample is left' if has_plan(rows) else 'plan'}.",
                todo="Name one with --sample; 'gauge plan' shows the plan and imports more.",
            )
        code = click.prompt("No planned sample is left. Code of the sample", err=True)
        row = match(rows, code)
    sample = Sample(**stated.known | {"code": row.sample.code if row else str(code).strip()})
    if row or new:
        return sample
    near = nearest(rows, sample.code)
    hint = f" The nearest is {near}." if near else ""
    if not (has_plan(rows) or ask):
        if rows:
            say(f"{season_file} knows no sample '{sample.code}': it is begun.{hint}")
        return sample
    unknown = f"{season_file} knows no sample '{code}'.{hint}"
    if not ask:
        raise NoSuchRecordError(unknown, todo="--new begins a sample that is not in the plan.")
    if not season_file.exists():
        unknown = f"{season_file} does not exist: it begins with this sample."
    begin = f"Type b to begin '{sample.code}'" + (f", Enter for {near}" if near else "")
    say(unknown)
    answer = click.prompt(begin, default="", show_default=False, err=True).strip()
    if answer.lower() == "b":
        return sample
    if near is None or answer:
        raise StoppedError("nothing was begun.")
    return replace(sample, code=near)


def sample_of(season: SeasonFile, stated: Sample) -> SampleRow:
    """Return the sample of a code, begun if it is new; say what is stated otherwise.

    What was measured of the fruit completes it; all else that it has stays as it is.
    """
    from gauge.season.rows import match
    from gauge.session.samplechoice import FRUIT

    row = match(season.samples(), stated.code)
    if row is None:
        season.add_sample(replace(stated, crop=stated.crop or season.crop))
        return season.sample(stated.code)
    names = (name for name in Sample.__slots__ if name not in {"code", "cues"})
    stated_so = {name: value for name in names if (value := getattr(stated, name)) is not None}
    new = {k: v for k, v in stated_so.items() if k in FRUIT and getattr(row.sample, k) is None}
    if new:
        season.correct_sample(row.sample.code, new, "measured at the gauge")
    for name in stated_so.keys() - new.keys():
        if (stored := getattr(row.sample, name)) != stated_so[name]:
            shown = "(none)" if stored is None else stored
            say(
                f"Sample {row.sample.code} is in the season file with {name} {shown}, not "
                f"{stated_so[name]}; it stays so."
            )
    return season.sample(row.sample.code)
