"""`calibrate fit`: cut points of finger scores, with intervals and a picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import calibrate
from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit
from calibrate.data.scale import Scale
from gauge.clikit import argument, option
from gauge.errors import CannotCompareError
from gauge.plaintext import plural
from gauge.printed import echo

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calibrate.cuts.fitting import ForceChoice
    from calibrate.stats.estimate import Estimate
    from calibrate.stats.measurement import GaugeError


def _gauge_error(text: str) -> GaugeError:
    """Read newtons, or a share with its sign of per cent."""
    from calibrate.stats.measurement import GaugeError

    try:
        number = float(text.rstrip("% N"))
    except ValueError:
        raise click.BadParameter(f"'{text}' is neither newtons nor a share: 0.3 or 20%.") from None
    return GaugeError(share=number / 100) if text.endswith("%") else GaugeError(newton=number)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.FitOptions):
    source: Path = argument()
    raters: tuple[str, ...] = option("Only this rater; may be repeated.", "--rater")
    force_scale: ForceChoice = options.force_scale_option(
        "Whether equal steps of force, or equal ratios, feel alike; auto chooses by AIC.",
        "linear", "log", "auto",
    )  # fmt: skip
    each_rater: bool = option(
        "Also the cut points of each rater, and where those of a next rater will lie."
    )
    penalised: bool = option(
        "For sparse data: a penalty keeps cut points finite, and a warning says so."
    )
    gauge_sd: GaugeError | None = option(
        "Standard deviation of a shown force about the true one, in N (0.3) or as a share (20%), "
        "as repeated presses of pads show it. Cut points then mean true force.",
        read=_gauge_error,
    )
    plot: Path | None = options.plot_option("Draw the fit to this png, pdf or svg file.")


@answers.command("fit", _Asked)
def command(asked: _Asked) -> None:
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
    from calibrate.data.pairs import flagged_note

    pairs = asked.pairs(asked.source, raters=asked.raters)
    earlier = asked.earlier_hand_sds(asked.source)
    calibration = asked.fitted(
        asked.source, pairs, earlier, penalised=asked.penalised, gauge_error=asked.gauge_sd
    )
    if asked.plot is not None:
        from calibrate.plots.fit import draw_fit

        title = "Cut points: the force at which one score turns into the next"
        lost = calibration.softening
        felt = pairs.felt(lost.value if lost else None)
        figure = draw_fit(calibration, felt)
        answers.draw(asked.plot, figure, title, of=[asked.source], level=asked.level)
    answers.warn((*calibration.warnings, *flagged_note(pairs.n_flagged)))
    hands = _hands(pairs, calibration, asked.firmest, earlier) if asked.each_rater else {}
    pressed = pairs.press_only
    left = pressed and answers.document(pressed, "n", "n_mates", "squeezes")
    only = left and left | {"left": answers.sides(pressed)}
    counted = {"flagged": pairs.n_flagged, "press_only": only}
    if answers.emitted(document(calibration, asked.firmest) | counted | hands):
        return
    show(calibration, asked.firmest)
    if pressed is not None:
        echo(
            f"{plural(pressed.n, 'berry')} pressed without a squeeze: {pressed.squeezes:.2g} "
            f"squeezes left {_percent(pressed)} of the force of their mates."
        )
    if hands:
        show_hands(hands)


def _percent(share: Any) -> str:
    """Write a share and its interval."""
    one, low, high = (100 * (side or 0.0) for side in (share.value, share.low, share.high))
    return f"{one:.1f} % ({low:.0f} to {high:.0f} %)"


def _listed(scale: Scale, cuts: Sequence[Estimate], firmest: str) -> list[dict[str, Any]]:
    """Return cut points for JSON, in the order of the source.

    Those on the two sides of a score that nobody gave have no force of their own: both lie
    together, where the firmer scores turn into the softer ones.
    """
    values = [cut.value for cut in cuts]
    named = []
    for at, (pair, cut) in enumerate(zip(scale.boundaries, cuts, strict=True)):
        beside = values[max(at - 1, 0) : at] + values[at + 1 : at + 2]
        together = cut.value is not None and cut.value in beside
        named.append(
            {
                "between": answers.between(pair, firmest),
                **answers.sides(None if together else cut.held(0.0), "force_N", "_N"),
                **({"together": answers.sides(cut, "force_N", "_N")} if together else {}),
            }
        )
    return named[:: 1 if firmest == "first" else -1]


def document(calibration: calibrate.Calibration, firmest: str) -> dict[str, Any]:
    """Return the fit as --json prints it: scores and cuts in the order of the source."""
    scale, squeezed = calibration.scale, calibration.softening is not None
    cuts = _listed(scale, calibration.cuts, firmest)
    return {
        "n": calibration.n,
        "raters": len(calibration.raters),
        "scores": answers.between(scale.labels, firmest),
        **answers.document(calibration, "force_scale", "log_likelihood", "spread"),
        "spread_growth": answers.document(calibration.growth),
        "cuts": cuts,
        "softening": calibration.softening and answers.sides(calibration.softening),
        "cuts_unsqueezed": cuts if squeezed else None,
        "cuts_as_pressed": _listed(scale, calibration.as_pressed, firmest) if squeezed else None,
        "warnings": calibration.warnings,
    }


def show(calibration: calibrate.Calibration, firmest: str) -> None:
    """Print the fit as a table."""
    table = document(calibration, firmest)
    after = table["cuts_as_pressed"]
    rows = [
        {
            "between": "{} and {}".format(*cut["between"]),
            f"{'unsqueezed' if after else 'force'} {unit()}": _force(cut),
            f"{calibration.level:.0%} interval {unit()}": "unknown"
            if cut["force_N"] is None
            else answers.span(cut["low_N"], cut["high_N"]),
            **({f"as pressed {unit()}": _force(after[index])} if after else {}),
        }
        for index, cut in enumerate(table["cuts"])
    ]
    answers.print_rows(rows)
    if calibration.softening:
        echo(
            f"Each squeeze takes {_percent(calibration.softening)} of the force. Cut points are of "
            "fruit as the finger felt it; as pressed, of fruit pressed after the squeezes."
        )
    spread = f"{calibration.spread:.3g} in log force"
    if calibration.force_scale == "linear":
        spread = answers.with_unit(calibration.spread)
        if calibration.growth.power:
            spread += f" at {answers.with_unit(calibration.growth.at_newton)}, growing with force"
    hands = f" by {table['raters']} raters" if table["raters"] > 1 else ""
    echo(f"{calibration.n} scores{hands}; spread of the fingers {spread}")
    if calibration.hand_sd is not None:
        percent = 100.0 * calibration.hand_sd
        differ = f"by about {percent:.0f} %" if percent >= 1.0 else "by less than 1 %"
        echo(
            f"Cut points of the panel's middle hand; hands differ {differ} of force. The intervals "
            "are for all hands such as these; 'compare' and 'check' take these raters as they are."
        )
    if growth := calibration.growth.power:
        p_value = calibration.growth.p_value
        echo(f"The spread grows with force to the power of {growth:.2f} (p {p_value:.2g}).")
    echo(f"log-likelihood {calibration.log_likelihood:.3f}, {calibration.force_scale} scale")


def _force(cut: dict[str, Any]) -> str:
    if "together" in cut:
        return f"together at {format_newton(cut['together']['force_N'])}"
    return format_newton(cut["force_N"], missing="unknown")


def _hands(
    pairs: calibrate.Pairs, made: calibrate.Calibration, firmest: str, earlier: Sequence[float]
) -> dict[str, Any]:
    """Return cut points of each rater and of a next one, and how hands, spreads, berries differ."""
    from calibrate.model.panel import fit_panel

    pairs, _ = pairs.panel()
    if len(pairs.raters) < 2:
        raise CannotCompareError(
            f"{pairs.source} names {len(pairs.raters)} rater.",
            todo="--each-rater needs two or more in a column rater.",
        )
    fit = fit_panel(
        pairs, force_scale=made.force_scale, level=made.level, firmest=firmest,
        earlier_hand_sds=earlier,
    )  # fmt: skip
    names = ("hand_sd", "hand_sds", "boundary_sd", "boundary_p", "spread_sd", "berry_sd")
    return {
        "by_rater": [
            {
                **answers.document(rater, "n", "spread"),
                "rater": rater.name,
                **answers.sides(rater.shift, "shift"),
                "cuts": _listed(fit.scale, rater.cuts, firmest),
            }
            for rater in fit.raters
        ],
        "next_rater": _listed(fit.scale, fit.next_rater, firmest),
        **answers.document(fit, *names),
    }


def show_hands(hands: dict[str, Any]) -> None:
    """Print the cut points of each rater and of the next."""

    def cell(cut: dict[str, Any]) -> str:
        if cut["force_N"] is None:
            return "unknown"
        force, low, high = (format_newton(cut[key]) for key in ("force_N", "low_N", "high_N"))
        return f"{force} ({low}-{high})"

    next_rater = {"rater": "a next rater", "cuts": hands["next_rater"]}
    rows = [
        {"rater": one["rater"]}
        | {"/".join(map(str, cut["between"])): cell(cut) for cut in one["cuts"]}
        for one in [*hands["by_rater"], next_rater]
    ]
    answers.print_rows(rows, title=f"Cut points of each rater, {unit()}")
    differ = f"Hands differ by about {hands['hand_sd']:.0%}, their spreads by "
    differ += f"{hands['spread_sd']:.0%}"
    if hands["boundary_sd"] is not None:
        differ += f", single boundaries by {hands['boundary_sd']:.0%} (p {hands['boundary_p']:.2g})"
    if hands["berry_sd"] is not None:
        differ += f", berries of one force by {hands['berry_sd']:.0%}"
    echo(f"{differ}.")
