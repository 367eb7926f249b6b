"""`gauge scores`: finger scores from a sheet into the season, all or none."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import FILE, json_option, season_argument
from gauge.commands.importsheet import SheetOptions, report, sheet_options, store_sheet


@click.command("scores", no_args_is_help=True)
@season_argument
@click.argument("sheet", type=FILE)
@sheet_options
@json_option
def command(season: Path, sheet: Path, how: SheetOptions, as_json: bool) -> None:
    """Import finger scores from a sheet.

    The sheet is a CSV or an .xlsx workbook with the columns sample, number (berry 7 of the sample:
    7), score and rater, or with a column of scores a rater; a column berry_id may stand for sample
    and number, and a second scoring of the same berries has 2 in a column occasion. The sample may
    be given by its blind code. Names match whatever case, blanks and accents' encoding; who has
    scored nothing in the season yet needs --new-rater. All problems are listed by row and column,
    and nothing is imported until there are none.

    \b
    gauge scores 2026.season monday.csv --rater ines
    gauge scores 2026.season monday.csv --rater ines --correct --why "read from the wrong line"
    """  # noqa: D301
    found = store_sheet(season, sheet, how, as_json, force=False)
    if not as_json:
        report(sheet, found, how, f"{len(found.scores)} scores")
