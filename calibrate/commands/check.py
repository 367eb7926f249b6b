"""`calibrate check`: one rater's (or several raters') fingers against force."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import as_label, emit_json, format_newton, print_table, warn
from calibrate.commands.options import (
    FILE,
    POSITIVE,
    firmest_option,
    json_option,
    level_option,
    sale_limit_option,
    scores_option,
    source_argument,
)

if TYPE_CHECKING:
    from calibrate.cuts.calibration import ForceScale
    from calibrate.raters.check import RaterCheck
    from calibrate.stats.estimate import Estimate
    from gauge.season.rows import AnchorRow


@click.command("check")
@source_argument
@click.option("--rater", "raters", multiple=True, help="Whose hand; may be repeated.")
@click.option("--all", "everyone", is_flag=True, help="All raters of the source side by side.")
@click.option(
    "--against", type=FILE, help="Source of the panel; by default the other raters of SOURCE."
)
@click.option("--limit", type=POSITIVE, default=0.3, help="The lab's limit of a hand's shift, N.")
@click.option(
    "--force-scale",
    type=click.Choice(["linear", "log"]),
    default="linear",
    help="Scale of force in the model.",
)
@firmest_option
@scores_option
@sale_limit_option
@level_option
@click.option(
    "--plot",
    type=FILE,
    help="Draw one page (png, pdf, svg); with several raters the name is added.",
)
@json_option
def command(
    source: Path,
    raters: tuple[str, ...],
    everyone: bool,
    against: Path | None,
    limit: float,
    force_scale: ForceScale,
    firmest: str,
    scores: str | None,
    sale_limit: str | None,
    level: float,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Check one rater's fingers against force.

    How far, and at which boundary, has this hand drifted from the panel? A shift above zero: the
    hand needs more force than the panel to call a berry that firm. The panel is the other raters
    of SOURCE, or all raters of --against (last season, or the calibration days).

    \b
    calibrate check 2026.season --rater ines --plot ines.pdf
    calibrate check today.csv --rater ines --against 2026.season --json
    calibrate check 2026.season --all
    """  # noqa: D301
    from calibrate.data.pairs import load_pairs
    from calibrate.data.scale import parse_scale
    from calibrate.raters.check import check_rater

    scale = parse_scale(scores, firmest=firmest) if scores else None
    positive = force_scale == "log"
    panel = None
    if against is not None:
        panel = load_pairs(against, firmest=firmest, scale=scale, positive=positive)
        # A short session may not use every score; the panel's scale is the declared one.
        scale = panel.scale
    pairs = load_pairs(source, firmest=firmest, scale=scale, positive=positive)
    names = pairs.raters if everyone else raters
    if not names:
        raise click.UsageError("Name a --rater, or ask for --all.")
    reports = []
    for name in names:
        report = check_rater(
            pairs, name, against=panel, limit_newton=limit, force_scale=force_scale,
            firmest=firmest, sale_limit=sale_limit, level=level,
        )  # fmt: skip
        reports.append(report)
        warn(report.warnings)
        if plot is not None:
            from calibrate.plots.rater import draw_rater
            from calibrate.plots.style import save

            save(draw_rater(report), _page(plot, name, len(names)))
    anchors = _good_anchors(source)
    if as_json:
        documents = [
            {**document(report), "anchors": _to_squeeze(report, anchors)} for report in reports
        ]
        emit_json(documents[0] if len(documents) == 1 else documents)
        return
    if len(reports) == 1:
        show(reports[0])
        labels = _to_squeeze(reports[0], anchors)
        if labels and reports[0].verdict != "within limit":
            click.echo(f"They are {', '.join(labels)}.")
    else:
        show_side_by_side(reports)


def _good_anchors(source: Path) -> list[AnchorRow]:
    """Anchors of the season file that are not retired; none of a CSV."""
    from calibrate.data.pairs import looks_like_season
    from gauge.season.file import open_season

    if not looks_like_season(source):
        return []
    with open_season(source, read_only=True) as season:
        return [row for row in season.anchors() if row.retired_at is None]


def _to_squeeze(report: RaterCheck, anchors: list[AnchorRow]) -> list[str]:
    """Labels of the anchors at the boundaries to practise."""
    wanted = report.to_practise()
    return list(dict.fromkeys(row.label for row in anchors if row.boundary in wanted))


def _page(plot: Path, name: str, n: int) -> Path:
    return plot if n == 1 else plot.with_name(f"{plot.stem}-{name}{plot.suffix}")


