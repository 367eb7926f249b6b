"""A clamshell's finger counts, validated.

Reading sheets from a CSV is in sheetfile, the entry form in tallyform, percentages in shares.

The sheet has marginal counts only: how many berries at each score, how many leak, how many are
decayed. A berry may be soft, leak and be decayed at once, so the marketable berries (within the
sale limit, neither leaking nor decayed) are known only between two bounds, unless the sheet counts
them itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from calibrate.data.scale import Scale
from gauge.errors import ImpossibleSheetError

# Defects that a sheet may count; what they mean is common practice, no source.
DEFECTS = ("leaky", "decayed")


@dataclass(frozen=True, kw_only=True, slots=True)
class Clamshell:
    """What one rater counted in one clamshell.

    Attributes
    ----------
    sample : str
    scale : Scale
    counts : tuple of int
        Berries at each score, firmest first. Their sum is the number of berries.
    leaky, decayed, marketable : int or None
        None where the sheet does not count them.
    colour : int or None
        Overall colour of the clamshell, on the declared scale.
    planned : int or None
        Berries that the plan foresees; the counts must add up to it.
    rater : str or None
    levels : mapping of str to str
        Other columns: selection, harvest_date, storage_day ...
    where : str
        File and row, for messages.

    Raises
    ------
    ImpossibleSheetError
        If the sheet cannot be true; the message names the cell.
    """

    sample: str
    scale: Scale
    counts: tuple[int, ...]
    leaky: int | None = None
    decayed: int | None = None
    marketable: int | None = None
    colour: int | None = None
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
        """Berries, from the firmness counts.

        Examples
        --------
        >>> from calibrate.data.scale import BLACKBERRY
        >>> Clamshell(sample="T1", scale=BLACKBERRY, counts=(4, 6, 5, 4, 1)).n
        20
        """
        return sum(self.counts)

    @property
    def soft(self) -> int:
        """Berries beyond the sale limit; 0 where the scale has none.

        Examples
        --------
        >>> from calibrate.data.scale import BLACKBERRY
        >>> Clamshell(sample="T1", scale=BLACKBERRY, counts=(4, 6, 5, 4, 1)).soft
        5
        """
        limit = self.scale.sale_limit
        return 0 if limit is None else sum(self.counts[self.scale.rank(limit) + 1 :])

    @property
    def at_limit(self) -> int:
        """Berries at the sale limit."""
        limit = self.scale.sale_limit
        return 0 if limit is None else self.counts[self.scale.rank(limit)]

    @property
    def least(self) -> int:
        """Marketable berries if every defect sits on a berry of its own."""
        return max(0, self.n - self.soft - (self.leaky or 0) - (self.decayed or 0))

    @property
    def most(self) -> int:
        """Marketable berries if defects share berries as far as they can."""
        return self.n - max(self.soft, self.leaky or 0, self.decayed or 0)

    @property
    def mean_score(self) -> float:
        """Mean position on the scale, 1 for the firmest label.

        Examples
        --------
        >>> from calibrate.data.scale import BLACKBERRY
        >>> Clamshell(sample="T1", scale=BLACKBERRY, counts=(4, 6, 5, 4, 1)).mean_score
        2.6
        """
        weights = range(1, len(self.counts) + 1)
        return sum(w * c for w, c in zip(weights, self.counts, strict=True)) / self.n

    def to_document(self) -> dict[str, Any]:
        """The sheet as it is kept in a season file.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> Clamshell(sample="T1", scale=RASPBERRY, counts=(18, 2), leaky=1).to_document()
        {'counts': {'firm': 18, 'soft': 2}, 'leaky': 1, 'decayed': None, 'marketable': None,
         'colour': None}
        """
        counts = dict(zip(self.scale.labels, self.counts, strict=True))
        return {
            "counts": counts,
            "leaky": self.leaky,
            "decayed": self.decayed,
            "marketable": self.marketable,
            "colour": self.colour,
        }

    @classmethod
    def from_document(
        cls, document: Mapping[str, Any], *, sample: str, scale: Scale, **others: Any
    ) -> Clamshell:
        """Read what `to_document` wrote.

        Raises
        ------
        ImpossibleSheetError
            If the sheet cannot be true or holds scores that the scale does not know.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> document = {"counts": {"firm": 18, "soft": 2}, "leaky": 1}
        >>> Clamshell.from_document(document, sample="T1", scale=RASPBERRY).counts
        (18, 2)
        """
        counts = document.get("counts", {})
        unknown = [label for label in counts if label not in scale.labels]
        if unknown:
            raise ImpossibleSheetError(
                f"clamshell {sample}: '{unknown[0]}' is not a score of the scale "
                f"{', '.join(scale.labels)}."
            )
        return cls(
            sample=sample,
            scale=scale,
            counts=tuple(int(counts.get(label, 0)) for label in scale.labels),
            leaky=document.get("leaky"),
            decayed=document.get("decayed"),
            marketable=document.get("marketable"),
            colour=document.get("colour"),
            **others,
        )
