"""`calibrate fit`: cut points of finger scores, with intervals and a picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.commandkit import firmest_option, json_option, level_option, scores_option
from gauge.clikit import emit_json, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calibrate.cuts.calibration import Calibration
    from calibrate.data.pairs import Pairs
    from calibrate.stats.estimate import Estimate


@click.command("fit")
@click.argument("source", type=click.Path(path_type=Path))
@click.option(
    "--force-scale",
    type=click.Choice(["linear", "log", "auto"]),
    default="linear",
    show_default=True,
    help="Whether equal steps of force, or equal ratios, feel alike; auto chooses by AIC.",
)
@click.option("--rater", "raters", multiple=True, help="Only this rater; may be repeated.")
@firmest_option
@scores_option
@click.option(
    "--interval",
    "kind",
    type=click.Choice(["profile", "bootstrap"]),
    default="profile",
    show_default=True,
    help="How the intervals are made.",
)
@level_option
@click.option(
    "--resamples",
    type=click.IntRange(100),
    default=2000,
    show_default=True,
    help="Resamples of the bootstrap.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the bootstrap.")
@click.option(
    "--each-rater",
    is_flag=True,
    help="Also the cut points of each rater, and where those of a next rater will lie.",
)
@click.option(
    "--penalised",
    is_flag=True,
    help="For sparse data: a penalty keeps cut points finite. Labelled as such.",
)
@click.option(
    "--plot", type=click.Path(path_type=Path), help="Draw the fit to this png, pdf or svg file."
)
@json_option
def command(
    source: Path,
    force_scale: str,
    raters: tuple[str, ...],
    firmest: str,
    scores: str | None,
    kind: str,
    level: float,
    resamples: int,
    seed: int,
    each_rater: bool,
    penalised: bool,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Fit the cut points of finger scores in newtons.

    At which force does each score turn into the next, and how sure is that? SOURCE is a season
    file, or a CSV with the columns force_N (or force and unit) and score, and if you like rater,
    berry and count. With two raters or more the cut points are the panel's.

    \b
    calibrate fit 2026.season --plot cuts.png
    calibrate fit scores.csv --force-scale auto --json

    A side of an interval that the berries at hand cannot close is shown as open. Whether fruit is
    sold stays with your own rules and the law of the place; a cut point only describes hands.
    """  # noqa: D301
    from calibrate.cuts.fitting import fit
    from calibrate.data.pairs import load_pairs
    from calibrate.data.scale import parse_scale

    if plot is not None:
        from calibrate.plots.style import check_suffix

        check_suffix(plot)
    pairs = load_pairs(
        source,
        firmest=firmest,
        scale=None if scores is None else parse_scale(scores, firmest=firmest),
        raters=raters,
        positive=force_scale == "log",
    )
    calibration = fit(
        pairs,
        force_scale=force_scale,  # type: ignore[arg-type]
        kind=kind,  # type: ignore[arg-type]
        level=level,
        firmest=firmest,
        resamples=resamples,
        seed=seed,
        penalised=penalised,
    )
    if plot is not None:
        from calibrate.plots.fit import draw_fit
        from calibrate.plots.style import save

        save(draw_fit(calibration, pairs), plot)
    for warning in calibration.warnings:
        say(f"warning: {warning}")
    hands = _hands(pairs, calibration, firmest) if each_rater else {}
    if as_json:
        emit_json({**document(calibration, firmest), **hands})
    else:
        show(calibration, firmest)
        if hands:
            show_hands(hands)
        if plot is not None:
            say(f"picture: {plot}")


def document(calibration: Calibration, firmest: str) -> dict[str, Any]:
    """The fit as it is printed by --json: scores and cuts in the order of the source."""
    from calibrate.data.labels import as_label

    step = 1 if firmest == "first" else -1
    cuts = zip(
        calibration.scale.boundaries,
        calibration.cuts_newton,
        calibration.low_newton,
        calibration.high_newton,
        strict=True,
    )
    return {
        "n": calibration.n,
        "raters": len(calibration.raters),
        "scores": [as_label(label) for label in calibration.scale.labels[::step]],
        "force_scale": calibration.force_scale,
        "log_likelihood": calibration.log_likelihood,
        "spread": calibration.spread,
        "cuts": [
            {
                "between": [as_label(label) for label in between[::step]],
                "force_N": cut,
                "low_N": low,
                "high_N": high,
            }
            for between, cut, low, high in list(cuts)[::step]
        ],
        "warnings": list(calibration.warnings),
    }


