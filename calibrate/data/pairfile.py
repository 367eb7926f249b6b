"""Reading pairs of force and score from a CSV or a season file, cell by cell.

Whole columns are converted at once; only when one fails is it walked to name the bad cell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.codedsheet import CodedSheet, code_texts
from calibrate.data.forcecolumn import read_forces
from calibrate.data.levels import Level
from calibrate.data.pairs import Pairs
from calibrate.data.scale import BLACKBERRY, RASPBERRY, Scale
from gauge.errors import BadTableError, UnreadableFileError

_SQLITE = b"SQLite format 3\x00"
# Other columns that are numbers; everything else in a CSV stays text, as selection "114" must.
_NUMERIC = frozenset(
    {"number", "occasion", "storage_day", "storage_temp_c", "fruit_temp_c", "size_mm", "session_id"}
)
_MOST_SCORES = 50
_PAIR = (
    "berry_id", "rater", "score", "force_N", "sample", "number", "occasion", "selection", "lot",
    "harvest_date", "storage_day", "fruit_temp_c", "size_mm", "site", "session_id", "flags",
    "scored_at",
)  # fmt: skip


def looks_like_season(path: Path) -> bool:
    """Tell an SQLite file from text by its first bytes.

    Raises
    ------
    UnreadableFileError
        If the file cannot be read at all.

    Examples
    --------
    >>> looks_like_season(Path(__file__))
    False
    """
    try:
        with path.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except OSError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {error.strerror or error}.",
            todo="Give a season file or a CSV.",
        ) from None


def read_pair_csv(path: Path, *, firmest: str, scale: Scale | None, positive: bool) -> Pairs:
    r"""Read a CSV; see `calibrate.data.pairs.load_pairs`.

    Raises
    ------
    BadTableError
        If a column lacks or a cell cannot be right; names row and column.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "R-114.csv")
    ...     _ = path.write_text("force_N,score,rater\n2.4,firm,ines\n1.1,soft,marek\n")
    ...     pairs = read_pair_csv(path, firmest="first", scale=None, positive=False)
    >>> pairs.rank.tolist(), pairs.raters
    ([0, 1], ('ines', 'marek'))
    """
    sheet = CodedSheet(path, "a header with force_N and score, and one row a scored berry")
    taken = {"score", "rater", "berry", "count", *_force_columns(sheet)}
    sheet.need("score")
    force = _forces(sheet, positive)
    label = sheet.relabelled("score", _label)
    if scale is None:
        scale = _observed_scale(sheet, label, firmest)
    place = {text: rank for rank, text in enumerate(scale.labels)}
    for at, text in enumerate(label.labels):
        if text not in place:
            sheet.bad(
                int(np.argmax(label.code == at)),
                "score",
                f"'{text}' is not a score of the scale {', '.join(scale.labels)}",
            )
    count = np.ones(len(sheet))
    if "count" in sheet.header:
        count = sheet.values("count", lambda text: _count(sheet.number(text)))
    seen = count > 0
    if not seen.any():
        raise BadTableError(f"{path}, column 'count': every count is zero.")
    rater, raters = _names(sheet, "rater")
    berry, berries = _names(sheet, "berry")
    extra: dict[str, NDArray[np.object_]] = {}
    for name in sheet.header:
        if name and name not in taken:
            extra[name] = _extra(sheet, name)[seen]
    return Pairs(
        scale=scale,
        force_newton=force[seen],
        rank=np.array([place[text] for text in label.labels], np.int64)[label.code][seen],
        count=count[seen],
        rater=rater[seen],
        berry=berry[seen],
        raters=raters,
        berries=berries,
        extra=extra,
        source=str(path),
    )


def _force_columns(sheet: CodedSheet) -> tuple[str, ...]:
    if "force_N" in sheet.header:
        return ("force_N",)
    if "force" in sheet.header and "unit" in sheet.header:
        return ("force", "unit")
    sheet.lacks(
        "force_N",
        todo="Give the season file itself: what 'gauge readings' exports has a column a rater."
        if "peak_N" in sheet.header
        else "Name the column force_N, or give the columns force and unit.",
    )


def _forces(sheet: CodedSheet, positive: bool) -> NDArray[np.float64]:
    force = read_forces(sheet)
    wrong = force <= 0 if positive else force < 0
    if wrong.any():
        index = int(np.argmax(wrong))
        what = "is below zero, which no press is" if force[index] < 0 else "has no logarithm"
        sheet.bad(index, _force_columns(sheet)[0], f"a force of {force[index]:g} N {what}")
    return force


def _label(text: str) -> str:
    """Write whole numbers one way: "3", " 3" and "3.0" are the same score."""
    if not text:
        raise ValueError("the cell is empty")
    try:
        value = float(text)
    except ValueError:
        return text
    if not math.isfinite(value):
        raise ValueError(f"'{text}' is not a score")
    return str(int(value)) if value.is_integer() else text


def _count(value: float) -> float:
    if value < 0 or not value.is_integer():
        raise ValueError(f"a count of {value:g} is not a whole number of rows")
    return value


def _observed_scale(sheet: CodedSheet, label: Level, firmest: str) -> Scale:
    """Make the scale of a CSV that declares none: unused whole numbers in between stay on it."""
    seen = set(label.labels)
    if seen <= set(RASPBERRY.labels):
        return RASPBERRY if firmest == "first" else Scale(labels=RASPBERRY.labels[::-1])
    for at, text in enumerate(label.labels):
        if not text.removeprefix("-").isdecimal():
            sheet.bad(
                int(np.argmax(label.code == at)),
                "score",
                f"'{text}' is no whole number; for words, declare the order with --scores "
                "(for example --scores firm,soft)",
            )
    numbers = sorted(map(int, seen))
    low, high = numbers[0], numbers[-1]
    if high - low >= _MOST_SCORES:
        raise BadTableError(
            f"{sheet.path}, column 'score': scores run from {low} to {high}.",
            todo=f"A finger score has at most {_MOST_SCORES} steps; is this another column?",
        )
    # One score only makes no scale; a neighbour is added so that the refusal can name it.
    names = tuple(str(k) for k in range(low, max(high, low + 1) + 1))
    if firmest == "first":
        return BLACKBERRY if names == BLACKBERRY.labels else Scale(labels=names)
    return Scale(labels=names[::-1])


def _names(sheet: CodedSheet, column: str) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    if column not in sheet.header:
        return np.zeros(len(sheet), dtype=np.int64), ()
    return _sorted(sheet.relabelled(column, _name))


def _name(text: str) -> str:
    if not text:
        raise ValueError("the cell is empty")
    return text


def _sorted(level: Level) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Number names in their sorted order, so that the order of rows does not matter."""
    order = sorted(range(len(level.labels)), key=level.labels.__getitem__)
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    return place[level.code], tuple(level.labels[at] for at in order)


