"""`calibrate anchors`: force bands, the best anchor set, and the card for the wall."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit
from gauge.clikit import echo

if TYPE_CHECKING:
    from datetime import date

    from calibrate.anchors.candidates import Candidate
    from calibrate.anchors.choice import Anchor, AnchorSet
    from calibrate.cuts.bands import Band
    from calibrate.data.pairs import Pairs
    from calibrate.plots.card import CardNotes


@click.command("anchors")
@options.source_argument
@options.number_option("--per-score", "Anchors a score.", whole=True, low=1, default=2)
@click.option(
    "--pairs/--no-pairs", "straddle", default=True, help="Choose a pair around each boundary too."
)
@click.option(
    "--candidates",
    type=options.FILE,
    help="CSV with label, force_N and kind (berry, lot or pad) to choose from instead.",
)
@options.calibration_options()
@options.plot_option(
    "Write the wall card: pdf, png or svg; may be repeated.", "--card", "cards", multiple=True
)
@options.number_option("--valid-days", "Days for which a berry may serve.", above=0, default=3.0)
@options.number_option(
    "--press-limit", "Squeezes after which a berry must retire.", whole=True, low=1, default=5
)
@click.option(
    "--made-on",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Day of the card; by default today.",
)
@click.option(
    "--keep",
    is_flag=True,
    help="Keep the set in the season file, so that presses and retirements can be recorded.",
)
@options.shown_in_lab_unit()
@options.json_option
def command(
    source: Path,
    per_score: int,
    straddle: bool,
    candidates: Path | None,
    how: options.FitOptions,
    calibration_name: str | None,
    cards: tuple[Path, ...],
    valid_days: float,
    press_limit: int,
    made_on: Any,
    keep: bool,
    as_json: bool,
) -> None:
    """Build the season's anchor set and its card.

    Which berries (or lots, or durable pads) stand for each score and for each boundary? Bands come
    from the calibration; the best set is chosen exactly from the measured berries that are neither
    void nor flagged nor retired. SOURCE is a season file or a CSV of pairs with a column berry. A
    set that is kept takes the place of the calibration's last one.

    \b
    calibrate anchors 2026.season --card card.pdf --card card.png
    calibrate anchors 2026.season --calibration july --keep --per-score 3
    """  # noqa: D301
    from datetime import UTC, datetime, timedelta

    from calibrate.anchors.candidates import read_candidates
    from calibrate.anchors.choice import choose_anchors
    from calibrate.data.pairs import flagged_note

    if calibration_name is None and not options.asks_for_fit():
        calibration_name = options.adopted_in([source])
    if keep and calibration_name is None:
        raise click.UsageError(
            "--keep needs a stored calibration, for an anchor set belongs to one: adopt one "
            "('calibrate adopt SEASON NAME'), or give --calibration NAME."
        )
    pairs = how.pairs(source)
    calibration = how.calibration(source, calibration_name, pairs)
    pool = read_candidates(candidates) if candidates else _measured(source, pairs)
    chosen = choose_anchors(calibration, pool, per_score=per_score, straddle=straddle)
    if keep and calibration_name is not None:
        _keep(source, calibration_name, chosen, press_limit=press_limit, valid_days=valid_days)
    if cards:
        day = (made_on or datetime.now(UTC)).date()
        notes = _notes(source, day, day + timedelta(days=valid_days), press_limit)
        for card in cards:
            from calibrate.plots.card import draw_card

            answers.draw(card, draw_card(calibration, chosen, notes), named="card")
    flagged = flagged_note(pairs.n_flagged)
    answers.warn((*calibration.warnings, *chosen.warnings, *flagged))
    if as_json:
        answers.emit_json({**document(chosen), "flagged": pairs.n_flagged})
    else:
        show(chosen)


def _notes(source: Path, made_on: date, valid_until: date, press_limit: int) -> CardNotes:
    from calibrate.data.conditions import conditions_of
    from calibrate.data.pairs import looks_like_season
    from calibrate.plots.card import CardNotes
    from calibrate.report.facts import of_samples
    from gauge.season.file import open_season

    known: dict[str, Any] = {}
    if looks_like_season(source):
        with open_season(source, read_only=True) as season:
            crop = season.crop or of_samples(season, "crop")
            known = {"crop": crop, "lab": season.setting("lab"), "digest": season.digest}
    return CardNotes(
        season=source.stem.replace("_", " "),
        pressed=conditions_of(source).protocol.phrases(),
        made_on=made_on,
        valid_until=valid_until,
        press_limit=press_limit,
        **known,
    )


def _measured(source: Path, pairs: Pairs) -> list[Candidate]:
    """Candidates among the source's berries: measured, not void, flagged or retired."""
    from datetime import UTC, datetime

    from calibrate.anchors.candidates import measured_candidates, scored_candidates
    from calibrate.anchors.retirement import good_anchors
    from calibrate.data.pairs import looks_like_season
    from gauge.season.file import open_season

    if not looks_like_season(source):
        return scored_candidates(pairs)
    with open_season(source, read_only=True) as season:
        # Of whatever calibration: a berry that was squeezed to its end is no anchor of any.
        anchors = season.anchors()
        good = {row.label for row in good_anchors(anchors, datetime.now(UTC))}
        return measured_candidates(season, without={row.label for row in anchors} - good)


