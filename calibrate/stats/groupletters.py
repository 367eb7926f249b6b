"""Compact letters: two groups share a letter if and only if they do not differ.

The verdicts on pairs come in; how they were reached is in selections.
"""

from __future__ import annotations

import string
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gauge.errors import InvalidValueError


def letters(differ: ArrayLike, order: Sequence[int] | None = None) -> tuple[str, ...]:
    """Give each group its letters.

    Insert and absorb, with a last sweep for letters that say nothing new: Piepho, H.-P. (2004)
    An algorithm for a letter-based representation of all-pairwise comparisons, J. Comput. Graph.
    Stat. 13:456-466. A reader checks it so: for each pair, a common letter means that the test
    did not tell the two apart; no common letter, that it did.

    Parameters
    ----------
    differ : array_like of bool, shape (k, k)
        Symmetric, False on the diagonal: whether groups i and j differ.
    order : sequence of int, optional
        Groups from first to last; the first gets the letter a. By default as they come.

    Returns
    -------
    tuple of str
        One entry a group, letters in alphabetical order.

    Raises
    ------
    InvalidValueError
        If `differ` is not a symmetric square with False on the diagonal.

    Examples
    --------
    >>> letters([[False, False, True], [False, False, False], [True, False, False]])
    ('a', 'ab', 'b')
    """
    matrix = np.asarray(differ, dtype=bool)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1] or (matrix != matrix.T).any():
        raise InvalidValueError("the verdicts on pairs must be a symmetric square")
    if matrix.diagonal().any():
        raise InvalidValueError("a group cannot differ from itself")
    k = matrix.shape[0]
    places = list(range(k)) if order is None else list(order)
    columns = _insert_absorb(matrix[np.ix_(places, places)])
    columns = _sweep(columns, k)
    columns.sort(key=sorted)
    given = [""] * k
    for index, column in enumerate(columns):
        for position in column:
            given[places[position]] += _letter(index)
    return tuple(given)


def _insert_absorb(matrix: NDArray[np.bool_]) -> list[frozenset[int]]:
    k = matrix.shape[0]
    columns = {frozenset(range(k))} if k else set()
    for i in range(k):
        for j in range(i + 1, k):
            if not matrix[i, j]:
                continue
            split = {c for c in columns if i in c and j in c}
            columns -= split
            for column in split:
                for half in (column - {i}, column - {j}):
                    if not any(half <= other for other in columns):
                        columns = {c for c in columns if not c <= half} | {half}
    return list(columns)


def _sweep(columns: list[frozenset[int]], k: int) -> list[frozenset[int]]:
    """Drop columns whose every pair (and every member) is held together by another column too."""
    kept = sorted(columns, key=lambda column: (len(column), sorted(column)))
    for column in list(kept):
        others = [c for c in kept if c is not column]
        needed = any(
            not any(i in c and j in c for c in others) for i in column for j in column if i <= j
        )
        if not needed:
            kept.remove(column)
    return kept


def _letter(index: int) -> str:
    alphabet = string.ascii_lowercase + string.ascii_uppercase
    return alphabet[index] if index < len(alphabet) else f"({index + 1})"
