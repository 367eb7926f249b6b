"""`calibrate squeeze`: squeezes of anchors recorded, tired anchors retired."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import replace as changed
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import calibrate
import gauge
from calibrate.commands import anchors, answers, options, pads
from calibrate.commands.answers import format_newton, unit, with_unit
from gauge.clikit import argument, option
from gauge.errors import (
    AlreadyThereError,
    InfeasiblePlanError,
    InvalidValueError,
    NoSuchRecordError,
)
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.anchors.candidates import Candidate
    from gauge.season.file import SeasonFile
    from gauge.season.rows import AnchorRow

# A force above so many times that of the anchor is another berry's, or lost its decimal point:
# common practice, no source.
_MOST_RISE = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(pads.ShownForces):
    season: Path = argument()
    label: str | None = argument(required=False)
    calibration_name: str | None = options.name_option(
        "Whose anchors; needed where several calibrations have some."
    )
    by: str | None = option("Who squeezed it.")
    new_rater: bool = option("Who squeezed it is new to the season.")
    undo: bool = option("Take back the last squeeze of LABEL; needs --why.")
    replace: bool = option("Retire LABEL, and keep the best berry instead.")
    why: str | None = option("Why it is replaced, or its squeeze taken back.")
    pad: bool = option("Now 'calibrate pads'.", hidden=True)
    as_of: date = options.as_of_option()


@answers.command("squeeze", _Asked, unit="of season")
def command(asked: _Asked) -> None:
    """Record a squeeze of an anchor; retire a worn one.

    Is this anchor still good? Each squeeze of LABEL is counted, and a gentle press on the gauge
    gives its --force, which is the anchor's from then on. An anchor retires when it was squeezed
    too often, its press is too long ago, or it fell by more than 10 %, or its berry was voided; the
    berry to take instead is suggested, and --replace puts it in the place of LABEL. --undo takes
    back a squeeze that was typed wrong, and the retirement that it brought. Without LABEL: list all
    anchors.

    \b
    calibrate squeeze 2026.season C03-7 --by ines
    calibrate squeeze 2026.season C03-7 --force 2.61 --unit N
    calibrate squeeze 2026.season C03-7 --replace
    calibrate squeeze 2026.season C03-7 --undo --why "2.61 was that of C03-8"
    """  # noqa: D301
    if asked.pad:
        answers.say("calibrate press SEASON PAD --pad is now called calibrate pads SEASON PAD.")
        same = answers.document(asked, "season", "forces", "unit", "as_of")
        click.get_current_context().invoke(pads.command, pad=asked.label, **same)
        return
    from gauge.season.rows import as_known

    with gauge.open_season(asked.season, read_only=asked.label is None) as file:
        anchors = file.anchors(asked.calibration_name)
        if asked.label is None:
            _list(anchors, asked.as_of)
            return
        label = as_known(asked.label, [row.label for row in anchors])
        if asked.undo:
            if asked.why is None or asked.by is not None or asked.forces or asked.replace:
                raise click.UsageError("--undo goes with --why TEXT, and with nothing else.")
            _undo(file, label, asked.calibration_name, asked.why)
        elif asked.replace:
            _replace(file, asked, label)
        else:
            _press(file, asked, label, asked.newtons(file) or [None])


def _press(
    file: SeasonFile, asked: _Asked, label: str, forces_newton: Sequence[float | None]
) -> None:
    from calibrate.anchors.retirement import retirement_reason

    by, as_of = asked.by, asked.as_of
    by = by and file.rater_named(by, new=[by] if asked.new_rater else ())
    before = _find(file, label, asked.calibration_name)
    for newton in forces_newton:
        _refuse_risen(before, newton)
    for newton in forces_newton:
        file.add_anchor_press(
            before.anchor_id, force_newton=newton, by=by, at=options.moment(as_of)
        )
    now = _find(file, label, before.calibration)
    why = retirement_reason(now, as_of)
    found = None
    if why is not None:
        file.retire_anchor(now.anchor_id, why)
        found = _replacement(file, now, as_of)
    instead = None if found is None else _named(found)
    if answers.emitted(_document(now) | {"retired": why, "replacement": instead}):
        return
    if why is None:
        at = with_unit(now.latest_newton)
        echo(f"{label}: squeeze {len(now.presses)} of {now.press_limit}, {at}, still good.")
    else:
        echo(f"{label} retires: {why}. Throw it away.")
        echo(
            f"Take {instead} instead: calibrate squeeze {file.path} {label} --replace."
            if instead
            else "No measured berry can replace it."
        )


def _refuse_risen(anchor: AnchorRow, newton: float | None) -> None:
    """Refuse a force that no squeezed anchor can have; each squeeze of a lot is another berry's."""
    most_newton = _MOST_RISE * anchor.force_newton
    if newton is not None and anchor.kind != "lot" and newton > most_newton:
        raise InvalidValueError(
            f"{with_unit(newton)} is a force that {anchor.label} cannot have: it was chosen at "
            f"{with_unit(anchor.force_newton)}, and squeezes only soften it.",
            todo="Look at the decimal point, the --unit and the label.",
        )


