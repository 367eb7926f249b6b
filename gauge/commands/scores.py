"""`gauge scores`: finger scores from a sheet into the season, all or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import FILE, json_option, receives, season_argument, typed_keys
from gauge.commands.importsheet import SheetOptions, rater_of, report, store_sheet
from gauge.csvsheet import name_key
from gauge.errors import NoSuchRecordError
from gauge.plaintext import plural
from gauge.printed import emit_json, say
from gauge.records import FingerScore

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile


@click.command("scores", no_args_is_help=True)
@season_argument
@click.argument("sheet", type=FILE, required=False)
@receives(SheetOptions)
@click.option("--form", is_flag=True, help="Type scores from paper, a key a berry.")
@click.option("--sample", help="Whose berries are scored by --form.")
@json_option
def command(
    how: SheetOptions, season: Path, sheet: Path | None, form: bool, sample: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Import finger scores from a sheet, or type them.

    The sheet is a CSV or an .xlsx workbook with the columns sample, number (berry 7 of the sample:
    7), score and rater, or with a column of scores a rater; a column berry_id may stand for sample
    and number, and a second scoring of the same berries has 2 in a column occasion. squeeze_order
    says who squeezed a berry first, second ... (squeeze_order_ines beside score_ines); it may come
    later than the score. The sample may be given by its blind code. Names match whatever case,
    blanks and accents' encoding; who has scored nothing in the season yet needs --new-rater. All
    problems are listed by row and column, and nothing is imported until there are none.

    With --form, the keys of the numeric pad score the berries of a sample one after another: 1 the
    firmest, - skips one, backspace or / undoes, Enter stores.

    \b
    gauge scores 2026.season monday.csv --rater ines
    gauge scores 2026.season monday.csv --rater ines --correct --why "read from the wrong line"
    gauge scores 2026.season --form --sample C-01 --rater ines
    """  # noqa: D301
    if form:
        if sheet is not None or sample is None or how.rater is None:
            raise click.UsageError("--form needs --sample CODE and --rater NAME, and no sheet.")
        _type_scores(season, sample, how, as_json)
        return
    if sheet is None:
        raise click.UsageError("Give a sheet, or --form.")
    found = store_sheet(season, sheet, how, as_json, force=False)
    if not as_json:
        report(sheet, found, how, plural(len(found.scores), "score"))


def _type_scores(season: Path, sample: str, how: SheetOptions, as_json: bool) -> None:
    """Take keys until the form is done, then store its scores; Ctrl-C stores nothing."""
    from gauge.forms.scoreform import ScoreForm
    from gauge.season.file import open_season

    with open_season(season) as file:
        rater = rater_of(file, how)
        code, berries = _to_score(file, sample, rater)
        if not berries:
            raise NoSuchRecordError(
                f"{season}: sample {code} has no berry that {rater} has not scored.",
                todo="Correct scores by a sheet: --correct --why TEXT.",
            )
        form = ScoreForm(labels=file.labels, berries=tuple(berries))
        say(f"{code}, scores of {rater}: {form.keys}\n- skip  backspace or / undo  Enter store")
        while not form.done:
            say(form.line)
            for typed in typed_keys():
                form = form if form.done else form.press(typed)
        marks = []
        for number, score in form.scores.items():
            berry_id, occasion, order = berries[number]
            mark = FingerScore(rater=rater, score=score, occasion=occasion, squeeze_order=order)
            marks.append((berry_id, mark))
        file.add_scores(marks, source="paper")
    if as_json:
        emit_json({"stored": len(marks), "raters": [rater], "problems": []})
    else:
        say(f"{plural(len(marks), 'score')} by {rater} stored.")


def _to_score(
    file: SeasonFile, sample: str, rater: str
) -> tuple[str, dict[str, tuple[int, int, int | None]]]:
    """Find the code of a sample, and id, occasion and turn of the berries that a rater is to score.

    Who came when in the row of squeezes is what the printed sheet says, of the raters on it.
    """
    from gauge.sheets.squeezes import SqueezePlan

    row = file.sample(sample)
    plan = SqueezePlan.of(file.setting("squeezes"))
    panel = [name_key(name) for name in file.setting("panel") or ()]
    me = name_key(rater)
    first: dict[str, tuple[int, int, int | None]] = {}
    again: dict[str, tuple[int, int, int | None]] = {}
    for berry in file.berries(row.sample.code):
        turns = plan.turns(panel if me in panel else (), row.sample_id, berry.number)
        given = {mark.occasion for mark in berry.scores if mark.rater == rater}
        if berry.void is not None or berry.press_only or turns.press_only:
            continue
        for turn, (name, occasion) in enumerate(turns.marks or [(me, 1)], 1):
            if name == me and occasion not in given:
                found = (berry.berry_id, occasion, turn if turns.marks else None)
                if occasion == 1:
                    first[str(berry.number)] = found
                else:
                    again[f"{berry.number} again"] = found
    return row.sample.code, first | again
