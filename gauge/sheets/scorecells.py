"""Columns of finger scores, whoever heads them, and the scores in their cells."""

from __future__ import annotations

import re
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from gauge.csvsheet import CsvSheet, name_key
from gauge.errors import BadTableError

# A column of one rater's scores, as 'gauge readings' writes it; the number is the occasion.
_SCORES_OF = re.compile(r"score_(.+?)(?:_(\d+))?", re.IGNORECASE)


class ScoreColumn(NamedTuple):
    """A column of scores, with the rater and the occasion that its header names, if it does."""

    name: str
    rater: str | None = None
    occasion: int | None = None

    @property
    def orders(self) -> str:
        """Name of the column that says when in the row of squeezes these came."""
        return f"squeeze_order_{self.name.removeprefix('score').lstrip('_')}".rstrip("_")


@dataclass(frozen=True, kw_only=True)
class ScoreCells:
    """The scores of a sheet on a scale, firmest label first."""

    sheet: CsvSheet
    labels: tuple[str, ...]

    def columns(
        self, rater: str | None, raters: Collection[str], taken: Collection[str], *, needed: bool
    ) -> list[ScoreColumn]:
        """Find the columns of scores: `score`, or one for each of `raters`, or none unless needed.

        `rater` scored the whole sheet; the columns in `taken` say something else.
        """
        sheet = self.sheet
        if "score" in sheet.columns:
            if rater is None:
                sheet.need("rater", todo="Or say whose sheet it is: --rater NAME.")
            elif "rater" in sheet.columns:
                raise BadTableError(
                    f"{sheet.path}: the sheet has a column 'rater'.", todo="Leave out --rater."
                )
            return [ScoreColumn("score", rater)]
        found, names = [], set(map(name_key, raters))
        for column in sheet.header:
            if parts := _SCORES_OF.fullmatch(column):
                found.append(ScoreColumn(column, parts[1], int(parts[2] or 0) or None))
            elif name_key(column) in names:
                found.append(ScoreColumn(column, column))
        # And whatever holds scores in the main, under a header that says nothing else to us: a new
        # rater's column, whose bad cells are named, is not passed over.
        other = {"", *taken, *(column.name for column in found)}
        free = [n for n in sheet.header if n not in other and not n.startswith("squeeze_order")]
        found += [ScoreColumn(name, name) for name in free if self._looks_like_scores(name)]
        if not found and needed:
            sheet.need("score", todo="Or give each rater a column: score_ines, score_marek.")
        return found

    def _looks_like_scores(self, column: str) -> bool:
        filled = [cell for cell in self.sheet.columns[column] if cell]
        scores = 0
        for cell in filled:
            with suppress(ValueError):
                scores += self._score("", cell) is not None
        return 2 * scores >= max(len(filled), 1)

    def read(self, column: ScoreColumn, *, blank: bool) -> list[str | None]:
        """Read a column of scores; None of bad cells, and of blank ones where they are allowed."""
        other = f"; a column of anything else: --map -='{self.sheet.typed[column.name]}'"
        score = partial(self._score, other if column.rater == column.name else "")
        return self.sheet.parsed(
            column.name, lambda text: None if blank and not text else score(text)
        )

    def _score(self, other: str, text: str) -> str:
        """Return the scale's own spelling of a score: "3.0" is "3" and "Firm" is "firm"."""
        if not text:
            raise ValueError("the cell is empty")
        by_case = {label.casefold(): label for label in self.labels}
        plain = text.casefold()
        if plain not in by_case and plain.endswith((".0", ",0")):
            plain = plain[:-2]
        if plain not in by_case:
            scale = ", ".join(self.labels)
            raise ValueError(f"'{text}' is not a score of the season's scale ({scale}){other}")
        return by_case[plain]
