"""`calibrate diagnose`: tests of the scale behind the cut points, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit
from calibrate.commands.answers import format_value as number
from gauge.clikit import argument, option
from gauge.printed import echo

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calibrate.model.cutmodel import ForceScale
    from calibrate.model.diagnosis import Diagnosis, ScoredBerry

_RAREST = 1e-9  # a probability below this is shown as this


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.PairOptions):
    source: Path = argument()
    force_scale: ForceScale = options.force_scale_option(
        "Scale of force on which the tests are made."
    )
    alpha: float = option(
        "Level of the tests, shared out over the columns tested.", type=options.SHARE, default=0.05
    )


@answers.command("diagnose", _Asked)
def command(asked: _Asked) -> None:
    """Test whether one scale serves these scores.

    Are the cut points the same for all selections, lots, temperatures and sizes? Are the fingers
    equally sharp at every boundary? Which berries should be looked at again? SOURCE is a season
    file or a CSV of pairs; every further column of it is tested.

    \b
    calibrate diagnose 2026.season
    calibrate diagnose scores.csv --force-scale log --json
    """  # noqa: D301
    from calibrate.model.diagnosis import diagnose

    found = diagnose(asked.pairs(asked.source), force_scale=asked.force_scale, alpha=asked.alpha)
    if not answers.emitted(document(found)):
        show(found)


def document(found: Diagnosis) -> dict[str, Any]:
    """The diagnosis as it is printed by --json."""

    def berry(one: ScoredBerry, more: str) -> dict[str, Any]:
        # In this command the force is `force_n`.
        named = answers.document(one, "berry", "score", "rater")
        return {"force_n": one.force_newton, **named, more: one.measure}

    return {
        **answers.document(found, "force_scale", "aic"),
        "tests": [answers.document(test) for test in found.tests],
        "columns": [
            {
                **answers.document(column.test),
                "column": column.test.name,
                "largest_N": column.largest,
                "levels_N": dict(column.levels),
            }
            for column in found.columns
        ],
        "influential": [berry(one, "distance") for one in found.influential],
        "look_again": [berry(one, "tail") for one in found.look_again],
        "warnings": found.warnings,
    }


def show(found: Diagnosis) -> None:
    """Print the tests and what they mean."""

    def p_text(p: float | None) -> str:
        return "-" if p is None else "<0.001" if p < 0.001 else f"{p:.3f}"

    answers.print_table(
        ["test", "chi-square", "df", "p"],
        [
            [test.name, number(test.statistic, missing="-"), str(test.df), p_text(test.p_value)]
            for test in found.tests
        ],
    )
    if found.columns:
        answers.print_table(
            ["column", "df", "p", f"moves the cuts by up to {unit()}"],
            [
                [c.test.name, str(c.test.df), p_text(c.test.p_value), format_newton(c.largest)]
                for c in found.columns
            ],
        )
    echo("AIC " + ", ".join(f"{name} {value:.1f}" for name, value in found.aic.items() if value))
    pulls = [(one, f"{one.measure:.2f}") for one in found.influential]
    _show_berries("berry that pulls most", "Cook's distance", pulls)
    odd = [(one, f"{1 / max(one.measure, _RAREST):,.0f}") for one in found.look_again]
    _show_berries("look again at berry", "one in", odd)
    for warning in found.warnings:
        echo(f"! {warning}")
    if not found.warnings:
        echo("One scale serves these scores as far as these tests can see.")


def _show_berries(first: str, last: str, berries: Sequence[tuple[ScoredBerry, str]]) -> None:
    rows = [[b.berry, format_newton(b.force_newton), b.score, b.rater, x] for b, x in berries]
    if rows:
        answers.print_table([first, f"force {unit()}", "score", "rater", last], rows, left=(0, 3))
