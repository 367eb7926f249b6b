"""`calibrate adopt`: the season's own calibration, and others that are stored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

import calibrate
import gauge
from calibrate.commands import answers, fit, options
from gauge.clikit import argument, option
from gauge.errors import AlreadyThereError, FirmhandError, NotConfirmedError
from gauge.printed import echo

if TYPE_CHECKING:
    from gauge.season.rows import CalibrationRow


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.FitOptions):
    season: Path = argument()
    name: str | None = argument(required=False)
    show_name: str | None = option("Show a stored calibration.", "--show", metavar="NAME")
    yes: bool = option("Adopt it in spite of drifted raters or a failed gauge.")


@answers.command("adopt", _Asked)
def command(asked: _Asked) -> None:
    """Adopt a calibration as the season's own.

    With NAME: take the calibration stored under it, or fit the season's pairs and store what comes
    out, with a fingerprint of its data. From then on every command uses it, unless another is
    named by --calibration NAME, or by an option of a fit such as --force-scale linear. A stored
    calibration is never overwritten. Before a calibration is adopted over raters who have drifted,
    or a gauge that failed its last check, you are asked; where nobody can be, it is refused. Raters
    in training or suspended do not count. Without NAME: list what is stored.

    \b
    calibrate adopt 2026.season july
    calibrate adopt 2026.season
    calibrate adopt 2026.season --show july
    """  # noqa: D301
    if asked.name and asked.show_name:
        raise click.UsageError("Give a NAME to adopt, or --show NAME, not both.")
    with gauge.open_season(asked.season, read_only=True) as file:
        rows = {row.name: row for row in file.calibrations()}
        adopted = file.setting("calibration")
        shown = file.calibration(asked.show_name) if asked.show_name else None
    if shown is not None:
        kept = calibrate.Calibration.from_document(shown.document)
        head = answers.document(shown, "name", "at", "fingerprint", "version")
        if not answers.emitted(head | fit.document(kept, asked.firmest)):
            echo(f"{shown.name}, stored {shown.at} by firmhand {shown.version}")
            fit.show(kept, asked.firmest)
            echo(f"fingerprint {shown.fingerprint}")
    elif asked.name:
        _adopt(asked, asked.name, rows.get(asked.name))
    else:
        _list(list(rows.values()), adopted)


def _adopt(asked: _Asked, name: str, stored: CalibrationRow | None) -> None:
    from calibrate.cuts.scored import scored_document

    if stored is not None and options.asks_for_fit():
        raise AlreadyThereError(
            f"{asked.season} holds a calibration '{name}' already.",
            todo="It is never overwritten; choose another name.",
        )
    pairs: calibrate.Pairs | None = None
    if stored is None:
        pairs = asked.pairs(asked.season)
        made = asked.fitted(asked.season, pairs)
        # A hand is checked later against what it was now: the scores are kept with the cut points.
        document = made.to_document() | scored_document(pairs.panel()[0])
    else:
        made = calibrate.Calibration.from_document(stored.document)
    against = [] if asked.yes else _objections(asked, pairs or asked.pairs(asked.season))
    if against and not _confirmed(against):
        raise NotConfirmedError(
            f"'{name}' is not adopted, and nothing was stored: {'; '.join(against)}.",
            todo="See 'calibrate check SEASON --all' and 'gauge verify'; --yes adopts it anyway.",
        )
    with gauge.open_season(asked.season) as file:
        if stored is None:
            file.save_calibration(name, made.fingerprint, document)
        file.set_setting("calibration", name, kind="adopt")
    answers.warn(made.warnings)
    head = {"name": name, "fingerprint": made.fingerprint}
    if not answers.emitted(head | fit.document(made, asked.firmest)):
        fit.show(made, asked.firmest)
        answers.say(f"adopted as '{name}' in {asked.season}, fingerprint {made.fingerprint[:12]}")


def _objections(asked: _Asked, pairs: calibrate.Pairs) -> list[str]:
    """Find what makes a calibration doubtful: hands that moved, a gauge that failed."""
    from gauge.season.checks import last_check

    found = []
    for name in pairs.panel()[0].raters:
        try:
            check = calibrate.check_rater(pairs, name, firmest=asked.firmest, level=asked.level)
        except FirmhandError:
            continue  # a hand that cannot be judged
        # By the verdict of 'calibrate check'. Hands differ; only what is beyond the limit casts
        # doubt on the panel's scale.
        moved = [
            (abs(one.shift_newton.value or 0.0), one.limit_newton or 0.0)
            for one in check.boundaries
            if one.shift_newton.excludes_zero()
        ]
        shifts = [shift for shift, limit in moved if shift > limit]
        drifted = f"{name} has drifted from the other raters"
        if check.verdict == "drifted" and shifts:
            found.append(f"{drifted} by up to {answers.with_unit(max(shifts))}")
        elif check.verdict == "drifted":
            small = f"at each boundary by at most {check.limit}, or not surely"
            answers.say(f"{drifted}, but {small}: this does not stop the adoption")
    with gauge.open_season(asked.season, read_only=True) as file:
        rows = file.verifications()
        gauges = {(row.session.gauge, row.session.gauge_serial) for row in file.sessions()}
    for model, serial in sorted(gauges, key=str):
        last = last_check(rows, gauge=model, gauge_serial=serial)
        if last is not None and not last.passed:
            which = " ".join(filter(None, (model, serial)))
            found.append(f"the gauge {which} failed its last check ({last.at[:10]})")
    return list(dict.fromkeys(found))


def _confirmed(against: list[str]) -> bool:
    """Ask; where nobody answers, it is a no."""
    try:
        return click.confirm(f"{'; '.join(against)}. Adopt it all the same?", err=True)
    except click.Abort:
        answers.say("\nnobody could be asked")
        return False


def _list(rows: list[CalibrationRow], adopted: str | None) -> None:
    listed = [
        answers.document(row, "name", "at", "fingerprint", "version")
        | {"n": row.document.get("n"), "cuts_N": row.document.get("cuts_n")}
        | {"adopted": row.name == adopted}
        for row in rows
    ]
    if answers.emitted(listed):
        return
    answers.print_table(
        ["name", "stored", "scores", f"cut points {answers.unit()}", "fingerprint", ""],
        [
            [str(entry["name"]), str(entry["at"])[:10], str(entry["n"]),
             " ".join(answers.format_newton(cut, missing="-") for cut in entry["cuts_N"] or ()),
             str(entry["fingerprint"])[:12], "adopted" if entry["adopted"] else ""]
            for entry in listed
        ],
        left=(0, 1, 4, 5),
    )  # fmt: skip
