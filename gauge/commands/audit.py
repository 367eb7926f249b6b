"""`gauge audit`: whether a season is what was stored, and the bytes still give its peaks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from gauge.clikit import json_option, season_argument
from gauge.errors import DamagedSeasonError
from gauge.printed import echo, emit_json


@click.command("audit", no_args_is_help=True)
@season_argument
@click.option("--trail", "show_trail", is_flag=True, help="List who changed what, when and why.")
@json_option
def command(season: Path, show_trail: bool, as_json: bool) -> None:
    """Compare a season with its digests and bytes.

    Every row is compared with its digest, and every peak is derived again from the bytes that were
    received. What differs is named berry by berry, nothing is changed. This finds rot and careless
    edits; someone who means to forge a season can compute digests, too: note the last digest where
    it cannot be changed.

    \b
    gauge audit 2026.season
    gauge audit 2026.season --trail
    """  # noqa: D301
    from gauge.audit.rederive import audit
    from gauge.season.file import open_season

    try:
        with open_season(season, read_only=True) as file:
            found = audit(file)
            with file.unchecked():
                changes = [change for change in file.trail() if change.kind != "end"]
            digest = file.digest
    except DamagedSeasonError as error:
        if as_json:
            emit_json(_document(differences=[{"berry": None, "what": error.what}]))
        raise
    differences = [{"berry": berry, "what": what} for berry, what in found.differences]
    trail = [
        {
            "at": change.at, "who": change.who, "kind": change.kind, "why": change.why,
            "table": change.table, "rows": list(change.ids), "old": change.old, "new": change.new,
        }
        for change in changes
    ]  # fmt: skip
    if as_json:
        emit_json(
            _document(
                ok=found.ok,
                berries=found.berries,
                rederived=found.rederived,
                detector_changed=found.detector_changed,
                not_rederivable=found.not_rederivable,
                differences=differences,
                trail=trail,
                digest=digest,
            )
        )
    else:
        for line in _lines(trail) if show_trail else ():
            echo(line)
        echo(
            f"{found.berries} berries: {found.rederived} peaks derived again from what was "
            f"received, {found.detector_changed} of another detector version, "
            f"{found.not_rederivable} not derivable. Last digest {digest}."
        )
        for berry, what in found.differences:
            echo(what if berry is None else f"berry {berry}: {what}")
    if not found.ok:
        raise DamagedSeasonError(
            f"{season}: {len(differences)} differences.",
            todo="Nothing was changed. Keep this file, and work on from the last good copy.",
        )


def _document(**found: Any) -> dict[str, Any]:
    """Make the JSON of an audit; of one that could not be done, with nulls."""
    nothing = dict.fromkeys(
        ("berries", "rederived", "detector_changed", "not_rederivable", "trail", "digest")
    )
    return {"ok": False, **nothing, **found}


def _lines(trail: list[dict[str, Any]]) -> list[str]:
    """Say who changed what, when and why, a line a change."""
    lines = []
    for change in trail:
        changed = ", ".join(
            f"{name} {change['old'].get(name)!r} to {value!r}"
            for name, value in change["new"].items()
        )
        rows = ", ".join(map(str, change["rows"][:5])) + (" ..." if len(change["rows"]) > 5 else "")
        why = f": {change['why']}" if change["why"] else ""
        lines.append(
            f"{change['at']} {change['who'] or 'unknown'} {change['kind']}, {change['table']} "
            f"{rows}{why} ({changed})"
        )
    return lines
