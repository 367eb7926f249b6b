"""The finger-score scales that a new season file starts with, as they are kept in it.

Only labels and the sale limit: what a scale means is calibrate's business.
"""

from __future__ import annotations

import json
from typing import Any

from gauge.errors import InvalidValueError

# The 1-5 scale with 3 the limit for sale, and the two-word scale: common practice, no source.
DEFAULT_SCALES: dict[str, dict[str, Any]] = {
    "blackberry": {"name": "blackberry", "labels": ["1", "2", "3", "4", "5"], "sale_limit": "3"},
    "raspberry": {"name": "raspberry", "labels": ["firm", "soft"], "sale_limit": "firm"},
}


def default_scale(crop: str | None) -> str:
    """The scale of a crop as JSON text; the blackberry's for a crop that has none of its own.

    Examples
    --------
    >>> default_scale("raspberry")
    '{"name": "raspberry", "labels": ["firm", "soft"], "sale_limit": "firm"}'
    """
    scale = DEFAULT_SCALES.get((crop or "").strip().lower(), DEFAULT_SCALES["blackberry"])
    return json.dumps(scale, ensure_ascii=False)


def labels_of(scale_json: str) -> tuple[str, ...]:
    """The labels of a scale, firmest first.

    Raises
    ------
    InvalidValueError
        If the text is not a scale: labels fewer than two, repeated, or a sale limit not on it.

    Examples
    --------
    >>> labels_of(default_scale("raspberry"))
    ('firm', 'soft')
    """
    try:
        document = json.loads(scale_json)
        labels = tuple(document["labels"])
        limit = document.get("sale_limit")
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InvalidValueError("this is not a scale of finger scores") from None
    if not all(isinstance(label, str) and label.strip() for label in labels):
        raise InvalidValueError("a label of the scale is not a word")
    if len(labels) < 2 or len(set(labels)) != len(labels):
        raise InvalidValueError("a scale needs two labels or more, all different")
    if limit is not None and limit not in labels:
        raise InvalidValueError(f"the sale limit '{limit}' is not a label of the scale")
    return labels
