"""`calibrate tray`: how many berries to pull from which lots for a tray of anchors."""

from __future__ import annotations

from pathlib import Path

import click

from calibrate.commands.answers import emit_json, format_newton, print_table
from calibrate.commands.options import (
    FILE,
    SHARE,
    FitOptions,
    calibration_options,
    json_option,
    source_argument,
)
from gauge.clikit import echo


@click.command("tray")
@source_argument
@click.option(
    "--lots",
    type=FILE,
    required=True,
    help="CSV with lot, mean_N, sd_N and available: what can be pulled.",
)
@click.option("--want", type=click.IntRange(1), default=3, help="Berries of each score.")
@click.option(
    "--probability", type=SHARE, default=0.9, help="Least probability that the tray holds them all."
)
@calibration_options()
@json_option
def command(
    source: Path,
    lots: Path,
    want: int,
    probability: float,
    how: FitOptions,
    calibration_name: str | None,
    as_json: bool,
) -> None:
    """Plan which lots to pull an anchor tray from.

    How many berries must I pull from which lots, so that the tray holds three of each score? The
    least fruit that does it with the stated probability. SOURCE gives the calibration, --lots the
    mean and standard deviation of force of each lot (from a few berries pressed of each).

    \b
    calibrate tray 2026.season --lots lots.csv --want 3
    """  # noqa: D301
    from calibrate.anchors.tray import Lot, plan_tray
    from calibrate.cuts.bands import bands
    from gauge.csvsheet import CsvSheet
    from gauge.errors import InvalidValueError

    sheet = CsvSheet(lots, "the columns lot, mean_N, sd_N and available, one row a lot")
    sheet.need("lot", "mean_N", "sd_N", "available")
    means, deviations = (sheet.parsed(name, sheet.number) for name in ("mean_N", "sd_N"))
    numbers = sheet.parsed("available", sheet.whole)
    found = []
    for index, name in enumerate(sheet.columns["lot"]):
        try:
            lot = Lot(
                name=name,
                mean_newton=means[index],
                sd_newton=deviations[index],
                available=numbers[index],
            )
        except InvalidValueError as error:
            sheet.bad(index, "mean_N", str(error))
        found.append(lot)
    calibration = how.calibration(source, calibration_name)
    plan = plan_tray(bands(calibration), found, per_score=want, probability=probability)
    if as_json:
        emit_json(
            {
                "berries": plan.berries,
                "probability": plan.probability,
                "pull": plan.pulls,
                "expected": plan.expected,
            }
        )
        return

    print_table(
        ["lot", "mean N", "pull"],
        [[lot.name, format_newton(lot.mean_newton), str(plan.pulls[lot.name])] for lot in found],
    )
    expected = ", ".join(f"{score}: {number:.1f}" for score, number in plan.expected.items())
    echo(
        f"{plan.berries} berries hold {want} of each score with a probability of "
        f"{plan.probability:.0%} (expected of each: {expected})."
    )
