"""`calibrate store`: named calibrations in the season file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from calibrate.commands.answers import emit_json, format_newton, print_table, say, warn
from calibrate.commands.options import FitOptions, calibration_options, json_option, season_argument
from gauge.clikit import echo


@click.command("store")
@season_argument
@click.argument("name", required=False)
@click.option("--show", "show_name", metavar="NAME", help="Show a stored calibration.")
@calibration_options(stored=False)
@json_option
def command(
    season: Path,
    name: str | None,
    show_name: str | None,
    how: FitOptions,
    as_json: bool,
) -> None:
    """Store, list and show named calibrations.

    With NAME: fit the season's pairs and keep the calibration in the season file, with a
    fingerprint of its data. A name that is taken is refused, never overwritten. Without NAME: list
    what is stored. Other commands take a stored calibration by --calibration NAME.

    \b
    calibrate store 2026.season july --force-scale log
    calibrate store 2026.season
    calibrate store 2026.season --show july
    """  # noqa: D301
    from calibrate.commands import fit
    from calibrate.cuts.calibration import Calibration
    from gauge.season.file import open_season

    if name and show_name:
        raise click.UsageError("Give a NAME to store, or --show NAME, not both.")
    if name:
        with open_season(season) as file:
            made = how.calibration(season)
            file.save_calibration(name, made.fingerprint, made.to_document())
        warn(made.warnings)
        if as_json:
            emit_json(
                {"name": name, "fingerprint": made.fingerprint, **fit.document(made, how.firmest)}
            )
        else:
            fit.show(made, how.firmest)
            say(f"stored as '{name}' in {season}, fingerprint {made.fingerprint[:12]}")
        return
    with open_season(season, read_only=True) as file:
        rows = [file.calibration(show_name)] if show_name else file.calibrations()
    if show_name:
        row = rows[0]
        kept = Calibration.from_document(row.document)
        if as_json:
            emit_json({"name": row.name, "at": row.at, "fingerprint": row.fingerprint,
                       "version": row.version, **fit.document(kept, how.firmest)})  # fmt: skip
            return
        echo(f"{row.name}, stored {row.at} by firmhand {row.version}")
        fit.show(kept, how.firmest)
        echo(f"fingerprint {row.fingerprint}")
        return
    listed: list[dict[str, Any]] = [
        {"name": row.name, "at": row.at, "fingerprint": row.fingerprint, "version": row.version,
         "n": row.document.get("n"), "cuts_N": row.document.get("cuts_n")}
        for row in rows
    ]  # fmt: skip
    if as_json:
        emit_json(listed)
        return

    print_table(
        ["name", "stored", "scores", "cut points N", "fingerprint"],
        [
            [str(entry["name"]), str(entry["at"])[:10], str(entry["n"]),
             " ".join(format_newton(cut, missing="-") for cut in entry["cuts_N"] or ()),
             str(entry["fingerprint"])[:12]]
            for entry in listed
        ],
        left=(0, 1, 4),
    )  # fmt: skip
