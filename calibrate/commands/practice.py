"""`calibrate practice`: a rater's warm-up on anchors, in the terminal."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibrate.commands.answers import as_label, emit_json, print_table, say
from calibrate.commands.options import POSITIVE, json_option, season_argument

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calibrate.cuts.bands import Band
    from calibrate.cuts.calibration import Calibration
    from calibrate.raters.warmup import BoundaryState


@click.command("practice")
@season_argument
@click.option("--rater", required=True, help="Who warms up.")
@click.option(
    "--calibration",
    "calibration_name",
    metavar="NAME",
    required=True,
    help="The stored calibration whose anchors are squeezed.",
)
@click.option(
    "--limit",
    type=POSITIVE,
    default=0.3,
    help="The lab's limit of a hand's shift at every boundary, N.",
)
@click.option("--most", type=click.IntRange(1), default=60, help="Squeezes at most.")
@click.option("--seed", type=int, help="Makes the order repeatable.")
@json_option
def command(
    season: Path,
    rater: str,
    calibration_name: str,
    limit: float,
    most: int,
    seed: int | None,
    as_json: bool,
) -> None:
    """Warm up a rater on anchors.

    Is my hand still the panel's hand? Squeeze the anchor that is named without looking at its
    force, type the score, and see how far off you were. The next anchor is the one that says most
    about your least certain boundary. It stops when the hand is within the limit, or says that it
    is not improving. Type q to stop. Kept as practice, never mixed with data.

    \b
    calibrate practice 2026.season --rater ines --calibration july
    """  # noqa: D301
    import numpy as np

    from calibrate.anchors.retirement import retirement_reason
    from calibrate.commands.press import record_of
    from calibrate.cuts.bands import bands
    from calibrate.cuts.calibration import Calibration
    from calibrate.raters.warmup import (
        Advice,
        Squeeze,
        advise,
        boundary_states,
        next_anchor,
        signed_miss_newton,
    )
    from gauge.errors import InfeasiblePlanError
    from gauge.season.file import open_season
    from gauge.season.rows import PracticeRow

    with open_season(season) as file:
        calibration = Calibration.from_document(file.calibration(calibration_name).document)
        now = datetime.now(UTC)
        good = {
            row.label: row
            for row in file.anchors(calibration_name)
            if row.retired_at is None and retirement_reason(record_of(row), now) is None
        }
        if not good:
            raise InfeasiblePlanError(
                f"{season} holds no good anchor of '{calibration_name}'.",
                todo="Make a set: calibrate anchors SEASON --calibration NAME --keep.",
            )
        known = {score.rater for berry in file.berries() for score in berry.scores}
        if known and rater not in known:
            say(f"{rater} has scored no berry of this season (known: {', '.join(sorted(known))}).")
        found = bands(calibration)
        rng = np.random.default_rng(seed)
        squeezes: list[Squeeze] = []
        advice = Advice.GO_ON
        while advice is Advice.GO_ON and len(squeezes) < most and good:
            forces = {label: row.force_newton for label, row in good.items()}
            label = next_anchor(calibration, squeezes, forces, rng=rng)
            rank = _ask(label, calibration)
            if rank is None:
                break
            row = good[label]
            off = signed_miss_newton(calibration, row.force_newton, rank)
            squeezes.append(Squeeze(anchor=label, force_newton=row.force_newton, rank=rank))
            at = datetime.now(UTC).isoformat(timespec="seconds")
            file.add_anchor_press(row.anchor_id, by=rater)
            file.add_practice(
                PracticeRow(
                    rater=rater,
                    at=at,
                    calibration=calibration_name,
                    anchor=label,
                    force_newton=row.force_newton,
                    score=calibration.scale.labels[rank],
                    off_newton=off,
                )
            )
            say(_told(calibration, found, row.force_newton, rank))
            pressed = next(r for r in file.anchors(calibration_name) if r.label == label)
            why = retirement_reason(record_of(pressed), datetime.now(UTC))
            if why is not None:
                file.retire_anchor(pressed.anchor_id, why)
                say(f"{label} retires: {why}.")
                del good[label]
            advice = advise(calibration, squeezes, limit_newton=limit)
    states = [s for s in boundary_states(calibration, squeezes) if s is not None]
    _finish(calibration, rater, len(squeezes), advice.value, states, limit, as_json)


def _ask(label: str, calibration: Calibration) -> int | None:
    """Ask for a score until one is given; None to stop."""
    from gauge.errors import InvalidValueError

    labels = calibration.scale.labels
    while True:
        try:
            answer = click.prompt(f"squeeze {label}, score {'/'.join(labels)}", err=True)
        except click.Abort:
            return None
        answer = answer.strip()
        if answer.lower() == "q":
            return None
        try:
            return calibration.scale.rank(answer)
        except InvalidValueError as error:
            say(str(error))


def _told(calibration: Calibration, found: Sequence[Band], force_newton: float, rank: int) -> str:
    """What the rater sees after a score: force, the panel's score and band, how far off."""
    from calibrate.raters.warmup import signed_miss_newton

    given = calibration.scale.labels[rank]
    panel = found[int(calibration.probabilities([force_newton])[0].argmax())]
    up = "up" if panel.high_newton is None else f"to {panel.high_newton:.2f} N"
    band = f"{panel.score} is {panel.low_newton or 0.0:.2f} N {up}"
    off_newton = signed_miss_newton(calibration, force_newton, rank)
    if off_newton == 0:
        return f"  {force_newton:.2f} N: {given}, as the panel ({band})."
    way = "firmer" if off_newton > 0 else "softer"
    return (
        f"  {force_newton:.2f} N: the panel calls it {panel.score} ({band}); it is "
        f"{abs(off_newton):.2f} N {way} than your {given}."
    )


def _finish(
    calibration: Calibration,
    rater: str,
    n: int,
    advice: str,
    states: Sequence[BoundaryState],
    limit_newton: float,
    as_json: bool,
) -> None:

    if as_json:
        emit_json(
            {
                "rater": rater,
                "squeezes": n,
                "advice": advice,
                "limit_N": limit_newton,
                "boundaries": [
                    {
                        "between": [as_label(label) for label in state.between],
                        "shift_N": state.shift_newton,
                        "sd_N": state.sd_newton,
                    }
                    for state in states
                ],
            }
        )
        return
    print_table(
        ["boundary", "panel's cut N", "your shift N", "known to N"],
        [
            [
                "/".join(state.between),
                f"{state.cut_newton:.2f}",
                f"{round(state.shift_newton, 2) + 0.0:+.2f}",
                f"{1.645 * state.sd_newton:.2f}",
            ]
            for state in states
        ],
    )
    ending = {
        "ready": f"Ready: every boundary within {limit_newton:g} N.",
        "go on": f"Not settled yet after {n} squeeze{'' if n == 1 else 's'}.",
        "not improving": "Not improving: rest, then squeeze anchors with their forces in sight.",
    }
    click.echo(ending[advice])