def _extra(sheet: CodedSheet, name: str) -> NDArray[np.object_]:
    if name in _NUMERIC:
        values = sheet.parsed(name, lambda text: sheet.number(text) if text else None)
        return _objects(values)[sheet.column(name).code]
    return _objects([text or None for text in sheet.column(name).labels])[sheet.column(name).code]


def read_pair_season(path: Path, *, firmest: str, scale: Scale | None, positive: bool) -> Pairs:
    """Read the view `pair` of a season file; see `calibrate.data.pairs.load_pairs`.

    Raises
    ------
    BadTableError
        If a score is not on the scale, or no berry has both peak and score.
    """
    from gauge.season.file import open_season

    with open_season(path, read_only=True) as season:
        declared = Scale.from_json(season.scale_text)
        columns = season.columns("pair", _PAIR)
    if scale is None:
        scale = declared
        if firmest == "last":
            scale = replace(declared, labels=declared.labels[::-1])
    place = {label: rank for rank, label in enumerate(scale.labels)}
    for berry, label in zip(columns["berry_id"], columns["score"], strict=True):
        if label not in place:
            raise BadTableError(
                f"{path}, berry {berry}: '{label}' is not a score of the scale "
                f"{', '.join(scale.labels)}."
            )
    if not columns["score"]:
        raise BadTableError(
            f"{path} holds no berry with both a peak and a finger score.",
            todo="Log berries with finger scores, or import them with 'gauge scores'.",
        )
    rater, raters = _sorted(code_texts(list(map(str, columns["rater"]))))
    berry_at, berries = _sorted(code_texts(list(map(str, columns["berry_id"]))))
    return Pairs(
        scale=scale,
        force_newton=np.array(columns["force_N"], dtype=float),
        rank=np.array([place[label] for label in columns["score"]], dtype=np.int64),
        count=np.ones(len(rater)),
        rater=rater,
        berry=berry_at,
        raters=raters,
        berries=berries,
        extra={name: _objects(columns[name]) for name in _PAIR[4:]},
        source=str(path),
    )


def _objects(values: Sequence[Any]) -> NDArray[np.object_]:
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out
