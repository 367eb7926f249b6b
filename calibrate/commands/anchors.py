"""`calibrate anchors`: force bands, the best anchor set, and the card for the wall."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import calibrate
import gauge
from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit
from gauge.clikit import argument, option
from gauge.errors import InfeasiblePlanError
from gauge.printed import echo

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


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.CalibrationOptions):
    source: Path = argument()
    per_score: int = option("Anchors a score.", low=1, high=99, default=2)
    straddle: bool = option(
        "Choose a pair around each boundary too.", "--pairs/--no-pairs", default=True
    )
    candidates: Path | None = option(
        "CSV to choose from instead: label, force_N, and perhaps kind (berry, lot or pad), sd_N, "
        "pressed_on."
    )
    fresh: bool = option(
        "Let unpressed berries of lots that were pressed lately stand for scores (a tray)."
    )
    cards: tuple[Path, ...] = options.plot_option(
        "Write the wall card: pdf, png or svg; may be repeated.", "--card"
    )
    valid_days: float = option(
        "Days after its press for which fruit may serve.", above=0, default=3.0
    )
    press_limit: int = option("Squeezes after which a berry must retire.", low=1, default=5)
    as_of: date = options.as_of_option("--made-on")
    keep: bool = option(
        "Keep the set in the season file, so that presses and retirements can be recorded."
    )


@answers.command("anchors", _Asked)
def command(asked: _Asked) -> None:
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

    name = asked.calibration_name
    if name is None and not options.asks_for_fit():
        name = options.adopted_in([asked.source])
    if asked.keep and name is None:
        raise click.UsageError(
            "--keep needs a stored calibration, for an anchor set belongs to one: adopt one "
            "('calibrate adopt SEASON NAME'), or give --calibration NAME."
        )
    pairs = asked.pairs(asked.source)
    calibration = asked.calibration(asked.source, name, pairs)
    pool = read_candidates(asked.candidates) if asked.candidates else _candidates(asked, pairs)
    # Somebody's own list is taken at its word; a season knows its berries, or nobody does.
    may = not asked.keep or asked.candidates is not None
    young, ages = young_enough(pool, asked.as_of, asked.valid_days, unknown_may=may)
    too_old = len(young) < len(pool)
    try:
        chosen = calibrate.choose_anchors(
            calibration, young, per_score=asked.per_score, straddle=asked.straddle
        )
    except InfeasiblePlanError as error:
        if not too_old:
            raise
        if asked.keep or asked.cards:
            raise InfeasiblePlanError(f"{error.what} {ages[0]}", todo=_INSTEAD) from None
        chosen = AnchorSet(bands=bands(calibration), anchors=(), cost=0.0, warnings=(error.what,))
    if too_old and chosen.warnings:
        ages.append(_INSTEAD)
    chosen = replace(chosen, warnings=(*ages, *chosen.warnings))
    if asked.keep and name is not None:
        _keep(asked, name, chosen)
    for card in asked.cards:
        from calibrate.plots.card import draw_card

        figure = draw_card(calibration, chosen, _notes(asked, chosen))
        answers.draw(card, figure, named="card")
    answers.warn((*calibration.warnings, *chosen.warnings, *flagged_note(pairs.n_flagged)))
    day = {"as_of": asked.as_of.isoformat(), "flagged": pairs.n_flagged}
    if not answers.emitted(document(chosen, asked.as_of) | day):
        show(chosen, asked.as_of)


def _notes(asked: _Asked, chosen: AnchorSet) -> CardNotes:
    from calibrate.data.conditions import conditions_of
    from calibrate.data.pairs import looks_like_season
    from calibrate.plots.card import CardNotes
    from calibrate.report.facts import of_samples

    fruit = [one.candidate for one in chosen.anchors if one.candidate.kind != "pad"]
    ages = [one.since for one in fruit if one.since is not None]
    until = min(ages, default=asked.as_of) + timedelta(days=asked.valid_days)
    known: dict[str, Any] = {}
    if looks_like_season(asked.source):
        with gauge.open_season(asked.source, read_only=True) as season:
            crop = season.crop or of_samples(season, "crop")
            known = {"crop": crop, "lab": season.setting("lab"), "digest": season.digest}
    return CardNotes(
        season=asked.source.stem.replace("_", " "),
        pressed=conditions_of(asked.source).protocol.phrases(),
        anchors=chosen.kinds(),
        made_on=asked.as_of,
        valid_until=until if len(ages) == len(fruit) else None,
        press_limit=asked.press_limit,
        **known,
    )


def _candidates(asked: _Asked, pairs: calibrate.Pairs) -> list[Candidate]:
    """Find the source's candidates that did not have to retire."""
    from calibrate.anchors.candidates import scored_candidates, season_candidates
    from calibrate.anchors.retirement import good_anchors
    from calibrate.data.pairs import looks_like_season

    if not looks_like_season(asked.source):
        return scored_candidates(pairs)
    with gauge.open_season(asked.source, read_only=True) as season:
        # Of whatever calibration: a berry that was squeezed to its end is no anchor of any.
        anchors = season.anchors()
        good = {row.label for row in good_anchors(anchors, asked.as_of)}
        tired = {row.label for row in anchors} - good
        return season_candidates(season, without=tired, lots=asked.fresh)


def _keep(asked: _Asked, name: str, chosen: AnchorSet) -> None:
    """Keep a set in place of the last one: anchors in both stay, the others retire."""
    with gauge.open_season(asked.source) as season:
        in_use = {row.label: row for row in season.anchors(name) if row.retired_at is None}
        for label in in_use.keys() - {anchor.candidate.label for anchor in chosen.anchors}:
            season.retire_anchor(in_use[label].anchor_id, "a new set took its place")
        for anchor in chosen.anchors:
            if anchor.candidate.label in in_use:
                continue
            stands = answers.document(anchor, "score", "boundary")
            limits = answers.document(asked, "press_limit", "valid_days")
            add(season, anchor.candidate, asked.as_of, calibration=name, **stands, **limits)


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
