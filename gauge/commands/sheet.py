"""`gauge sheet`: the plan on paper, to write on beside the fruit."""

from __future__ import annotations

from pathlib import Path

import click

from gauge.clikit import FILE, season_argument
from gauge.plaintext import plural
from gauge.printed import say


@click.command("sheet", no_args_is_help=True)
@season_argument
@click.option("--out", required=True, type=FILE, help="The PDF to write.")
@click.option(
    "--raters", metavar="NAME,NAME", help="A column each; those of the season if not given."
)
@click.option(
    "--open", "with_codes", is_flag=True, help="Print codes and selections, not blind codes."
)
@click.option("--all", "with_done", is_flag=True, help="Also samples that are done.")
def command(season: Path, out: Path, raters: str | None, with_codes: bool, with_done: bool) -> None:
    """Print the plan as sheets to write on.

    A sheet a sample, in the order of the plan, with a line a berry and a column a rater, and then
    labels to cut out. A small 1st, 2nd ... says who squeezes a berry first; raters take turns,
    because each squeeze softens a berry. Where a plan has blind codes, only they are printed. What
    comes back is typed with 'gauge scores --form', or imported.

    \b
    gauge sheet 2026.season --out sheet.pdf --raters ines,marek
    """  # noqa: D301
    from gauge.season.file import open_season
    from gauge.sheets.planpdf import write_sheets
    from gauge.sheets.squeezes import SqueezePlan

    with open_season(season, read_only=True) as file:
        rows = [row for row in file.samples() if with_done or not row.done]
        rows = [row for row in rows if row.sample.plan_order]
        names = [name.strip() for name in raters.split(",")] if raters else file.rater_names()
        names, known = names[:5], file.setting("panel")
        title, plan = file.code, SqueezePlan.of(file.setting("squeezes"))
    if names not in ([], known):
        with open_season(season) as file:
            file.set_setting("panel", names)  # the form has the order of squeezes from it
    n_pages = write_sheets(
        rows, out, raters=names, title=title, blind=not with_codes, squeezes=plan
    )
    say(f"{out}: {plural(len(rows), 'sample')} on {plural(n_pages, 'page')}.")
