"""`calibrate table`: rows and letters per selection, storage, seasons and cues."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from calibrate.data.scale import BLACKBERRY, Scale
from gauge.clikit import argument, option, read_by
from gauge.columns import export
from gauge.printed import echo
from gauge.units import Unit, parse_unit

if TYPE_CHECKING:
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


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.LeftOut):
    sources: tuple[Path, ...] = argument(metavar="SOURCE...", nargs=-1, required=True)
    by: tuple[str, ...] = option(
        "Level that makes a row; repeat. Default: selection and storage_day."
    )
    unit: str | None = option(
        "Unit of standard errors and tests. Default: the largest that is named.",
        "--replicate-unit",
        type=click.Choice(_UNITS),
    )
    calibration: str | None = option("Predict scores by this calibration of the season.")
    cuts: Path | None = option("Predict scores by what 'calibrate fit --json' wrote.")
    scale: Scale | None = options.scale_option(
        "Scale of scores in CSVs, firmest first: 1-5 or firm,soft."
    )
    sale_limit: str | None = option("Softest score that may be sold. Default: 3 of 1-5, firm.")
    rater: str | None = option("Only this rater's finger scores and sheets.")
    compare: str | None = option("Level to compare within the others. Default: selection.")
    blocks: tuple[str, ...] = option(
        "Level (site, replicate ...) whose additive effect is taken out of everything; repeat.",
        "--block",
    )
    endpoint: str | None = option("Also the day on which berries are soft, unmarketable, leaky ...")
    at: float | None = option("Percent of berries at the endpoint. Default: 20.", low=0, high=100)
    cues: tuple[str, ...] = option("Column (rain, harvest hour ...); repeat.", "--cue")
    keep_top: float | None = option("Keep this share of selections. Default: 0.5.")
    keep_above: float | None = option("Keep selections at this mean force (N) or more.")
    level: float = options.level_option("Level of intervals; letters are at 1 minus it.")
    allow_contradictions: bool = option(
        "Take the first source's word where sources contradict one another."
    )
    csv_file: Path | None = option("Write the rows to this CSV.", "--csv")
    plot: Path | None = options.plot_option("Draw the rows to this png, pdf or svg file.")
    pdf: Path | None = options.plot_option("Write a one-page PDF for the meeting.", "--pdf")


@answers.command("table", _Asked, read_unit=_force_unit, no_args_is_help=True)
def command(asked: _Asked) -> None:
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
    from calibrate.tables.pooling import pool
    from calibrate.tables.report import CAUTION, build_report, lines
    from calibrate.tables.seasons import KeepRule
    from calibrate.tables.source import FACTORS
    from calibrate.tables.storage import HALF_SOFT, Endpoint
    from calibrate.tables.table import default_rows, tabulate
    from calibrate.tables.tabletext import blocks

    sale_limit, scale = asked.sale_limit, asked.scale
    if sale_limit is not None:
        scale = replace(scale or BLACKBERRY, sale_limit=sale_limit)
    levels = [name for name in (*asked.by, *asked.blocks) if name not in FACTORS]
    pooled = pool(
        asked.sources,
        scale=scale,
        cues=tuple(dict.fromkeys((*asked.cues, *levels))),
        rater=asked.rater,
        without_flags=asked.without_flags,
        without_raters=asked.without_raters,
        allow_contradictions=asked.allow_contradictions,
    )
    chosen = options.named_calibration(asked.sources, asked.calibration, asked.cuts, sale_limit)
    if chosen is not None and pooled.mostly_squeezed:
        chosen = chosen.of_pressed_fruit()
    table = tabulate(
        pooled,
        by=asked.by or default_rows(pooled),
        unit=asked.unit or click.get_current_context().meta.get(_OLD),  # type: ignore[arg-type]
        calibration=chosen,
        compare=asked.compare,
        blocks=asked.blocks,
        level=asked.level,
    )
    rule = None
    if asked.keep_top is not None or asked.keep_above is not None:
        rule = KeepRule(top=asked.keep_top, above=asked.keep_above)
    end = HALF_SOFT
    if asked.endpoint is not None or asked.at is not None:
        end = Endpoint(of=asked.endpoint or "soft", at=(20 if asked.at is None else asked.at) / 100)
    report = build_report(table, cues=asked.cues, rule=rule, endpoint=end)
    _write_files(report, asked)
    if not answers.emitted(report.to_json()):
        for block in blocks(report):
            answers.print_table(block.header, block.rows, title=block.title, left=range(block.left))
        for line in [*lines(report), *report.notes, CAUTION]:
            echo(textwrap.fill(line, 79, break_on_hyphens=False))


def _write_files(report: Report, asked: _Asked) -> None:
    from calibrate.tables.report import short_name

    if asked.csv_file is not None:
        rows = report.csv_rows()
        names = list(dict.fromkeys(name for row in rows for name in row))
        what = export(asked.csv_file, names, ([row.get(name) for name in names] for row in rows))
        answers.say(f"table: {asked.csv_file}.{what}")
    title = f"Firmness by {' and '.join(map(short_name, report.table.by)) or 'all berries'}"
    about: dict[str, Any] = {"of": report.table.pool.sources, "level": report.table.level}
    if asked.plot is not None:
        from calibrate.plots.table import draw_table

        answers.draw(asked.plot, draw_table(report), title, **about)
    if asked.pdf is not None:
        from calibrate.plots.tablepage import draw_page

        answers.draw(asked.pdf, draw_page(report), title, **about, named="page")
