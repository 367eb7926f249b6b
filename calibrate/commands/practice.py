"""`calibrate practice`: a rater's warm-up on anchors, in the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

import calibrate
import gauge
from calibrate.commands import answers, options
from gauge.clikit import argument, option
from gauge.errors import InfeasiblePlanError, InvalidValueError
from gauge.plaintext import plural
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.raters.warmup import Advice, Squeeze
    from gauge.season.file import SeasonFile
    from gauge.season.rows import AnchorRow


_UNDO = -1  # in place of a rank


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    season: Path = argument()
    rater: str = option("Who warms up.", required=True)
    new_rater: bool = option("Who warms up is new to the season.")
    calibration_name: str | None = options.name_option(
        "The stored calibration whose anchors are squeezed; the season's own if none."
    )
    limit: float = option(
        "The lab's limit of a hand's shift at every boundary, N.", above=0, default=0.3
    )
    most: int = option("Squeezes at most.", low=1, default=60)
    seed: int | None = option("Makes the order repeatable.")
    undo: bool = option("Take back the score that the rater gave last in practice.")
    as_of: date = options.as_of_option()


@answers.command("practice", _Asked)
def command(asked: _Asked) -> None:
    """Warm up a rater on anchors.

    Is my hand still the panel's hand? Squeeze the anchor that is named without looking at its
    force, type the score, and see how far off you were. The next anchor is the one that says most
    about your least certain boundary. It stops when the hand is within the limit, or says that it
    is not improving. Where an anchor is a fresh berry of a lot, press it after your squeeze. Type u
    to take the last score back, q to stop. Kept as practice, never mixed with data.

    \b
    calibrate practice 2026.season --rater ines
    """  # noqa: D301
    import numpy as np

    from calibrate.anchors.retirement import good_anchors
    from calibrate.raters.warmup import Advice, Squeeze, advise, next_anchor

    if asked.undo:
        with gauge.open_season(asked.season) as file:
            rater = file.rater_named(asked.rater)
            answers.emitted({"rater": rater, "undone": _take_back(file, rater)})
        return
    name = asked.calibration_name or options.adopted_in([asked.season])
    if name is None:
        raise click.UsageError("Name a --calibration, or adopt one: calibrate adopt SEASON NAME.")
    with gauge.open_season(asked.season) as file:
        rater = file.rater_named(asked.rater, new=[asked.rater] if asked.new_rater else ())
        calibration = calibrate.Calibration.from_document(file.calibration(name).document)
        good = {row.label: row for row in good_anchors(file.anchors(name), asked.as_of)}
        if not good:
            raise InfeasiblePlanError(
                f"{file.path} holds no good anchor of '{name}'.",
                todo="Make a set: calibrate anchors SEASON --calibration NAME --keep.",
            )
        rng = np.random.default_rng(asked.seed)
        raters = ", ".join(calibration.raters) or "one hand"
        answers.say(f"Panel here: {raters}, of calibration '{name}'.")
        squeezes: list[Squeeze] = []
        advice = Advice.GO_ON
        while advice is Advice.GO_ON and len(squeezes) < asked.most and good:
            forces = {label: row.latest_newton for label, row in good.items()}
            label = next_anchor(calibration, squeezes, forces, rng=rng)
            rank = _ask(label, calibration)
            if rank is None:
                break
            if rank == _UNDO:
                if squeezes:
                    squeezes.pop()
                    _take_back(file, rater)
                else:
                    answers.say("This warm-up has no score; --undo takes an earlier one back.")
                continue
            newton = _pressed(label) if good[label].kind == "lot" else forces[label]
            squeeze = Squeeze(anchor=label, force_newton=newton or forces[label], rank=rank)
            squeezes.append(squeeze)
            retired = _keep(file, good[label], squeeze, calibration, rater, asked.as_of)
            answers.say(_compared(calibration, squeeze))
            if retired:
                answers.say(f"{label} retires: {retired}.")
                del good[label]
            advice = advise(calibration, squeezes, limit_newton=asked.limit)
    _finish(calibration, rater, squeezes, advice, asked.limit)


def _take_back(file: SeasonFile, rater: str) -> dict[str, object]:
    """Take back the score that a rater gave last; the anchor keeps the squeeze."""
    gone = file.take_back_practice(rater, "taken back in practice")
    answers.say(f"The score {gone.score} of {gone.anchor} is taken back.")
    return {"anchor": gone.anchor, "score": gone.score}


def _ask(label: str, calibration: calibrate.Calibration) -> int | None:
    """Ask for a score until one is given; None to stop, `_UNDO` to take the last one back."""
    labels = calibration.scale.labels
    while True:
        try:
            question = f"squeeze {label}, score {'/'.join(labels)} (u undoes, q stops)"
            answer = click.prompt(question, default="", show_default=False, err=True)
        except click.Abort:
            return None
        answer = answer.strip()
        if answer.lower() in {"q", "u"}:
            return _UNDO if answer.lower() == "u" else None
        if not answer:
            answers.say("Nothing was typed: type a score, u to take one back, or q to stop.")
            continue
        try:
            return calibration.scale.rank(answer)
        except InvalidValueError as error:
            answers.say(str(error))


def _pressed(label: str) -> float | None:
    """Ask what the gauge shows of a fresh berry after its squeeze; None if it was not pressed."""
    question = f"press that berry of {label}; the gauge shows, N (Enter: not pressed)"
    typed = click.prompt(question, default=0.0, show_default=False, err=True, type=click.FLOAT)
    return typed if typed > 0 else None


def _keep(
    file: SeasonFile,
    anchor: AnchorRow,
    squeeze: Squeeze,
    calibration: calibrate.Calibration,
    rater: str,
    as_of: date,
) -> str | None:
    """Store a squeeze; retire the anchor where it was one too many, and return why."""
    from calibrate.anchors.retirement import retirement_reason
    from calibrate.raters.warmup import signed_miss_newton
    from gauge.season.rows import PracticeRow

    file.add_anchor_press(anchor.anchor_id, by=rater, at=options.moment(as_of))
    file.add_practice(
        PracticeRow(
            rater=rater,
            at=options.moment(as_of),
            calibration=anchor.calibration,
            anchor=anchor.label,
            force_newton=squeeze.force_newton,
            score=calibration.scale.labels[squeeze.rank],
            off_newton=signed_miss_newton(calibration, squeeze.force_newton, squeeze.rank),
        )
    )
    pressed = next(row for row in file.anchors(anchor.calibration) if row.label == anchor.label)
    why = retirement_reason(pressed, as_of)
    if why is not None:
        file.retire_anchor(anchor.anchor_id, why)
    return why


def _compared(calibration: calibrate.Calibration, squeeze: Squeeze) -> str:
    """What the rater sees after a score: force, the panel's score and band, how far off."""
    from calibrate.cuts.bands import bands

    force_newton = squeeze.force_newton
    rank = int(calibration.probabilities([force_newton])[0].argmax())
    panel, given = (bands(calibration)[i] for i in (rank, squeeze.rank))
    up = "up" if panel.high_newton is None else f"to {answers.with_unit(panel.high_newton)}"
    band = f"{panel.score} is {answers.with_unit(panel.low_newton or 0.0)} {up}"
    if panel == given:
        return f"  {answers.with_unit(force_newton)}: {given.score}, as the panel ({band})."
    said = f"  {answers.with_unit(force_newton)}: the panel calls it {panel.score} ({band}); it "
    end, edge = ("firm", given.high_newton) if squeeze.rank > rank else ("soft", given.low_newton)
    if edge is None:
        return f"{said}calls no force {given.score}."
    return (
        f"{said}is {answers.with_unit(abs(force_newton - edge))} {end}er than the {end}est that "
        f"the panel calls {given.score}."
    )


