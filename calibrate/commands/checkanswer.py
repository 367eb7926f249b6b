"""What `calibrate check` prints of hands: each by itself, side by side, and over the season."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from calibrate.commands import answers
from gauge.plaintext import plural
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.raters.check import RaterCheck
    from calibrate.raters.history import HandHistory
    from gauge.season.rows import AnchorRow


def charted(chart: HandHistory | None) -> dict[str, Any] | None:
    """The chart of a hand as it is printed by --json."""
    if chart is None:
        return None
    points = ("day", "n", "shift_newton", "limit_newton", "outside")
    return {
        **answers.document(chart, "reference", "n_reference", "n", "run_length", "first_outside"),
        "points": [answers.document(point, *points) for point in chart.points],
    }


def show_history(charts: Sequence[HandHistory]) -> None:
    """Print the charts of hands, and once how to read them."""
    for chart in charts:
        _show_chart(chart)
    if charts:
        echo(
            "A weighted mean of the last scores; a hand that stays as it is passes the limit at "
            f"most once in about {charts[0].run_length} scores. The limit is wide where the last "
            "berries lie at boundaries that the reference hardly knows. Of a day beyond the limit, "
            "its score furthest beyond."
        )


def _show_chart(chart: HandHistory) -> None:
    """Print the chart of a hand."""
    unit = answers.unit()
    days = {point.day for point in chart.points}
    dated = f", all dated {days.pop()}" if len(days) == 1 and None not in days else ""
    answers.print_table(
        ["until", "scores", f"shift {unit}", f"limit {unit}", ""],
        [
            [
                "" if dated else point.day or "",
                str(point.n),
                answers.format_newton(point.shift_newton, sign="+"),
                answers.format_newton(point.limit_newton),
                "beyond the limit" if point.outside else "",
            ]
            for point in chart.points
        ],
        title=f"{chart.rater}, against {chart.reference} ({chart.n_reference} scores){dated}",
        left=(0, 4),
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
