"""The scores that a season's calibration was fitted to, kept with it so that hands can be checked.

A hand is checked against what it was on the calibration's days, with what those days left unknown,
and by scores that came after: neither can be read back from cut points alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.pairs import Pairs
from calibrate.data.scale import Scale
from calibrate.data.squeezes import PressOnly, squeezes_to_press
from calibrate.model.cutmodel import ForceScale
from calibrate.model.dependence import scoring_order
from gauge.csvsheet import name_key
from gauge.errors import InvalidValueError

# Key in the document of a calibration, and the other columns that a hand depends on.
_KEY, _OTHERS = "scored", ("occasion", "squeeze_order")


def scored_document(pairs: Pairs) -> dict[str, Any]:
    """Write the rows of a fit, in the order of scoring, as a part of a calibration's document."""
    order = scoring_order(pairs)
    columns: dict[str, Any] = {
        "scale": pairs.scale.to_json(),
        "raters": pairs.raters,
        "berries": pairs.berries,
        "force_n": pairs.force_newton[order].tolist(),
    }
    columns |= {name: getattr(pairs, name)[order].tolist() for name in ("rank", "rater", "berry")}
    if (pairs.count != 1).any():
        columns["count"] = pairs.count[order].tolist()
    for name in _OTHERS:
        column = pairs.extra.get(name, np.full(0, None))[: order.size]
        if any(value is not None for value in column):
            columns[name] = column[order].tolist()
    columns["press_only"] = pairs.press_only and asdict(pairs.press_only)
    return {_KEY: columns}


def scored_pairs(document: dict[str, Any], source: str) -> Pairs | None:
    """Read the rows that a stored calibration was fitted to; None where they were not kept."""
    columns = document.get(_KEY)
    if columns is None:
        return None
    try:
        n, berries = len(columns["rank"]), tuple(columns["berries"])
        berry = np.array(columns["berry"], dtype=np.int64)
        order = np.array(columns.get("squeeze_order", [None] * n), dtype=float)
        pressed = columns.get("press_only")
        return Pairs(
            scale=Scale.from_json(columns["scale"]),
            force_newton=np.array(columns["force_n"], dtype=float),
            rank=np.array(columns["rank"], dtype=np.int64),
            count=np.array(columns.get("count", [1.0] * n), dtype=float),
            rater=np.array(columns["rater"], dtype=np.int64),
            berry=berry,
            raters=tuple(columns["raters"]),
            berries=berries,
            squeezes=squeezes_to_press(berry, order, bool(berries)),
            press_only=None if pressed is None else PressOnly(**pressed),
            extra={k: np.array(columns[k], dtype=object) for k in _OTHERS if k in columns},
            source=source,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InvalidValueError(f"{source} holds no scores: {error}") from None


def load_scored(season: Path, name: str) -> tuple[Pairs, ForceScale] | None:
    """Read what a season's calibration was fitted to, and how; None where it was not kept."""
    from gauge.season.file import open_season

    with open_season(season, read_only=True) as file:
        stored = file.calibration(name)
        renames = [
            (change.old["rater"], change.new["rater"])
            for change in file.trail()
            if change.table == "scores" and change.at > stored.at and "rater" in change.new
        ]
    pairs = scored_pairs(stored.document, f"calibration {name}")
    if pairs is None:
        return None
    return _renamed(pairs, renames), stored.document["force_scale"]


def _renamed(pairs: Pairs, renames: Sequence[tuple[str, str]]) -> Pairs:
    """Give raters the names that they were corrected to since; two of one name become one."""
    names = list(pairs.raters)
    if not names:
        return pairs
    for old, new in renames:
        names = [new if name == old else name for name in names]
    raters = tuple(dict.fromkeys(names))
    rater = np.array([raters.index(name) for name in names], dtype=np.int64)[pairs.rater]
    return replace(pairs, raters=raters, rater=rater, doubts=())


def later_than(pairs: Pairs, fitted: Pairs) -> Pairs:
    """Leave out the scores that a calibration was fitted to."""
    used = Counter(_keys(fitted))
    new = np.ones(pairs.rank.size, dtype=bool)
    for row, key in enumerate(_keys(pairs)):
        if used[key]:
            used[key] -= 1
            new[row] = False
    return replace(pairs.rows(new), doubts=())


def _keys(pairs: Pairs) -> list[tuple[object, ...]]:
    """Berry, rater and occasion of each row; rows without a berry are known by force and score."""
    raters = [name_key(name) for name in pairs.raters] or [""]
    if not pairs.berries:
        rows = zip(pairs.force_newton.tolist(), pairs.rank.tolist(), strict=True)
        return [(*row, raters[j]) for row, j in zip(rows, pairs.rater.tolist(), strict=True)]
    occasion: NDArray[np.object_] = pairs.extra.get("occasion", np.full(pairs.rank.size, None))
    columns = (pairs.berry.tolist(), pairs.rater.tolist(), occasion.tolist())
    return [
        (pairs.berries[berry], raters[j], float(which or 1))
        for berry, j, which in zip(*columns, strict=True)
    ]
