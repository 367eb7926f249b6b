"""`calibrate anchors`: force bands, the best anchor set, and the card for the wall."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import calibrate
import gauge
from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit
from gauge.clikit import echo
from gauge.errors import InfeasiblePlanError

if TYPE_CHECKING:
    from datetime import date

    from calibrate.anchors.candidates import Candidate
    from calibrate.anchors.choice import AnchorSet
    from calibrate.cuts.bands import Band
    from calibrate.plots.card import CardNotes
    from gauge.season.file import SeasonFile

_INSTEAD = (
    "Press a few berries of today's lots and take fresh ones ('calibrate tray', --fresh), record "
    "durable pads ('calibrate pads SEASON PAD'), or say of which day this is by --as-of."
)


@options.command("anchors")
@options.source_argument
@options.number_option("--per-score", "Anchors a score.", whole=True, low=1, high=99, default=2)
@click.option(
    "--pairs/--no-pairs", "straddle", default=True, help="Choose a pair around each boundary too."
)
@click.option(
    "--candidates",
    type=options.FILE,
    help="CSV to choose from instead: label, force_N, and perhaps kind (berry, lot or pad), sd_N, "
    "pressed_on.",
)
@click.option(
    "--fresh",
    is_flag=True,
    help="Let unpressed berries of lots that were pressed lately stand for scores (a tray).",
)
@options.calibration_options()
@options.plot_option(
    "Write the wall card: pdf, png or svg; may be repeated.", "--card", "cards", multiple=True
)
@options.number_option(
    "--valid-days", "Days after its press for which fruit may serve.", above=0, default=3.0
)
@options.number_option(
    "--press-limit", "Squeezes after which a berry must retire.", whole=True, low=1, default=5
)
@options.as_of_option("--made-on")
@click.option(
    "--keep",
    is_flag=True,
    help="Keep the set in the season file, so that presses and retirements can be recorded.",
)
def command(
    source: Path,
    per_score: int,
    straddle: bool,
    candidates: Path | None,
    fresh: bool,
    how: options.FitOptions,
    calibration_name: str | None,
    cards: tuple[Path, ...],
    valid_days: float,
    press_limit: int,
    as_of: date,
    keep: bool,
) -> None:
    """Build the season's anchor set and its card.

    What stands for each score and for each boundary? Bands come from the calibration, and the best
    set is chosen exactly: durable pads and, with --fresh, unpressed berries of known lots first;
    then berries that were pressed, as long as they are young enough and neither void nor flagged
    nor retired. Age counts from the press, of which harvest and storage day may tell. SOURCE is a
    season file or a CSV of pairs with a column berry. A set that is kept takes the place of the
    calibration's last one.

    \b
    calibrate anchors 2026.season --card card.pdf --card card.png
    calibrate anchors 2026.season --calibration july --keep --per-score 3 --fresh
    """  # noqa: D301
    from calibrate.anchors.candidates import read_candidates, young_enough
    from calibrate.anchors.choice import AnchorSet
    from calibrate.cuts.bands import bands
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
    if candidates is None:
        pool = _candidates(source, pairs, as_of, lots=fresh)
    else:
        pool = read_candidates(candidates)
    # Somebody's own list is taken at its word; a season knows its berries, or nobody does.
    may = not keep or candidates is not None
    young, ages = young_enough(pool, as_of, valid_days, unknown_may=may)
    too_old = len(young) < len(pool)
    try:
        chosen = calibrate.choose_anchors(
            calibration, young, per_score=per_score, straddle=straddle
        )
    except InfeasiblePlanError as error:
        if not too_old:
            raise
        if keep or cards:
            raise InfeasiblePlanError(f"{error.what} {ages[0]}", todo=_INSTEAD) from None
        chosen = AnchorSet(bands=bands(calibration), anchors=(), cost=0.0, warnings=(error.what,))
    if too_old and chosen.warnings:
        ages.append(_INSTEAD)
    chosen = replace(chosen, warnings=(*ages, *chosen.warnings))
    if keep and calibration_name is not None:
        limits = {"press_limit": press_limit, "valid_days": valid_days}
        _keep(source, calibration_name, chosen, as_of, **limits)
    for card in cards:
        from calibrate.plots.card import draw_card

        notes = _notes(source, chosen, as_of, valid_days, press_limit)
        answers.draw(card, draw_card(calibration, chosen, notes), named="card")
    answers.warn((*calibration.warnings, *chosen.warnings, *flagged_note(pairs.n_flagged)))
    day = {"as_of": as_of.isoformat(), "flagged": pairs.n_flagged}
    if not answers.emitted(document(chosen, as_of) | day):
        show(chosen, as_of)


def _notes(
    source: Path, chosen: AnchorSet, as_of: date, valid_days: float, press_limit: int
) -> CardNotes:
    from calibrate.data.conditions import conditions_of
    from calibrate.data.pairs import looks_like_season
    from calibrate.plots.card import CardNotes
    from calibrate.report.facts import of_samples

    fruit = [one.candidate for one in chosen.anchors if one.candidate.kind != "pad"]
    ages = [one.since for one in fruit if one.since is not None]
    unknown = len(ages) < len(fruit)
    known: dict[str, Any] = {}
    if looks_like_season(source):
        with gauge.open_season(source, read_only=True) as season:
            crop = season.crop or of_samples(season, "crop")
            known = {"crop": crop, "lab": season.setting("lab"), "digest": season.digest}
    return CardNotes(
        season=source.stem.replace("_", " "),
        pressed=conditions_of(source).protocol.phrases(),
        anchors=chosen.kinds(),
        made_on=as_of,
        valid_until=None if unknown else min(ages, default=as_of) + timedelta(days=valid_days),
        press_limit=press_limit,
        **known,
    )


def _candidates(
    source: Path, pairs: calibrate.Pairs, as_of: date, *, lots: bool
) -> list[Candidate]:
    """Find the source's candidates that did not have to retire."""
    from calibrate.anchors.candidates import scored_candidates, season_candidates
    from calibrate.anchors.retirement import good_anchors
    from calibrate.data.pairs import looks_like_season

    if not looks_like_season(source):
        return scored_candidates(pairs)
    with gauge.open_season(source, read_only=True) as season:
        # Of whatever calibration: a berry that was squeezed to its end is no anchor of any.
        anchors = season.anchors()
        good = {row.label for row in good_anchors(anchors, as_of)}
        tired = {row.label for row in anchors} - good
        return season_candidates(season, without=tired, lots=lots)


