"""Blind codes for clamshells: short letter codes that survive one slip of the pen.

No vowels (so that no word appears) and no letters that are mistaken for digits or for one another
in handwriting. The last letter is a check letter.
"""

from __future__ import annotations

import random
from collections.abc import Collection

from gauge.errors import InvalidValueError

LETTERS = "CDFHJKLMNPRTWXY"


def blind_codes(n: int, *, rng: random.Random, taken: Collection[str] = ()) -> list[str]:
    """Draw codes that are all different and differ in two letters at least.

    The letters, numbered from 0 in `LETTERS`, satisfy sum(2**i * letter_i) = 0 modulo 15. The
    weights 1, 2, 4, 8 and the differences of neighbours have no factor in common with 15, so one
    wrong letter, or two neighbours swapped, is never another clamshell's code: it is refused
    and not logged under the wrong clamshell.

    Parameters
    ----------
    n : int
    rng : random.Random
        Seeded by the caller; the same seed gives the same codes.
    taken : collection of str
        Codes not to be given again.

    Raises
    ------
    InvalidValueError
        If there are not so many codes.

    Examples
    --------
    >>> blind_codes(2, rng=random.Random(1))
    ['RLFC', 'LKRN']
    """
    free = [code for code in map(_code, range(len(LETTERS) ** 3)) if code not in taken]
    if n > len(free):
        raise InvalidValueError(
            f"{n} blind codes are wanted, but there are only {len(free)}.",
            todo="Give the plan a column blind_code of your own.",
        )
    return rng.sample(free, n)


def _weighted(places: list[int]) -> int:
    return sum(place << i for i, place in enumerate(places)) % len(LETTERS)


def _code(number: int) -> str:
    base = len(LETTERS)
    places = [number % base, number // base % base, number // base**2]
    # 8 times 2 is 1 modulo 15, so this last place makes the weighted sum zero.
    places.append(-2 * _weighted(places) % base)
    return "".join(LETTERS[place] for place in places)
