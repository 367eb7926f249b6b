"""`calibrate table`: rows and letters per selection, storage, seasons and cues."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import emit_json, print_table, say
from calibrate.commands.options import FILE, SHARE, json_option
from gauge.clikit import echo

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calibrate.cuts.calibration import Calibration
    from calibrate.tables.report import Report


@click.command("table", no_args_is_help=True)
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True, type=FILE)
@click.option("--by", multiple=True, help="Level that makes a row; repeat. Default: selection.")
@click.option(
    "--unit",
    type=click.Choice(["clamshell", "replicate", "berry"]),
    help="Unit of standard errors and tests. Default: the largest that is named.",
)
@click.option("--calibration", help="Predict scores by this calibration of the season.")
@click.option("--cuts", type=FILE, help="Predict scores by what 'calibrate fit --json' wrote.")
@click.option("--scores", help="Scale of scores in CSVs, firmest first: 1-5 or firm,soft.")
@click.option("--sale-limit", help="Softest score that may be sold. Default: 3 of 1-5, firm.")
@click.option("--rater", help="Only this rater's finger scores and sheets.")
@click.option("--compare", help="Level to compare within the others. Default: selection.")
@click.option("--block", help="Level whose additive effect is taken out of mean forces.")
@click.option("--cue", "cues", multiple=True, help="Column (rain, harvest hour ...); repeat.")
@click.option("--keep-top", type=float, help="Keep this share of selections. Default: 0.5.")
@click.option("--keep-above", type=float, help="Keep selections at this mean force (N) or more.")
@click.option(
    "--level", type=SHARE, default=0.95, help="Level of intervals; letters are at 1 minus it."
)
@click.option(
    "--allow-contradictions",
    is_flag=True,
    help="Take the first source's word where sources contradict one another.",
)
@click.option("--csv", "csv_file", type=FILE, help="Write the rows to this CSV.")
@click.option("--plot", type=FILE, help="Draw the rows to this png, pdf or svg file.")
@click.option("--pdf", type=FILE, help="Write a one-page PDF for the meeting.")
@json_option
def command(
    sources: tuple[Path, ...],
    by: tuple[str, ...],
    unit: str | None,
    calibration: str | None,
    cuts: Path | None,
    scores: str | None,
    sale_limit: str | None,
    rater: str | None,
    compare: str | None,
    block: str | None,
    cues: tuple[str, ...],
    keep_top: float | None,
    keep_above: float | None,
    level: float,
    allow_contradictions: bool,
    csv_file: Path | None,
    plot: Path | None,
    pdf: Path | None,
    as_json: bool,
) -> None:
    """Tables and letters per selection.

    Which selections are firmer, and is that more than chance?

    \b
    calibrate table 2026.season
    calibrate table 2026.season --by selection --by storage_day --calibration panel
    calibrate table 2025.season 2026.season --by selection --by season --keep-top 0.3
    calibrate table berries.csv --cue rain_mm --plot table.png --pdf table.pdf

    SOURCE is a season file, a CSV of berries (selection, force_N or force and unit, and if you
    like clamshell, replicate, storage_day, harvest_date, storage_temp_c, season, site, sample,
    berry, score, rater), or a CSV of clamshell sheets as for 'calibrate tally'. Several are read
    together; where they say different things of the same berry, nothing is made until you decide.

    Berries of one clamshell are alike, so the clamshell (or replicate) is the unit: SE and
    letters rest on clamshell means. Two selections share a letter if and only if they do not
    differ (Tukey-Kramer). With one clamshell each there is no SE and no letter.
    """  # noqa: D301
    from calibrate.tables.pooling import pool
    from calibrate.tables.report import build_report
    from calibrate.tables.table import tabulate

    for picture in (plot, pdf):
        if picture is not None:
            from calibrate.plots.style import check_suffix

            check_suffix(picture)
    pooled = pool(
        sources,
        scale=_scale(scores, sale_limit),
        cues=tuple(dict.fromkeys((*cues, *_unknown(by)))),
        rater=rater,
        allow_contradictions=allow_contradictions,
    )
    table = tabulate(
        pooled,
        by=by or _default_by(pooled.factors, pooled.clamshells),
        unit=unit,  # type: ignore[arg-type]
        calibration=_calibration(sources, calibration, cuts, sale_limit),
        compare=compare,
        block=block,
        level=level,
    )
    report = build_report(table, cues=cues, rule=_rule(keep_top, keep_above))
    if csv_file is not None:
        _write_csv(report, csv_file)
        say(f"table: {csv_file}")
    if plot is not None:
        from calibrate.plots.style import save
        from calibrate.plots.table import draw_table

        save(draw_table(report), plot)
        say(f"picture: {plot}")
    if pdf is not None:
        from calibrate.plots.style import save
        from calibrate.plots.tablepage import draw_page

        save(draw_page(report), pdf)
        say(f"page: {pdf}")
    if as_json:
        emit_json(report.to_json())
    else:
        _show(report)


def _scale(scores: str | None, sale_limit: str | None) -> Any:
    from dataclasses import replace

    from calibrate.data.scale import BLACKBERRY, parse_scale

    if scores is None and sale_limit is None:
        return None
    scale = BLACKBERRY if scores is None else parse_scale(scores)
    return scale if sale_limit is None else replace(scale, sale_limit=sale_limit)


def _unknown(by: tuple[str, ...]) -> list[str]:
    from calibrate.tables.source import FACTORS

    return [name for name in by if name not in FACTORS]


def _default_by(levels: Mapping[str, object], clamshells: Any) -> tuple[str, ...]:
    if "selection" in levels or any("selection" in one.levels for one in clamshells):
        return ("selection",)
    return ()


def _rule(top: float | None, above: float | None) -> Any:
    from calibrate.tables.seasonranks import KeepRule

    return None if top is None and above is None else KeepRule(top=top, above=above)


def _calibration(
    sources: tuple[Path, ...], name: str | None, cuts: Path | None, sale_limit: str | None
) -> Calibration | None:
    from calibrate.cuts.loading import load_calibration

    if name is not None and cuts is not None:
        raise click.UsageError("Give --calibration or --cuts, not both.")
    if cuts is not None:
        return load_calibration(cuts, sale_limit=sale_limit)
    return None if name is None else load_calibration(*sources, name=name, sale_limit=sale_limit)


def _write_csv(report: Report, path: Path) -> None:
    import csv
    import io

    from gauge.outfile import write_whole

    rows = report.csv_rows()
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, names, restval="")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _guarded(value) for name, value in row.items()})
    write_whole(path, [text.getvalue()])


def _guarded(value: object) -> object:
    """Keep a spreadsheet from running a text cell as a formula; numbers stay numbers."""
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return f"'{value}"
    return value


def _show(report: Report) -> None:
    import textwrap

    from calibrate.tables.report import CAUTION
    from calibrate.tables.tabletext import blocks, lines

    for block in blocks(report):
        echo(block.title)
        print_table(block.header, block.rows, left=range(block.left))
    for line in [*lines(report), *report.notes, CAUTION]:
        echo(textwrap.fill(line, 79))
