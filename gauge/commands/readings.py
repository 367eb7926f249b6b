"""`gauge readings`: every berry with its peak, finger scores and void reason: table, JSON, CSV."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import emit_json, say
from gauge.records import Sample

if TYPE_CHECKING:
    from gauge.csvsheet import Cell
    from gauge.season.rows import BerryRow

_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
_SAMPLE = tuple(f.name for f in fields(Sample) if f.name not in {"code", "cues", "fruit_temp_c"})
_Notes = dict[int, list[str]]  # what was noted, by berry id
_CSV = ("berry_id", "sample", "number", "peak", "unit", "peak_N")


@click.command("readings", no_args_is_help=True)
@click.argument("season", type=click.Path(path_type=Path))
@click.option("--sample", help="Only the berries of this sample.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document, a list of berries.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path), help="Write a CSV file.")
@click.option(
    "--long",
    is_flag=True,
    help="One row a finger score of the berries that count, as 'calibrate fit' reads a CSV.",
)
@click.option(
    "--delimiter", type=click.Choice(list(_DELIMITERS)),
    help="What parts the cells of the CSV; comma, or semicolon with a decimal comma.",
)  # fmt: skip
@click.option(
    "--decimal", type=click.Choice(["point", "comma"]), default="point", show_default=True,
    help="The decimal sign of the CSV.",
)  # fmt: skip
@click.option("--bom", is_flag=True, help="Begin the CSV with a byte order mark, for spreadsheets.")
def command(
    season: Path,
    sample: str | None,
    as_json: bool,
    csv_file: Path | None,
    long: bool,
    delimiter: str | None,
    decimal: str,
    bom: bool,
) -> None:
    """Show or export every berry.

    Voided berries are shown too, with the reason, and what was noted. In the CSV each rater has a
    column of scores, and text that a spreadsheet would run as a formula begins with an apostrophe.

    \b
    gauge readings 2026.season
    gauge readings 2026.season --csv berries.csv
    gauge readings 2026.season --csv berries.csv --decimal comma --bom
    gauge readings 2026.season --csv pairs.csv --long
    """  # noqa: D301
    from gauge.season.file import open_season

    comma = decimal == "comma"
    delimiter = delimiter or ("semicolon" if comma else "comma")
    if comma and delimiter == "comma":
        raise click.UsageError("A decimal comma needs --delimiter semicolon or tab.")
    with open_season(season, read_only=True) as file:
        code = None if sample is None else file.sample(sample).sample.code
        berries = file.berries(code)
        samples = {row.sample.code: row.sample for row in file.samples()}
        notes: _Notes = {}
        for note in file.notes():
            if note.berry_id is not None:
                notes.setdefault(note.berry_id, []).append(note.text)
    if csv_file is not None:
        from gauge.csvsheet import csv_lines
        from gauge.outfile import write_whole

        header, rows = (_pairs if long else _table)(berries, samples, notes)
        sign = _DELIMITERS[delimiter]
        lines = csv_lines(header, rows, delimiter=sign, decimal_comma=comma)
        write_whole(csv_file, lines, bom=bom)
        say(f"{len(berries)} berries written to {csv_file}.")
    if as_json:
        emit_json([_document(berry, samples[berry.sample], notes) for berry in berries])
    elif csv_file is None:
        _show(berries, notes)


def _document(berry: BerryRow, sample: Sample, notes: _Notes) -> dict[str, Any]:
    shown = berry.peak_shown
    temperature = berry.fruit_temp_c if berry.fruit_temp_c is not None else sample.fruit_temp_c
    return {
        "berry_id": berry.berry_id,
        "sample": berry.sample,
        "number": berry.number,
        "peak": None if shown is None else float(shown),
        "peak_shown": shown,
        "unit": berry.peak_unit,
        "peak_N": berry.peak_newton,
        "flags": list(berry.flags),
        "scores": [
            {"rater": s.rater, "score": s.score, "occasion": s.occasion} for s in berry.scores
        ],
        "void": berry.void,
        "notes": notes.get(berry.berry_id, []),
        "at": berry.at,
        "session": berry.session_id,
        "size_mm": berry.size_mm,
        "fruit_temp_c": temperature,
        **{name: getattr(sample, name) for name in _SAMPLE},
        "cues": sample.cues,
    }


def _table(
    berries: Sequence[BerryRow], samples: dict[str, Sample], notes: _Notes
) -> tuple[list[str], Iterator[list[Cell]]]:
    """Header and rows of the CSV: one row a berry, one column a rater and occasion."""
    raters = sorted({(s.rater, s.occasion) for berry in berries for s in berry.scores})
    cues = list(dict.fromkeys(name for sample in samples.values() for name in sample.cues))
    rest = ("at", "session", "size_mm", "fruit_temp_c", *_SAMPLE)
    header = [*_CSV, "flags", "void", *(_score_column(*key) for key in raters), *rest, "notes"]
    # A column of the plan that is named like one of ours keeps both apart.
    header += [f"plan_{name}" if name in header else name for name in cues]

    def rows() -> Iterator[list[Cell]]:
        for berry in berries:
            document = _document(berry, samples[berry.sample], notes)
            marks = {(s.rater, s.occasion): s.score for s in berry.scores}
            peak = None if berry.peak_shown is None else Decimal(berry.peak_shown)
            yield [
                *(peak if name == "peak" else document[name] for name in _CSV),
                "; ".join(berry.flags) or None,
                berry.void,
                *(marks.get(key) for key in raters),
                *(document[name] for name in rest),
                "; ".join(document["notes"]) or None,
                *(document["cues"].get(name) for name in cues),
            ]

    return header, rows()


def _pairs(
    berries: Sequence[BerryRow], samples: dict[str, Sample], notes: _Notes
) -> tuple[list[str], Iterator[list[Cell]]]:
    """Header and rows of the long CSV: one row a finger score of a berry that counts."""
    rest = ("at", "session", "size_mm", "fruit_temp_c", *_SAMPLE)
    header = ["berry", "rater", "score", "force_N", "occasion", "sample", "number", *rest]

    def rows() -> Iterator[list[Cell]]:
        for berry in berries:
            if berry.peak_newton is None or berry.void is not None:
                continue
            document = _document(berry, samples[berry.sample], notes)
            for mark in berry.scores:
                yield [
                    f"{berry.sample}-{berry.number}",
                    mark.rater,
                    mark.score,
                    Decimal(repr(berry.peak_newton)),
                    mark.occasion,
                    berry.sample,
                    berry.number,
                    *(document[name] for name in rest),
                ]

    return header, rows()


def _score_column(rater: str, occasion: int) -> str:
    return f"score_{rater}" if occasion == 1 else f"score_{rater}_{occasion}"


def _show(berries: Sequence[BerryRow], notes: _Notes) -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for name in ("id", "sample", "berry", "peak", "N"):
        table.add_column(name, justify="left" if name == "sample" else "right", no_wrap=True)
    for name in ("scores", "remarks"):
        table.add_column(name)
    for berry in berries:
        marks = [
            f"{s.rater} {s.score}" + (f" ({s.occasion})" if s.occasion > 1 else "")
            for s in berry.scores
        ]
        remarks = [f"VOID: {berry.void}"] if berry.void else []
        remarks += [*berry.flags, *(f"note: {text}" for text in notes.get(berry.berry_id, ()))]
        table.add_row(
            str(berry.berry_id),
            escape(berry.sample),
            str(berry.number),
            f"{berry.peak_shown} {berry.peak_unit}" if berry.peak_shown else "",
            f"{berry.peak_newton:.3f}" if berry.peak_newton is not None else "",
            escape(", ".join(marks)),
            escape("; ".join(remarks)),
        )
    if berries:
        Console(highlight=False).print(table)
    void = sum(berry.void is not None for berry in berries)
    click.echo(f"{len(berries)} berries, {void} of them void.")
