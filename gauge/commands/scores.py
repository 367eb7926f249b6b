"""`gauge scores`: finger scores from a sheet into the season, all or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import FILE, emit_json, json_option, say, season_argument

if TYPE_CHECKING:
    from gauge.records import FingerScore
    from gauge.season.file import SeasonFile


@click.command("scores", no_args_is_help=True)
@season_argument
@click.argument("sheet", type=FILE)
@click.option("--rater", help="Who scored the sheet, where it has no column rater.")
@json_option
def command(season: Path, sheet: Path, rater: str | None, as_json: bool) -> None:
    """Import finger scores from a sheet.

    The sheet is a CSV with the columns sample, number (berry 7 of the sample: 7), score and rater;
    a column berry_id may stand for sample and number, and a second scoring of the same berries has
    2 in a column occasion. The sample may be given by its blind code. One bad cell, named by row
    and column, and nothing is imported.

    \b
    gauge scores 2026.season monday.csv --rater ines
    """  # noqa: D301
    from gauge.season.file import open_season

    with open_season(season) as file:
        found = _matched(file, sheet, rater)
        stored = file.add_scores(found, source=sheet.name)
    raters = sorted({mark.rater for _, mark in found})
    if as_json:
        emit_json({"stored": stored, "raters": raters})
    else:
        say(f"{stored} scores by {', '.join(raters)} stored.")


def _matched(file: SeasonFile, sheet: Path, rater: str | None) -> list[tuple[int, FingerScore]]:
    from gauge.csvsheet import CsvSheet
    from gauge.sheets.scoresheet import read_scores

    blind = {row.sample.code: row.sample.blind_code for row in file.samples()}
    berries = file.berries()
    numbers = {}
    for berry in berries:
        if berry.void is None:
            for code in (berry.sample, blind[berry.sample]):
                if code is not None:
                    numbers[code, berry.number] = berry.berry_id
    return read_scores(
        CsvSheet(sheet, "the columns sample, number and score"),
        labels=file.labels,
        numbers=numbers,
        known={berry.berry_id: berry.void for berry in berries},
        scored={
            (berry.berry_id, s.rater, s.occasion): s.score
            for berry in berries
            for s in berry.scores
        },
        rater=rater,
    )
