"""A clamshell's finger counts, validated, and the percentages that follow from them.

Reading sheets from a CSV is in sheetfile, the entry form in tallyform.

The sheet has marginal counts only: how many berries at each score, how many leak, how many are
decayed. A berry may be soft, leak and be decayed at once, so the marketable berries (within the
sale limit, neither leaking nor decayed) are known only between two bounds, unless the sheet counts
them itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from calibrate.estimate import Estimate
from calibrate.proportions import Dispersion, dispersion, mean_proportion, proportion
from calibrate.scale import Scale
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
        """Berries, from the firmness counts."""
        return sum(self.counts)

    @property
    def soft(self) -> int:
        """Berries beyond the sale limit; 0 where the scale has none."""
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
        """Mean position on the scale, 1 for the firmest label."""
        weights = range(1, len(self.counts) + 1)
        return sum(w * c for w, c in zip(weights, self.counts, strict=True)) / self.n

    def to_document(self) -> dict[str, Any]:
        """The sheet as it is kept in a season file.

        Examples
        --------
        >>> from calibrate.scale import RASPBERRY
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
        >>> from calibrate.scale import RASPBERRY
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Shares:
    """Proportions of one clamshell, or the mean of several.

    Attributes
    ----------
    soft, at_limit, leaky, decayed, marketable : Estimate or None
        0 to 1; None where nothing was counted. `marketable` has the cautious value (each defect on
        a berry of its own); its upper end belongs to `marketable_most`.
    marketable_most : float or None
        Marketable share if defects share berries as far as they can.
    dispersion : mapping of str to Dispersion
        For several clamshells: of soft, leaky and decayed berries.
    """

    soft: Estimate | None
    at_limit: Estimate | None
    leaky: Estimate | None
    decayed: Estimate | None
    marketable: Estimate | None
    marketable_most: float | None
    dispersion: Mapping[str, Dispersion] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Percentages, as the commands write them.

        Examples
        --------
        >>> from calibrate.scale import RASPBERRY
        >>> one = Clamshell(sample="T1", scale=RASPBERRY, counts=(18, 2))
        >>> shares([one]).to_json()["soft_pct"]["value"]
        10.0
        """
        document: dict[str, Any] = {}
        for name in ("soft", "at_limit", "leaky", "decayed", "marketable"):
            estimate = getattr(self, name)
            document[f"{name}_pct"] = None if estimate is None else estimate.times(100).to_json()
        if self.marketable_most is not None:
            document["marketable_at_most_pct"] = 100 * self.marketable_most
        if self.dispersion:
            document["overdispersion"] = {
                name: {"ratio": d.ratio, "df": d.df, "p": d.p}
                for name, d in self.dispersion.items()
            }
        return document


def shares(clamshells: Sequence[Clamshell], *, level: float = 0.95) -> Shares:
    """Find the proportions of one clamshell, or their mean over several.

    One clamshell has Wilson intervals; of several each counts alike and is the unit, see
    `calibrate.proportions.mean_proportion`.

    Parameters
    ----------
    clamshells : sequence of Clamshell
        One or more.
    level : float

    Examples
    --------
    >>> from calibrate.scale import BLACKBERRY
    >>> one = Clamshell(sample="T1", scale=BLACKBERRY, counts=(4, 6, 5, 4, 1), leaky=3, decayed=1)
    >>> found = shares([one])
    >>> found.soft.value, found.at_limit.value, found.marketable.value, found.marketable_most
    (0.25, 0.25, 0.55, 0.75)
    """
    limited = [c for c in clamshells if c.scale.sale_limit is not None]
    soft = _share([(c.soft, c.n) for c in limited], level)
    at_limit = _share([(c.at_limit, c.n) for c in limited], level)
    defects = {}
    for name in DEFECTS:
        counted = [(getattr(c, name), c.n) for c in clamshells if getattr(c, name) is not None]
        defects[name] = _share(counted, level)
    marketable, most = _marketable(limited, level)
    spread = {}
    if len(clamshells) > 1:
        spread["soft"] = dispersion([c.soft for c in limited], [c.n for c in limited])
        for name in DEFECTS:
            rows = [(getattr(c, name), c.n) for c in clamshells if getattr(c, name) is not None]
            if rows:
                spread[name] = dispersion([x for x, _ in rows], [n for _, n in rows])
    return Shares(
        soft=soft,
        at_limit=at_limit,
        leaky=defects["leaky"],
        decayed=defects["decayed"],
        marketable=marketable,
        marketable_most=most,
        dispersion=spread,
    )


def _share(counted: list[tuple[int, int]], level: float) -> Estimate | None:
    if not counted:
        return None
    if len(counted) == 1:
        return proportion(*counted[0], level=level)
    hits, n = zip(*counted, strict=True)
    return mean_proportion(hits, n, level=level)


def _marketable(
    clamshells: Sequence[Clamshell], level: float
) -> tuple[Estimate | None, float | None]:
    """The cautious share; its lower end from the least, its upper end from the most."""
    if not clamshells:
        return None, None
    exact = [c.marketable for c in clamshells]
    least = [c.least if m is None else m for c, m in zip(clamshells, exact, strict=True)]
    most = [c.most if m is None else m for c, m in zip(clamshells, exact, strict=True)]
    totals = [c.n for c in clamshells]
    low = _share(list(zip(least, totals, strict=True)), level)
    high = _share(list(zip(most, totals, strict=True)), level)
    if low is None or high is None:
        return None, None
    why = low.why if least == most else "counted as if no berry had two defects"
    return Estimate(value=low.value, low=low.low, high=high.high, why=why), high.value
