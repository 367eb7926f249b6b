"""The columns of every CSV that is written, with unit and meaning: one table of them all.

From it come the headers of the readings, and the dictionary that is written beside each CSV.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from gauge.errors import InvalidValueError
from gauge.outfile import Kind, may_replace, write_whole

Cell = str | int | float | Decimal | None
# A cell that begins so is run as a formula (CWE-1236, neutralisation of formula elements in a
# CSV file); a leading apostrophe makes it text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
# Codes that a spreadsheet makes another number of, or a date; a date as in ISO 8601 stays one.
_CHANGED = re.compile(
    r"(?!\d{4}-\d\d-\d\d$)([+-]?0\d[\d.]*|\d+(\.\d+)?E[+-]?\d+|\d{1,4}[-/]\d{1,4}([-/]\d{1,4})?"
    r"|\d{16,}|(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*[- ]?\d{1,4})",
    re.IGNORECASE,
)


class Column(NamedTuple):
    """The unit of a column, empty where it has none, and what it says."""

    unit: str
    meaning: str


_BERRY = {
    "berry_id": Column("", "row of the berry in the season file"),
    "sample": Column("", "code of the sample (a clamshell, or any set of berries)"),
    "number": Column("", "number of the berry in its sample"),
    "peak": Column("unit", "largest reading of the press, as the gauge showed it"),
    "unit": Column("", "unit in which the gauge showed the peak"),
    "peak_N": Column("N", "the same in newtons; not corrected for the zero"),
    "flags": Column("", "doubts about the peak, parted by semicolons; empty where there are none"),
    "void": Column("", "why the berry does not count; empty where it counts"),
}
_PAIR = {
    "berry": Column("", "label of the berry: sample and number"),
    "rater": Column("", "who squeezed the berry"),
    "score": Column("", "finger score on the season's scale"),
    "force_N": Column("N", "peak force of the berry"),
    "occasion": Column("", "which time this rater scored this berry, from 1"),
    "squeeze_order": Column("", "which squeeze of the berry this was, from 1; the press came last"),
    "sample": _BERRY["sample"],
    "number": _BERRY["number"],
}
_REST = {
    "at": Column("", "local time of storing, ISO 8601 with its offset from UTC"),
    "session": Column("", "row of the session in the season file"),
    "gauge": Column("", "name of the gauge"),
    "serial_number": Column("", "serial number of the gauge"),
    "operator": Column("", "who worked at the gauge"),
    "head_mm": Column("mm", "diameter of the head"),
    "zero_N": Column("N", "what the gauge showed at rest before the press"),
    "loading_rate_N_s": Column("N/s", "mean rate of loading on the rise of the press"),
    "size_mm": Column("mm", "diameter of the berry"),
    "mass_g": Column("g", "mass of the berry"),
    "press_only": Column("", "1 where the berry was pressed without a squeeze"),
    "fruit_temp_c": Column("°C", "temperature of the fruit: of the berry, else of its sample"),
    "blind_code": Column("", "code on the clamshell in blind work"),
    "crop": Column("", "crop of the sample"),
    "selection": Column("", "selection of the sample"),
    "plot": Column("", "plot of the sample"),
    "replicate": Column("", "replicate of the sample"),
    "harvest_date": Column("", "day of harvest, ISO 8601"),
    "storage_day": Column("d", "days in store"),
    "storage_temp_c": Column("°C", "temperature of the store; not that of the fruit"),
    "out_of_store_h": Column("h", "time between the store and the press"),
    "clamshell": Column("", "clamshell of the sample"),
    "site": Column("", "where it was picked"),
    "lot": Column("", "lot that the sample was taken from"),
    "berries_planned": Column("", "number of berries that the plan asks for"),
    "plan_order": Column("", "place of the sample in the plan"),
}
# Headers of the readings: a row a berry, with columns of scores before the rest; a row a score.
BERRIES = (*_BERRY,), (*_REST, "notes")
PAIRS = (*_PAIR, *_REST, "flags")
_TABLE = {
    "notes": Column("", "what was noted on the berry"),
    "season": Column("", "season, or file, of the rows"),
    "n": Column("", "berries with a force"),
    "units": Column("", "experimental units behind the mean"),
    "clamshells": Column("", "clamshells behind the mean"),
    "mean_N": Column("N", "mean peak force"),
    "low_N": Column("N", "lower end of the interval of the mean"),
    "high_N": Column("N", "upper end of the interval of the mean"),
    "sd_N": Column("N", "standard deviation of single berries"),
    "se_N": Column("N", "standard error of the mean"),
    "why": Column("", "why the mean, or its interval, is open"),
    "n_scored": Column("", "berries with finger scores"),
    "scored_units": Column("", "experimental units behind the mean score"),
    "mean_score": Column("", "mean finger score, 1 the firmest"),
    "soft_pct": Column("%", "berries softer than the limit for sale"),
    "at_limit_pct": Column("%", "berries at the limit for sale"),
    "leaky_pct": Column("%", "leaky berries"),
    "decayed_pct": Column("%", "decayed berries"),
    "red_pct": Column("%", "berries with reddened drupelets"),
    "any_defect_pct": Column("%", "berries with a defect of any kind, each counted once"),
    "weight_loss_pct": Column("%", "weight lost in storage"),
    "marketable_pct": Column("%", "marketable berries, each defect on a berry of its own"),
    "marketable_at_most_pct": Column("%", "marketable berries, defects sharing berries"),
    "predicted": Column("", "what the calibration says of the forces; here it says nothing"),
    "predicted_soft_pct": Column("%", "berries softer than the limit, by force and calibration"),
}
_KNOWN = _BERRY | _PAIR | _REST | _TABLE
# What names of a kind say; {} stands for what the name itself says.
_KINDS = (
    (r"score_(.+)_(\d+)", "", "finger score by {} on occasion {}"),
    (r"score_(.+)", "", "finger score by {}"),
    (r"squeeze_order_(.+)", "", "when in the row of squeezes of the berry {} came, from 1"),
    (r"scores_(.+)", "", "berries scored {}"),
    (r"predicted_scores_(.+)", "", "share of berries scored {}, by force and calibration"),
    (r"letters_(.+)", "", "letters of {}: means that share a letter are not shown to differ"),
)
_DICTIONARY = Kind("dictionary of columns", rb"column[,;\t]unit")
UNKNOWN = Column("", "column of the plan or of the source, as it is written there")


def describe(name: str) -> Column:
    """Return unit and meaning of a column; `UNKNOWN` of one that is none of ours.

    >>> describe("soft_pct_low").meaning
    'lower end of the interval: berries softer than the limit for sale'
    >>> describe("score_ines_2").meaning, describe("rain") is UNKNOWN
    ('finger score by ines on occasion 2', True)
    """
    if name in _KNOWN:
        return _KNOWN[name]
    for end, words in (
        ("_low", "lower end of the interval"),
        ("_high", "upper end of the interval"),
        ("_why", "why it is open"),
    ):
        if name.endswith(end) and (of := _KNOWN.get(name.removesuffix(end))):
            return Column("" if end == "_why" else of.unit, f"{words}: {of.meaning}")
    for pattern, unit, meaning in _KINDS:
        if found := re.fullmatch(pattern, name):
            return Column(unit, meaning.format(*found.groups()))
    return UNKNOWN


def export(
    path: Path, header: Sequence[str], rows: Iterable[Sequence[Any]], *, bom: bool = False,
    **layout: Any,
) -> str:  # fmt: skip
    """Write a CSV and beside it the dictionary of its columns; return words for the screen.

    `layout` goes to `csv_lines`. A CSV that goes to stdout has no dictionary. A CSV that is there
    is replaced where it has such columns, or a dictionary: any other is a sheet of somebody's.
    """
    if path.suffix.lower() in {".xlsx", ".xls", ".ods"}:
        raise InvalidValueError(
            f"{path}: what is written is a CSV, which no spreadsheet opens under that ending.",
            todo=f"Name it {path.with_suffix('.csv').name}.",
        )
    beside = path.parent / f"{path.stem}_columns.csv"
    first = "".join(csv_lines(header[:3], [], **layout)).rstrip()
    known = beside.is_file() and may_replace(beside, _DICTIONARY)
    kind = None if known else Kind("CSV of firmhand", re.escape(first.encode()))
    write_whole(path, csv_lines(header, rows, **layout), bom=bom, kind=kind)
    if str(path) == "-":
        return ""
    lines = [(name, *describe(name)) for name in header]
    named = csv_lines(["column", *Column._fields], lines, **layout)
    write_whole(beside, named, bom=bom, kind=_DICTIONARY)
    return f" {beside.name} says what its columns mean."


def csv_lines(
    header: Sequence[str],
    rows: Iterable[Sequence[Cell]],
    *,
    delimiter: str = ",",
    decimal_comma: bool = False,
) -> Iterator[str]:
    r"""Write a table as lines of CSV with their line ends (RFC 4180: CRLF, quotes doubled).

    None is an empty cell. A Decimal keeps its digits as shown (``2.370``). Text that is a plain
    number is a number; other text that a spreadsheet would run, or change, gets a leading
    apostrophe. With a decimal comma the delimiter must not be one.

    Examples
    --------
    >>> "".join(csv_lines(["force_N", "note"], [[-0.5, "=1+1"]], delimiter=";", decimal_comma=True))
    "force_N;note\r\n-0,5;'=1+1\r\n"
    """

    def cell(value: Cell) -> str:
        if value is None:
            return ""
        text = str(value)
        changed = isinstance(value, str) and _CHANGED.fullmatch(text)
        if not changed and (_NUMBER.fullmatch(text) or not isinstance(value, str)):
            return text.replace(".", ",") if decimal_comma else text
        # Some spreadsheets pass over blanks before a formula.
        runs = text.startswith(_FORMULA) or text.lstrip().startswith(_FORMULA)
        return f"'{text}" if changed or runs else text

    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    for row in (header, *rows):
        writer.writerow([cell(value) for value in row])
        yield out.getvalue()
        out.seek(0)
        out.truncate()
