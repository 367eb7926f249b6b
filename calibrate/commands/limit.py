"""`calibrate limit`: the sale limit in newtons, and what a threshold costs in fruit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import (
    emit_json,
    format_newton,
    print_table,
    say,
    sides,
    span,
    warn,
)
from calibrate.commands.options import (
    POSITIVE,
    SHARE,
    FitOptions,
    calibration_options,
    json_option,
    plot_option,
    sale_limit_option,
    source_argument,
)
from gauge.clikit import document as document_of
from gauge.clikit import echo

if TYPE_CHECKING:
    from calibrate.cuts.salelimit import ThresholdCost
    from calibrate.stats.estimate import Estimate


@click.command("limit")
@source_argument
@calibration_options()
@click.option(
    "--share",
    type=SHARE,
    default=0.95,
    help="Share of berries that shall be within the sale limit.",
)
@sale_limit_option
@click.option("--discard-cost", type=POSITIVE, default=1.0, help="Cost of a sound berry withheld.")
@click.option("--ship-cost", type=POSITIVE, default=1.0, help="Cost of a soft berry shipped.")
@click.option(
    "--threshold",
    "thresholds",
    type=float,
    multiple=True,
    help="Weigh this threshold (N); may be repeated. By default seven around the limit.",
)
@plot_option()
@json_option
def command(
    source: Path,
    how: FitOptions,
    calibration_name: str | None,
    share: float,
    sale_limit: str | None,
    discard_cost: float,
    ship_cost: float,
    thresholds: tuple[float, ...],
    plot: Path | None,
    as_json: bool,
) -> None:
    """Ship or not: the sale limit in newtons.

    From which force on are 95 % of berries within the sale limit, and what does a threshold cost:
    sound fruit withheld, soft fruit shipped? SOURCE is a season file or a CSV of pairs.

    \b
    calibrate limit 2026.season
    calibrate limit 2026.season --ship-cost 5 --plot limit.png

    A number from here decides nothing by itself: local grades, food-safety rules and the buyer's
    terms do.
    """  # noqa: D301
    import numpy as np

    from calibrate.cuts.salelimit import (
        CAUTION,
        cheapest_threshold,
        limit_force,
        threshold_costs,
        within_curve,
    )

    pairs = how.pairs(source)
    calibration = how.calibration(source, calibration_name, pairs).with_limit(sale_limit)
    limit = limit_force(calibration, share=share, level=how.level)
    cheapest = cheapest_threshold(calibration, discard_cost=discard_cost, ship_cost=ship_cost)
    if not thresholds:
        middle = limit.value if cheapest is None else cheapest
        middle = float(np.median(pairs.force_newton)) if middle is None else middle
        thresholds = tuple(round(middle * x, 2) for x in (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3))
    forces = np.repeat(pairs.force_newton, np.round(pairs.count).astype(int))
    costs = threshold_costs(
        calibration, forces, thresholds, discard_cost=discard_cost, ship_cost=ship_cost
    )
    if plot is not None:
        from calibrate.plots.limit import draw_limit
        from calibrate.plots.style import save

        grid = np.linspace(max(0.02, forces.min() * 0.8), forces.max() * 1.02, 300)
        fine = threshold_costs(calibration, forces, list(grid))
        curve = within_curve(calibration, grid, level=how.level)
        save(draw_limit(curve, limit, share, fine), plot)
    warn(calibration.warnings)
    say(CAUTION)
    if as_json:
        emit_json(document(limit, share, cheapest, costs))
    else:
        show(limit, share, cheapest, costs, how.level)
        if plot is not None:
            say(f"picture: {plot}")


def document(
    limit: Estimate, share: float, cheapest: float | None, costs: tuple[ThresholdCost, ...]
) -> dict[str, Any]:
    """The answer as it is printed by --json; the errors are berries out of 100."""
    return {
        "share": share,
        **sides(limit, "force_N", "_N"),
        "cheapest_threshold_N": cheapest,
        "thresholds": [document_of(cost) for cost in costs],
    }


def show(
    limit: Estimate,
    share: float,
    cheapest: float | None,
    costs: tuple[ThresholdCost, ...],
    level: float,
) -> None:
    """Print the limit and the table of thresholds."""
    echo(
        f"{share:.0%} of berries are within the sale limit from "
        f"{format_newton(limit.value, missing='no force')} N on "
        f"({level:.0%} interval {span(limit.low, limit.high)} N)."
    )
    print_table(
        ["withhold below N", "shipped", "sound withheld", "soft shipped", "cost"],
        [
            [format_newton(c.threshold_newton), f"{c.shipped:.0f}", f"{c.sound_discarded:.1f}",
             f"{c.soft_shipped:.1f}", f"{c.cost:.1f}"]
            for c in costs
        ],
        title="Out of 100 berries with this season's forces",
    )  # fmt: skip
    echo(f"At the stated costs the cheapest threshold is {format_newton(cheapest)} N.")
