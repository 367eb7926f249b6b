"""`calibrate compare`: the cut points of seasons against one another."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import (
    as_label,
    emit_json,
    format_newton,
    print_table,
    say,
    warn,
)
from calibrate.commands.options import (
    FILE,
    POSITIVE,
    FitOptions,
    calibration_options,
    json_option,
    plot_option,
)

if TYPE_CHECKING:
    from calibrate.cuts.seasonshift import PadCheck, Rescored, SeasonComparison
    from calibrate.stats.estimate import Estimate


@click.command("compare")
@click.argument("season1", type=FILE)
@click.argument("season2", type=FILE)
@click.argument("more", nargs=-1, type=FILE)
@click.option(
    "--margin",
    type=POSITIVE,
    default=0.2,
    help="A shift that would not matter, N: equivalence is tested within it.",
)
@calibration_options(stored=False)
@click.option("--stored1", metavar="NAME", help="Take this stored calibration of SEASON1.")
@click.option("--stored2", metavar="NAME", help="Take this stored calibration of SEASON2.")
@plot_option()
@json_option
def command(
    season1: Path,
    season2: Path,
    more: tuple[Path, ...],
    margin: float,
    how: FitOptions,
    stored1: str | None,
    stored2: str | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Compare the cut points of two seasons.

    Did the scale move between seasons, at which boundary, and would it matter? A shift above zero:
    the second season asks for more force for the same score. Each season is a season file or a
    CSV of pairs; further seasons are compared with the first one, too.

    \b
    calibrate compare 2025.season 2026.season --margin 0.2 --plot seasons.png

    Where the same raters scored both seasons, their own scale is compared; where the panel changed,
    that of the hands such raters come from, which few raters leave wide. A stored calibration is
    compared with the intervals that it was stored with.
    """  # noqa: D301
    from calibrate.cuts.seasonshift import compare_seasons, pad_check, rescored
    from calibrate.data.conditions import conditions_of, differences

    first_pairs = how.pairs(season1)
    one = how.calibration(season1, stored1) if stored1 else first_pairs
    before = conditions_of(season1, first_pairs.raters)
    answers: list[_Answer] = []
    for path, name in zip((season2, *more), (stored2, *(None for _ in more)), strict=True):
        pairs = how.pairs(path)
        after = conditions_of(path, pairs.raters)
        pads = pad_check(dict(before.pads or {}), dict(after.pads or {}), level=how.level)
        found = compare_seasons(
            one,
            how.calibration(path, name) if name else pairs,
            margin_newton=margin,
            force_scale=how.force_scale,
            level=how.level,
            firmest=how.firmest,
        )
        answers.append(
            _Answer(
                found=found,
                moved=rescored(found.first, found.second, pairs.force_newton),
                pads=pads,
                warnings=[*differences(before, after), *_pad_warning(pads)],
            )
        )
    if plot is not None:
        from calibrate.plots.compare import draw_seasons
        from calibrate.plots.style import save

        drawn = [answers[0].found.first, *(answer.found.second for answer in answers)]
        save(draw_seasons(drawn), plot)
    for answer in answers:
        warn(answer.warnings)
    if as_json:
        documents = [answer.document() for answer in answers]
        emit_json(documents[0] if len(documents) == 1 else {"comparisons": documents})
        return
    for answer in answers:
        answer.show()
    if plot is not None:
        say(f"picture: {plot}")


def _pad_warning(pads: PadCheck | None) -> list[str]:
    if pads is None or pads.held is not False:
        return []
    return [
        f"Durable pads read {pads.change_pct.value:+.1f} % in the second season: the newton itself "
        "did not hold, or the pads aged. Check the gauge before trusting any shift."
    ]


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """One comparison, ready to be printed."""

    found: SeasonComparison
    moved: Rescored
    pads: PadCheck | None
    warnings: list[str]

    def document(self) -> dict[str, Any]:
        """The comparison as it is printed by --json."""
        cuts = []
        for shift in self.found.shifts:
            n, percent = shift.shift_newton, shift.shift_pct
            cuts.append(
                {
                    "between": [as_label(label) for label in shift.between],
                    "shift_N": n and n.value,
                    "low_N": n and n.low,
                    "high_N": n and n.high,
                    "shift_pct": percent and percent.value,
                    "low_pct": percent and percent.low,
                    "high_pct": percent and percent.high,
                    "equivalent": shift.equivalent,
                }
            )
        return {
            "seasons": [self.found.first.source, self.found.second.source],
            "margin_N": self.found.margin_newton,
            "same_raters": self.found.same_raters,
            "cuts": cuts,
            "spread": [self.found.first.spread, self.found.second.spread],
            "rescored_of_100": {
                "softer": self.moved.softer,
                "firmer": self.moved.firmer,
                "lost_to_sale": self.moved.lost,
                "gained_for_sale": self.moved.gained,
            },
            "pads": None
            if self.pads is None
            else {
                "n": self.pads.n_pads,
                "change_pct": self.pads.change_pct.value,
                "low_pct": self.pads.change_pct.low,
                "high_pct": self.pads.change_pct.high,
                "held": self.pads.held,
            },
            "warnings": self.warnings,
        }

    def show(self) -> None:
        """Print the comparison."""

        def sides(found: Estimate | None) -> str:
            if found is None:
                return "unknown"
            ends = ["open" if s is None else f"{s:+.2f}" for s in (found.low, found.high)]
            return f"{ends[0]} to {ends[1]}"

        first, second = self.found.first, self.found.second
        print_table(
            ["boundary", "1st N", "2nd N", "shift N", f"{first.level:.0%} interval", "shift %",
             f"within {self.found.margin_newton:g} N"],
            [
                [
                    "/".join(shift.between),
                    format_newton(first.cuts[index].value, missing="unknown"),
                    format_newton(second.cuts[index].value, missing="unknown"),
                    "unknown" if shift.shift_newton is None else f"{shift.shift_newton.value:+.2f}",
                    sides(shift.shift_newton),
                    "unknown" if shift.shift_pct is None else f"{shift.shift_pct.value:+.0f}",
                    {True: "shown", False: "not shown", None: "-"}[shift.equivalent],
                ]
                for index, shift in enumerate(self.found.shifts)
            ],
            title=f"{first.source} to {second.source}",
        )  # fmt: skip
        click.echo(
            f"Of 100 berries of the second season {self.moved.softer:.0f} would now be scored "
            f"softer and {self.moved.firmer:.0f} firmer than by the first season's cuts; "
            f"{self.moved.lost:.0f} would fall beyond the sale limit, {self.moved.gained:.0f} come "
            "within it."
        )
        if self.found.same_raters:
            click.echo(
                "The same raters scored both seasons: it is their own scale that is compared."
            )
        click.echo(f"Spread of the fingers {first.spread:.3g}, then {second.spread:.3g}.")
        if self.pads is not None:
            sure = "" if self.pads.change_pct.low is None else (
                f" ({self.pads.change_pct.low:+.1f} to {self.pads.change_pct.high:+.1f})"
            )  # fmt: skip
            click.echo(
                f"{self.pads.n_pads} durable pads changed by "
                f"{self.pads.change_pct.value:+.1f} %{sure}."
            )
