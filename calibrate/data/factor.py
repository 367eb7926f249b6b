"""A factor of rows, such as selection or storage day: what groups are made of."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
# Keys are made dense only before they would outgrow 64 bits: that is a sort of all rows.
_LARGEST = 2**62


class Codes(dict[Hashable, int]):
    """Numbers from 0 on for texts in the order in which they are first looked up."""

    def __missing__(self, text: Hashable) -> int:
        """Give a new text the next number."""
        code = self[text] = len(self)
        return code

    def of(self, texts: Sequence[Hashable]) -> NDArray[np.int32]:
        """Look up many texts."""
        return np.fromiter(map(self.__getitem__, texts), np.int32, count=len(texts))


@dataclass(frozen=True, kw_only=True, slots=True)
class Factor:
    """A code for each row (-1 for none), and the label that each code stands for."""

    code: NDArray[np.int32]
    labels: tuple[str, ...]

    @classmethod
    def of(cls, texts: Sequence[str | None]) -> Factor:
        """Number texts in the order in which they first stand; None has the code -1."""
        codes = Codes()
        code = codes.of(texts)
        return cls(code=code, labels=tuple(codes)).relabelled(tuple(codes))  # type: ignore[arg-type]

    @classmethod
    def always(cls, text: str, n: int) -> Factor:
        """Give n rows the same label."""
        return cls(code=np.zeros(n, np.int32), labels=(text,))

    @property
    def complete(self) -> bool:
        """Whether there are rows and every row has a label."""
        return bool(self.code.size) and bool((self.code >= 0).all())

    def at(self, rows: Ints) -> Factor:
        """Take some rows."""
        return Factor(code=self.code[rows], labels=self.labels)

    def text(self, row: int) -> str | None:
        """Label of a row; None where it has none."""
        code = int(self.code[row])
        return None if code < 0 else self.labels[code]

    def sorted(self) -> Factor:
        """Number labels in their sorted order, so that the order of rows does not matter."""
        labels, place = np.unique(np.array(self.labels, dtype=object), return_inverse=True)
        return Factor(code=np.append(place, -1).astype(np.int32)[self.code], labels=tuple(labels))

    def relabelled(self, texts: Sequence[str | None]) -> Factor:
        """Put a text for each label; labels with the same text become one, None is no label.

        Examples
        --------
        >>> factor = Factor.of(["7", "7.0", ""])
        >>> factor.relabelled(["7", "7", None]).code.tolist()
        [0, 0, -1]
        """
        codes = Codes({None: -1})
        labels = tuple(dict.fromkeys(text for text in texts if text is not None))
        codes.update(zip(labels, range(len(labels)), strict=True))
        # The last entry is what the code -1 finds.
        new = codes.of([*texts, None])
        return Factor(code=new[self.code], labels=labels)


def stacked(factors: Sequence[Factor | None], sizes: Sequence[int]) -> Factor:
    """Put factors of several sources below one another; None has no label in any of its rows.

    Labels that no row has are left out.

    Examples
    --------
    >>> both = stacked([Factor.of(["R-114"]), None, Factor.of(["R-120", "R-114"])], [1, 2, 2])
    >>> both.code.tolist(), both.labels
    ([0, -1, -1, 1, 0], ('R-114', 'R-120'))
    """
    codes, parts = Codes(), [np.zeros(0, np.int32)]
    for factor, size in zip(factors, sizes, strict=True):
        if factor is None:
            parts.append(np.full(size, -1, np.int32))
            continue
        new = np.full(len(factor.labels) + 1, -1, np.int32)
        for code in np.unique(factor.code).tolist():
            if code >= 0:
                new[code] = codes[factor.labels[code]]
        parts.append(new[factor.code])
    return Factor(code=np.concatenate(parts), labels=tuple(codes))  # type: ignore[arg-type]


def combined(factors: Sequence[Factor], n: int) -> Ints:
    """Number the combinations of several factors of n rows from 0, in the order of their codes."""
    key, span = np.zeros(n, np.int64), 1
    for factor in factors:
        size = int(factor.code.max(initial=-1)) + 2
        if span * size > _LARGEST:
            key, span = _dense(key), n
        key, span = key * size + factor.code + 1, span * size
    return _dense(key)


def first_rows(key: Ints) -> Ints:
    """Find for each row the first row with the same key.

    Examples
    --------
    >>> first_rows(np.array([7, 3, 7, 3, 5])).tolist()
    [0, 1, 0, 1, 4]
    """
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    return first[place]


def _dense(key: Ints) -> Ints:
    return np.unique(key, return_inverse=True)[1].astype(np.int64)
