"""`gauge plan`: a plan of samples imported in a stated random order, and how far it has come."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import date
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import FILE, json_option, season_argument
from gauge.commands.options import begun_season, crop_option, plan_squeezes, press_only_option
from gauge.plaintext import plural
from gauge.printed import document, echo, emit_json, print_table, say

if TYPE_CHECKING:
    from gauge.season.rows import SampleRow
    from gauge.sheets.squeezes import SqueezePlan


@click.command("plan", no_args_is_help=True)
@season_argument
@click.option("--import", "csv_file", type=FILE, help="The CSV of samples to import.")
@click.option("--seed", type=int, help="Seed of the random order; drawn and shown if not given.")
@click.option(
    "--order",
    type=click.Choice(["random", "file"]),
    default="random",
    help="Work the samples through in random order, or as they stand in the file.",
)
@click.option(
    "--within",
    metavar="COLUMN,COLUMN",
    help="Random order within blocks, such as harvest_date,storage_day,replicate: each block is "
    "worked through before the next, what is due first first.",
)
@click.option("--no-blind", is_flag=True, help="Draw no blind codes.")
@press_only_option
@click.option(
    "--again/--no-again",
    default=None,
    help="Hand one berry in ten to one of its raters twice (the default), or none.",
)
@crop_option
@click.option("--blind", "hide", is_flag=True, help="Show blind codes only, for the bench.")
@json_option
def command(
    season: Path,
    csv_file: Path | None,
    seed: int | None,
    order: str,
    within: str | None,
    no_blind: bool,
    press_only: bool | None,
    again: bool | None,
    crop: str | None,
    hide: bool,
    as_json: bool,
) -> None:
    """Import and show the plan of samples.

    The CSV has one row a sample (a clamshell, or any set of berries): its code (or sample), and
    how many berries (or planned). Columns selection, plot, replicate, harvest_date,
    storage_day, storage_temp_c, fruit_temp_c, out_of_store_h, clamshell, site, lot and crop are
    known; any others are kept as cues. A season file that does not exist is begun. All rows are
    imported or none; importing the same file again changes nothing, so a longer file adds what
    is new.

    Each squeeze softens a berry: raters take turns, one berry in ten is handed to one of them
    twice, and with --press-only one in five is pressed without a squeeze. 'gauge log' and 'gauge
    sheet' say which.

    Without --import, the plan is shown with what is done and which sample is next. Stop and go on
    whenever you like: 'gauge log' takes up where the berries end.

    \b
    gauge plan 2026.season --import monday.csv --seed 7
    gauge plan 2026.season --import trial.csv --within harvest_date,storage_day,replicate
    gauge plan 2026.season
    """  # noqa: D301
    from gauge.season.file import open_season
    from gauge.sheets.squeezes import SqueezePlan

    if csv_file is not None:
        seed = secrets.randbelow(1_000_000) if seed is None else seed
        columns = [name.strip() for name in (within or "").split(",") if name.strip()]
        drawing = {"seed": seed, "shuffle": order == "random", "within": columns}
        how = f"random order with seed {seed}" if order == "random" else "order of the file"
        how += f" within {', '.join(columns)}" if columns else ""
        added = _import(season, csv_file, crop, how, blind=not no_blind, **drawing)
        say(f"{plural(added, 'sample')} imported, {how}." if added else "Nothing new in this plan.")
    if csv_file is not None or press_only is not None or again is not None:
        with open_season(season) as file:
            plan_squeezes(file, press_only=press_only, again=again, seed=seed, planning=True)
    with open_season(season, read_only=True) as file:
        squeezes = SqueezePlan.of(file.setting("squeezes"))
        rows = file.samples()
        following = file.next_sample()
        notes = [n.text for n in file.notes() if n.session_id is None and n.berry_id is None]
    plan = _document(rows, following, seed, squeezes)
    if as_json:
        emit_json(plan)
    else:
        _show(plan, hide)
        for note in (*squeezes.sentences(), *notes):
            echo(note)


def _import(season: Path, csv_file: Path, crop: str | None, how: str, **drawing: Any) -> int:
    from gauge.csvsheet import CsvSheet
    from gauge.sheets.plan import drawn, new_samples, read_plan

    # Read before the season is opened: a bad plan must not begin a season.
    wants = "a column code and one row a sample"
    planned = read_plan(CsvSheet(csv_file, wants, problems=[]))
    crops = {sample.crop for sample in planned}
    crop = crop or (crops.pop() if len(crops) == 1 else None)
    with begun_season(season, crop=crop) as file:
        stored = [row.sample for row in file.samples()]
        fresh = new_samples(planned, stored, source=str(csv_file))
        if placed := drawn(fresh, taken=stored, **drawing):
            note = f"{plural(len(placed), 'sample')} of {csv_file.name}, {how}"
            file.add_samples(placed, note=note)
    return len(placed)


def _document(
    rows: Sequence[SampleRow], following: SampleRow | None, seed: int | None, squeezes: SqueezePlan
) -> dict[str, Any]:
    return {
        "samples": [
            {"order": row.sample.plan_order}
            | document(row.sample, "code", "blind_code", "selection", "berries_planned")
            | document(row, "berries", "done")
            | {"due": row.due and row.due.isoformat()}
            | squeezes.numbers(row.sample_id, row.sample.berries_planned or 0)
            for row in rows
        ],
        "next": following.sample.code if following else None,
        "berries_planned": sum(row.sample.berries_planned or 0 for row in rows),
        "berries": sum(row.berries for row in rows),
        "seed": seed,
    }


def _show(plan: dict[str, Any], hide: bool) -> None:
    """Print the plan; `hide` leaves the blind codes as the only names."""
    from gauge.session.daylists import due_words

    table = []
    left = [sample for sample in plan["samples"] if sample["order"] and not sample["done"]]
    by_day = bool(left) and min(left, key=itemgetter("order"))["code"] != plan["next"]
    for sample in plan["samples"]:
        planned = f" of {sample['berries_planned']}" if sample["berries_planned"] else ""
        state = "done" if sample["done"] else "begun" if sample["berries"] else "to do"
        state += ", next" if sample["code"] == plan["next"] else ""
        if by_day and sample["due"] and not sample["done"]:
            state += f", {due_words(date.fromisoformat(sample['due']), date.today())}"
        names = [] if hide else [sample["code"], sample["selection"]]
        cells = [sample["order"], *names, sample["blind_code"], f"{sample['berries']}{planned}"]
        table.append([*("" if cell is None else str(cell) for cell in cells), state])
    header = ["order", *([] if hide else ["code", "selection"]), "blind code", "berries", "state"]
    n = len(header)
    if table:
        print_table(header, table, left=(*range(1, n - 2), n - 1), whole=(1, n - 3))
    done = sum(sample["done"] for sample in plan["samples"])
    if by_day:
        echo("What is due today comes first, then what is late or has no day, then later days.")
    echo(f"{done} of {plural(len(table), 'sample')} done.")
