"""A clamshell's finger counts, validated, and sheets of them from a CSV: a row a clamshell.

The sheet has marginal counts only: how many berries at each score, how many leak, how many are
decayed. A berry may be soft, leak and be decayed at once, so the marketable berries (within the
sale limit, neither leaking nor decayed) are known only between two bounds, unless the sheet counts
them itself.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from gauge.csvsheet import CsvSheet
from gauge.errors import BadTableError, ImpossibleSheetError

# Defects that a sheet may count; what they mean is common practice, no source.
# `red` berries have reddened drupelets; `any_defect` counts a berry once whatever it has.
DEFECTS = ("leaky", "decayed", "red", "any_defect")
_WEIGHTS = ("weight_start_g", "weight_end_g")
_COUNTED = (*DEFECTS, "marketable", "colour")
_OTHERS = (*_COUNTED, *_WEIGHTS)
# Columns that say which fruit it was; any other is not used unless it is asked for.
KNOWN = frozenset((
    "season", "site", "selection", "plot", "replicate", "clamshell", "lot", "harvest_date",
    "storage_day", "storage_temp_c", "crop",
))  # fmt: skip
_CODE_COLUMNS = ("sample", "clamshell", "code")
_TOTAL_COLUMNS = ("planned", "berries", "total")
# Without a sample code, a clamshell number counts only within these.
_IDENTITY = ("season", "site", "selection", "harvest_date", "storage_day", "replicate")
_COLOURS = range(4)


@dataclass(frozen=True, kw_only=True, slots=True)
class Clamshell:
    """What one rater counted in one clamshell; None is what the sheet does not count.

    `counts` are the berries at each score, firmest first, and add up to all berries. Whether
    reddened drupelets are a defect is a matter of the grade: they count against marketable berries
    only as part of `any_defect`. `colour` is that of the whole clamshell; weights are of its fruit
    when storage began and when it was counted. The counts must add up to `planned`; `levels` are
    the other columns, and `where` is file and row, for messages. What cannot be true is an
    ImpossibleSheetError that names the cell.
    """

    sample: str
    scale: Scale
    counts: tuple[int, ...]
    leaky: int | None = None
    decayed: int | None = None
    red: int | None = None
    any_defect: int | None = None
    marketable: int | None = None
    colour: int | None = None
    weight_start_g: float | None = None
    weight_end_g: float | None = None
    planned: int | None = None
    rater: str | None = None
    levels: Mapping[str, str] = field(default_factory=dict)
    where: str = ""

    def __post_init__(self) -> None:
        if len(self.counts) != len(self.scale.labels):
            self._refuse("counts", f"{len(self.counts)} counts for {len(self.scale.labels)} scores")
        for label, count in zip(self.scale.labels, self.counts, strict=True):
            if count < 0:
                self._refuse(label, f"{count} berries")
        if not self.n:
            self._refuse(self.scale.labels[0], "no berry at any score")
        for name in DEFECTS:
            count = getattr(self, name)
            if count is not None and not 0 <= count <= self.n:
                self._refuse(name, f"{count} {name} of {self.n} berries")
        if self.any_defect is not None and self.any_defect < (one := self._most_of_one()):
            self._refuse("any_defect", f"{self.any_defect}, but {one} have one defect")
        start, end = self.weight_start_g, self.weight_end_g
        if start is not None and end is not None and not 0 < end <= start:
            self._refuse("weight_end_g", f"{end:g} g of {start:g} g: fruit only loses weight")
        if self.planned is not None and self.planned != self.n:
            self._refuse("planned", f"the scores add up to {self.n}, the plan says {self.planned}")
        if self.marketable is not None and not self.least <= self.marketable <= self.most:
            self._refuse(
                "marketable",
                f"{self.marketable} marketable, but with {self.soft} beyond the limit, "
                f"{self.leaky or 0} leaky and {self.decayed or 0} decayed of {self.n} it must be "
                f"{self.least} to {self.most}",
            )

    def _refuse(self, column: str, what: str) -> None:
        place = f"{self.where}, " if self.where else ""
        raise ImpossibleSheetError(
            f"{place}clamshell {self.sample}, column '{column}': {what}.",
            todo="Count again, or correct the cell.",
        )

    @property
    def n(self) -> int:
        """Number of berries, from the counts of scores."""
        return sum(self.counts)

    @property
    def soft(self) -> int:
        """Berries beyond the sale limit; 0 where the scale has none."""
        return sum(self.counts[self.scale.beyond_limit])

    @property
    def least(self) -> int:
        """Marketable berries if every defect sits on a berry of its own."""
        flawed = (self.leaky or 0) + (self.decayed or 0)
        return max(0, self.n - self.soft - (flawed if self.any_defect is None else self.any_defect))

    @property
    def most(self) -> int:
        """Marketable berries if defects share berries as far as they can."""
        return self.n - max(self.soft, self._most_of_one(), self.any_defect or 0)

    @property
    def marketable_bounds(self) -> tuple[int, int]:
        """Least and most marketable berries: one number where the sheet counts them."""
        bounds = (self.least, self.most)
        return bounds if self.marketable is None else (self.marketable, self.marketable)

    def _most_of_one(self) -> int:
        return max(self.leaky or 0, self.decayed or 0)

    @property
    def weight_loss(self) -> float | None:
        """Share of the weight that was lost in storage."""
        start, end = self.weight_start_g, self.weight_end_g
        return None if start is None or end is None else 1 - end / start

    @property
    def mean_score(self) -> float:
        """Mean position on the scale, 1 for the firmest label."""
        weights = range(1, len(self.counts) + 1)
        return sum(w * c for w, c in zip(weights, self.counts, strict=True)) / self.n

    def to_document(self) -> dict[str, Any]:
        """Make the document that a season file keeps."""
        counts = dict(zip(self.scale.labels, self.counts, strict=True))
        return {"counts": counts} | {name: getattr(self, name) for name in _OTHERS}

    @classmethod
    def from_document(
        cls, document: Mapping[str, Any], *, sample: str, scale: Scale, **others: Any
    ) -> Clamshell:
        """Read what `to_document` wrote; what cannot be true is an ImpossibleSheetError."""
        counts = document.get("counts", {})
        unknown = [label for label in counts if label not in scale.labels]
        if unknown:
            raise ImpossibleSheetError(
                f"clamshell {sample}: '{unknown[0]}' is not a score of the scale "
                f"{', '.join(scale.labels)}."
            )
        others |= {name: document.get(name) for name in _OTHERS}
        return cls(
            sample=sample,
            scale=scale,
            counts=tuple(int(counts.get(label, 0)) for label in scale.labels),
            **others,
        )


def unused_columns(clamshells: Collection[Clamshell], asked: Collection[str] = ()) -> list[str]:
    """Find the columns of sheets that say nothing known, and that were not asked for."""
    names = dict.fromkeys(name for one in clamshells for name in one.levels)
    return [name for name in names if name not in KNOWN and name not in asked]


def score_columns(header: Collection[str], scale: Scale | None) -> tuple[Scale, list[str]] | None:
    """Find the scale, and the column of each score: the label itself, ``s1`` or ``score_1``."""
    for one in (BLACKBERRY, RASPBERRY) if scale is None else (scale,):
        names = [(label, f"s{label}", f"score_{label}") for label in one.labels]
        found = [[name for name in three if name in header] for three in names]
        if all(found):
            return one, [columns[0] for columns in found]
    return None


def read_sheets(
    path: Path, *, scale: Scale | None = None, colours: Collection[int] = _COLOURS
) -> tuple[Clamshell, ...]:
    """Read clamshell sheets from a CSV.

    It has the clamshell's code (`sample`, `clamshell` or `code`), a column a score, and any of the
    fields of `Clamshell` (`berries` and `total` are `planned` too); further columns are kept as
    levels. A blank score cell is a count of zero; a blank defect was not counted. The scale is 1-5
    or firm, soft by the header, if not given; `colours` are the allowed overall colours.

    Without code or score columns that is a BadTableError. A sheet that cannot be true, or a
    clamshell that stands there twice for one storage day, is an ImpossibleSheetError.
    """
    sheet = CsvSheet(path, "a header with sample, one column a score, and one row a clamshell")
    code = next((name for name in _CODE_COLUMNS if name in sheet.columns), "")
    found = _clamshells(sheet, scale, code)
    seen: dict[tuple[str | None, ...], int] = {}
    for number, one in zip(sheet.numbers, found, strict=True):
        # On another storage day it is the same clamshell, followed.
        within = _IDENTITY if code == "clamshell" else ("storage_day",)
        identity = (one.sample, one.rater, *(one.levels.get(name) for name in within))
        if identity in seen:
            raise ImpossibleSheetError(
                f"{path}, row {number}, column '{code}': clamshell {one.sample} stands in row "
                f"{seen[identity]} too.",
                todo="Correct the code, or remove the row that is not meant.",
            )
        seen[identity] = number
        if one.colour is not None and one.colour not in colours:
            raise ImpossibleSheetError(
                f"{path}, row {number}, column 'colour': {one.colour} is not on the scale "
                f"{', '.join(map(str, colours))}.",
                todo="Correct the cell, or declare the scale with --colour.",
            )
    return found


def _clamshells(sheet: CsvSheet, scale: Scale | None, code: str) -> tuple[Clamshell, ...]:
    """Read each row on its own."""
    known = score_columns(sheet.columns, scale)
    if known is None:
        raise _no_scores(sheet, scale)
    scale, columns = known
    if not code:
        sheet.lacks("sample")

    def grams(text: str) -> float | None:
        return sheet.number(text) if text else None

    counts = zip(*(_whole(sheet, name, blank=0) for name in columns), strict=True)
    total = next((name for name in _TOTAL_COLUMNS if name in sheet.columns), None)
    others = {name: _whole(sheet, name) for name in _COUNTED if name in sheet.columns}
    others |= {name: sheet.parsed(name, grams) for name in _WEIGHTS if name in sheet.columns}
    if total:
        others["planned"] = _whole(sheet, total)
    taken = {*columns, *_OTHERS, *_TOTAL_COLUMNS, "rater", "sample", "code", ""}
    found = []
    for index, (number, berries) in enumerate(zip(sheet.numbers, counts, strict=True)):
        cells = {name: column[index] for name, column in sheet.columns.items() if column[index]}
        if code not in cells:
            sheet.bad(index, code, "the cell is empty")
        found.append(
            Clamshell(
                sample=cells[code],
                scale=scale,
                counts=berries,
                rater=cells.get("rater"),
                levels={name: text for name, text in cells.items() if name not in taken},
                where=f"{sheet.path}, row {number}",
                **{name: values[index] for name, values in others.items()},
            )
        )
    return tuple(found)


def _no_scores(sheet: CsvSheet, scale: Scale | None) -> BadTableError:
    lacks = "neither s1 to s5 nor firm and soft"
    todo = "Declare the scale with --scores, for example --scores 1-4."
    if scale is not None:
        lacks = f"no column for each score of {', '.join(scale.labels)}"
        todo = "Name the columns s1 to s5, or declare the scale with --scores."
    return BadTableError(
        f"{sheet.path}: the header has {lacks} (it has {', '.join(sheet.header)}).", todo=todo
    )


def _whole(sheet: CsvSheet, column: str, *, blank: int | None = None) -> list[Any]:
    """Read counts of one column; what is no whole number from 0 on makes the sheet impossible."""
    try:
        return sheet.parsed(column, lambda text: sheet.whole(text) if text else blank)
    except BadTableError as error:
        raise ImpossibleSheetError(error.what, todo="Correct the cell.") from None
