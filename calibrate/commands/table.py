"""`calibrate table`: rows and letters per selection, storage, seasons and cues."""

from __future__ import annotations

import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from gauge.clikit import echo, read_by
from gauge.units import Unit, parse_unit

if TYPE_CHECKING:
    from calibrate.data.scale import Scale
    from calibrate.tables.report import Report

_UNITS = ("clamshell", "replicate", "berry")
_OLD = "calibrate.replicate_unit"  # where the context keeps what was typed by the old name


def _force_unit(context: click.Context, option: click.Parameter, typed: str | None) -> Unit | None:
    """Read --unit; of one version before it was what is --replicate-unit now."""
    if typed in _UNITS:
        answers.say(f"--unit {typed} is now called --replicate-unit {typed}.")
        context.meta[_OLD] = typed
        return None
    found: Unit | None = read_by(parse_unit)(context, option, typed)
    return found


@options.command("table", read_unit=_force_unit, no_args_is_help=True)
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True, type=options.FILE)
@click.option(
    "--by",
    multiple=True,
    help="Level that makes a row; repeat. Default: selection and storage_day.",
)
@click.option(
    "--replicate-unit",
    "unit",
    type=click.Choice(_UNITS),
    help="Unit of standard errors and tests. Default: the largest that is named.",
)
@click.option("--calibration", help="Predict scores by this calibration of the season.")
@options.cuts_option("Predict scores by what 'calibrate fit --json' wrote.")
@options.scale_option("Scale of scores in CSVs, firmest first: 1-5 or firm,soft.")
@click.option("--sale-limit", help="Softest score that may be sold. Default: 3 of 1-5, firm.")
@click.option("--rater", help="Only this rater's finger scores and sheets.")
@options.without_flag_option
@options.without_rater_option
@click.option("--compare", help="Level to compare within the others. Default: selection.")
@click.option(
    "--block",
    "blocks",
    multiple=True,
    help="Level (site, replicate ...) whose additive effect is taken out of everything; repeat.",
)
@click.option("--endpoint", help="Also the day on which berries are soft, unmarketable, leaky ...")
@options.number_option("--at", "Percent of berries at the endpoint. Default: 20.", low=0, high=100)
@click.option("--cue", "cues", multiple=True, help="Column (rain, harvest hour ...); repeat.")
@click.option("--keep-top", type=float, help="Keep this share of selections. Default: 0.5.")
@click.option("--keep-above", type=float, help="Keep selections at this mean force (N) or more.")
@click.option(
    "--level",
    type=options.SHARE,
    default=0.95,
    help="Level of intervals; letters are at 1 minus it.",
)
@click.option(
    "--allow-contradictions",
    is_flag=True,
    help="Take the first source's word where sources contradict one another.",
)
@click.option("--csv", "csv_file", type=options.FILE, help="Write the rows to this CSV.")
@options.plot_option("Draw the rows to this png, pdf or svg file.")
@options.plot_option("Write a one-page PDF for the meeting.", "--pdf")
def command(
    sources: tuple[Path, ...],
    by: tuple[str, ...],
    unit: str | None,
    calibration: str | None,
    cuts: Path | None,
    scale: Scale | None,
    sale_limit: str | None,
    rater: str | None,
    without_flags: tuple[str, ...],
    without_raters: tuple[str, ...],
    compare: str | None,
    blocks: tuple[str, ...],
    endpoint: str | None,
    at: float | None,
    cues: tuple[str, ...],
    keep_top: float | None,
    keep_above: float | None,
    level: float,
    allow_contradictions: bool,
    csv_file: Path | None,
    plot: Path | None,
    pdf: Path | None,
) -> None:
    """Tables and letters per selection.

    Which selections are firmer, and is that more than chance?

    \b
    calibrate table 2026.season
    calibrate table 2026.season --calibration panel --endpoint leaky --at 20
    calibrate table 2025.season 2026.season --by selection --by season --keep-top 0.3
    calibrate table berries.csv --cue rain_mm --plot table.png --pdf table.pdf

    SOURCE is a season file, a CSV of berries (selection, force_N or force and unit, and if you
    like clamshell, replicate, storage_day, harvest_date, storage_temp_c, season, site, sample,
    berry, score, rater), or a CSV of clamshell sheets as for 'calibrate tally'. Several are read
    together; where they say different things of the same berry, nothing is made until you decide.

    Berries of one clamshell are alike, so the clamshell (or replicate) is the unit: means, SE
    and letters rest on clamshell means. Selections that share a letter are not shown to differ
    (Tukey-Kramer). With one clamshell each there is no SE and no letter. Storage days make rows
    unless --by leaves them out, and are no block: a day is not a replicate of another.
    """  # noqa: D301
    from calibrate.data.scale import BLACKBERRY
    from calibrate.tables.pooling import pool
    from calibrate.tables.report import build_report
    from calibrate.tables.seasons import KeepRule
    from calibrate.tables.source import FACTORS
    from calibrate.tables.storage import HALF_SOFT, Endpoint
    from calibrate.tables.table import default_rows, tabulate

    if sale_limit is not None:
        scale = replace(scale or BLACKBERRY, sale_limit=sale_limit)
    pooled = pool(
        sources,
        scale=scale,
        cues=tuple(dict.fromkeys((*cues, *(n for n in (*by, *blocks) if n not in FACTORS)))),
        rater=rater,
        without_flags=without_flags,
        without_raters=without_raters,
        allow_contradictions=allow_contradictions,
    )
    chosen = options.named_calibration(sources, calibration, cuts, sale_limit)
    if chosen is not None and pooled.mostly_squeezed:
        chosen = chosen.of_pressed_fruit()
    table = tabulate(
        pooled,
        by=by or default_rows(pooled),
        unit=unit or click.get_current_context().meta.get(_OLD),  # type: ignore[arg-type]
        calibration=chosen,
        compare=compare,
        blocks=blocks,
        level=level,
    )
    rule = None
    if keep_top is not None or keep_above is not None:
        rule = KeepRule(top=keep_top, above=keep_above)
    end = HALF_SOFT
    if endpoint is not None or at is not None:
        end = Endpoint(of=endpoint or "soft", at=(20 if at is None else at) / 100)
    report = build_report(table, cues=cues, rule=rule, endpoint=end)
    _write_files(report, csv_file, plot, pdf)
    if not answers.emitted(report.to_json()):
        _show(report)


def _write_files(
    report: Report, csv_file: Path | None, plot: Path | None, pdf: Path | None
) -> None:
    from calibrate.tables.report import short_name
    from gauge.columns import export

    if csv_file is not None:
        rows = report.csv_rows()
        names = list(dict.fromkeys(name for row in rows for name in row))
        what = export(csv_file, names, ([row.get(name) for name in names] for row in rows))
        answers.say(f"table: {csv_file}.{what}")
    title = f"Firmness by {' and '.join(map(short_name, report.table.by)) or 'all berries'}"
    about: dict[str, Any] = {"of": report.table.pool.sources, "level": report.table.level}
    if plot is not None:
        from calibrate.plots.table import draw_table

        answers.draw(plot, draw_table(report), title, **about)
    if pdf is not None:
        from calibrate.plots.tablepage import draw_page

        answers.draw(pdf, draw_page(report), title, **about, named="page")


def _show(report: Report) -> None:
    from calibrate.tables.report import CAUTION, lines
    from calibrate.tables.tabletext import blocks

    for block in blocks(report):
        answers.print_table(block.header, block.rows, title=block.title, left=range(block.left))
    for line in [*lines(report), *report.notes, CAUTION]:
        echo(textwrap.fill(line, 79, break_on_hyphens=False))
