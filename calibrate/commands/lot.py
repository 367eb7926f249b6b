"""`calibrate lot`: accept a lot or not, by the berries tested of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from calibrate.commands.answers import with_unit
from gauge.clikit import argument, option
from gauge.csvsheet import name_key
from gauge.errors import NoSuchRecordError, TooFewScoresError
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.cuts.acceptance import SamplingPlan
    from calibrate.data.factor import Factor
    from calibrate.tables.source import Source

_SHARES = (0.01, 0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.40)


@dataclass(frozen=True, kw_only=True, slots=True)
class Tested:
    """The berries of a lot that were tested, how many were soft, and by what."""

    n: int
    soft: int
    by: str
    threshold_newton: float | None = None
    daily_loss_newton: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    source: Path | None = argument(required=False)
    lot: str | None = option("Which lot, or sample, of SOURCE.", metavar="CODE")
    whole: bool = option("All berries of SOURCE are one lot.", "--all")
    at_most: float = option(
        "Share of soft berries that the lot must be shown to be below.",
        type=options.SHARE,
        required=True,
    )
    berries: int | None = option("Berries tested, or to test.", low=1)
    soft: int | None = option("How many of them were soft.", low=0)
    good: float | None = option("Share soft of a lot that should be accepted.", type=options.SHARE)
    assurance: float = option("How probably, such a lot.", type=options.SHARE, default=0.9)
    lot_size: int | None = option("Berries in the lot, if few.", low=2)
    calibration_name: str | None = options.name_option(
        "Whose cut at the sale limit; the season's own if none."
    )
    sale_limit: str | None = options.sale_limit_option()
    threshold_newton: float | None = option(
        "A berry pressed below this is soft, N.", "--threshold", above=0
    )
    days: float = option("Days from the test to the arrival.", low=0, default=0.0)
    loss_newton: float | None = option(
        "Force lost a day, N. Default: as the season shows.", "--loss-n", low=0
    )
    soft_per_day: float | None = option("Or the share that turns soft a day.", low=0, high=1)
    fingers: bool = option("Count what raters scored beyond the sale limit.")
    level: float = options.level_option()
    plot: Path | None = options.plot_option("Draw the operating curve to png, pdf, svg.")


@answers.command("lot", _Asked, no_args_is_help=True)
def command(asked: _Asked) -> None:
    """Accept a lot or not, by a sample of it.

    Press or squeeze some berries of a lot: may the rest go? It is accepted if the upper confidence
    bound of its share soft is below --at-most. A sampling plan is the number of berries to test
    and the acceptance number, the most that may be soft; its operating characteristic curve says
    how often lots of any quality are accepted.

    \b
    calibrate lot --at-most 0.10 --good 0.02                     # the smallest plan
    calibrate lot --at-most 0.10 --berries 50 --soft 1           # tested by hand
    calibrate lot 2026.season --lot B26-01 --at-most 0.20 --days 2
    calibrate lot 2026.season --all --at-most 0.20

    Of a season file or a CSV, a berry is soft if its peak is below the cut at the sale limit, plus
    what it loses until it arrives; with --fingers, if half its scores or more are beyond the limit.
    """  # noqa: D301
    from calibrate.cuts.acceptance import plan_of, smallest_plan, upper_bound
    from calibrate.cuts.salelimit import CAUTION

    tested = None
    if asked.source is not None:
        if asked.berries is not None or asked.soft is not None:
            raise click.UsageError("--berries and --soft stand for a SOURCE, not beside one.")
        if asked.lot is not None and asked.whole:
            raise click.UsageError("Give --lot or --all, not both.")
        tested = _tested(asked.source, asked)
    elif asked.berries is not None and asked.soft is not None:
        tested = Tested(n=asked.berries, soft=asked.soft, by="as counted")
    if asked.source is None and asked.days and asked.soft_per_day is None:
        raise click.UsageError("--days without SOURCE needs --soft-per-day.")
    now = asked.at_most - asked.days * (asked.soft_per_day or 0.0)
    if now <= 0:
        raise click.UsageError("so many berries turn soft until the arrival that no lot will do.")
    if (n := tested.n if tested else asked.berries) is not None:
        plan = plan_of(n, now, level=asked.level, lot_size=asked.lot_size)
    elif asked.good is not None:
        size, assurance = asked.lot_size, asked.assurance
        plan = smallest_plan(now, asked.good, level=asked.level, assurance=assurance, lot_size=size)
    else:
        raise click.UsageError("Give SOURCE, or --berries (with --soft if tested), or --good.")
    if asked.plot is not None:
        from calibrate.plots.limit import draw_operating_curve

        title = f"Sampling plan: {plan.n} berries, acceptance number {plan.acceptance_number}"
        figure = draw_operating_curve(plan, now, asked.level)
        answers.draw(asked.plot, figure, title, of=[asked.source] if asked.source else [])
    answers.say(CAUTION)
    curve = list(zip(_SHARES, plan.accepted(_SHARES).tolist(), strict=True))
    found = {
        "at_most": asked.at_most,
        "at_most_now": now,
        "level": asked.level,
        **answers.document(plan, "n", "lot_size"),
        "acceptance_number": None if plan.acceptance_number < 0 else plan.acceptance_number,
        "curve": [{"share": share, "accepted": accepted} for share, accepted in curve],
    }
    if tested is not None:
        accepted = tested.soft <= plan.acceptance_number
        bound = upper_bound(tested.soft, tested.n, level=asked.level, lot_size=asked.lot_size)
        found["tested"] = answers.document(tested) | {"upper": bound, "accepted": accepted}
    if answers.emitted(found):
        return
    if tested is not None:
        _show_lot(tested, asked)
        echo(
            f"{'ACCEPTED' if accepted else 'NOT ACCEPTED'}: the share soft is "
            f"{'' if accepted else 'not shown to be '}below {now:.1%}\n"
            f"(found {tested.soft / tested.n:.1%}, upper {asked.level:.0%} bound {bound:.1%})."
        )
    _show_plan(plan, curve, now, asked.level)


def _tested(source: Path, asked: _Asked) -> Tested:
    """Count the soft berries of a lot, by force or by fingers."""
    import numpy as np

    from calibrate.tables.source import read_source

    found = read_source(source)
    rows = np.ones(found.force_newton.size, bool)
    factors = [found.factors[name] for name in ("lot", "sample") if name in found.factors]
    if asked.lot is not None:
        lot, rows[:] = name_key(asked.lot), False
        for factor in factors:
            if not rows.any():
                named = [name_key(label) == lot for label in factor.labels]
                rows = np.array([*named, False])[factor.code]
    elif not asked.whole:
        _refuse_several(factors)
    if not rows.any():
        raise NoSuchRecordError(
            f"{source} holds no berries of a lot or sample {asked.lot!r}.",
            todo="'gauge readings SEASON' lists the berries.",
        )
    if asked.fingers:
        if asked.days and asked.soft_per_day is None:
            raise click.UsageError("--fingers with --days needs --soft-per-day.")
        return _scored(found, rows)
    return _pressed(source, found, rows, asked)


def _refuse_several(factors: Iterable[Factor]) -> None:
    """Refuse to call several lots one; samples are lots where nothing else is said."""
    known = ([one.labels[code] for code in sorted({*one.code.tolist()} - {-1})] for one in factors)
    codes = next(filter(None, known), [])
    if len(codes) > 1:
        more = f" and {len(codes) - 12} more" if len(codes) > 12 else ""
        raise click.UsageError(
            f"There are {len(codes)} lots or samples: {', '.join(codes[:12])}{more}. Name one by "
            "--lot CODE, or judge all as one by --all."
        )


def _scored(found: Source, rows: Any) -> Tested:
    """Call a berry soft if half its scores or more are beyond the sale limit."""
    import numpy as np

    if found.scale is None or found.scale.sale_boundary is None or not found.scores.rank.size:
        raise TooFewScoresError("There are no finger scores with a sale limit.")
    beyond = found.scores.rank > found.scale.sale_boundary
    n = np.bincount(found.scores.berry, minlength=rows.size)
    soft = np.bincount(found.scores.berry, beyond, minlength=rows.size) >= n / 2
    use = rows & (n > 0)
    if not use.any():
        raise TooFewScoresError("No berry of this lot was scored.")
    return Tested(n=int(use.sum()), soft=int((soft & use).sum()), by="by fingers")


def _pressed(source: Path, found: Source, rows: Any, asked: _Asked) -> Tested:
    """Call a berry soft if its peak is below the cut and what it will lose."""
    import numpy as np

    use = rows & np.isfinite(found.force_newton)
    if not use.any():
        raise TooFewScoresError("No berry of this lot was pressed; --fingers counts scores.")
    threshold, by = asked.threshold_newton, "below what was stated"
    if threshold is None:
        calibration = options.named_calibration(
            [source], asked.calibration_name, None, asked.sale_limit
        )
        if calibration is None:
            raise click.UsageError("Give --threshold, or adopt a calibration of the season.")
        edge = calibration.scale.sale_boundary
        threshold = None if edge is None else calibration.cuts[edge].value
        if edge is None or threshold is None:
            raise TooFewScoresError("The calibration knows no cut at the sale limit.")
        by = f"below the middle hand's cut {'/'.join(calibration.scale.boundaries[edge])}"
    loss, by = None, f"{by} ({with_unit(threshold)})"
    if asked.days and asked.soft_per_day is None:
        loss = _loss(found, use) if asked.loss_newton is None else asked.loss_newton
        threshold += asked.days * loss
    soft = int((found.force_newton[use] < threshold).sum())
    return Tested(
        n=int(use.sum()), soft=soft, by=by, threshold_newton=threshold, daily_loss_newton=loss
    )


def _loss(found: Source, use: Any) -> float:
    """Find the force lost a day by the selection of the berries in `use`, from its samples."""
    import numpy as np

    from calibrate.stats.dayline import fit_line

    day, sample, kind = (found.factors.get(k) for k in ("storage_day", "sample", "selection"))
    if day is None or sample is None:
        raise click.UsageError("Give --loss-n: the samples have no storage day.")
    alike = np.isfinite(found.force_newton) & (day.code >= 0)
    if kind is not None:
        alike &= np.isin(kind.code, kind.code[use])
    of = np.unique(sample.code[alike])
    mean = [found.force_newton[alike & (sample.code == one)].mean() for one in of]
    days = [float(day.text(int(np.flatnonzero(sample.code == one)[0])) or 0) for one in of]
    try:
        return max(-fit_line(days, mean).slope, 0.0)
    except TooFewScoresError as error:
        why = f"No loss a day from this season: {error.what}."
        raise TooFewScoresError(why, todo="--loss-n N.") from None


def _show_lot(tested: Tested, asked: _Asked) -> None:
    echo(f"{tested.soft} of {tested.n} berries are soft, {tested.by}.")
    if tested.daily_loss_newton is not None:
        echo(
            f"{asked.days:g} days at {with_unit(tested.daily_loss_newton)} a day are allowed for: "
            f"soft is below {with_unit(tested.threshold_newton or 0.0)} now."
        )
    if asked.days and asked.soft_per_day:
        echo(f"Until it arrives {asked.days * asked.soft_per_day:.1%} more turn soft, as stated.")


def _show_plan(
    plan: SamplingPlan, curve: Sequence[tuple[float, float]], now: float, level: float
) -> None:
    size = "" if plan.lot_size is None else f" of a lot of {plan.lot_size}"
    if plan.acceptance_number < 0:
        from calibrate.cuts.acceptance import smallest_plan

        fewest = smallest_plan(now, 0.0, level=level, lot_size=plan.lot_size).n
        echo(
            f"{plan.n} berries{size} are too few: even if none is soft, a share\n"
            f"below {now:.1%} is not shown. Test {fewest} or more."
        )
        return
    echo(f"Sampling plan: test {plan.n} berries{size}; acceptance number {plan.acceptance_number}.")
    answers.print_table(
        ["share soft in the lot", "accepted"],
        [[f"{share:.0%}", f"{accepted:.1%}"] for share, accepted in curve if accepted > 5e-4],
        title="Operating characteristic curve",
    )
    echo(
        "It holds for berries drawn at random from the whole lot: those of one clamshell\n"
        "are alike and say less. Berries that were tested are spent, and not sold."
    )
