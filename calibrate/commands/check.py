"""`calibrate check`: one rater's (or several raters') fingers against force."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, checkanswer, options
from gauge.clikit import argument, option
from gauge.errors import FirmhandError
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.data.pairs import Pairs
    from calibrate.model.cutmodel import ForceScale
    from calibrate.raters.check import RaterCheck
    from calibrate.raters.history import HandHistory
    from gauge.season.rows import RaterRow


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
        "Compare hands with this stored calibration, not the season's own."
    )
    others: bool = option("Compare them with the other raters of SOURCE.")
    limit: float | None = option("The lab's limit of a hand's shift, N; else --limit-pct.", above=0)
    limit_pct: float | None = option(
        "The same in percent of each cut point. Default: 20.", above=0, high=99
    )
    force_scale: ForceScale = options.force_scale_option("Scale of force in the model.")
    level: float = options.level_option()
    history: bool = option("Also a chart of the hand over the season, by days.")
    sale_limit: str | None = options.sale_limit_option()
    plot: Path | None = options.plot_option(
        "Draw one page (png, pdf, svg); with several raters the name is added, unless it is the "
        "charts of --history."
    )

    def limits(self) -> dict[str, Any]:
        """Return the lab's limit of a hand's shift, as `check_rater` takes it."""
        if self.limit is not None and self.limit_pct is not None:
            raise click.UsageError("Give --limit or --limit-pct, not both.")
        return {"limit_newton": self.limit, "limit_share": (self.limit_pct or 20.0) / 100}


@answers.command("check", _Asked)
def command(asked: _Asked) -> None:
    """Check one rater's fingers against force.

    How far, and at which boundary, has this hand drifted? A shift above zero: the hand needs more
    force than the reference to call a berry that firm. The reference is what this hand was when the
    season's calibration was made, its own ways included, and the check takes the scores that came
    after. Without a calibration it is the mean hand of the other raters; with --against SOURCE2 the
    hand that the rater had there. A rater whom the reference does not know is compared with its
    mean hand.

    --history charts every score after the reference: a slow drift passes its limit before a single
    check sees it, and a hand that stays as it is does so once in a thousand scores.

    Within limit: shown to be so, each boundary judged with the help of the others, for a hand
    mostly moves as a whole; and about as sharp as before. Drifted: shown to have moved. Else it
    cannot tell yet, and shows how many more berries would do.

    \b
    calibrate check 2026.season --rater ines --plot ines.pdf
    calibrate check today.csv --rater ines --against 2026.season --json
    calibrate check 2026.season --all
    """  # noqa: D301
    from calibrate.cuts.scored import later_than
    from calibrate.data.pairs import LEAST_BERRIES
    from calibrate.raters.check import check_rater

    limits = asked.limits()
    if asked.everyone and asked.raters:
        raise click.UsageError("Give --rater or --all, not both.")
    itself = asked.against is not None and asked.against.resolve() == asked.source.resolve()
    if itself and asked.calibration_name is None:
        raise click.UsageError("--against SOURCE itself needs the name of a --calibration.")
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
                today, name, **held, **limits, firmest=asked.firmest, sale_limit=asked.sale_limit,
                level=asked.level,
            )  # fmt: skip
        except FirmhandError as error:
            if not asked.everyone or (name == names[-1] and not reports):
                raise
            answers.say(f"{name} is passed over: {error}")
        else:
            reports.append(report)
    answers.warn(dict.fromkeys(one for report in reports for one in report.warnings))
    for report in reports:
        if fitted and report.rater in early:
            answers.say(
                f"{report.rater} has fewer than {LEAST_BERRIES} scores beside those that "
                f"{fitted[0].source} was fitted to, so the hand is compared with the other raters: "
                f"{', '.join(report.panel.raters)}"
            )
    charts: dict[str, HandHistory | None] = {}
    if asked.history:
        charts = {one.rater: _history(asked, one.rater, pairs, after, fitted) for one in reports}
    if asked.plot is not None:
        _draw(asked, asked.plot, reports, charts, several=len(names) > 1)
    _print(asked, reports, charts, pairs.apart)


def _held(fitted: tuple[Pairs, ForceScale]) -> dict[str, Any]:
    """Compare a hand, in a check or a chart, with what a calibration was fitted to."""
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
        checkanswer.document(report, anchors)
        | {"status": roster.get(report.rater, "qualified")}
        | ({"history": checkanswer.charted(charts[report.rater])} if charts else {})
        for report in reports
    ]
    if answers.emitted(documents if asked.everyone else answers.one_or_all(documents)):
        return
    if len(reports) == 1:
        checkanswer.show(reports[0], anchors)
    else:
        checkanswer.show_side_by_side(reports)
    checkanswer.show_history(list(filter(None, charts.values())))
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
            f"calibration {name} was stored without its scores: hands are compared with the other "
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
