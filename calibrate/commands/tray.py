"""`calibrate tray`: how many berries to pull from which lots for a tray of anchors."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from calibrate.commands import answers, options
from gauge.clikit import echo


@options.command("tray")
@options.source_argument
@click.option(
    "--lots",
    type=options.FILE,
    help="CSV with lot, mean_N, sd_N and available: what can be pulled. Default: the lots of the "
    "season that were pressed lately.",
)
@options.number_option(
    "--available",
    "Berries that can be pulled of each lot of the season.",
    whole=True,
    low=1,
    default=50,
)
@options.number_option("--valid-days", "Days that count as lately.", above=0, default=3.0)
@options.as_of_option()
@options.number_option("--want", "Berries of each score.", whole=True, low=1, default=3)
@click.option(
    "--probability",
    type=options.SHARE,
    default=0.9,
    help="Least probability that the tray holds them all.",
)
@options.calibration_options()
def command(
    source: Path,
    lots: Path | None,
    available: int,
    valid_days: float,
    as_of: date,
    want: int,
    probability: float,
    how: options.FitOptions,
    calibration_name: str | None,
) -> None:
    """Plan which lots to pull an anchor tray from.

    How many berries must I pull from which lots, so that the tray holds three of each score? The
    least fruit that does it with the stated probability. SOURCE gives the calibration, and the
    mean and standard deviation of force of each lot, from a few berries pressed of each, or --lots.
    Then 'calibrate anchors --fresh' builds a set of such fruit.

    \b
    calibrate tray 2026.season --want 3
    calibrate tray 2026.season --lots lots.csv --want 3
    """  # noqa: D301
    from calibrate.anchors.tray import plan_tray, read_lots, season_lots
    from calibrate.cuts.bands import bands

    found = read_lots(lots) if lots else season_lots(source, available, as_of, valid_days)
    calibration = how.calibration(source, calibration_name)
    plan = plan_tray(bands(calibration), found, per_score=want, probability=probability)
    numbers = answers.document(plan, "berries", "probability", "expected")
    if answers.emitted({**numbers, "pull": plan.pulls}):
        return
    answers.print_table(
        ["lot", f"mean {answers.unit()}", "pull"],
        [
            [lot.label, answers.format_newton(lot.force_newton), str(plan.pulls[lot.label])]
            for lot in found
        ],
    )
    expected = ", ".join(f"{score}: {number:.1f}" for score, number in plan.expected.items())
    echo(
        f"{plan.berries} berries hold {want} of each score with a probability of "
        f"{plan.probability:.0%} (expected of each: {expected})."
    )