def _sides(one: Estimate | None, unit: str = "") -> dict[str, float | None]:
    suffix = f"_{unit}" if unit else ""
    if one is None:
        return {"value": None, f"low{suffix}": None, f"high{suffix}": None}
    return {"value": one.value, f"low{suffix}": one.low, f"high{suffix}": one.high}


def document(report: RaterCheck) -> dict[str, Any]:
    """The check as it is printed by --json."""
    low, high = report.agreement.kappa.interval()
    skill = report.skill
    return {
        "rater": report.rater,
        "n": report.agreement.n,
        "exact": report.agreement.exact,
        "within_one": report.agreement.within_one,
        "kappa_quadratic": {"value": report.agreement.kappa.value, "low": low, "high": high},
        "shift_N": _sides(report.shift_newton),
        "boundaries": [
            {
                "between": [as_label(label) for label in boundary.between],
                "panel_N": boundary.panel_newton,
                "shift_N": boundary.shift_newton.value,
                "low_N": boundary.shift_newton.low,
                "high_N": boundary.shift_newton.high,
            }
            for boundary in report.boundaries
        ],
        "spread": report.spread,
        "panel_spread": report.panel.spread,
        "confusion": report.agreement.table.astype(int).tolist(),
        "sale_limit": {
            "sensitivity": skill and skill.sensitivity and skill.sensitivity.value,
            "specificity": skill and skill.specificity and skill.specificity.value,
            "sensitivity_interval": _sides(skill.sensitivity if skill else None),
            "specificity_interval": _sides(skill.specificity if skill else None),
        },
        "drift": [
            {"along": d.along, "change_N": d.change_newton, "p_value": d.p_value}
            for d in report.drifts
        ],
        "repeatability": report.repeated
        and {
            "n": report.repeated[0],
            "exact": report.repeated[1],
            "kappa_quadratic": report.repeated[2].value,
        },
        "power": report.power
        and {
            "detectable_N": report.power.detectable_newton,
            "berries_needed": report.power.berries_needed,
        },
        "limit_N": report.limit_newton,
        "verdict": report.verdict,
        "sentences": report.sentences(),
        "practise": report.to_practise(),
    }


def _signed(one: Estimate) -> list[str]:
    if one.value is None:
        return ["unknown", ""]
    ends = ["open" if side is None else f"{side:+.2f}" for side in (one.low, one.high)]
    return [f"{one.value:+.2f}", f"{ends[0]} to {ends[1]}"]


def show(report: RaterCheck) -> None:
    """Print one rater's check."""
    rows = [
        [
            "/".join(b.between),
            format_newton(b.panel_newton, missing="unknown"),
            *_signed(b.shift_newton),
        ]
        for b in report.boundaries
    ]
    rows.append(["all", "", *_signed(report.shift_newton)])
    print_table(
        ["boundary", "panel N", "hand less panel N", "interval"],
        rows,
        title=f"{report.rater}: {report.verdict} (limit {report.limit_newton:g} N)",
    )
    one = report.agreement
    kappa = "undefined" if one.kappa.value is None else f"{one.kappa.value:.2f}"
    click.echo(
        f"{one.n} berries: {one.exact:.0%} scored as the panel would, {one.within_one:.0%} within "
        f"one; quadratic kappa {kappa}."
    )
    skill = report.skill
    if skill is not None and skill.sensitivity and skill.specificity:
        click.echo(
            f"Of berries beyond the sale limit {skill.sensitivity.value:.0%} were found, of those "
            f"within it {skill.specificity.value:.0%} were passed."
        )
    if report.repeated is not None:
        n, exact, _ = report.repeated
        click.echo(f"{n} berries scored twice: {exact:.0%} got the same score.")
    for sentence in report.sentences():
        click.echo(sentence)
    if report.verdict != "within limit":
        click.echo(f"Practise the anchors at {', '.join(report.to_practise())}.")


def show_side_by_side(reports: list[RaterCheck]) -> None:
    """Print several raters in one table."""

    def kappa(report: RaterCheck) -> str:
        value = report.agreement.kappa.value
        return "-" if value is None else f"{value:.2f}"

    print_table(
        ["rater", "n", "exact", "kappa", "shift N", "interval", "spread", "verdict"],
        [
            [report.rater, str(report.agreement.n), f"{report.agreement.exact:.0%}",
             kappa(report), *_signed(report.shift_newton), f"{report.spread:.2f}", report.verdict]
            for report in reports
        ],
        left=(0, 7),
    )  # fmt: skip
    for report in reports:
        for sentence in report.sentences():
            click.echo(f"{report.rater}: {sentence}")
