"""Reading clamshell sheets from a CSV: one row a clamshell, one column a score.

What a sheet must fulfil is in clamshell; here cells become numbers and columns find their meaning.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from calibrate.data.clamshell import Clamshell
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from gauge.csvsheet import CsvSheet
from gauge.errors import BadTableError, ImpossibleSheetError

CODE_COLUMNS = ("sample", "clamshell", "code")
TOTAL_COLUMNS = ("planned", "berries", "total")
# Without a sample code, a clamshell number counts only within these.
IDENTITY = ("season", "site", "selection", "harvest_date", "storage_day", "replicate")
COLOURS = range(4)


def score_columns(header: Collection[str], scale: Scale) -> tuple[str, ...] | None:
    """Find the column of each score: the label itself, ``s1`` or ``score_1``; None if one lacks.

    Examples
    --------
    >>> score_columns(["sample", "firm", "soft"], RASPBERRY)
    ('firm', 'soft')
    """
    found = []
    for label in scale.labels:
        names = [name for name in (label, f"s{label}", f"score_{label}") if name in header]
        if not names:
            return None
        found.append(names[0])
    return tuple(found)


def looks_like_sheets(header: Collection[str], scale: Scale | None = None) -> bool:
    """Tell clamshell sheets from rows of berries by the header.

    Examples
    --------
    >>> looks_like_sheets(["sample", "s1", "s2", "s3", "s4", "s5", "leaky"])
    True
    """
    scales = (BLACKBERRY, RASPBERRY) if scale is None else (scale,)
    return any(score_columns(header, one) for one in scales)


def read_sheets(
    path: Path, *, scale: Scale | None = None, colours: Collection[int] = COLOURS
) -> tuple[Clamshell, ...]:
    r"""Read clamshell sheets.

    Parameters
    ----------
    path : Path
        CSV with the clamshell's code (`sample`, `clamshell` or `code`), a column a score, and if
        wanted `leaky`, `decayed`, `marketable`, `colour`, `planned` (or `berries`, `total`: what
        the scores must add up to), `rater`; further columns are kept as levels. A blank score
        cell is a count of zero; a blank defect was not counted.
    scale : Scale, optional
        By default 1-5 or firm, soft, by the header.
    colours : collection of int
        Allowed values of the overall colour.

    Raises
    ------
    BadTableError
        If the CSV has no code or no score columns.
    ImpossibleSheetError
        If a sheet cannot be true, or a clamshell stands there twice; names row and column.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "sheets.csv")
    ...     _ = path.write_text("sample,firm,soft,leaky\nT1,18,2,1\n")
    ...     read_sheets(path)[0].counts
    (18, 2)
    """
    sheet = CsvSheet(path, "a header with sample, one column a score, and one row a clamshell")
    scale = scale or _scale_of(sheet)
    columns = score_columns(sheet.columns, scale)
    if columns is None:
        raise BadTableError(
            f"{path}: the header has no column for each score of {', '.join(scale.labels)} "
            f"(it has {', '.join(sheet.header)}).",
            todo="Name the columns s1 to s5, or declare the scale with --scores.",
        )
    code = next((name for name in CODE_COLUMNS if name in sheet.columns), None)
    if code is None:
        sheet.lacks("sample")
    counts = list(zip(*(_whole(sheet, name, blank=0) for name in columns), strict=True))
    others = {
        name: _whole(sheet, name, blank=None)
        for name in ("leaky", "decayed", "marketable", "colour")
        if name in sheet.columns
    }
    total = next((name for name in TOTAL_COLUMNS if name in sheet.columns), None)
    planned = _whole(sheet, total, blank=None) if total else [None] * len(sheet)
    kept = [
        name
        for name in sheet.header
        if name and name not in {*columns, *others, *TOTAL_COLUMNS, "rater", "sample", "code"}
    ]
    found: list[Clamshell] = []
    seen: dict[tuple[str | None, ...], int] = {}
    for index, number in enumerate(sheet.numbers):
        sample = sheet.columns[code][index]
        if not sample:
            sheet.bad(index, code, "the cell is empty")
        rater = sheet.columns["rater"][index] if "rater" in sheet.columns else None
        levels = {name: sheet.columns[name][index] for name in kept if sheet.columns[name][index]}
        within = IDENTITY if code == "clamshell" else ()
        identity = (sample, rater, *(levels.get(name) for name in within))
        if identity in seen:
            raise ImpossibleSheetError(
                f"{path}, row {number}, column '{code}': clamshell {sample} stands in row "
                f"{seen[identity]} too.",
                todo="Correct the code, or remove the row that is not meant.",
            )
        seen[identity] = number
        one = Clamshell(
            sample=sample,
            scale=scale,
            counts=counts[index],
            planned=planned[index],
            rater=rater or None,
            levels=levels,
            where=f"{path}, row {number}",
            **{name: values[index] for name, values in others.items()},
        )
        if one.colour is not None and one.colour not in colours:
            allowed = ", ".join(map(str, colours))
            raise ImpossibleSheetError(
                f"{path}, row {number}, column 'colour': {one.colour} is not on the scale "
                f"{allowed}.",
                todo="Correct the cell, or declare the scale with --colour.",
            )
        found.append(one)
    return tuple(found)


def _scale_of(sheet: CsvSheet) -> Scale:
    for scale in (BLACKBERRY, RASPBERRY):
        if score_columns(sheet.columns, scale):
            return scale
    raise BadTableError(
        f"{sheet.path}: the header has neither s1 to s5 nor firm and soft "
        f"(it has {', '.join(sheet.header)}).",
        todo="Declare the scale with --scores, for example --scores 1-4.",
    )


def _whole(sheet: CsvSheet, column: str, *, blank: int | None) -> list[int | None]:
    """Counts of one column; anything but a whole number from 0 on makes the sheet impossible."""
    try:
        return sheet.parsed(column, lambda text: sheet.whole(text) if text else blank)
    except BadTableError as error:
        raise ImpossibleSheetError(error.what, todo="Correct the cell.") from None
