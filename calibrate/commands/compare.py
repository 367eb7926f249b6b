"""`calibrate compare`: the cut points of seasons against one another."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import calibrate
from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton
from gauge.clikit import argument, option
from gauge.plaintext import plural
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate import Pairs
    from calibrate.cuts.seasonshift import PadCheck, Rescored, SeasonComparison


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.FitOptions):
    season1: Path = argument()
    season2: Path = argument()
    more: tuple[Path, ...] = argument(nargs=-1)
    margin: float = option(
        "A shift that would not matter, N: equivalence is tested within it.", above=0, default=0.2
    )
    stored1: str | None = option("Take this stored calibration of SEASON1.", metavar="NAME")
    stored2: str | None = option("Take this stored calibration of SEASON2.", metavar="NAME")
    plot: Path | None = options.plot_option()


@answers.command("compare", _Asked)
def command(asked: _Asked) -> None:
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
    from calibrate.cuts.seasonshift import pad_check, rescored
    from calibrate.data.conditions import common_pads, conditions_of, differences

    first_pairs = asked.pairs(asked.season1)
    one = asked.calibration(asked.season1, asked.stored1) if asked.stored1 else first_pairs
    before = conditions_of(asked.season1, first_pairs.raters)
    compared: list[_Compared] = []
    later = [(asked.season2, asked.stored2), *((path, None) for path in asked.more)]
    for path, name in later:
        pairs = asked.pairs(path)
        after = conditions_of(path, pairs.raters)
        pads = pad_check(*common_pads(before, after), level=asked.level)
        found = calibrate.compare_seasons(
            one,
            asked.calibration(path, name) if name else pairs,
            margin_newton=asked.margin,
            force_scale=asked.force_scale,
            level=asked.level,
            firmest=asked.firmest,
        )
        moved = rescored(found.first, found.second, pairs.force_newton)
        warnings = list(differences(before, after))
        if not (asked.stored1 or name) and _same(first_pairs, pairs):
            warnings.append(f"{path} holds the same scores as the first season: no shift.")
        if pads is not None and pads.held is False:
            warnings.append(
                f"Durable pads read {pads.change_pct.value:+.1f} % in the second season: the "
                "newton itself has changed, or the pads aged. Check the gauge before trusting any "
                "shift."
            )
        if found.as_pressed:
            warnings.append(
                "What a squeeze takes is known of one season only: cut points of both are of fruit "
                "pressed after it was squeezed."
            )
        compared.append(_Compared(found=found, moved=moved, pads=pads, warnings=warnings))
    drawn = [compared[0].found.first, *(one.found.second for one in compared)]
    own = all(each.found.same_raters for each in compared)
    if asked.plot is not None:
        from calibrate.plots.compare import draw_seasons

        figure, title = draw_seasons(drawn, own), "Cut points, season by season"
        sources = [asked.season1, *(path for path, _ in later)]
        answers.draw(asked.plot, figure, title, of=sources, level=asked.level)
    for each in compared:
        answers.warn(each.warnings)
    documents = [each.document() for each in compared]
    if not answers.emitted(answers.one_or_all(documents, "comparisons")):
        for each in compared:
            each.show()


def _same(one: Pairs, other: Pairs) -> bool:
    """Whether two sources hold the same scores of the same forces."""
    from calibrate.cuts.fitting import fingerprint

    first, second = (fingerprint(pairs, "linear", 0.95) for pairs in (one, other))
    return first == second


@dataclass(frozen=True, kw_only=True)
class _Compared:
    """One comparison, ready to be printed."""

    found: SeasonComparison
    moved: Rescored
    pads: PadCheck | None
    warnings: list[str]

    def _whose(self) -> str:
        """Say of which hands the intervals are."""
        if self.found.same_raters:
            return (
                "The same raters scored both seasons: the intervals are of their own scale, and "
                "narrower than those of 'fit', which are for all hands such as theirs."
            )
        if len({*self.found.first.raters, *self.found.second.raters}) < 2:
            return "One hand scored both seasons: the intervals are of that hand alone."
        return "The raters are not the same: the intervals are for all hands such as theirs."

    def document(self) -> dict[str, Any]:
        """The comparison as it is printed by --json."""
        first, second, moved = self.found.first, self.found.second, self.moved
        pads = self.pads and {
            "n": self.pads.n_pads,
            **answers.sides(self.pads.change_pct, "change_pct", "_pct"),
            "held": self.pads.held,
        }
        return {
            "seasons": [first.source, second.source],
            **answers.document(self.found, "margin_newton", "same_raters"),
            "cuts": [
                {
                    "between": answers.between(shift.between),
                    **answers.sides(shift.shift_newton, "shift_N", "_N"),
                    **answers.sides(shift.shift_pct, "shift_pct", "_pct"),
                    "equivalent": shift.equivalent,
                }
                for shift in self.found.shifts
            ],
            "spread": [first.spread, second.spread],
            "rescored_of_100": {
                **answers.document(moved, "softer", "firmer"),
                "lost_to_sale": moved.lost,
                "gained_for_sale": moved.gained,
            },
            "pads": pads,
            "warnings": self.warnings,
        }

    def show(self) -> None:
        """Print the comparison."""
        first, second, unit = self.found.first, self.found.second, answers.unit()
        interval = f"{first.level:.0%} interval"
        within = f"within {answers.with_unit(self.found.margin_newton, short=True)}"
        proved = {True: "proved", False: "not proved", None: "-"}
        answers.print_rows(
            [
                {
                    "boundary": "/".join(shift.between),
                    f"1st {unit}": format_newton(first.cuts[index].value, missing="unknown"),
                    f"2nd {unit}": format_newton(second.cuts[index].value, missing="unknown"),
                    **answers.signed(shift.shift_newton, f"shift {unit}", interval, "unknown"),
                    "shift %": answers.format_value(shift.shift_pct.value, "+.0f"),
                    within: proved[shift.equivalent],
                }
                for index, shift in enumerate(self.found.shifts)
            ],
            title=f"{first.source} to {second.source}",
        )
        echo(
            f"Of 100 berries of the second season {self.moved.softer:.0f} would now be scored "
            f"softer and {self.moved.firmer:.0f} firmer than by the first season's cuts; "
            f"{self.moved.lost:.0f} would fall beyond the sale limit, {self.moved.gained:.0f} come "
            "within it."
        )
        echo(self._whose())
        spreads = (format_newton(one.spread, sign="-") for one in (first, second))
        echo(f"Spread of the fingers {', then '.join(spreads)}.")
        if self.pads is not None:
            change = self.pads.change_pct
            sure = "" if change.low is None else f" ({change.low:+.1f} to {change.high:+.1f})"
            pads = plural(self.pads.n_pads, "durable pad")
            echo(f"{pads} changed by {change.value:+.1f} %{sure}.")
