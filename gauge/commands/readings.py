"""`gauge readings`: every berry with its peak, finger scores and void reason: table, JSON, CSV."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import argument, option, receives
from gauge.plaintext import plural
from gauge.pressprotocol import PressProtocol
from gauge.printed import document, echo, emit_json, print_table, say
from gauge.records import Sample, Session

if TYPE_CHECKING:
    from gauge.season.rows import BerryRow

_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
_SAMPLE = tuple(f.name for f in fields(Sample) if f.name not in {"code", "cues", "fruit_temp_c"})
_Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    season: Path = argument()
    sample: str | None = option("Only the berries of this sample.")
    as_json: bool = option("Print one JSON document, a list of berries.", "--json")
    csv_file: Path | None = option("Write a CSV file.", "--csv")
    long: bool = option(
        "One row a finger score of the berries that count, as 'calibrate fit' reads a CSV."
    )
    delimiter: str | None = option(
        "What separates the cells of the CSV; comma, or semicolon with a decimal comma.",
        type=click.Choice(list(_DELIMITERS)),
    )
    decimal: str = option(
        "The decimal sign of the CSV.", type=click.Choice(["point", "comma"]), default="point"
    )
    voided: bool = option("Also write void berries into the CSV.")
    bom: bool = option("Begin the CSV with a byte order mark, for spreadsheets.")

    @property
    def layout(self) -> dict[str, Any]:
        """How the CSV is laid out, as `csv_lines` takes it."""
        comma = self.decimal == "comma"
        delimiter = self.delimiter or ("semicolon" if comma else "comma")
        if comma and delimiter == "comma":
            raise click.UsageError("A decimal comma needs --delimiter semicolon or tab.")
        return {"delimiter": _DELIMITERS[delimiter], "decimal_comma": comma}


@click.command("readings", no_args_is_help=True)
@receives(_Asked)
def command(asked: _Asked) -> None:
    """Show or export every berry.

    Voided berries are shown too, with the reason, and what was noted. The CSV holds those that
    count, unless --voided is given; each rater has a column of scores, times are local with their
    offset. Text that a spreadsheet would run as a formula, or change (007, 1-2, 3E5), begins with
    an apostrophe.

    \b
    gauge readings 2026.season
    gauge readings 2026.season --csv berries.csv
    gauge readings 2026.season --csv berries.csv --decimal comma --bom
    gauge readings 2026.season --csv pairs.csv --long
    """  # noqa: D301
    from gauge.season.checks import peak_flags
    from gauge.season.file import open_season

    layout = asked.layout
    with open_season(asked.season, read_only=True) as file:
        code = None if asked.sample is None else file.sample(asked.sample).sample.code
        berries = file.berries(code)
        samples = {row.sample.code: row.sample for row in file.samples()}
        # A plan seldom names the crop, which is that of the season then.
        samples = {c: replace(one, crop=one.crop or file.crop) for c, one in samples.items()}
        notes: dict[int | None, list[str]] = {}
        for note in file.notes():
            notes.setdefault(note.berry_id, []).append(note.text)
        flags = peak_flags(file)
        usual = file.protocol
        at_gauge = {row.session_id: _at_gauge(row.session, usual) for row in file.sessions()}
    nowhere = _at_gauge(Session(started_at=""), PressProtocol())
    rows = [
        _row(berry, samples[berry.sample], notes.get(berry.berry_id, []), flags)
        | at_gauge.get(berry.session_id or 0, nowhere)
        for berry in berries
    ]
    if asked.csv_file is not None:
        from gauge.columns import export

        valid = [row for row in rows if asked.voided or row["void"] is None]
        header, cells = (_long if asked.long else _wide)(valid)
        lines = ([row.get(name) for name in header] for row in cells)
        beside = export(asked.csv_file, header, lines, bom=asked.bom, **layout)
        left_out = len(rows) - len(valid)
        void = f"; {left_out} void left out (--voided adds them)" if left_out else ""
        say(f"{plural(len(valid), 'berry')} written to {asked.csv_file}{void}.{beside}")
    if asked.as_json:
        emit_json(rows)
    elif asked.csv_file is None:
        _show(rows)


def _row(
    berry: BerryRow, sample: Sample, notes: list[str], flags: Mapping[int, Sequence[str]]
) -> _Row:
    """Return all that is known of a berry, under the names of JSON and CSV."""
    shown = berry.peak_shown
    temperature = berry.fruit_temp_c if berry.fruit_temp_c is not None else sample.fruit_temp_c
    return {
        **document(berry, "berry_id", "sample", "number"),
        "peak": None if shown is None else float(shown),
        "peak_shown": shown,
        "unit": berry.peak_unit,
        "peak_N": berry.peak_newton,
        "zero_N": berry.baseline_newton,
        "loading_rate_N_s": berry.loading_rate_newton_s,
        "flags": list(flags.get(berry.berry_id, ())),
        "scores": [
            document(mark, "rater", "score", "occasion")
            | ({"squeeze_order": mark.squeeze_order} if mark.squeeze_order else {})
            for mark in berry.scores
        ],
        "notes": notes,
        "session": berry.session_id,
        "fruit_temp_c": temperature,
        **document(berry, "void", "at", "size_mm", "mass_g"),
        "press_only": 1 if berry.press_only else None,
        **document(sample, *_SAMPLE, "cues"),
    }


def _at_gauge(session: Session, usual: PressProtocol) -> _Row:
    """Return which gauge berries were pressed on, by which head, and who worked at it."""
    return {
        "gauge": session.gauge,
        "serial_number": session.gauge_serial,
        "operator": session.operator,
        "head_mm": PressProtocol.of(session, usual).head_mm,
    }


def _local(at: str) -> str:
    """Return a time as it was on the clock here, with its offset."""
    time = datetime.fromisoformat(at)
    time = time if time.tzinfo else time.replace(tzinfo=UTC)
    return time.astimezone().isoformat(timespec="seconds")


def _wide(rows: Sequence[_Row]) -> tuple[list[str], Iterator[_Row]]:
    """Return header and rows of the CSV: one row a berry, one column a rater and occasion."""
    from gauge.columns import BERRIES

    keys = {(mark["rater"], mark["occasion"]) for row in rows for mark in row["scores"]}
    first, rest = BERRIES
    header = [*first, *(_score_column(*key) for key in sorted(keys)), *rest]
    if any(mark.get("squeeze_order") for row in rows for mark in row["scores"]):
        header += [_order_column(*key) for key in sorted(keys)]
    # A column of the plan that is named like one of ours keeps both apart.
    names = dict.fromkeys(name for row in rows for name in row["cues"])
    cues = {name: f"plan_{name}" if name in header else name for name in names}

    def cells() -> Iterator[_Row]:
        for row in rows:
            scores = {_score_column(m["rater"], m["occasion"]): m["score"] for m in row["scores"]}
            scores |= {
                _order_column(m["rater"], m["occasion"]): m.get("squeeze_order")
                for m in row["scores"]
            }
            texts = {name: "; ".join(row[name]) or None for name in ("flags", "notes")}
            peak = None if row["peak_shown"] is None else Decimal(row["peak_shown"])
            planned = {cues[name]: value for name, value in row["cues"].items()}
            yield row | scores | texts | {"peak": peak, "at": _local(row["at"])} | planned

    return [*header, *cues.values()], cells()


def _long(rows: Sequence[_Row]) -> tuple[list[str], Iterator[_Row]]:
    """Return header and rows of the long CSV: one row a finger score of a berry that counts."""
    from gauge.columns import PAIRS

    def cells() -> Iterator[_Row]:
        for row in rows:
            if row["peak_N"] is None or row["void"] is not None:
                continue
            label = f"{row['sample']}-{row['number']}"
            for mark in row["scores"]:
                force = Decimal(repr(row["peak_N"]))
                texts = {"at": _local(row["at"]), "flags": "; ".join(row["flags"]) or None}
                yield row | mark | {"berry": label, "force_N": force} | texts

    return list(PAIRS), cells()


def _score_column(rater: str, occasion: int) -> str:
    return f"score_{rater}" if occasion == 1 else f"score_{rater}_{occasion}"


def _order_column(rater: str, occasion: int) -> str:
    return _score_column(rater, occasion).replace("score", "squeeze_order", 1)


def _show(rows: Sequence[_Row]) -> None:
    table = []
    for row in rows:
        marks = [
            f"{mark['rater']} {mark['score']}"
            + (f" ({mark['occasion']})" if mark["occasion"] > 1 else "")
            for mark in row["scores"]
        ]
        remarks = [f"VOID: {row['void']}"] if row["void"] else []
        remarks += [*row["flags"], *(f"note: {text}" for text in row["notes"])]
        peak = f"{row['peak_shown']} {row['unit']}" if row["peak_shown"] else ""
        force = "" if row["peak_N"] is None else f"{row['peak_N']:.3f}"
        known = [str(row["berry_id"]), row["sample"], str(row["number"]), peak, force]
        table.append([*known, ", ".join(marks), "; ".join(remarks)])
    if table:
        header = ["id", "sample", "berry", "peak", "N", "scores", "remarks"]
        print_table(header, table, left=(1, 5, 6), whole=range(5))
    void = sum(row["void"] is not None for row in rows)
    echo(f"{plural(len(rows), 'berry')}, {void} of them void.")
