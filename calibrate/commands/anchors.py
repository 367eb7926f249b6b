"""`calibrate anchors`: force bands, the best anchor set, and the card for the wall."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import as_label, emit_json, format_newton, print_table, say, warn
from calibrate.commands.options import (
    FILE,
    POSITIVE,
    FitOptions,
    calibration_options,
    json_option,
    source_argument,
)

if TYPE_CHECKING:
    from calibrate.anchors.candidates import Candidate
    from calibrate.anchors.choice import AnchorSet
    from calibrate.data.pairs import Pairs


@click.command("anchors")
@source_argument
@click.option("--per-score", type=click.IntRange(1), default=2, help="Anchors a score.")
@click.option(
    "--pairs/--no-pairs", "straddle", default=True, help="Choose a pair around each boundary too."
)
@click.option(
    "--candidates",
    type=FILE,
    help="CSV with label, force_N and kind (berry, lot or pad) to choose from instead.",
)
@calibration_options()
@click.option(
    "--card",
    "cards",
    type=FILE,
    multiple=True,
    help="Write the wall card: pdf, png or svg; may be repeated.",
)
@click.option("--valid-days", type=POSITIVE, default=3.0, help="Days for which a berry may serve.")
@click.option(
    "--press-limit",
    type=click.IntRange(1),
    default=5,
    help="Squeezes after which a berry must retire.",
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
@json_option
def command(
    source: Path,
    per_score: int,
    straddle: bool,
    candidates: Path | None,
    how: FitOptions,
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
    void nor flagged nor retired. SOURCE is a season file or a CSV of pairs with a column berry.

    \b
    calibrate anchors 2026.season --card card.pdf --card card.png
    calibrate anchors 2026.season --calibration july --keep --per-score 3
    """  # noqa: D301
    from datetime import UTC, datetime, timedelta

    from calibrate.anchors.choice import choose_anchors

    for card in cards:
        from calibrate.plots.style import check_suffix

        check_suffix(card)
    if keep and calibration_name is None:
        raise click.UsageError(
            "--keep needs --calibration NAME: an anchor set belongs to a stored calibration "
            "('calibrate store SEASON NAME' makes one)."
        )
    pairs = how.pairs(source)
    calibration = how.calibration(source, calibration_name, pairs)
    pool = _from_csv(candidates) if candidates else _measured(source, pairs)
    chosen = choose_anchors(calibration, pool, per_score=per_score, straddle=straddle)
    day = (made_on or datetime.now(UTC)).date()
    if keep and calibration_name is not None:
        _keep(source, calibration_name, chosen, press_limit, valid_days)
    if cards:
        from calibrate.data.conditions import conditions_of
        from calibrate.plots.card import CardNotes, draw_card
        from calibrate.plots.style import save

        heads = conditions_of(source).heads_mm
        notes = CardNotes(
            season=source.stem.replace("_", " "),
            head_mm=next(iter(heads)) if len(heads) == 1 else None,
            made_on=day,
            valid_until=day + timedelta(days=valid_days),
            press_limit=press_limit,
        )
        for card in cards:
            save(draw_card(calibration, chosen, notes), card)
    warn((*calibration.warnings, *chosen.warnings))
    if as_json:
        emit_json(document(chosen))
        return
    show(chosen)
    for card in cards:
        say(f"card: {card}")


def _measured(source: Path, pairs: Pairs) -> list[Candidate]:
    """Candidates among the source's berries: measured, not void, flagged or retired."""
    from calibrate.anchors.candidates import measured_candidates, scored_candidates
    from calibrate.data.pairs import looks_like_season
    from gauge.season.file import open_season

    if looks_like_season(source):
        with open_season(source, read_only=True) as season:
            tired = {row.label for row in season.anchors() if row.retired_at is not None}
            return measured_candidates(season, without=tired)
    return scored_candidates(pairs)


def _from_csv(path: Path) -> list[Candidate]:
    from calibrate.anchors.candidates import Candidate
    from gauge.csvsheet import CsvSheet

    sheet = CsvSheet(path, "the columns label and force_N, one row a candidate")
    sheet.need("label", "force_N")
    forces = sheet.parsed("force_N", sheet.number)
    kinds = sheet.columns.get("kind", ("lot",) * len(forces))
    for index, (force, kind) in enumerate(zip(forces, kinds, strict=True)):
        if force <= 0:
            sheet.bad(index, "force_N", f"{force:g} N is no force")
        if kind not in {"berry", "lot", "pad"}:
            sheet.bad(index, "kind", f"'{kind}' is none of berry, lot, pad")
    return [
        Candidate(label=label, force_newton=force, kind=kind)
        for label, force, kind in zip(sheet.columns["label"], forces, kinds, strict=True)
    ]


def _keep(source: Path, name: str, chosen: AnchorSet, press_limit: int, valid_days: float) -> None:
    from gauge.errors import AlreadyThereError
    from gauge.season.file import open_season

    with open_season(source) as season:
        taken = {row.label for row in season.anchors(name)}
        for anchor in chosen.anchors:
            if anchor.candidate.label in taken:
                raise AlreadyThereError(
                    f"{source}: '{name}' has an anchor {anchor.candidate.label} already; nothing "
                    "was kept.",
                    todo="Store the calibration under a new name for a new set.",
                )
        for anchor in chosen.anchors:
            season.add_anchor(
                calibration=name,
                kind=anchor.candidate.kind,
                label=anchor.candidate.label,
                berry_id=anchor.candidate.berry_id,
                score=anchor.score,
                boundary=anchor.boundary,
                force_newton=anchor.candidate.force_newton,
                press_limit=press_limit,
                valid_days=valid_days,
            )


def document(chosen: AnchorSet) -> dict[str, Any]:
    """The set as it is printed by --json; the firmest band has no upper end."""
    return {
        "bands": [
            {
                "score": as_label(band.score),
                "low_N": band.low_newton,
                "target_N": band.target_newton,
                "high_N": band.high_newton,
                "core_low_N": band.core_low_newton,
                "core_high_N": band.core_high_newton,
                "best_probability": band.best_probability,
            }
            for band in chosen.bands
        ],
        "anchors": [
            {
                "berry": anchor.candidate.label,
                "score": as_label(anchor.score),
                "force_N": anchor.candidate.force_newton,
                "probability": anchor.probability,
                "boundary": anchor.boundary,
                "kind": anchor.candidate.kind,
            }
            for anchor in chosen.anchors
        ],
        "cost": chosen.cost,
        "warnings": list(chosen.warnings),
    }


def show(chosen: AnchorSet) -> None:
    """Print bands and anchors."""
    print_table(
        ["score", "from N", "target N", "to N", "80 % sure", "sure at target"],
        [
            [
                band.score,
                format_newton(band.low_newton, missing="-"),
                format_newton(band.target_newton, missing="-"),
                format_newton(band.high_newton, missing="up" if band.reachable else "-"),
                "nowhere"
                if band.core_low_newton is None
                else format_newton(band.core_low_newton)
                + f" to {format_newton(band.core_high_newton, missing='up')}",
                f"{band.best_probability:.0%}",
            ]
            for band in chosen.bands
        ],
        title="Bands",
    )
    print_table(
        ["anchor", "stands for", "force N", "sure of its score"],
        [
            [
                anchor.candidate.label,
                f"score {anchor.score}"
                if anchor.boundary is None
                else f"boundary {anchor.boundary}, side of {anchor.score}",
                format_newton(anchor.candidate.force_newton),
                f"{anchor.probability:.0%}",
            ]
            for anchor in chosen.anchors
        ],
        title="Anchors",
        left=(0, 1),
    )
