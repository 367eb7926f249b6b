"""`calibrate limit`: the sale limit in newtons, and what a threshold costs in fruit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit, with_unit
from gauge.clikit import argument, option
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.cuts.salelimit import ThresholdCost
    from calibrate.stats.estimate import Estimate


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.CalibrationOptions):
    source: Path = argument()
    share: float = option(
        "Share of berries that shall be within the sale limit.", type=options.SHARE, default=0.95
    )
    sale_limit: str | None = options.sale_limit_option()
    discard_cost: float = option("Cost of a sound berry withheld.", above=0, default=1.0)
    ship_cost: float = option("Cost of a soft berry shipped.", above=0, default=1.0)
    thresholds: tuple[float, ...] = option(
        "Weigh this threshold (N); may be repeated. By default seven around the limit.",
        "--threshold",
        low=0,
    )
    plot: Path | None = options.plot_option()


@answers.command("limit", _Asked)
def command(asked: _Asked) -> None:
    """Ship or not: the sale limit in newtons.

    From which force on are 95 % of berries within the sale limit, and what does a threshold cost:
    sound fruit withheld, soft fruit shipped? SOURCE is a season file or a CSV of pairs. The answer
    is for single berries, which are spent when pressed; 'calibrate lot' judges the rest of a lot.

    \b
    calibrate limit 2026.season
    calibrate limit 2026.season --ship-cost 5 --plot limit.png

    A number from here decides nothing by itself: local grades, food-safety rules and the buyer's
    terms do.
    """  # noqa: D301
    import numpy as np

    from calibrate.cuts import salelimit

    pairs = asked.pairs(asked.source)
    calibration = asked.calibration(asked.source, asked.calibration_name, pairs)
    calibration = calibration.with_limit(asked.sale_limit)
    limit = salelimit.limit_force(calibration, share=asked.share, level=asked.level).held(0.0)
    prices = {"discard_cost": asked.discard_cost, "ship_cost": asked.ship_cost}
    cheapest = salelimit.cheapest_threshold(calibration, **prices)
    thresholds = asked.thresholds
    if not thresholds:
        middle = limit.value if cheapest is None else cheapest
        middle = float(np.median(pairs.force_newton)) if middle is None else middle
        thresholds = tuple(round(middle * x, 2) for x in (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3))
    forces = np.repeat(pairs.force_newton, np.round(pairs.count).astype(int))
    costs = salelimit.threshold_costs(calibration, forces, thresholds, **prices)
    if asked.plot is not None:
        from calibrate.plots.limit import draw_limit

        grid = np.linspace(max(0.02, forces.min() * 0.8), forces.max() * 1.02, 300)
        fine = salelimit.threshold_costs(calibration, forces, list(grid))
        curve = salelimit.within_curve(calibration, grid, level=asked.level)
        figure = draw_limit(curve, limit, asked.share, fine, asked.level)
        title = "The sale limit, and what it costs"
        answers.draw(asked.plot, figure, title, of=[asked.source], level=asked.level)
    any_hand = None
    if calibration.hand_sd is not None and limit.value is not None:
        any_hand = salelimit.within_any_hand(calibration, limit.value)
    answers.warn(calibration.warnings)
    answers.say(salelimit.CAUTION)
    found = {
        "share": asked.share,
        **answers.sides(limit, "force_N", "_N"),
        "share_any_hand": any_hand,
        "cheapest_threshold_N": cheapest,
        # The errors are berries out of 100.
        "thresholds": [answers.document(cost) for cost in costs],
    }
    if not answers.emitted(found):
        boundary = calibration.scale.sale_boundary
        cut = None if boundary is None else calibration.cuts[boundary].value
        _show(asked, limit, costs, cut, any_hand)
        echo(f"At the stated costs the cheapest threshold is {format_newton(cheapest)} {unit()}.")


def _show(
    asked: _Asked,
    limit: Estimate,
    costs: tuple[ThresholdCost, ...],
    cut: float | None,
    any_hand: float | None,
) -> None:
    """Print the limit and the table of thresholds."""
    whose = "" if any_hand is None else ", by the panel's middle hand"
    at = "At no force is a berry"
    if limit.value is not None:
        at = f"A berry at {with_unit(limit.value)} is"
    echo(
        f"{at} within the sale limit with {asked.share:.0%}{whose}\n"
        f"({asked.level:.0%} interval {answers.span(limit.low, limit.high)} {unit()}); a firmer "
        "one more surely."
    )
    if any_hand is not None:
        echo(f"Over all hands that such raters have, with {any_hand:.0%}.")
    if cut is not None:
        echo(f"At the cut point, {with_unit(cut)}, it is as likely beyond the limit as within it.")
    answers.print_table(
        [f"withhold below {unit()}", "shipped", "sound withheld", "soft shipped", "cost"],
        [
            [
                format_newton(c.threshold_newton),
                f"{c.shipped:.0f}",
                *(f"{number:.1f}" for number in (c.sound_discarded, c.soft_shipped, c.cost)),
            ]
            for c in costs
        ],
        title="Out of 100 berries with this season's forces",
    )
