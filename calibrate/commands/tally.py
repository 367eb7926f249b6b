"""`calibrate tally`: clamshell sheets to percentages, from a CSV or by keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import gauge
from calibrate.commands import answers, options
from calibrate.data.scale import Scale
from gauge.clikit import argument, option, typed_keys
from gauge.errors import ImpossibleSheetError, InvalidValueError
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.data.clamshell import Clamshell
    from calibrate.tables.measures import Shares

_COMMON = ("soft", "leaky", "decayed", "market")
_FURTHER = ("red", "any_defect", "weight_loss")
CAUTION = "Percentages inform; local grades and the buyer's terms decide what may be sold."


def _colours(text: str) -> tuple[int, ...]:
    """Read a scale of colour."""
    low, dash, high = text.partition("-")
    if not (dash and low.strip().isdigit() and high.strip().isdigit() and int(low) < int(high)):
        raise InvalidValueError(f"'{text}' is not a scale of colour.", todo="Write it as 0-3.")
    return tuple(range(int(low), int(high) + 1))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    file: Path | None = argument(required=False)
    scale: Scale | None = options.scale_option(
        "Scale, firmest first: 1-5 or firm,soft. Default: by the header."
    )
    sale_limit: str | None = option("Softest score that may be sold. Default: 3 of 1-5, firm.")
    colours: tuple[int, ...] = option(
        "Scale of the overall colour.", "--colour", type=str, multiple=False, default="0-3",
        read=_colours,
    )  # fmt: skip
    level: float = options.level_option()
    season: Path | None = option("Store the sheets in this season.")
    rater: str = option("Who counted, where the file does not say.", default="lab")
    form: Path | None = option("Enter one sheet by keys into SEASON.")
    sample: str | None = option("Clamshell to enter with --form.")


@answers.command("tally", _Asked, unit="none", no_args_is_help=True)
def command(asked: _Asked) -> None:
    """Clamshell sheets to percentages.

    How many berries of each clamshell are soft, leaky, decayed, and may be sold?

    \b
    calibrate tally sheets.csv
    calibrate tally sheets.csv --season 2026.season --rater ines
    calibrate tally --form 2026.season --sample T-014

    The CSV has one row a clamshell: sample, a column a score (1 to 5, or s1 to s5, or firm and
    soft), and if you count them leaky, decayed, red (with reddened drupelets), any_defect,
    marketable, colour, weight_start_g and weight_end_g, planned; other columns are named on
    stderr. The berries are counted from the scores: leaky and decayed berries are scored too. A
    sheet that cannot be true is refused with its cell named. A code that comes back on another
    storage_day is the same clamshell, followed.

    Soft is beyond the sale limit. Marketable is within the limit, neither leaky nor decayed;
    without a column of that name it is known between bounds only, and shown as if no berry had
    two defects. One clamshell has a Wilson interval; of several, each counts alike.

    With --form, keys of the numeric pad: 1 to 9 a berry at that score (1 the firmest), + leaky,
    - decayed, * then a digit the colour, backspace or / undoes, Enter stores.
    """  # noqa: D301
    if (asked.file is None) == (asked.form is None):
        raise click.UsageError("Give a CSV of sheets, or --form SEASON --sample CODE.")
    sheets: tuple[Clamshell, ...]
    if asked.file is not None:
        from calibrate.data.clamshell import read_sheets, unused_columns

        sheets = read_sheets(asked.file, scale=asked.scale, colours=asked.colours)
        if unused := unused_columns(sheets):
            answers.say(f"calibrate tally: columns that are not used: {', '.join(unused)}.")
    elif asked.form is not None and asked.sample is not None:
        sheets = (_enter(asked.form, asked.sample, asked.rater, asked.colours),)
    else:
        raise click.UsageError("--form needs --sample CODE.")
    if asked.sale_limit is not None:
        sheets = tuple(
            replace(one, scale=replace(one.scale, sale_limit=asked.sale_limit)) for one in sheets
        )
    if sheets[0].scale.sale_limit is None:
        answers.say(
            "calibrate tally: no sale limit is known, so nothing is soft; declare --sale-limit."
        )
    if asked.season is not None:
        _store(asked.season, sheets, asked.rater)
    if not answers.emitted(document(sheets, asked.level)):
        _show(sheets, asked.level)


def document(sheets: Sequence[Clamshell], level: float) -> dict[str, Any]:
    """The whole result for JSON."""
    from calibrate.tables.measures import shares

    scale = sheets[0].scale
    return {
        "scores": list(scale.labels),
        "sale_limit": scale.sale_limit,
        "level": level,
        "clamshells": [
            {
                "sample": one.sample,
                **one.levels,
                **answers.document(one, "rater", "n", "mean_score"),
                **one.to_document(),
                **shares([one], level=level).to_json(),
            }
            for one in sheets
        ],
        "mean": {
            "unit": "clamshell",
            "clamshells": len(sheets),
            "n": sum(one.n for one in sheets),
            **shares(sheets, level=level).to_json(),
        },
        "caution": CAUTION,
    }


def _show(sheets: Sequence[Clamshell], level: float) -> None:
    from calibrate.tables.measures import shares
    from calibrate.tables.tabletext import format_percent

    scale = sheets[0].scale
    mean = shares(sheets, level=level)
    by_day: dict[str, list[Clamshell]] = {}
    for one in sheets:
        by_day.setdefault(one.levels.get("storage_day", ""), []).append(one)
    several = len(by_day) > 1
    groups = [
        (f"{one.sample}{f' day {day}' if several else ''}", [one])
        for one in sheets
        for day in [one.levels.get("storage_day", "")]
    ]
    if len(sheets) > 1:
        groups += [
            (f"mean of {len(members)}{f', day {day}' if several else ''}", members)
            for day, members in by_day.items()
        ]
    made = [(name, members, shares(members, level=level)) for name, members in groups]

    def cells(one: Shares, shown: Sequence[str]) -> dict[str, str]:
        every = {**one.of, "market": one.marketable, "weight_loss": one.weight_loss}
        return {f"{key.replace('_', ' ')} %": format_percent(every.get(key)) for key in shown}

    rows = []
    for name, members, found in made:
        counts = "-".join(map(str, members[0].counts)) if len(members) == 1 else ""
        head = {"clamshell": name, "n": str(sum(one.n for one in members))}
        rows.append({**head, "-".join(scale.labels): counts, **cells(found, _COMMON)})
    answers.print_rows(rows, edge=False)
    further = [name for name in _FURTHER if mean.to_json()[f"{name}_pct"] is not None]
    if further:
        echo()
        rows = [{"clamshell": name, **cells(found, further)} for name, _, found in made]
        answers.print_rows(rows, edge=False)
    echo()
    if several:
        echo("Days of storage are not averaged: each has a mean of its own.")
    if scale.sale_limit is not None:
        limit = f"Soft: beyond the sale limit {scale.sale_limit}. "
        if not several:
            limit += f"At the limit: {format_percent(mean.of.get('at_limit'))} %. "
        echo(f"{limit}Brackets: {level:.0%} interval.")
    if several:
        echo(CAUTION)
        return
    if any(one.marketable is None for one in sheets) and mean.marketable_most is not None:
        echo(
            "Marketable: as if no berry had two defects; if defects share berries, up to "
            f"{100 * mean.marketable_most:.0f} %."
        )
    for name, spread in mean.dispersion.items():
        if spread.ratio is not None and spread.p is not None and spread.p < 1 - level:
            echo(
                f"Clamshells differ in {name} berries more than chance: {spread.ratio:.1f} times "
                f"the binomial variance (p {spread.p:.2g})."
            )
    echo(CAUTION)


def _store(path: Path, sheets: Sequence[Clamshell], rater: str) -> None:
    from gauge.season.rows import ClamshellRow

    at = datetime.now(UTC).isoformat(timespec="seconds")
    with gauge.open_season(path) as season:
        declared = Scale.from_json(season.scale_text)
        if declared.labels != sheets[0].scale.labels:
            raise ImpossibleSheetError(
                f"{path} scores {', '.join(declared.labels)}, the sheets "
                f"{', '.join(sheets[0].scale.labels)}.",
                todo="Store them in a season with their scale.",
            )
        planned = {row.sample.code: row.sample.berries_planned for row in season.samples()}
        for one in sheets:
            # Made again with the plan's number, so that the sheet is compared with it.
            replace(one, planned=planned.get(one.sample) or one.planned)
        rows = [
            ClamshellRow(
                sample=one.sample, rater=one.rater or rater, at=at, sheet=one.to_document()
            )
            for one in sheets
        ]
        season.add_clamshell_counts(rows)
    answers.say(f"calibrate tally: {len(sheets)} sheet(s) stored in {path}")


def _enter(path: Path, sample: str, rater: str, colours: tuple[int, ...]) -> Clamshell:
    """Read keys until the sheet is done, then store it; Ctrl-C stores nothing."""
    from calibrate.data.tallyform import TallyForm

    with gauge.open_season(path, read_only=True) as season:
        scale = Scale.from_json(season.scale_text)
        row = season.sample(sample)
    planned = row.sample.berries_planned
    form = TallyForm(sample=row.sample.code, scale=scale, planned=planned, colours=colours)
    answers.say(f"{sample}: {form.keys}")
    while not form.done:
        answers.say(form.line)
        for key in typed_keys():
            form = form if form.done else form.press(key)
    sheet = replace(form.sheet(), rater=rater)
    _store(path, (sheet,), rater)
    return sheet
