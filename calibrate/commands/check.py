"""`calibrate check`: one rater's (or several raters') fingers against force."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from gauge.clikit import argument, echo, option
from gauge.errors import FirmhandError
from gauge.plaintext import plural

if TYPE_CHECKING:
    from calibrate.data.pairs import Pairs
    from calibrate.model.cutmodel import ForceScale
    from calibrate.raters.check import RaterCheck
    from calibrate.raters.history import HandHistory
    from gauge.season.rows import AnchorRow, RaterRow


ADOPTED = "the adopted calibration"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.PairOptions):
    source: Path = argument()
    raters: tuple[str, ...] = option("Whose hand; may be repeated.", "--rater")
    everyone: bool = option("All raters of the source side by side.", "--all")
    against: Path | None = option(
        "Source of the panel, in place of a calibration or the other raters of SOURCE."
    )
    calibration_name: str | None = options.name_option(
        "Hold hands against this stored calibration, not the season's own."
    )
    others: bool = option("Hold them against the other raters of SOURCE.")
    limit: float | None = option(
        "The lab's limit of a hand's shift, N; else --limit-pct.", type=options.POSITIVE
    )
    limit_pct: float = option(
        "The same in percent of each cut point.", above=0, high=99, default=20
    )
    force_scale: ForceScale = options.force_scale_option("Scale of force in the model.")
    level: float = options.level_option()
    history: bool = option("Also a chart of the hand over the season, by days.")
    sale_limit: str | None = options.sale_limit_option()
    plot: Path | None = options.plot_option(
        "Draw one page (png, pdf, svg); with several raters the name is added, unless it is the "
        "charts of --history."
    )


@options.command("check", _Asked)
def command(asked: _Asked) -> None:
    """Check one rater's fingers against force.

    How far, and at which boundary, has this hand drifted? A shift above zero: the hand needs more
    force than the reference to call a berry that firm. The reference is what this hand was when the
    season's calibration was made, its own ways included, and the check takes the scores that came
    after. Without a calibration it is the mean hand of the other raters; with --against SOURCE2 the
    hand that the rater had there. A rater whom the reference does not know is held against its mean
    hand.

    --history charts every score after the reference: a slow drift passes its limit before a single
    check sees it, and a hand that stays as it is does so once in a thousand scores.

    Within limit: shown to be so at every boundary, and about as sharp as before. Drifted: shown to
    have moved. Else it cannot tell yet, and shows how many more berries would do.

    \b
    calibrate check 2026.season --rater ines --plot ines.pdf
    calibrate check today.csv --rater ines --against 2026.season --json
    calibrate check 2026.season --all
    """  # noqa: D301
    from calibrate.cuts.scored import later_than
    from calibrate.data.pairs import LEAST_BERRIES
    from calibrate.raters.check import check_rater

    fitted = None if asked.others else _calibration(asked)
    panel = fitted[0] if fitted else asked.pairs(asked.against) if asked.against else None
    # A short session may not use every score; the panel's scale is the declared one.
    pairs = asked.pairs(asked.source, **({"scale": panel.scale} if panel else {}))
    names = pairs.raters if asked.everyone else [pairs.rater_named(name) for name in asked.raters]
    if not names:
        raise click.UsageError("Name a --rater, or ask for --all.")
    after = later_than(pairs, fitted[0]) if fitted else None
    reports: list[RaterCheck] = []
    early: list[str] = []
    for name in names:
        held: dict[str, Any] = {"against": panel, "force_scale": asked.force_scale}
        today = pairs
        if after and fitted:
            if after.of_raters([name]).n >= LEAST_BERRIES:
                today, held = after, _held(fitted)
            else:
                early.append(name)
                held["against"] = None
        try:
            report = check_rater(
                today, name, **held, limit_newton=asked.limit, limit_share=asked.limit_pct / 100,
                firmest=asked.firmest, sale_limit=asked.sale_limit, level=asked.level,
            )  # fmt: skip
        except FirmhandError as error:
            if not asked.everyone or (name == names[-1] and not reports):
                raise
            answers.say(f"{name} is passed over: {error}")
        else:
            reports.append(report)
    answers.warn(dict.fromkeys(one for report in reports for one in report.warnings))
    if fitted and early:
        answers.say(
            f"fewer than {LEAST_BERRIES} scores beside those that {fitted[0].source} was fitted "
            f"to, so held against the other raters: {', '.join(early)}"
        )
    charts: dict[str, HandHistory | None] = {}
    if asked.history:
        charts = {one.rater: _history(asked, one.rater, pairs, after, fitted) for one in reports}
    if asked.plot is not None:
        _draw(asked, asked.plot, reports, charts, several=len(names) > 1)
    _print(asked, reports, charts, pairs.apart)


def _held(fitted: tuple[Pairs, ForceScale]) -> dict[str, Any]:
    """Say to a check or a chart that a hand is held against what a calibration was fitted to."""
    return {"against": fitted[0], "reference": ADOPTED, "force_scale": fitted[1]}


def _draw(
    asked: _Asked,
    plot: Path,
    reports: Sequence[RaterCheck],
    charts: Mapping[str, HandHistory | None],
    *,
    several: bool,
) -> None:
    """Draw the charts that were asked for, or one page a rater; several bear their names."""
    from calibrate.plots.history import draw_histories
    from calibrate.plots.rater import draw_rater

    if drawn := list(filter(None, charts.values())):
        answers.draw(plot, draw_histories(drawn), "Each hand over the season", of=[asked.source])
    for report in reports if not charts else ():
        # Without what no file's name may hold.
        safe = re.sub(r'[/\\:*?"<>|]', "_", report.rater)
        page = plot.with_stem(f"{plot.stem}-{safe}") if several else plot
        title = f"The hand of {report.rater}: {report.verdict}"
        answers.draw(page, draw_rater(report), title, of=[asked.source], level=asked.level)


def _print(
    asked: _Asked,
    reports: Sequence[RaterCheck],
    charts: Mapping[str, HandHistory | None],
    apart: Sequence[RaterRow],
) -> None:
    """Print checks, with the charts that were asked for and who does not count in a panel."""
    from calibrate.anchors.retirement import anchors_of, good_anchors

    anchors = good_anchors(anchors_of(asked.source), datetime.now(UTC).date())
    roster = {row.name: row.status for row in apart}
    documents = [
        document(report, anchors)
        | {"status": roster.get(report.rater, "qualified")}
        | ({"history": _charted(charts[report.rater])} if charts else {})
        for report in reports
    ]
    if answers.emitted(documents if asked.everyone else answers.one_or_all(documents)):
        return
    if len(reports) == 1:
        show(reports[0], anchors)
    else:
        show_side_by_side(reports)
    for chart in filter(None, charts.values()):
        show_history(chart)
    for row in apart:
        if row.name in {report.rater for report in reports}:
            echo(f"Not in the panel: {row.about}.")


def _calibration(asked: _Asked) -> tuple[Pairs, ForceScale] | None:
    """Load what the calibration that is meant was fitted to, and how; None where none is meant."""
    from calibrate.cuts.scored import load_scored

    name = asked.calibration_name
    if name is None and asked.against is None:
        name = options.adopted_in([asked.source])
    if name is None:
        return None
    fitted = load_scored(asked.against or asked.source, name)
    if fitted is None:
        answers.say(
            f"calibration {name} was stored without its scores: hands are held against the other "
            "raters; adopt one anew"
        )
    return fitted


def _history(
    asked: _Asked,
    rater: str,
    pairs: Pairs,
    after: Pairs | None,
    fitted: tuple[Pairs, ForceScale] | None,
) -> HandHistory | None:
    """Chart a hand against the calibration, or its own first scores where none came after it."""
    from calibrate.raters.history import hand_history

    try:
        if after and fitted and rater in fitted[0].raters and after.of_raters([rater]).n:
            return hand_history(after, rater, **_held(fitted))
        return hand_history(pairs, rater, force_scale=asked.force_scale)
    except FirmhandError as error:
        answers.say(f"{rater} has no chart: {error}")
        return None


def _charted(chart: HandHistory | None) -> dict[str, Any] | None:
    """The chart of a hand as it is printed by --json."""
    if chart is None:
        return None
    points = ("day", "n", "shift_newton", "limit_newton", "outside")
    return {
        **answers.document(chart, "reference", "n_reference", "n", "run_length", "first_outside"),
        "points": [answers.document(point, *points) for point in chart.points],
    }


def show_history(chart: HandHistory) -> None:
    """Print the chart of a hand."""
    unit = answers.unit()
    answers.print_table(
        ["until", "scores", f"shift {unit}", f"limit {unit}", ""],
        [
            [
                point.day or "",
                str(point.n),
                answers.format_newton(point.shift_newton, sign="+"),
                answers.format_newton(point.limit_newton),
                "beyond the limit" if point.outside else "",
            ]
            for point in chart.points
        ],
        title=f"{chart.rater}, against {chart.reference} ({chart.n_reference} scores)",
        left=(0, 4),
    )
    echo(
        "A weighted mean of the last scores; a hand that stays as it is passes the limit once in "
        f"about {chart.run_length} scores. Of a day beyond the limit, its score furthest beyond."
    )


def _to_squeeze(report: RaterCheck, anchors: Sequence[AnchorRow]) -> list[str]:
    """Labels of the anchors at the boundaries to practise."""
    boundaries = report.to_practise()
    return list(dict.fromkeys(row.label for row in anchors if row.boundary in boundaries))


def document(report: RaterCheck, anchors: Sequence[AnchorRow]) -> dict[str, Any]:
    """The check as it is printed by --json."""
    agreement, skill, power = report.agreement, report.skill, report.power
    rates = {name: getattr(skill, name, None) for name in ("sensitivity", "specificity")}
    itself = ("rater", "reference", "spread", "verdict", "within_limit", "confounded")
    return {
        **answers.document(report, *itself),
        **answers.document(agreement, "n", "exact", "within_one"),
        "kappa_quadratic": answers.sides(agreement.kappa),
        "shift_N": answers.sides(report.shift_newton),
        "boundaries": [
            {
                "between": answers.between(one.between),
                **answers.document(one, "panel_newton", "reference_newton", "limit_newton"),
                **answers.sides(one.shift_newton, "shift_N", "_N"),
            }
            for one in report.boundaries
        ],
        "panel_spread": report.panel.spread,
        "spread_ratio": answers.sides(report.blunter),
        "confusion": agreement.table.astype(int).tolist(),
        "sale_limit": {
            **{name: rate and rate.value for name, rate in rates.items()},
            **{f"{name}_interval": answers.sides(rate) for name, rate in rates.items()},
        },
        "drift": [answers.document(drift) for drift in report.drifts],
        "repeatability": report.repeated
        and {
            "n": report.repeated[0],
            "exact": report.repeated[1],
            "kappa_quadratic": report.repeated[2].value,
        },
        "power": power and answers.document(power),
        "limit_N": report.limit.newton,
        "limit_pct": 100 * report.limit.share if report.limit.newton is None else None,
        "sentences": report.sentences(),
        "practise": report.to_practise(),
        "anchors": _to_squeeze(report, anchors),
    }


def show(report: RaterCheck, anchors: Sequence[AnchorRow]) -> None:
    """Print one rater's check."""
    unit = answers.unit()
    heads = ("boundary", f"reference {unit}", f"hand minus reference {unit}")
    rows = [
        {
            heads[0]: "/".join(one.between),
            heads[1]: answers.format_newton(one.reference_newton, missing="unknown"),
            **answers.signed(one.shift_newton, heads[2]),
        }
        for one in report.boundaries
    ]
    answers.print_rows(
        [*rows, {heads[0]: "all", heads[1]: "", **answers.signed(report.shift_newton, heads[2])}],
        title=f"{report.rater}: {report.verdict} (limit {report.limit}, "
        f"against {report.reference})",
    )
    echo(f"Above zero: this hand needs more force than {report.reference} for the same score.")
    echo(f"Panel here: {_panel([report])}.")
    one, skill = report.agreement, report.skill
    kappa = answers.format_value(one.kappa.value, missing="undefined")
    echo(
        f"{one.n} berries: {one.exact:.0%} scored as the panel would, {one.within_one:.0%} within "
        f"one; quadratic kappa {kappa}."
    )
    if skill and skill.sensitivity and skill.specificity:
        echo(
            f"Of berries beyond the sale limit {skill.sensitivity.value:.0%} were found, of those "
            f"within it {skill.specificity.value:.0%} were passed."
        )
    if report.repeated is not None:
        n, exact, twice = report.repeated
        kappa = answers.format_value(twice.value, missing="undefined")
        echo(
            f"{plural(n, 'berry')} scored twice: {exact:.0%} got the same score; quadratic kappa "
            f"{kappa}."
        )
    for sentence in report.sentences():
        echo(sentence)
    if report.verdict != "within limit" and not report.confounded:
        echo(f"Practise the anchors at {', '.join(report.to_practise())}.")
        if labels := _to_squeeze(report, anchors):
            echo(f"They are {', '.join(labels)}.")


def _panel(reports: Sequence[RaterCheck]) -> str:
    """Name the raters whose hands are the panel."""
    panels = {report.panel.raters for report in reports}
    return ", ".join(panels.pop()) if len(panels) == 1 else "for each rater, the others"


def show_side_by_side(reports: Sequence[RaterCheck]) -> None:
    """Print several raters in one table."""
    answers.print_rows(
        [
            {
                "rater": report.rater,
                "n": str(report.agreement.n),
                "exact": f"{report.agreement.exact:.0%}",
                "kappa": answers.format_value(report.agreement.kappa.value, missing="-"),
                **answers.signed(report.shift_newton, f"shift {answers.unit()}"),
                "spread": answers.format_newton(report.spread, sign="-"),
                "verdict": report.verdict,
            }
            for report in reports
        ],
        left=(0, 7),
    )
    found: dict[str, list[str]] = {}
    for report in reports:
        found.setdefault(report.verdict, []).append(report.rater)
    echo("; ".join(f"{verdict}: {', '.join(names)}" for verdict, names in found.items()) + ".")
    echo(f"Panel here: {_panel(reports)}.")
    for report in reports:
        for sentence in report.sentences():
            echo(f"{report.rater}: {sentence}")
