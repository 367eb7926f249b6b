"""`calibrate gauges`: agreement of two gauges, or precision of several labs."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from gauge.clikit import argument
from gauge.errors import BadTableError
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.data.codedsheet import CodedSheet
    from calibrate.stats.measurement import LimitsOfAgreement, Precision

_LEVELS = ("level", "material", "lot")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    file: Path = argument(metavar="FILE.csv")
    level: float = options.level_option()
    plot: Path | None = options.plot_option("Draw two gauges to png, pdf, svg.")


@answers.command("gauges", _Asked, no_args_is_help=True)
def command(asked: _Asked) -> None:
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
    from calibrate.data.codedsheet import CodedSheet
    from calibrate.stats.measurement import limits_of_agreement

    sheet = CodedSheet(asked.file, "the columns berry, gauge and force_N, or lab and force_N")
    if sheet.force_column is None:
        sheet.lacks("force_N", todo="Name the column force_N, or give the columns force and unit.")
    if "gauge" in sheet.columns and "berry" in sheet.columns:
        names, first, second = _two(sheet)
        found = limits_of_agreement(first, second, level=asked.level)
        if asked.plot is not None:
            from calibrate.plots.gauges import draw_gauges

            figure = draw_gauges(found, names, first, second)
            title = f"{names[0]} against {names[1]}"
            answers.draw(asked.plot, figure, title, of=[asked.file], level=asked.level)
        if not answers.emitted(_document(found, names, asked.level)):
            _show(found, names)
    elif "lab" in sheet.columns:
        if asked.plot is not None:
            raise click.UsageError("--plot draws two gauges; a CSV of labs has no picture.")
        levels = _labs(sheet)
        if not answers.emitted({"levels": list(map(answers.document, levels))}):
            _show_labs(levels)
    else:
        raise BadTableError(
            f"{asked.file}: the header has neither berry and gauge, nor lab "
            f"(it has {', '.join(sheet.header)})."
        )


def _two(sheet: CodedSheet) -> tuple[tuple[str, str], Any, Any]:
    """Return the names of two gauges, and the readings of each as a row a berry."""
    import numpy as np

    gauge, berry, force = sheet.names("gauge"), sheet.columns["berry"], sheet.forces()
    if len(gauge.labels) != 2:
        raise BadTableError(
            f"{sheet.path}, column 'gauge': {len(gauge.labels)} gauges "
            f"({', '.join(gauge.labels)}), not two.",
            todo="Keep the rows of two gauges, or name them as labs in a column lab.",
        )

    def table(code: int) -> Any:
        rows = [force[(gauge.code == code) & (berry.code == at)] for at in range(len(berry.labels))]
        return np.array(list(itertools.zip_longest(*rows, fillvalue=np.nan))).T

    return (gauge.labels[0], gauge.labels[1]), table(0), table(1)


def _labs(sheet: CodedSheet) -> list[Precision]:
    """Find the precision of each level of the material, or of all readings."""
    import numpy as np

    from calibrate.data.factor import Factor
    from calibrate.stats.measurement import precision
    from calibrate.tables.samplingunits import sort_key

    levels = [sheet.columns[name] for name in _LEVELS if name in sheet.columns]
    of = levels[0] if levels else Factor.always("", len(sheet))
    lab, force = sheet.columns["lab"].code, sheet.forces()
    return [
        precision(lab[rows], force[rows], level=name)
        for name in sorted(of.labels, key=sort_key)
        for rows in [np.flatnonzero(of.code == of.labels.index(name))]
    ]


def _document(found: LimitsOfAgreement, names: tuple[str, str], level: float) -> dict[str, Any]:
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
            name: one and one.to_json()
            for name, one in zip(names, found.repeatability, strict=True)
        },
    }


def _show(found: LimitsOfAgreement, names: tuple[str, str]) -> None:
    from calibrate.tables.tabletext import format_force

    answers.print_table(
        ["", answers.unit()],
        [
            [f"mean difference, {names[0]} minus {names[1]}", format_force(found.bias, 1)],
            ["lower limit of agreement", format_force(found.lower, 1)],
            ["upper limit of agreement", format_force(found.upper, 1)],
            ["SD of differences", answers.format_newton(found.sd)],
        ],
    )
    echo(f"{found.n} berries; 95 % of differences lie within the limits.")
    for name, one in zip(names, found.repeatability, strict=True):
        if one is not None:
            echo(
                f"{name} against itself: SD {answers.with_unit(one.sd)}; two readings of a berry "
                f"differ by less than {answers.with_unit(one.coefficient)} 95 % of the time."
            )
    if found.slope.excludes_zero():
        echo(
            "The difference changes with force: these limits do not hold alike for firm and soft "
            "berries."
        )


def _show_labs(levels: list[Precision]) -> None:
    answers.print_table(
        ["level", "labs", "n", f"mean {answers.unit()}", "s_r", "s_R", "r", "R"],
        [
            [
                one.level or "all",
                str(one.labs),
                str(one.n),
                *map(answers.format_newton, (one.mean, one.s_r, one.s_R, one.r, one.R)),
            ]
            for one in levels
        ],
    )
    echo("r = 2.8 s_r within a lab, R = 2.8 s_R between labs: 95 % of differences are less.")
