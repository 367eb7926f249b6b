"""`calibrate press`: squeezes of anchors and pads recorded, tired anchors retired."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton
from gauge.clikit import echo

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import AnchorRow


@click.command("press")
@options.season_argument
@click.argument("label", required=False)
@options.name_option("Whose anchors; needed where several calibrations have some.")
@click.option("--force", help="What the gauge showed, if it was pressed on the gauge.")
@click.option("--unit", default="N", help="Unit of --force.")
@click.option("--by", help="Who squeezed it.")
@click.option(
    "--pad", is_flag=True, help="LABEL is a durable pad that links seasons; needs --force."
)
@options.json_option
def command(
    season: Path,
    label: str | None,
    calibration_name: str | None,
    force: str | None,
    unit: str,
    by: str | None,
    pad: bool,
    as_json: bool,
) -> None:
    """Record a re-press of an anchor; retire the tired.

    Is this anchor still good? Each squeeze of LABEL is counted, and a re-press on the gauge gives
    its --force. An anchor retires when it was squeezed too often, is too old, or fell by more than
    10 %; the berry to take instead is suggested. Without LABEL: list all anchors.

    \b
    calibrate press 2026.season C03-7 --by ines
    calibrate press 2026.season C03-7 --force 2.61 --unit N
    calibrate press 2026.season PAD-A --pad --force 3.02
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
                answers.say(f"pad {label}: {force_newton:.3f} N kept")
            return
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
    instead = None
    if why is not None:
        file.retire_anchor(now.anchor_id, why)
        instead = _replacement(file, now)
    if as_json:
        ending = {"retired": why, "replacement": instead}
        answers.emit_json({"anchor": label, **_squeezes(now), **ending})
    elif why is None:
        echo(f"{label}: squeeze {len(now.presses)} of {now.press_limit}, still good.")
    else:
        echo(f"{label} retires: {why}. Throw it away.")
        echo(f"Take {instead} instead." if instead else "No measured berry can replace it.")


def _squeezes(row: AnchorRow) -> dict[str, int]:
    return {"presses": len(row.presses), "press_limit": row.press_limit}


def _find(file: SeasonFile, label: str, calibration_name: str | None) -> AnchorRow:
    from gauge.errors import AlreadyThereError, NoSuchRecordError

    rows = [row for row in file.anchors(calibration_name) if row.label == label]
    if not rows:
        raise NoSuchRecordError(
            f"{file.path} holds no anchor {label}.",
            todo="'calibrate anchors ... --keep' keeps a set; 'calibrate press SEASON' lists it.",
        )
    if len(rows) > 1:
        raise NoSuchRecordError(
            f"{file.path}: {label} is an anchor of {', '.join(row.calibration for row in rows)}.",
            todo="Name one by --calibration.",
        )
    if rows[0].retired_at is not None:
        raise AlreadyThereError(
            f"{label} is retired: {rows[0].retired_why}.", todo="Use another anchor."
        )
    return rows[0]


def _replacement(file: SeasonFile, retired: AnchorRow) -> str | None:
    from calibrate.anchors.candidates import measured_candidates
    from calibrate.anchors.retirement import replacement
    from calibrate.cuts.calibration import Calibration

    calibration = Calibration.from_document(file.calibration(retired.calibration).document)
    used = {row.label for row in file.anchors(retired.calibration)}
    found = replacement(calibration, retired, measured_candidates(file, without=used))
    return None if found is None else f"{found.label} ({found.force_newton:.2f} N)"


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
        ["anchor", "stands for", "force N", "squeezes", "state"],
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
