"""`calibrate tray`: how many berries to pull from which lots for a tray of anchors."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from calibrate.commands import answers, options
from gauge.clikit import argument, option
from gauge.printed import echo


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.CalibrationOptions):
    source: Path = argument()
    lots: Path | None = option(
        "CSV with lot, mean_N, sd_N and available: what can be pulled. Default: the lots of the "
        "season that were pressed lately."
    )
    available: int = option(
        "Berries that can be pulled of each lot of the season.", low=1, default=50
    )
    valid_days: float = option("Days that count as lately.", above=0, default=3.0)
    as_of: date = options.as_of_option()
    want: int = option("Berries of each score.", low=1, default=3)
    probability: float = option(
        "Least probability that the tray holds them all.", type=options.SHARE, default=0.9
    )


@answers.command("tray", _Asked)
def command(asked: _Asked) -> None:
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

    if asked.lots:
        found = read_lots(asked.lots)
    else:
        found = season_lots(asked.source, asked.available, asked.as_of, asked.valid_days)
    calibration = asked.calibration(asked.source, asked.calibration_name)
    plan = plan_tray(bands(calibration), found, per_score=asked.want, probability=asked.probability)
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
        f"{plan.berries} berries hold {asked.want} of each score with a probability of "
        f"{plan.probability:.0%} (expected of each: {expected})."
    )