def _undo(file: SeasonFile, label: str, calibration_name: str | None, why: str) -> None:
    """Take back an anchor's last squeeze, and its retirement where nothing else calls for it."""
    from calibrate.anchors.retirement import retirement_reason

    row = _find(file, label, calibration_name, retired=True)
    if not row.presses:
        raise NoSuchRecordError(
            f"{file.path} holds no squeeze of {label}.", todo="There is nothing to take back."
        )
    day = date.fromisoformat(row.presses[-1].at[:10])
    tired = retirement_reason(row, day) is not None
    fresh = retirement_reason(changed(row, presses=row.presses[:-1]), day) is None
    restore = row.retired_at is not None and tired and fresh
    file.take_back_anchor_press(row, why, restore=restore)
    row = _find(file, label, row.calibration, retired=True)
    if answers.emitted(_document(row) | {"retired": row.retired_why}):
        return
    state = f"it stays retired: {row.retired_why}" if row.retired_at else "an anchor as before"
    echo(
        f"{label}: its last squeeze is taken back, so that it had {len(row.presses)} of "
        f"{row.press_limit}; {with_unit(row.latest_newton)}, {state}."
    )


def _replace(file: SeasonFile, asked: _Asked, label: str) -> None:
    """Retire an anchor, unless it is retired, and keep another berry in its place."""
    why = asked.why or "replaced"
    old = _find(file, label, asked.calibration_name, retired=True)
    found = _replacement(file, old, asked.as_of)
    if found is None:
        raise InfeasiblePlanError(
            f"No measured berry can take the place of {label}; it stays as it was.",
            todo="Log berries near its force, or keep a new set: calibrate anchors SEASON --keep.",
        )
    if old.retired_at is None:
        file.retire_anchor(old.anchor_id, why)
    names = ("calibration", "score", "boundary", "press_limit", "valid_days")
    anchors.add(file, found, asked.as_of, **answers.document(old, *names))
    ending = {"retired": old.retired_why or why, "replacement": _named(found)}
    if not answers.emitted(_document(old) | ending):
        echo(f"{_named(found)} is an anchor now, in the place of {label}.")


def _named(found: Candidate) -> str:
    return f"{found.label} ({with_unit(found.force_newton)})"


def _document(row: AnchorRow) -> dict[str, Any]:
    return {"anchor": row.label, "presses": len(row.presses), "press_limit": row.press_limit}


def _find(
    file: SeasonFile, label: str, calibration_name: str | None, *, retired: bool = False
) -> AnchorRow:
    """Find an anchor by its label; a retired one only if asked for."""
    rows = [row for row in file.anchors(calibration_name) if row.label == label]
    if not rows:
        raise NoSuchRecordError(
            f"{file.path} holds no anchor {label}.",
            todo="'calibrate anchors ... --keep' keeps a set; 'calibrate squeeze SEASON' lists it.",
        )
    own = [row for row in rows if row.calibration == file.setting("calibration")]
    rows = own or rows
    if len(rows) > 1:
        raise NoSuchRecordError(
            f"{file.path}: {label} is an anchor of {', '.join(row.calibration for row in rows)}.",
            todo="Name one by --calibration.",
        )
    if rows[0].retired_at is not None and not retired:
        raise AlreadyThereError(
            f"{label} is retired: {rows[0].retired_why}.", todo="Use another anchor."
        )
    return rows[0]


def _replacement(file: SeasonFile, retired: AnchorRow, as_of: date) -> Candidate | None:
    from calibrate.anchors.candidates import season_candidates, young_enough
    from calibrate.anchors.retirement import replacement

    stored = file.calibration(retired.calibration)
    calibration = calibrate.Calibration.from_document(stored.document)
    used = {row.label for row in file.anchors(retired.calibration)}
    young, _ = young_enough(season_candidates(file, without=used), as_of, retired.valid_days)
    return replacement(calibration, retired, young)


def _list(rows: list[AnchorRow], as_of: date) -> None:
    from calibrate.anchors.retirement import retirement_reason

    # A fall is written in the unit of today.
    retired = [
        row.retired_why
        if row.retired_why and not row.retired_why.startswith("it fell")
        else retirement_reason(row, as_of) or row.retired_why
        for row in rows
    ]
    documents = [
        {
            **_document(row),
            **answers.document(row, "calibration", "kind", "score", "boundary"),
            "force_N": row.latest_newton,
            "since": row.since and row.since.isoformat(),
            "retired": why,
        }
        for row, why in zip(rows, retired, strict=True)
    ]
    if answers.emitted(documents):
        return
    answers.print_table(
        ["anchor", "stands for", f"force {unit()}", "squeezes", "state"],
        [
            [
                row.label,
                row.boundary or f"score {row.score}",
                format_newton(row.latest_newton),
                f"{len(row.presses)} of {row.press_limit}",
                why or "good",
            ]
            for row, why in zip(rows, retired, strict=True)
        ],
        left=(0, 1, 4),
    )
