"""Who squeezes which berry when: the same answer at the bench, on paper and in the form.

Each squeeze softens a berry, so raters take turns, some berries are pressed without a squeeze, and
some are handed to the same rater twice. All of it follows from the season's seed, the sample and
the number of the berry: nothing is stored for each berry.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from gauge.csvsheet import name_key

# Of one berry in so many; one in five and one in ten: common practice, no source.
PRESS_ONLY_EVERY, AGAIN_EVERY = 5, 10


@dataclass(frozen=True, kw_only=True, slots=True)
class Turns:
    """Who squeezes a berry, in this order, and whether it is pressed without a squeeze."""

    raters: tuple[str, ...] = ()
    press_only: bool = False

    @property
    def marks(self) -> list[tuple[str, int]]:
        """Each squeeze as rater and occasion: the second of the same rater is occasion 2."""
        seen: Counter[str] = Counter()
        return [(rater, seen.update([rater]) or seen[rater]) for rater in self.raters]

    def words(self, number: int) -> str:
        """Say what is to be done with a berry; nothing where nobody squeezes."""
        if self.press_only:
            return f"berry {number} is pressed WITHOUT a squeeze"
        order = ", ".join(f"{r} again" if again > 1 else r for r, again in self.marks)
        return f"berry {number}: squeezed by {order}, then pressed" if len(self.raters) > 1 else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class SqueezePlan:
    """What a season plans: of so many berries one pressed only, and one squeezed again; 0: none."""

    press_only: int = 0
    again: int = 0
    seed: int = 0

    @classmethod
    def of(cls, setting: dict[str, Any] | None) -> SqueezePlan:
        """Read the season's setting 'squeezes'."""
        return cls(**setting or {})

    def setting(self) -> dict[str, Any]:
        """Return it as the season's setting."""
        return asdict(self)

    def turns(self, raters: Sequence[str], sample_id: int, number: int) -> Turns:
        """Return the turns at a berry of a sample, whatever the order in which raters are named.

        Samples begin at different rows of the squares. Berries are drawn in blocks, so that the
        shares hold in every sample; the first in the row is the one who squeezes again, last.

        Examples
        --------
        >>> SqueezePlan().turns(["odile", "ines", "marek"], 1, 2).raters
        ('marek', 'odile', 'ines')
        """
        if self._press_only(sample_id, number):
            return Turns(press_only=True)
        names = sorted(raters, key=name_key)
        rows = williams(len(names))
        row = [names[i] for i in rows[(number - 1 + sample_id - 1) % len(rows)]] if names else []
        if self.again and number == self._drawn("again", self.again, sample_id, number):
            row += row[:1] if len(row) > 1 else []
        return Turns(raters=tuple(row))

    def sentences(self) -> list[str]:
        """Say what is planned, for people."""
        only = f"One berry in {self.press_only} is pressed without a squeeze."
        again = f"One berry in {self.again} is squeezed twice by one rater, "
        again += "to see how well hands repeat."
        return [*([only] if self.press_only else []), *([again] if self.again else [])]

    def numbers(self, sample_id: int, n: int) -> dict[str, list[int]]:
        """Return which of the first n berries of a sample are pressed only, and squeezed again."""
        turns = {number: self.turns(("", "?"), sample_id, number) for number in range(1, n + 1)}
        return {
            "press_only": [number for number, one in turns.items() if one.press_only],
            "squeezed_again": [number for number, one in turns.items() if len(one.raters) > 2],
        }

    def _drawn(self, what: str, every: int, sample_id: int, number: int) -> int:
        """Draw one number of the block of berries that a berry is in."""
        first = (number - 1) // every * every + 1
        free = list(range(first, first + every))
        if what == "again" and self.press_only:
            free = [n for n in free if not self._press_only(sample_id, n)]
        return random.Random(f"{self.seed}/{what}/{sample_id}/{first}").choice(free)

    def _press_only(self, sample_id: int, number: int) -> bool:
        every = self.press_only
        return bool(every) and number == self._drawn("press only", every, sample_id, number)


def williams(n: int) -> tuple[tuple[int, ...], ...]:
    """Rows of turns in which each is once at each place, and each follows each other equally often.

    One square for an even number, a pair of squares, mirror images, for an odd one: Williams, E. J.
    (1949) Experimental designs balanced for the estimation of residual effects of treatments.
    Australian Journal of Scientific Research A 2:149-168. The rows of the first square alone are a
    Latin square.

    >>> williams(4)
    ((0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1))
    """
    first = [(i + 1) // 2 if i % 2 else -(i // 2) for i in range(n)]
    square = [tuple((place + shift) % n for place in first) for shift in range(n)]
    return tuple(square + ([row[::-1] for row in square] if n % 2 and n > 1 else []))
