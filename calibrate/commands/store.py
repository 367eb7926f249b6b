"""`calibrate store`: named calibrations in the season file."""

from __future__ import annotations

from pathlib import Path

import click

from calibrate.commands import answers, options
from gauge.clikit import echo


@click.command("store")
@options.season_argument
@click.argument("name", required=False)
@click.option("--show", "show_name", metavar="NAME", help="Show a stored calibration.")
@options.calibration_options(stored=False)
@options.json_option
def command(
    season: Path,
    name: str | None,
    show_name: str | None,
    how: options.FitOptions,
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
        answers.warn(made.warnings)
        if as_json:
            head = {"name": name, "fingerprint": made.fingerprint}
            answers.emit_json(head | fit.document(made, how.firmest))
        else:
            fit.show(made, how.firmest)
            answers.say(f"stored as '{name}' in {season}, fingerprint {made.fingerprint[:12]}")
        return
    with open_season(season, read_only=True) as file:
        rows = [file.calibration(show_name)] if show_name else file.calibrations()
    heads = [answers.document(row, "name", "at", "fingerprint", "version") for row in rows]
    if show_name:
        (row,), (head,) = rows, heads
        kept = Calibration.from_document(row.document)
        if as_json:
            answers.emit_json(head | fit.document(kept, how.firmest))
            return
        echo(f"{row.name}, stored {row.at} by firmhand {row.version}")
        fit.show(kept, how.firmest)
        echo(f"fingerprint {row.fingerprint}")
        return
    numbers = [{"n": row.document.get("n"), "cuts_N": row.document.get("cuts_n")} for row in rows]
    listed = [head | number for head, number in zip(heads, numbers, strict=True)]
    if as_json:
        answers.emit_json(listed)
        return
    answers.print_table(
        ["name", "stored", "scores", "cut points N", "fingerprint"],
        [
            [str(entry["name"]), str(entry["at"])[:10], str(entry["n"]),
             " ".join(answers.format_newton(cut, missing="-") for cut in entry["cuts_N"] or ()),
             str(entry["fingerprint"])[:12]]
            for entry in listed
        ],
        left=(0, 1, 4),
    )  # fmt: skip
