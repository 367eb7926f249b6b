"""Equal rows of force and score added up: what a fit of cut points costs by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Distinct combinations of force, score and group, with how often each was seen.

    Attributes
    ----------
    force_newton : ndarray of float, shape (m,)
        Ascending within one group and rank.
    rank : ndarray of int, shape (m,)
    group : ndarray of int, shape (m,)
        Rater, or 0.
    weight : ndarray of float, shape (m,)
    n_ranks : int
        Size of the scale.
    """

    force_newton: Floats
    rank: Ints
    group: Ints
    weight: Floats
    n_ranks: int


def collapse(
    force_newton: Floats,
    rank: Ints,
    n_ranks: int,
    count: Floats | None = None,
    group: Ints | None = None,
) -> Cells:
    """Add up equal rows, exactly, so that a fit costs by distinct cells and not by rows.

    Parameters
    ----------
    force_newton : ndarray of float, shape (n,)
    rank, group : ndarray of int, shape (n,)
    n_ranks : int
    count : ndarray of float, shape (n,), optional

    Examples
    --------
    >>> cells = collapse(np.array([2.0, 1.0, 2.0]), np.array([0, 1, 0]), 2)
    >>> cells.force_newton.tolist(), cells.weight.tolist()
    ([2.0, 1.0], [2.0, 1.0])
    """
    if count is not None and (count == 1.0).all():
        count = None
    groups = [(0, None)] if group is None else [(int(g), group == g) for g in np.unique(group)]
    forces, ranks, members, weights = [], [], [], []
    for g, in_group in groups:
        for k in range(n_ranks):
            mask = rank == k if in_group is None else in_group & (rank == k)
            values, weight = _runs(force_newton[mask], None if count is None else count[mask])
            forces.append(values)
            weights.append(weight)
            ranks.append(np.full(values.size, k))
            members.append(np.full(values.size, g))
    return Cells(
        force_newton=np.concatenate(forces),
        rank=np.concatenate(ranks),
        group=np.concatenate(members),
        weight=np.concatenate(weights),
        n_ranks=n_ranks,
    )


def _runs(values: Floats, count: Floats | None) -> tuple[Floats, Floats]:
    """Distinct values, ascending, and the count of each: one sort and one pass."""
    if not values.size:
        return values, np.zeros(0)
    if count is None:
        values = np.sort(values)
    else:
        order = np.argsort(values, kind="stable")
        values, count = values[order], count[order]
    first = np.flatnonzero(np.concatenate(([True], values[1:] != values[:-1])))
    if count is None:
        return values[first], np.diff(np.append(first, values.size)).astype(float)
    return values[first], np.add.reduceat(count, first)