def _finish(
    calibration: calibrate.Calibration,
    rater: str,
    squeezes: list[Squeeze],
    advice: Advice,
    limit_newton: float,
) -> None:
    """Print what the warm-up showed."""
    from calibrate.raters.warmup import boundary_states

    n = len(squeezes)
    states = boundary_states(calibration, squeezes)
    boundaries = [
        answers.document(state, "shift_newton", "sd_newton")
        | {"between": answers.between(state.between)}
        for state in states
    ]
    head = {"rater": rater, "squeezes": n, "advice": advice.value, "limit_N": limit_newton}
    if answers.emitted({**head, "boundaries": boundaries}):
        return
    unit = answers.unit()
    answers.print_table(
        ["boundary", f"panel's cut {unit}", f"your shift {unit}", f"± {unit}"],
        [
            [
                "/".join(state.between),
                answers.format_newton(state.cut_newton),
                answers.format_newton(round(state.shift_newton, 2) + 0.0, sign="+"),
                answers.format_newton(1.645 * state.sd_newton),
            ]
            for state in states
        ],
    )
    ending = {
        "ready": f"Ready: every boundary within {answers.with_unit(limit_newton, short=True)}.",
        "go on": f"Not settled yet after {plural(n, 'squeeze')}.",
        "not improving": "Not improving: rest, then squeeze anchors with their forces in sight.",
    }
    echo(ending[advice.value])
