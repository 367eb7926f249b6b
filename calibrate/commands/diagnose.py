"""`calibrate diagnose`: tests of the scale behind the cut points, in plain words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import emit_json, format_newton, print_table
from calibrate.commands.options import (
    SHARE,
    FitOptions,
    force_scale_option,
    json_option,
    pair_options,
    source_argument,
)
from gauge.clikit import echo

if TYPE_CHECKING:
    from calibrate.model.diagnosis import Diagnosis, ScoredBerry


@click.command("diagnose")
@source_argument
@pair_options(force_scale_option("Scale of force on which the tests are made."))
@click.option(
    "--alpha",
    type=SHARE,
    default=0.05,
    help="Level of the tests, shared out over the columns tested.",
)
@json_option
def command(source: Path, how: FitOptions, alpha: float, as_json: bool) -> None:
    """Test whether one scale serves these scores.

    Are the cut points the same for all selections, lots, temperatures and sizes? Are the fingers
    equally sharp at every boundary? Which berries should be looked at again? SOURCE is a season
    file or a CSV of pairs; every further column of it is tested.

    \b
    calibrate diagnose 2026.season
    calibrate diagnose scores.csv --force-scale log --json
    """  # noqa: D301
    from calibrate.model.diagnosis import diagnose

    found = diagnose(how.pairs(source), force_scale=how.force_scale, alpha=alpha)
    if as_json:
        emit_json(document(found))
    else:
        show(found)


def document(found: Diagnosis) -> dict[str, Any]:
    """The diagnosis as it is printed by --json."""
    from dataclasses import asdict

    return {
        "force_scale": found.force_scale,
        "aic": found.aic,
        "tests": [asdict(test) for test in found.tests],
        "columns": [
            {
                **asdict(column.effect.test),
                "column": column.name,
                "largest_N": column.largest_newton,
                "levels_N": dict(column.levels_newton),
            }
            for column in found.columns
        ],
        "influential": [_berry_json(berry) for berry in found.influential],
        "look_again": [_berry_json(odd) for odd in found.look_again],
        "warnings": list(found.warnings),
    }


def _berry_json(berry: ScoredBerry) -> dict[str, Any]:
    from dataclasses import asdict

    document = asdict(berry)
    return {"force_n": document.pop("force_newton"), **document}


def show(found: Diagnosis) -> None:
    """Print the tests and what they mean."""

    def p_text(p: float | None) -> str:
        return "-" if p is None else "<0.001" if p < 0.001 else f"{p:.3f}"

    print_table(
        ["test", "chi-square", "df", "p"],
        [
            [test.name, "-" if test.statistic is None else f"{test.statistic:.2f}", str(test.df),
             p_text(test.p_value)]
            for test in found.tests
        ],
    )  # fmt: skip
    if found.columns:
        print_table(
            ["column", "df", "p", "moves the cuts by up to N"],
            [
                [
                    c.name,
                    str(c.effect.test.df),
                    p_text(c.effect.test.p_value),
                    format_newton(c.largest_newton),
                ]
                for c in found.columns
            ],
        )
    echo("AIC " + ", ".join(f"{name} {value:.1f}" for name, value in found.aic.items() if value))
    if found.influential:
        print_table(
            ["berry that pulls most", "force N", "score", "rater", "Cook's distance"],
            [
                [b.berry, format_newton(b.force_newton), b.score, b.rater, f"{b.distance:.2f}"]
                for b in found.influential
            ],
            left=(0, 3),
        )
    if found.look_again:
        print_table(
            ["look again at berry", "force N", "score", "rater", "one in"],
            [
                [
                    odd.berry,
                    format_newton(odd.force_newton),
                    odd.score,
                    odd.rater,
                    f"{1 / odd.tail:,.0f}",
                ]
                for odd in found.look_again
            ],
            left=(0, 3),
        )
    for warning in found.warnings:
        echo(f"! {warning}")
    if not found.warnings:
        echo("One scale serves these scores as far as these tests can see.")
