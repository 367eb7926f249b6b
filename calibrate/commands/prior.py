"""`calibrate prior`: last season's calibration as a prior for this season's first days."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton
from gauge.clikit import argument, option
from gauge.errors import NotConvergedError, SeparationError, TooFewScoresError
from gauge.printed import echo


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.FitOptions):
    previous: Path = argument()
    current: Path | None = argument(required=False)
    season_sd: float = option(
        "How far a cut moves between seasons, as a share of force (a guess until compared).",
        above=0,
        default=0.10,
    )
    stored: str | None = option("Take this stored calibration of PREVIOUS.", metavar="NAME")


@answers.command("prior", _Asked)
def command(asked: _Asked) -> None:
    """Start a season from last season's calibration.

    Which cut points should we work with on the first days, before enough berries are scored? Last
    season's are a prior whose weight is shown and fades as CURRENT's berries come. Without CURRENT
    (or while it is too small to fit) last season's cuts are used alone, with wider intervals.

    \b
    calibrate prior 2025.season 2026.season
    """  # noqa: D301
    from calibrate.cuts.seasonprior import carry

    if asked.current:
        options.refuse_itself(asked.previous, asked.current, "CURRENT", named="PREVIOUS")
    before = asked.calibration(asked.previous, asked.stored)
    now = None
    if asked.current is not None:
        try:
            now = asked.fitted(asked.current, hand_sds=before.hand_sds or None)
        except (TooFewScoresError, SeparationError, NotConvergedError) as error:
            answers.say(f"{asked.current}: {error} Last season's cuts are used alone.")
    cuts = carry(before, now, season_sd=asked.season_sd, level=asked.level)
    rows = [
        {
            "between": answers.between(cut.between),
            **answers.sides(cut.force_newton, "force_N", "_N"),
            "prior_weight": cut.prior_weight,
        }
        for cut in cuts
    ]
    n = 0 if now is None else now.n
    if answers.emitted({"n_current": n, "season_sd": asked.season_sd, "cuts": rows}):
        return
    forces = (f"{which} {answers.unit()}" for which in ("last", "this", "to work with"))
    answers.print_table(
        ["boundary", *forces, f"{asked.level:.0%} interval", "last's weight"],
        [
            [
                "/".join(cut.between),
                format_newton(before.cuts[index].value, missing="unknown"),
                "-" if now is None else format_newton(now.cuts[index].value, missing="unknown"),
                format_newton(cut.force_newton.value, missing="unknown"),
                answers.span(cut.force_newton.low, cut.force_newton.high),
                f"{cut.prior_weight:.0%}",
            ]
            for index, cut in enumerate(cuts)
        ],
    )
    sd = f"{asked.season_sd:.0%}"
    echo(f"Between seasons a cut is taken to move by {sd} of its force (--season-sd).")