def _keep(source: Path, name: str, chosen: AnchorSet, as_of: date, **limits: Any) -> None:
    """Keep a set in place of the last one: anchors in both stay, the others retire."""
    with gauge.open_season(source) as season:
        in_use = {row.label: row for row in season.anchors(name) if row.retired_at is None}
        for label in in_use.keys() - {anchor.candidate.label for anchor in chosen.anchors}:
            season.retire_anchor(in_use[label].anchor_id, "a new set took its place")
        for anchor in chosen.anchors:
            if anchor.candidate.label in in_use:
                continue
            stands = answers.document(anchor, "score", "boundary")
            add(season, anchor.candidate, as_of, calibration=name, **stands, **limits)


def add(season: SeasonFile, one: Candidate, as_of: date, **more: Any) -> None:
    """Keep a candidate as an anchor; `more` as of `SeasonFile.add_anchor`."""
    made_at = (one.since or as_of).isoformat()
    names = ("kind", "label", "berry_id", "force_newton")
    season.add_anchor(**{name: getattr(one, name) for name in names}, made_at=made_at, **more)


def document(chosen: AnchorSet, as_of: date) -> dict[str, Any]:
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
                "since": anchor.candidate.since and anchor.candidate.since.isoformat(),
                "age_days": anchor.candidate.age_days(as_of),
                **answers.document(anchor, "probability", "boundary"),
                "score": answers.as_label(anchor.score),
            }
            for anchor in chosen.anchors
        ],
        "cost": chosen.cost,
        "warnings": list(chosen.warnings),
    }


def show(chosen: AnchorSet, as_of: date) -> None:
    """Print bands and anchors."""

    def core(band: Band) -> str:
        if band.core_low_newton is None:
            return "nowhere"
        high = format_newton(band.core_high_newton, missing="up")
        return f"{format_newton(band.core_low_newton)} to {high}"

    answers.print_rows(
        [
            {
                "score": one.score,
                f"from {unit()}": format_newton(one.low_newton, missing="-"),
                f"target {unit()}": format_newton(one.target_newton, missing="-"),
                f"to {unit()}": format_newton(
                    one.high_newton, missing="up" if one.reachable else "-"
                ),
                "80 % sure": core(one),
                "sure at target": f"{one.best_probability:.0%}",
            }
            for one in chosen.bands
        ],
        title="Bands",
    )
    echo(
        "A band is where a score is the likeliest of all, a cut point ('fit', sale limit)\n"
        "where firmer and softer are equally likely: the two differ a little.\n"
    )
    if any(band.core_low_newton is None for band in chosen.bands):
        echo("80 % sure: where 8 hands in 10 give this score; nowhere: its band is too narrow.\n")
    rows = []
    for anchor in chosen.anchors:
        age = anchor.candidate.age_days(as_of)
        side = f"boundary {anchor.boundary}, side of {anchor.score}"
        rows.append(
            [
                anchor.candidate.label,
                f"score {anchor.score}" if anchor.boundary is None else side,
                format_newton(anchor.candidate.force_newton),
                f"{anchor.probability:.0%}",
                anchor.candidate.kind,
                "not known" if age is None else f"{age} d",
            ]
        )
    answers.print_table(
        ["anchor", "stands for", f"force {unit()}", "sure of it", "kind", "age"],
        rows,
        title="Anchors",
        left=(0, 1, 4),
    )
    if chosen.anchors:
        echo(f"{chosen.kinds()}, as of {as_of}.")
