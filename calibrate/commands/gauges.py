"""`calibrate gauges`: agreement of two gauges, or precision of several labs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import emit_json, format_newton, print_table
from calibrate.commands.options import FILE, json_option, level_option
from gauge.clikit import echo
from gauge.errors import BadTableError

if TYPE_CHECKING:
    from calibrate.stats.measurement import LimitsOfAgreement, Precision
    from gauge.csvsheet import CsvSheet

_LEVELS = ("level", "material", "lot")


@click.command("gauges", no_args_is_help=True)
@click.argument("file", metavar="FILE.csv", type=FILE)
@level_option
@click.option("--plot", type=FILE, help="Draw two gauges to png, pdf, svg.")
@json_option
def command(file: Path, level: float, plot: Path | None, as_json: bool) -> None:
    """Two gauges, or several labs, on the same berries.

    Do two gauges read alike, and how far apart may two readings be?

    \b
    calibrate gauges two_gauges.csv
    calibrate gauges six_labs.csv --json

    The CSV has one row a reading: force_N (or force and unit), and either berry and gauge (two
    gauges; a berry pressed again has further rows), or lab and level (or material, lot). Use
    durable pads or a light press: a berry pressed hard is another berry afterwards.

    Two gauges: mean difference, and the limits within which 95 % of differences lie (1.96 SD).
    Labs: repeatability s_r and reproducibility s_R; two readings of one lab differ by less than
    r = 2.8 s_r, two labs by less than R = 2.8 s_R, 95 % of the time.
    """  # noqa: D301
    from gauge.csvsheet import CsvSheet

    sheet = CsvSheet(file, "the columns berry, gauge and force_N, or lab and force_N")
    force = _force(sheet)
    if "gauge" in sheet.columns and "berry" in sheet.columns:
        names, first, second = _two(sheet, force)
        from calibrate.stats.measurement import limits_of_agreement

        found = limits_of_agreement(first, second, level=level)
        if plot is not None:
            from calibrate.plots.gauges import draw_gauges
            from calibrate.plots.style import save

            save(draw_gauges(found, names, first, second), plot)
        if as_json:
            emit_json(_agreement_json(found, names, level))
        else:
            _show_agreement(found, names)
    elif "lab" in sheet.columns:
        if plot is not None:
            raise click.UsageError("--plot draws two gauges; a CSV of labs has no picture.")
        levels = _labs(sheet, force)
        if as_json:
            emit_json({"levels": [one.to_json() for one in levels]})
        else:
            _show_labs(levels)
    else:
        raise BadTableError(
            f"{file}: the header has neither berry and gauge, nor lab "
            f"(it has {', '.join(sheet.header)})."
        )


def _force(sheet: CsvSheet) -> list[float]:
    from gauge.units import newtons, parse_unit

    if "force_N" in sheet.columns:
        return sheet.parsed("force_N", sheet.number)
    if "force" in sheet.columns and "unit" in sheet.columns:
        units = sheet.parsed("unit", parse_unit)
        values = sheet.parsed("force", sheet.number)
        return [newtons(value, unit) for value, unit in zip(values, units, strict=True)]
    sheet.lacks("force_N", todo="Name the column force_N, or give the columns force and unit.")


def _two(sheet: CsvSheet, force: list[float]) -> tuple[tuple[str, str], Any, Any]:
    import numpy as np

    names = sorted(set(sheet.columns["gauge"]))
    if len(names) != 2:
        raise BadTableError(
            f"{sheet.path}, column 'gauge': {len(names)} gauges ({', '.join(names)}), not two.",
            todo="Keep the rows of two gauges, or name them as labs in a column lab.",
        )
    told: dict[str, dict[str, list[float]]] = {}
    for berry, gauge, value in zip(
        sheet.columns["berry"], sheet.columns["gauge"], force, strict=True
    ):
        told.setdefault(berry, {name: [] for name in names})[gauge].append(value)
    tables = []
    for name in names:
        widest = max(len(one[name]) for one in told.values())
        rows = [one[name] + [np.nan] * (widest - len(one[name])) for one in told.values()]
        tables.append(np.array(rows, dtype=float))
    return (names[0], names[1]), tables[0], tables[1]


def _labs(sheet: CsvSheet, force: list[float]) -> list[Precision]:
    from calibrate.stats.measurement import precision
    from calibrate.tables.samplingunits import sort_key

    column = next((name for name in _LEVELS if name in sheet.columns), None)
    of = sheet.columns[column] if column else ("",) * len(force)
    found = []
    for name in sorted(set(of), key=sort_key):
        rows = [at for at, text in enumerate(of) if text == name]
        labs = [sheet.columns["lab"][at] for at in rows]
        found.append(precision(labs, [force[at] for at in rows], level=name))
    return found


def _agreement_json(
    found: LimitsOfAgreement, names: tuple[str, str], level: float
) -> dict[str, Any]:
    return {
        "first": names[0],
        "second": names[1],
        "n": found.n,
        "level": level,
        "bias_N": found.bias.to_json(),
        "sd_N": found.sd,
        "lower_limit_N": found.lower.to_json(),
        "upper_limit_N": found.upper.to_json(),
        "slope": found.slope.to_json(),
        "repeatability": {
            name: None
            if one is None
            else {"sd_N": one.sd, "coefficient_N": one.coefficient, "df": one.df}
            for name, one in zip(names, found.repeatability, strict=True)
        },
    }


def _show_agreement(found: LimitsOfAgreement, names: tuple[str, str]) -> None:
    from calibrate.tables.tabletext import format_estimate

    print_table(
        ["", "N"],
        [
            [f"mean difference, {names[0]} minus {names[1]}", format_estimate(found.bias, 3)],
            ["lower limit of agreement", format_estimate(found.lower, 3)],
            ["upper limit of agreement", format_estimate(found.upper, 3)],
            ["SD of differences", f"{found.sd:.3f}"],
        ],
    )
    echo(f"{found.n} berries; 95 % of differences lie within the limits.")
    for name, one in zip(names, found.repeatability, strict=True):
        if one is not None:
            echo(
                f"{name} against itself: SD {one.sd:.3f} N; two readings of a berry differ by less "
                f"than {one.coefficient:.3f} N 95 % of the time."
            )
    low, high = found.slope.low, found.slope.high
    if low is not None and high is not None and (low > 0 or high < 0):
        echo(
            "The difference changes with force: these limits do not hold alike for firm and soft "
            "berries."
        )


def _show_labs(levels: list[Precision]) -> None:

    print_table(
        ["level", "labs", "n", "mean N", "s_r", "s_R", "r", "R"],
        [
            [
                one.level or "all",
                str(one.labs),
                str(one.readings),
                *(format_newton(x) for x in (one.mean, one.s_r, one.s_R, one.r, one.R)),
            ]
            for one in levels
        ],
    )
    echo("r = 2.8 s_r within a lab, R = 2.8 s_R between labs: 95 % of differences are less.")
