"""A sheet of finger scores, matched row by row to the berries of a season. Nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gauge.csvsheet import CsvSheet
from gauge.errors import AlreadyThereError, BadTableError
from gauge.records import FingerScore


def read_scores(
    sheet: CsvSheet,
    *,
    labels: Sequence[str],
    numbers: Mapping[tuple[str, int], int],
    known: Mapping[int, str | None],
    scored: Mapping[tuple[int, str, int], str],
    rater: str | None = None,
) -> list[tuple[int, FingerScore]]:
    r"""Read finger scores and find the berry of each.

    Parameters
    ----------
    sheet : CsvSheet
        Columns `berry_id`, or `sample` and `number` (or `berry`); `score`; `rater` unless given
        below; optionally `occasion` and `scored_at`.
    labels : sequence of str
        The season's scale.
    numbers : mapping of (sample or blind code, number) to berry id
        Berries that are not void.
    known : mapping of berry id to void reason or None
    scored : mapping of (berry id, rater, occasion) to score
        What the season holds already.
    rater : str, optional
        Who scored the whole sheet.

    Returns
    -------
    list of (berry id, FingerScore)

    Raises
    ------
    BadTableError
        Naming file, row and column: a missing column, a score that is not on the scale, a berry
        that is unknown or void, a berry scored twice by one rater on one occasion.
    AlreadyThereError
        If the season holds a score of that rater, berry and occasion.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "scores.csv")
    ...     _ = path.write_text("sample,number,score\nC-01,7,Firm\n")
    ...     read_scores(CsvSheet(path), labels=("firm", "soft"), numbers={("C-01", 7): 31},
    ...                 known={31: None}, scored={}, rater="ines")
    [(31, FingerScore(rater='ines', score='firm', occasion=1, at=None))]
    """
    n = len(sheet)
    berries, where = _berries(sheet, numbers, known)
    sheet.need("score")
    scores = sheet.parsed("score", lambda text: _label(text, labels))
    if rater is None:
        sheet.need("rater", todo="Or say whose sheet it is: --rater NAME.")
        raters = sheet.parsed("rater", _filled)
    else:
        if "rater" in sheet.columns:
            raise BadTableError(
                f"{sheet.path}: the sheet has a column 'rater'.", todo="Leave out --rater."
            )
        raters = [rater] * n
    occasions = (
        sheet.parsed("occasion", lambda text: _from_one(sheet, text))
        if "occasion" in sheet.columns
        else [1] * n
    )
    times = sheet.columns.get("scored_at", ("",) * n)
    seen: dict[tuple[int, str, int], int] = {}
    found = []
    for index, key in enumerate(zip(berries, raters, occasions, strict=True)):
        berry_id, name, occasion = key
        if key in scored:
            raise AlreadyThereError(
                f"{sheet.path}, row {sheet.numbers[index]}, column '{where}': {name} scored this "
                f"berry {scored[key]} on occasion {occasion} already.",
                todo="Nothing was stored. A second scoring needs a column occasion with 2.",
            )
        if seen.setdefault(key, index) != index:
            sheet.bad(
                index, where, f"{name} scored this berry in row {sheet.numbers[seen[key]]} too"
            )
        mark = FingerScore(
            rater=name, score=scores[index], occasion=occasion, at=times[index] or None
        )
        found.append((berry_id, mark))
    return found


def _berries(
    sheet: CsvSheet, numbers: Mapping[tuple[str, int], int], known: Mapping[int, str | None]
) -> tuple[list[int], str]:
    """The berry id of each row, and the column that names it."""
    if "berry_id" in sheet.columns:
        ids = sheet.parsed("berry_id", lambda text: _from_one(sheet, text))
        for index, berry_id in enumerate(ids):
            if berry_id not in known:
                sheet.bad(index, "berry_id", f"the season holds no berry {berry_id}")
            if known[berry_id] is not None:
                sheet.bad(index, "berry_id", f"berry {berry_id} is void ({known[berry_id]})")
        return ids, "berry_id"
    sheet.need("sample", todo="Or give a column berry_id.")
    column = "berry" if {"berry", "number"} & set(sheet.columns) == {"berry"} else "number"
    sheet.need(column, todo="Berry 7 of a sample has the number 7.")
    samples = sheet.parsed("sample", _filled)
    places = sheet.parsed(column, lambda text: _from_one(sheet, text))
    codes = {code for code, _ in numbers}
    ids = []
    for index, key in enumerate(zip(samples, places, strict=True)):
        if key[0] not in codes:
            sheet.bad(index, "sample", f"the season has no berry of a sample '{key[0]}'")
        if key not in numbers:
            sheet.bad(index, column, f"sample '{key[0]}' has no berry {key[1]} that is not void")
        ids.append(numbers[key])
    return ids, column


def _filled(text: str) -> str:
    if not text:
        raise ValueError("the cell is empty")
    return text


def _from_one(sheet: CsvSheet, text: str) -> int:
    if (number := sheet.whole(text)) < 1:
        raise ValueError("counting begins at 1")
    return number


def _label(text: str, labels: Sequence[str]) -> str:
    """The scale's own spelling of a score: "3.0" is "3" and "Firm" is "firm"."""
    by_case = {label.casefold(): label for label in labels}
    plain = _filled(text).casefold()
    if plain not in by_case and plain.endswith((".0", ",0")):
        plain = plain[:-2]
    if plain not in by_case:
        raise ValueError(f"'{text}' is not a score of the season's scale ({', '.join(labels)})")
    return by_case[plain]
