"""`calibrate plan`: berries and raters for a wanted precision, and which forces to pick next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import as_label, emit_json, format_newton, print_table, say
from calibrate.commands.options import FILE, POSITIVE, FitOptions, calibration_options, json_option
from gauge.clikit import echo

if TYPE_CHECKING:
    from calibrate.cuts.calibration import Calibration


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise click.BadParameter(
            f"'{text}' is not a list of numbers such as 4.5,3.2,2.1."
        ) from None


@click.command("plan")
@click.argument("source", type=FILE, required=False)
@click.option(
    "--half-width",
    type=POSITIVE,
    default=0.25,
    help="Wanted half-width of every cut's interval, N.",
)
@click.option("--raters", type=click.IntRange(1), default=None, help="Raters who will score.")
@click.option("--hand-sd", type=click.FloatRange(0), help="How far hands differ, share of force.")
@click.option(
    "--berry-sd",
    type=click.FloatRange(0),
    default=0.08,
    help="How far berries of one force differ to the fingers, share of force.",
)
@click.option(
    "--cuts", help="Without a source: guessed cut points in N, firmest first, 4.5,3.2,2.1."
)
@click.option("--spread", type=POSITIVE, help="Guessed spread, N.")
@click.option("--forces", help="Without a source: lowest and highest force to pick, N: 0.5,5.5.")
@click.option("--lots", help="Forces (N) that can be picked next, for example lot means: 1.2,3.4.")
@calibration_options()
@json_option
def command(
    source: Path | None,
    half_width: float,
    raters: int | None,
    hand_sd: float | None,
    berry_sd: float,
    cuts: str | None,
    spread: float | None,
    forces: str | None,
    lots: str | None,
    how: FitOptions,
    calibration_name: str | None,
    as_json: bool,
) -> None:
    """Berries and raters needed for a wanted precision.

    How many berries must be scored until every cut point is known to 0.25 N, and which forces are
    worth picking next? From the season so far, or from a stated guess.

    \b
    calibrate plan 2026.season --half-width 0.2
    calibrate plan --cuts 4.5,3.2,2.1,1.2 --spread 0.35 --forces 0.5,5.5 --raters 3 --hand-sd 0.1
    """  # noqa: D301
    import numpy as np

    from calibrate.cuts.samplesize import PlannedPanel, berries_needed, half_widths, next_forces

    if source is None:
        calibration = _guess(cuts, spread)
        if forces is None:
            raise click.UsageError("Without a SOURCE give --cuts, --spread and --forces.")
        ends = _numbers(forces)
        picked = np.linspace(min(ends), max(ends), 101)
        raters = raters or 1
        hand_sd = 0.0 if hand_sd is None else hand_sd
        so_far = None
    else:
        pairs = how.pairs(source)
        calibration = how.calibration(source, calibration_name, pairs)
        picked = pairs.force_newton
        raters = raters or max(len(pairs.raters), 1)
        hand_sd = hand_sd if hand_sd is not None else (calibration.hand_sd or 0.0)
        so_far = len(np.unique(pairs.berry)) if pairs.berries else pairs.n // max(raters, 1)
    panel = PlannedPanel(raters=raters, hand_sd=hand_sd, berry_sd=berry_sd if raters > 1 else 0.0)
    needed = berries_needed(calibration, picked, panel, half_width, level=how.level)
    choices = (
        _numbers(lots) if lots else tuple(np.linspace(picked.min(), picked.max(), 41).round(2))
    )
    following = next_forces(calibration, picked, choices)
    names = ["/".join(pair) for pair in calibration.scale.boundaries]
    widths = (
        None if so_far is None else half_widths(calibration, picked, so_far, panel, level=how.level)
    )
    if as_json:
        emit_json(
            {
                "half_width_N": half_width,
                "raters": raters,
                "hand_sd": hand_sd,
                "berry_sd": panel.berry_sd,
                "berries": max(needed),
                "berries_so_far": so_far,
                "cuts": _cuts(calibration, needed, widths),
                "pick_next_N": [
                    {"force_N": p.force_newton, "gain_pct": p.gain_pct} for p in following
                ],
            }
        )
        return

    print_table(
        ["boundary", "cut N", "half-width now N", f"berries for {half_width:g} N"],
        [
            [
                name,
                format_newton(cut),
                "-" if widths is None else format_newton(float(widths[i])),
                str(n),
            ]
            for i, (name, cut, n) in enumerate(
                zip(names, calibration.cut_newton, needed, strict=True)
            )
        ],
    )
    hands = f"{raters} rater{'s' if raters > 1 else ''}, hands differing by {hand_sd:.0%}"
    echo(f"{max(needed)} berries scored by {hands}.")
    echo(
        "Pick next near "
        + ", then ".join(dict.fromkeys(f"{p.force_newton:.2f} N" for p in following))
        + "."
    )
    if raters > 1 and hand_sd == 0:
        say("Hands are taken to be equal; give --hand-sd if they are not.")


def _guess(cuts: str | None, spread: float | None) -> Calibration:
    from calibrate.cuts.calibration import Calibration, as_cuts
    from calibrate.data.scale import BLACKBERRY, Scale

    if cuts is None or spread is None:
        raise click.UsageError("Give a SOURCE, or --cuts, --spread and --forces.")
    values = _numbers(cuts)
    labels = tuple(str(k) for k in range(1, len(values) + 2))
    return Calibration(
        scale=BLACKBERRY if labels == BLACKBERRY.labels else Scale(labels=labels),
        force_scale="linear", cuts=as_cuts(values), spread=spread,
    )  # fmt: skip


def _cuts(calibration: Calibration, needed: tuple[int, ...], widths: Any) -> list[dict[str, Any]]:

    return [
        {
            "between": [as_label(label) for label in between],
            "force_N": cut.value,
            "berries": n,
            "half_width_now_N": None if widths is None else float(widths[index]),
        }
        for index, (between, cut, n) in enumerate(
            zip(calibration.scale.boundaries, calibration.cuts, needed, strict=True)
        )
    ]
