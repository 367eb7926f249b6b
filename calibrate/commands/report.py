"""`calibrate report`: the season as one page, made of what the other commands print."""

from __future__ import annotations

import importlib
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

import gauge
from calibrate.commands import answers, options
from calibrate.report import facts
from gauge.clikit import argument, option
from gauge.errors import DamagedSeasonError, FirmhandError, NoSuchRecordError
from gauge.outfile import PAGE, write_whole
from gauge.printed import Printed, keep_printed

if TYPE_CHECKING:
    from calibrate.report.page import Section
    from gauge.season.file import SeasonFile

_DRAWN = "picture.svg"  # where commands that draw for the page draw to


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    season: Path = argument()
    out: Path = option("The page to write: report.html.", required=True)
    earlier: tuple[Path, ...] = option("An earlier season to compare; repeat.")
    lab: str | None = option(
        "Name of the lab, to stand in its head; the season remembers it.", metavar="NAME"
    )


@answers.command("report", _Asked, json=False)
def command(asked: _Asked) -> None:
    """Put the whole season on one page.

    One file that opens in any browser, needs neither network nor script, and prints on A4: what
    was done and with which gauge, cut points, how the panel agrees and each hand has moved, the
    sale limit and what it costs, anchors, selections, seasons side by side, what was flagged or
    voided, and how all of it was computed. Where something is missing, the page says what to do.

    \b
    calibrate report 2026.season --out report.html
    calibrate report 2026.season --earlier 2025.season --out report.html
    """  # noqa: D301
    from calibrate.data.pairs import looks_like_season
    from calibrate.report.page import render

    for earlier in asked.earlier:
        looks_like_season(earlier)  # refuses a slip in a name, which would leave its section empty
        options.refuse_itself(earlier, asked.season, "SEASON")
    lab = options.remembered(asked.season, "lab", asked.lab)
    with gauge.open_season(asked.season, read_only=True) as file:
        title = f"Season {file.code}"
        crop = file.crop or facts.of_samples(file, "crop")
        about = [", ".join(filter(None, (crop, lab, asked.season.name)))]
        digest = file.digest
    about += [f"Made {datetime.now(UTC):%d %b %Y}; forces in {answers.unit()}; digest {digest}."]
    sections = [_made(asked, *part) for part in _PARTS]
    write_whole(asked.out, [render(title, about, sections)], kind=PAGE)
    failed = [section.title for section in sections if section.missing]
    lacking = f"; to be filled: {', '.join(failed)}" if failed else ""
    answers.say(f"report: {asked.out}{lacking}")


def _made(
    asked: _Asked,
    title: str,
    lead: str,
    fill: Callable[[SeasonFile], None] | None,
    calls: Sequence[str],
) -> Section:
    """Make a section; one that fails says why, and leaves the others as they are."""
    from calibrate.report.page import Section

    missing: list[str] = []
    done: list[str] = []
    with keep_printed() as printed:
        for step in (fill, *calls):
            try:
                if isinstance(step, str):
                    done.append(_call(step, asked))
                elif step is not None:
                    with gauge.open_season(asked.season, read_only=True) as file:
                        step(file)
            except DamagedSeasonError:
                raise
            except (FirmhandError, click.ClickException) as error:
                missing.append(getattr(error, "message", str(error)))
            except Exception as error:  # a fault of one section is not the end of the page
                missing.append(
                    f"This failed ({type(error).__name__}: {error}), which is a fault of firmhand; "
                    "the other sections stand."
                )
    return Section(
        title=title,
        lead=lead,
        printed=_tidied(printed, (asked.season, *asked.earlier)),
        commands=done,
        missing=" ".join(missing),
    )


def _call(call: str, asked: _Asked) -> str:
    """Run a command for a section, and return it as it is typed."""
    name, *words = call.split()
    if "EARLIER" in words and not asked.earlier:
        raise NoSuchRecordError(
            "No earlier season was named.",
            todo="Name them: calibrate report SEASON --earlier 2025.season --out report.html.",
        )
    paths = {"S": [asked.season], "EARLIER": asked.earlier}
    typed = [str(one) for word in words for one in paths.get(word, [word])]
    module = importlib.import_module(f"calibrate.commands.{name}")
    module.command.main(typed, name, standalone_mode=False)
    shown = [Path(one).name for one in typed if one not in {_DRAWN, "--plot"}]
    return shlex.join(["calibrate", name, *shown])


def _tidied(printed: Printed, sources: Sequence[Path]) -> Printed:
    """Name sources without their folders, and drop what is said more than once."""

    def short(text: str) -> str:
        for source in sources:
            text = text.replace(str(source), source.name)
        return text

    return Printed(
        sentences=[
            one
            for one in dict.fromkeys(map(short, printed.sentences))
            if not one.startswith("log-likelihood")  # stands in the last section
        ],
        messages=list(dict.fromkeys(map(short, printed.messages))),
        tables=[replace(one, title=short(one.title)) for one in printed.tables if one.rows],
        pictures=printed.pictures,
    )


_Part = tuple[str, str, "Callable[[SeasonFile], None] | None", tuple[str, ...]]
# Title, the question that it answers, what fills it, and the commands whose answers stand in it:
# S is the season, EARLIER are the earlier ones.
_PARTS: tuple[_Part, ...] = (
    ("What was done", "Which fruit, which hands, which gauge.", facts.work, ()),
    ("The gauge and its checks", "Did the gauge read true against check weights?", facts.gauge, ()),
    (
        "Cut points",
        "A cut point is the force at which a berry is as likely to get the firmer score of a pair, "
        "or a firmer one, as a softer one.",
        None,
        (f"fit S --plot {_DRAWN}",),
    ),
    (
        "How well the panel agrees",
        "Do the raters score the same berries alike, force left aside? 1 is full agreement, 0 is "
        "what chance gives.",
        None,
        ("agree S",),
    ),
    (
        "Each hand over the season",
        "How far is each hand from the scale that it is compared with, and has it moved?",
        facts.practice,
        (f"check S --all --history --plot {_DRAWN}",),
    ),
    (
        "The sale limit and what it costs",
        "From which force on is a berry within the sale limit, and what would a threshold cost?",
        None,
        (f"limit S --plot {_DRAWN}",),
    ),
    (
        "Anchors and their age",
        "An anchor stands for a score; it perishes and softens.",
        facts.anchors,
        ("squeeze S",),
    ),
    (
        "Selections by storage day",
        "Which selections are firmer on the same day, and is that more than chance?",
        None,
        (f"table S --plot {_DRAWN}",),
    ),
    (
        "Seasons side by side",
        "Did the scale move between seasons, and would it matter?",
        None,
        (f"compare EARLIER S --plot {_DRAWN}",),
    ),
    ("Flags and voids", "What is doubtful, and what was taken out.", facts.flags, ()),
    (
        "Methods",
        "For a paper or another lab: what was recorded, and what was not.",
        None,
        ("methods S",),
    ),
    ("How it was computed", "With this, anyone can do it again.", facts.computed, ()),
)
