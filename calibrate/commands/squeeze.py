"""`calibrate squeeze`: squeezes of anchors and pads recorded, tired anchors retired."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit, with_unit
from gauge.clikit import echo

if TYPE_CHECKING:
    from calibrate.anchors.candidates import Candidate
    from gauge.season.file import SeasonFile
    from gauge.season.rows import AnchorRow


@click.command("squeeze")
@options.season_argument
@click.argument("label", required=False)
@options.name_option("Whose anchors; needed where several calibrations have some.")
@click.option("--force", help="What the gauge showed, if it was pressed on the gauge.")
@click.option("--unit", default="N", help="Unit of --force.")
@click.option("--by", help="Who squeezed it.")
@click.option("--replace", is_flag=True, help="Retire LABEL, and keep the best berry instead.")
@click.option("--why", default="replaced", help="Why it is replaced.")
@click.option(
    "--pad", is_flag=True, help="LABEL is a durable pad that links seasons; needs --force."
)
@options.json_option
@options.shown_in_lab_unit(option=False)
def command(
    season: Path,
    label: str | None,
    calibration_name: str | None,
    force: str | None,
    unit: str,
    by: str | None,
    replace: bool,
    why: str,
    pad: bool,
    as_json: bool,
) -> None:
    """Record a squeeze of an anchor; retire a worn one.

    Is this anchor still good? Each squeeze of LABEL is counted, and a press on the gauge gives
    its --force. An anchor retires when it was squeezed too often, is too old, or fell by more than
    10 %, or its berry was voided; the berry to take instead is suggested, and --replace puts it in
    the place of LABEL. Without LABEL: list all anchors.

    \b
    calibrate squeeze 2026.season C03-7 --by ines
    calibrate squeeze 2026.season C03-7 --force 2.61 --unit N
    calibrate squeeze 2026.season C03-7 --replace
    calibrate squeeze 2026.season PAD-A --pad --force 3.02
    """  # noqa: D301
    from gauge.errors import InvalidValueError
    from gauge.season.file import open_season
    from gauge.season.rows import PadPressRow
    from gauge.units import newtons, parse_unit

    force_newton = None if force is None else newtons(force, parse_unit(unit))
    if force_newton is not None and force_newton <= 0:
        raise InvalidValueError(
            f"{force} {unit} is no force of compression.", todo="Give what the gauge showed."
        )
    if label is None:
        with open_season(season, read_only=True) as file:
            _list(file.anchors(calibration_name), as_json)
        return
    with open_season(season) as file:
        if pad:
            if force_newton is None:
                raise click.UsageError("A pad's press needs --force.")
            at = datetime.now(UTC).isoformat(timespec="seconds")
            file.add_pad_press(PadPressRow(pad=label, at=at, force_newton=force_newton))
            if as_json:
                answers.emit_json({"pad": label, "force_N": force_newton})
            else:
                answers.say(f"pad {label}: {with_unit(force_newton)} kept")
            return
        if replace:
            _replace(file, label, calibration_name, why, as_json)
        else:
            _press(file, label, calibration_name, force_newton, by, as_json)


def _press(
    file: SeasonFile,
    label: str,
    calibration_name: str | None,
    force_newton: float | None,
    by: str | None,
    as_json: bool,
) -> None:
    from calibrate.anchors.retirement import retirement_reason

    before = _find(file, label, calibration_name)
    file.add_anchor_press(before.anchor_id, force_newton=force_newton, by=by)
    now = _find(file, label, before.calibration)
    why = retirement_reason(now, datetime.now(UTC))
    found = None
    if why is not None:
        file.retire_anchor(now.anchor_id, why)
        found = _replacement(file, now)
    instead = None if found is None else _named(found)
    if as_json:
        ending = {"retired": why, "replacement": instead}
        answers.emit_json({"anchor": label, **_squeezes(now), **ending})
    elif why is None:
        echo(f"{label}: squeeze {len(now.presses)} of {now.press_limit}, still good.")
    else:
        echo(f"{label} retires: {why}. Throw it away.")
        echo(
            f"Take {instead} instead: calibrate squeeze {file.path} {label} --replace."
            if instead
            else "No measured berry can replace it."
        )


def _replace(
    file: SeasonFile, label: str, calibration_name: str | None, why: str, as_json: bool
) -> None:
    """Retire an anchor, unless it is retired, and keep another berry in its place."""
    from gauge.errors import InfeasiblePlanError

    old = _find(file, label, calibration_name, retired=True)
    found = _replacement(file, old)
    if found is None:
        raise InfeasiblePlanError(
            f"No measured berry can take the place of {label}; it stays as it was.",
            todo="Log berries near its force, or keep a new set: calibrate anchors SEASON --keep.",
        )
    if old.retired_at is None:
        file.retire_anchor(old.anchor_id, why)
    file.add_anchor(
        calibration=old.calibration, kind=found.kind, label=found.label, berry_id=found.berry_id,
        score=old.score, boundary=old.boundary, force_newton=found.force_newton,
        press_limit=old.press_limit, valid_days=old.valid_days,
    )  # fmt: skip
    if as_json:
        ending = {"retired": old.retired_why or why, "replacement": _named(found)}
        answers.emit_json({"anchor": label, **_squeezes(old), **ending})
    else:
        echo(f"{_named(found)} is an anchor now, in the place of {label}.")


def _named(found: Candidate) -> str:
    return f"{found.label} ({with_unit(found.force_newton)})"


def _squeezes(row: AnchorRow) -> dict[str, int]:
    return {"presses": len(row.presses), "press_limit": row.press_limit}


def _find(
    file: SeasonFile, label: str, calibration_name: str | None, *, retired: bool = False
) -> AnchorRow:
    """Find an anchor by its label; a retired one only if asked for."""
    from gauge.errors import AlreadyThereError, NoSuchRecordError

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


def _replacement(file: SeasonFile, retired: AnchorRow) -> Candidate | None:
    from calibrate.anchors.candidates import measured_candidates
    from calibrate.anchors.retirement import replacement
    from calibrate.cuts.calibration import Calibration

    calibration = Calibration.from_document(file.calibration(retired.calibration).document)
    used = {row.label for row in file.anchors(retired.calibration)}
    return replacement(calibration, retired, measured_candidates(file, without=used))


def _list(rows: list[AnchorRow], as_json: bool) -> None:
    from calibrate.anchors.retirement import retirement_reason

    now = datetime.now(UTC)
    retired = [row.retired_why or retirement_reason(row, now) for row in rows]
    if as_json:
        answers.emit_json(
            [
                {
                    "anchor": row.label,
                    **answers.document(row, "calibration", "score", "boundary", "force_newton"),
                    **_squeezes(row),
                    "retired": why,
                }
                for row, why in zip(rows, retired, strict=True)
            ]
        )
        return
    answers.print_table(
        ["anchor", "stands for", f"force {unit()}", "squeezes", "state"],
        [
            [
                row.label,
                row.boundary or f"score {row.score}",
                format_newton(row.force_newton),
                f"{len(row.presses)} of {row.press_limit}",
                why or "good",
            ]
            for row, why in zip(rows, retired, strict=True)
        ],
        left=(0, 1, 4),
    )
