"""The columns of a CSV of pairs: berries, scores on their scale, and all others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibrate.data.codedsheet import CodedSheet
from calibrate.data.factor import Factor, combined
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale, score_label

# Other columns that are numbers; everything else in a CSV stays text, as selection "114" must.
_NUMERIC = frozenset(
    ("number", "occasion", "squeeze_order", "storage_day", "storage_temp_c", "fruit_temp_c",
     "size_mm", "mass_g", "head_mm", "out_of_store_h", "session_id")
)  # fmt: skip


def berries(sheet: CodedSheet) -> Factor | None:
    """Name the berry of each row: numbers begin again in every sample."""
    name = next((name for name in ("berry", "number") if name in sheet.header), None)
    if name is None or "sample" not in sheet.header:
        return sheet.names("berry") if name == "berry" else None
    sample, number = sheet.columns["sample"], sheet.names(name)
    code = combined([sample, number], len(sheet))
    labels = []
    for row in np.unique(code, return_index=True)[1].tolist():
        before, own = f"{sample.text(row)}-", number.text(row) or ""
        labels.append(own if own.startswith(before) or before == "-" else before + own)
    return Factor(code=code.astype(np.int32), labels=tuple(labels)).sorted()


def usual_scale(sheet: CodedSheet, firmest: str) -> Scale:
    """Take the scale of a CSV that declares none: firm and soft, or 1 to 5."""
    words = {text.casefold() for text in sheet.columns["score"].labels}
    usual = RASPBERRY if words <= set(RASPBERRY.labels) else BLACKBERRY
    return usual if firmest == "first" else Scale(labels=usual.labels[::-1])


def ranks(sheet: CodedSheet, scale: Scale) -> NDArray[np.float64]:
    """Find the position of each score on a scale; what is none is a problem of its cells."""
    return sheet.values("score", lambda text: scale.rank(score_label(text)))


def other_column(sheet: CodedSheet, name: str) -> NDArray[np.object_]:
    """Read a column as numbers or as texts; None where a cell is empty."""

    def value(text: str) -> float | str | None:
        if name == "squeeze_order" and text and sheet.whole(text) < 1:
            raise ValueError("the first to squeeze a berry has 1")
        return sheet.number(text) if text and name in _NUMERIC else text or None

    return np.array(sheet.parsed(name, value), dtype=object)[sheet.columns[name].code]
