"""A scale of finger scores: ordered labels, firmest first, and the limit for sale."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

from gauge.errors import InvalidValueError


@dataclass(frozen=True, kw_only=True, slots=True)
class Scale:
    """Ordered labels of a finger score, firmest first; at least two, all different.

    `sale_limit` is the softest label that may still be sold.

    Examples
    --------
    >>> BLACKBERRY.rank("3"), BLACKBERRY.boundaries[1], BLACKBERRY.sale_boundary
    (2, ('2', '3'), 2)
    """

    labels: tuple[str, ...]
    sale_limit: str | None = None
    name: str = "finger score"

    def __post_init__(self) -> None:
        if len(self.labels) < 2:
            raise InvalidValueError("a scale needs two labels or more")
        if len(set(self.labels)) != len(self.labels):
            raise InvalidValueError(f"a label stands twice in the scale {', '.join(self.labels)}")
        if self.sale_limit is not None and self.sale_limit not in self.labels:
            raise InvalidValueError(
                f"the sale limit '{self.sale_limit}' is not a label of the scale "
                f"{', '.join(self.labels)}.",
                todo="Name one of them as the limit, or another scale.",
            )

    def rank(self, label: str) -> int:
        """Find the position of a label, whatever its case; any other is an InvalidValueError."""
        known = [one.casefold() for one in self.labels]
        if label.casefold() not in known:
            raise InvalidValueError(
                f"'{label}' is not a score of the scale {', '.join(self.labels)}"
            )
        return known.index(label.casefold())

    @property
    def boundaries(self) -> tuple[tuple[str, str], ...]:
        """Neighbouring labels, firmest pair first."""
        return tuple(zip(self.labels[:-1], self.labels[1:], strict=True))

    @property
    def sale_boundary(self) -> int | None:
        """Index of the boundary just beyond the sale limit; None without a limit or beyond all."""
        if self.sale_limit is None:
            return None
        index = self.rank(self.sale_limit)
        return index if index < len(self.labels) - 1 else None

    @property
    def beyond_limit(self) -> slice:
        """Ranks of the scores beyond the sale limit; none of them without a limit."""
        limit = self.labels[-1] if self.sale_limit is None else self.sale_limit
        return slice(self.rank(limit) + 1, None)

    def to_json(self) -> str:
        """Make the text that a season file keeps."""
        return json.dumps(
            {"name": self.name, "labels": list(self.labels), "sale_limit": self.sale_limit},
            ensure_ascii=False,
        )

    @classmethod
    def from_json(cls, text: str) -> Scale:
        """Read what `to_json` wrote; any other text is an InvalidValueError."""
        try:
            document = json.loads(text)
            return cls(
                labels=tuple(str(label) for label in document["labels"]),
                sale_limit=document.get("sale_limit"),
                name=str(document.get("name", "finger score")),
            )
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise InvalidValueError(f"this is not a scale of finger scores: {error}") from None


def score_label(text: str) -> str:
    """Write whole numbers one way: "3" and "3.0" (of spreadsheets) are the same score.

    An empty cell, or a number that is not finite, is a ValueError.
    """
    if not text:
        raise ValueError("the cell is empty")
    try:
        value = float(text)
    except ValueError:
        return text
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is not a score")
    return str(int(value)) if value.is_integer() else text


# The 1-5 scale with 3 the limit for sale, and the two-word scale: common practice, no source.
BLACKBERRY = Scale(labels=("1", "2", "3", "4", "5"), sale_limit="3", name="blackberry")
RASPBERRY = Scale(labels=("firm", "soft"), sale_limit="firm", name="raspberry")


def parse_scale(text: str, *, firmest: str = "first") -> Scale:
    """Read a scale as it is typed: ``1-5``, or labels parted by commas.

    `firmest`, "first" or "last", is the end of that list which is the firmest. Any other text is an
    InvalidValueError.

    Examples
    --------
    >>> parse_scale("1-3").labels
    ('1', '2', '3')
    >>> parse_scale("soft,firm", firmest="last").labels
    ('firm', 'soft')
    """
    low, dash, high = text.partition("-")
    if dash and low.strip().isdigit() and high.strip().isdigit():
        labels = tuple(str(k) for k in range(int(low), int(high) + 1))
    else:
        labels = tuple(part.strip() for part in text.split(","))
    if len(labels) < 2 or not all(labels):
        raise InvalidValueError(
            f"'{text}' is not a scale.", todo="Write 1-5, or labels in order: firm,soft."
        )
    if firmest == "last":
        labels = labels[::-1]
    for known in (BLACKBERRY, RASPBERRY):
        if labels == known.labels:
            return known
    return Scale(labels=labels)
