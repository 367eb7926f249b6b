"""Levels of berries and clamshells as codes: what groups are made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
# Keys are made dense only before they would outgrow 64 bits: that is a sort of all rows.
_LARGEST = 2**62


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """One level of all berries: a code each (-1 for none) and what the codes stand for."""

    code: NDArray[np.int32]
    labels: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether every berry has one.

        Examples
        --------
        >>> Level(code=np.array([0, -1], np.int32), labels=("a",)).complete
        False
        """
        return bool(self.code.size) and bool((self.code >= 0).all())

    def at(self, rows: Ints) -> Level:
        """The same level of some rows.

        Examples
        --------
        >>> Level(code=np.array([0, 1], np.int32), labels=("a", "b")).at(np.array([1])).code
        array([1], dtype=int32)
        """
        return Level(code=self.code[rows], labels=self.labels)


def combined(codes: Sequence[NDArray[np.int32]], n: int) -> Ints:
    """Number the combinations of several levels from 0, in the order of their codes.

    Parameters
    ----------
    codes : sequence of ndarray of int, each of shape (n,)
        From -1 on.
    n : int

    Examples
    --------
    >>> combined([np.array([0, 0, 1], np.int32), np.array([-1, 2, 2], np.int32)], 3)
    array([0, 1, 2])
    """
    key, span = np.zeros(n, np.int64), 1
    for code in codes:
        size = int(code.max(initial=-1)) + 2
        if span * size > _LARGEST:
            key, span = _dense(key), n
        key, span = key * size + code + 1, span * size
    return _dense(key)


def _dense(key: Ints) -> Ints:
    return np.unique(key, return_inverse=True)[1].astype(np.int64)