def _keep(source: Path, name: str, chosen: AnchorSet, **limits: Any) -> None:
    """Keep a set in place of the last one: anchors in both stay, the others retire."""
    from gauge.season.file import open_season

    with open_season(source) as season:
        in_use = {row.label: row for row in season.anchors(name) if row.retired_at is None}
        for label in in_use.keys() - {anchor.candidate.label for anchor in chosen.anchors}:
            season.retire_anchor(in_use[label].anchor_id, "a new set took its place")
        for anchor in chosen.anchors:
            if anchor.candidate.label in in_use:
                continue
            season.add_anchor(
                calibration=name,
                kind=anchor.candidate.kind,
                label=anchor.candidate.label,
                berry_id=anchor.candidate.berry_id,
                score=anchor.score,
                boundary=anchor.boundary,
                force_newton=anchor.candidate.force_newton,
                **limits,
            )


def document(chosen: AnchorSet) -> dict[str, Any]:
    """The set as it is printed by --json; the firmest band has no upper end."""
    return {
        "bands": [
            answers.document(band) | {"score": answers.as_label(band.score)}
            for band in chosen.bands
        ],
        "anchors": [
            {
                "berry": anchor.candidate.label,
                **answers.document(anchor.candidate, "force_newton", "kind"),
                **answers.document(anchor, "probability", "boundary"),
                "score": answers.as_label(anchor.score),
            }
            for anchor in chosen.anchors
        ],
        "cost": chosen.cost,
        "warnings": list(chosen.warnings),
    }


def _band_row(band: Band) -> list[str]:
    core = "nowhere"
    if band.core_low_newton is not None:
        high = format_newton(band.core_high_newton, missing="up")
        core = f"{format_newton(band.core_low_newton)} to {high}"
    return [
        band.score,
        format_newton(band.low_newton, missing="-"),
        format_newton(band.target_newton, missing="-"),
        format_newton(band.high_newton, missing="up" if band.reachable else "-"),
        core,
        f"{band.best_probability:.0%}",
    ]


def _anchor_row(anchor: Anchor) -> list[str]:
    side = f"boundary {anchor.boundary}, side of {anchor.score}"
    return [
        anchor.candidate.label,
        f"score {anchor.score}" if anchor.boundary is None else side,
        format_newton(anchor.candidate.force_newton),
        f"{anchor.probability:.0%}",
    ]


def show(chosen: AnchorSet) -> None:
    """Print bands and anchors."""
    answers.print_table(
        [
            "score",
            f"from {unit()}",
            f"target {unit()}",
            f"to {unit()}",
            "80 % sure",
            "sure at target",
        ],
        map(_band_row, chosen.bands),
        title="Bands",
    )
    if any(band.core_low_newton is None for band in chosen.bands):
        echo("80 % sure: where 8 hands in 10 give this score; nowhere: its band is too narrow.\n")
    answers.print_table(
        ["anchor", "stands for", f"force {unit()}", "sure of its score"],
        map(_anchor_row, chosen.anchors),
        title="Anchors",
        left=(0, 1),
    )