def show(calibration: Calibration, firmest: str) -> None:
    """Print the fit as a table."""
    from calibrate.commands.render import print_table, span
    from calibrate.data.labels import format_newton

    table = document(calibration, firmest)
    print_table(
        ["between", "force N", f"{calibration.level:.0%} interval N"],
        [
            [
                f"{cut['between'][0]} and {cut['between'][1]}",
                format_newton(cut["force_N"], missing="unknown"),
                "unknown" if cut["force_N"] is None else span(cut["low_N"], cut["high_N"]),
            ]
            for cut in table["cuts"]
        ],
    )
    unit = "N" if calibration.force_scale == "linear" else "in log N"
    hands = f" by {table['raters']} raters" if table["raters"] > 1 else ""
    click.echo(f"{calibration.n} scores{hands}; spread of the fingers {table['spread']:.3g} {unit}")
    if calibration.hand_sd is not None:
        percent = 100.0 * calibration.hand_sd
        differ = f"by about {percent:.0f} %" if percent >= 1.0 else "by less than 1 %"
        click.echo(f"Cut points of the panel's middle hand; hands differ {differ} of force.")
    click.echo(f"log-likelihood {calibration.log_likelihood:.3f}, {calibration.force_scale} scale")


def _hands(pairs: Pairs, calibration: Calibration, firmest: str) -> dict[str, Any]:
    """Each rater's cut points, those of a next rater, and how much hands, spreads, berries differ.

    Raises
    ------
    CannotCompareError
        With fewer than two raters.
    """
    from calibrate.data.labels import as_label
    from calibrate.model.panel import fit_panel
    from gauge.errors import CannotCompareError

    if len(pairs.raters) < 2:
        raise CannotCompareError(
            f"{pairs.source} names {len(pairs.raters)} rater.",
            todo="--each-rater needs two or more in a column rater.",
        )
    fit = fit_panel(
        pairs, force_scale=calibration.force_scale, level=calibration.level, firmest=firmest
    )
    step = 1 if firmest == "first" else -1

    def listed(cuts: Sequence[Estimate]) -> list[dict[str, Any]]:
        return [
            {
                "between": [as_label(label) for label in between[::step]],
                "force_N": cut.value,
                "low_N": cut.low,
                "high_N": cut.high,
            }
            for between, cut in list(zip(fit.scale.boundaries, cuts))[::step]
        ]

    return {
        "by_rater": [
            {
                "rater": rater.name,
                "n": rater.n,
                "shift": rater.shift.value,
                "low": rater.shift.low,
                "high": rater.shift.high,
                "spread": rater.spread,
                "cuts": listed(rater.cuts),
            }
            for rater in fit.raters
        ],
        "next_rater": listed(fit.next_rater),
        "hand_sd": fit.hand_sd,
        "spread_sd": fit.spread_sd,
        "berry_sd": fit.berry_sd,
    }


def show_hands(hands: dict[str, Any]) -> None:
    """Print the cut points of each rater and of the next."""
    from calibrate.commands.render import print_table
    from calibrate.data.labels import format_newton

    def row(name: str, cuts: list[dict[str, Any]]) -> list[str]:
        cells = [
            f"{format_newton(c['force_N'], missing='-')} ({format_newton(c['low_N'])}-{format_newton(c['high_N'])})"
            if c["force_N"] is not None
            else "unknown"
            for c in cuts
        ]
        return [name, *cells]

    boundaries = ["/".join(map(str, cut["between"])) for cut in hands["next_rater"]]
    print_table(
        ["rater", *boundaries],
        [
            *(row(rater["rater"], rater["cuts"]) for rater in hands["by_rater"]),
            row("a next rater", hands["next_rater"]),
        ],
        title="Cut points of each rater, N",
    )
    click.echo(
        f"Hands differ by about {hands['hand_sd']:.0%}, their spreads by {hands['spread_sd']:.0%}"
        + (
            f", berries of one force by {hands['berry_sd']:.0%}."
            if hands["berry_sd"] is not None
            else "."
        )
    )
