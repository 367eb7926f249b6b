"""Options that several `gauge` commands share."""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import F, option, read_by
from gauge.errors import FirmhandError, InvalidValueError
from gauge.printed import say

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile


def _read_loading_rate(text: str) -> tuple[float, float]:
    """Read a range of loading rates in 1/s, such as ``0.3-2``."""
    low, _, high = text.partition("-")
    try:
        rate_per_s = float(low), float(high)
    except ValueError:
        raise click.BadParameter(f"'{text}' is not a range such as 0.3-2.") from None
    if not 0 <= rate_per_s[0] < rate_per_s[1] < math.inf:
        raise InvalidValueError(
            f"'{text}' is no range of loading rates.", todo="Give LOW-HIGH in 1/s, such as 0.3-2."
        )
    say(f"Planned rate of loading: {rate_per_s[0]:g} to {rate_per_s[1]:g} of the peak a second.")
    return rate_per_s


def read_crop(text: str) -> str | None:
    """Read a crop; say so where it has no scale of its own."""
    from gauge.season.scores import DEFAULT_SCALES, known_crop

    crop = known_crop(text) if text.strip() else None
    if crop and crop not in DEFAULT_SCALES:
        say(f"{crop} has no scale of its own here: it is scored as blackberries are, 1 to 5.")
    return crop


CROP = "Crop of a season begun here: blackberry, raspberry, or another one, scored 1 to 5."
NEW_RATER = "A rater whom the season does not know yet; may be repeated."

crop_option = click.option("--crop", callback=read_by(read_crop), help=CROP)


@contextmanager
def begun_season(path: Path, *, crop: str | None = None) -> Iterator[SeasonFile]:
    """Open a season, begun if there is none; one that was begun for nothing is removed again.

    Says that it is begun, with the names that it may be a slip of.
    """
    from difflib import get_close_matches

    from gauge.season.file import open_season

    there = path.exists()
    with removed_if_empty(path), open_season(path, create=True, crop=crop) as season:
        if not there:
            others = {other.name for other in path.parent.glob("*.season")} - {path.name}
            near = " and ".join(get_close_matches(path.name, others, cutoff=0.8))
            hint = f" Beside it there is {near}." if near else ""
            say(f"{path} did not exist, and is begun.{hint}")
        yield season


@contextmanager
def removed_if_empty(path: Path) -> Iterator[None]:
    """Remove a season that is begun within a `with` block which fails, while it is empty."""
    from gauge.season.file import open_season

    there = path.exists()
    try:
        yield
    except BaseException:
        if not there and path.exists():
            empty = not path.stat().st_size  # the disk was full
            with suppress(FirmhandError), open_season(path, read_only=True) as season:
                empty = _is_empty(season)
            if empty:
                path.unlink(missing_ok=True)
        raise


def _is_empty(season: SeasonFile) -> bool:
    """Return whether a season holds nothing that a person, a gauge or a plan gave it."""
    kept = (("berries", "berry_id"), ("verifications", "at"), ("chunks", "seq"), ("notes", "at"))
    planned = any(row.sample.plan_order is not None for row in season.samples())
    return not planned and not any(season.columns(table, [name])[name] for table, name in kept)


def format_option(**more: Any) -> Callable[[F], F]:
    """Make the option of the line format, as `load_format` takes it."""
    text = "Line format: a file that gauge learn wrote, or a shipped one by name."
    return click.option("--format", "format_name", metavar="FORMAT.toml", help=text, **more)


loading_rate_option = click.option(
    "--loading-rate",
    "loading_rate_per_s",
    metavar="LOW-HIGH",
    callback=read_by(_read_loading_rate),
    help="Planned rate of loading, in peaks a second (2: full force after half a second); presses "
    "outside it are flagged.",
)


@dataclass(frozen=True, kw_only=True)
class GaugeOptions:
    """Which gauge it is, and who works at it."""

    operator: str | None = option("Who works at the gauge.")
    gauge: str | None = option("Name of the gauge.")
    gauge_serial: str | None = option("Serial number of the gauge.", "--serial-number")
    capacity_newton: float | None = option("Capacity of the gauge, in N.", "--capacity-n", above=0)


press_only_option = click.option(
    "--press-only/--no-press-only", default=None,
    help="Press one berry in five without a squeeze, from now on; they show what squeezing takes.",
)  # fmt: skip


def plan_squeezes(
    season: SeasonFile,
    *,
    press_only: bool | None = None,
    again: bool | None = None,
    seed: int | None = None,
    planning: bool = False,
) -> None:
    """Store what a season plans of squeezes, where something is asked for or planned anew."""
    from gauge.sheets.squeezes import AGAIN_EVERY, PRESS_ONLY_EVERY, SqueezePlan

    stored = season.setting("squeezes")
    plan = SqueezePlan.of(stored)
    if stored is None:
        seed = secrets.randbelow(1_000_000) if seed is None else seed
        plan = replace(plan, again=AGAIN_EVERY, seed=seed)
    if press_only is not None:
        plan = replace(plan, press_only=PRESS_ONLY_EVERY if press_only else 0)
    if again is not None:
        plan = replace(plan, again=AGAIN_EVERY if again else 0)
    if (planning or press_only is not None) and plan.setting() != stored:
        season.set_setting("squeezes", plan.setting())
