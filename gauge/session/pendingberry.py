"""The berry that is next: its finger scores so far, and its press while that waits for them.

Scores may come before the press or after it; press and scores leave together. Nothing is stored.
"""

from __future__ import annotations

from collections.abc import Sequence

from gauge.records import FingerScore, Press
from gauge.session.events import BerryLogged
from gauge.sheets.squeezes import Turns


class PendingBerry:
    """Collects a press and the scores of `raters`; without any rater, no press ever waits.

    `turns` says who squeezes the berry, in which order: all of `raters` until it is planned.
    """

    def __init__(self, raters: Sequence[str] = ()) -> None:
        self.raters = tuple(raters)
        self.turns = Turns(raters=self.raters)
        self._given: dict[tuple[str, int], str] = {}
        self._press: Press | None = None

    @property
    def missing(self) -> tuple[str, ...]:
        """Raters whose score is not in yet, the next one first; none where scores are not asked."""
        marks = self.turns.marks if self.raters else []
        return tuple(mark[0] for mark in marks if mark not in self._given)

    @property
    def again(self) -> bool:
        """Whether the next to score has scored this berry before."""
        ahead = next((mark for mark in self.turns.marks if mark not in self._given), ("", 1))
        return ahead[1] > 1

    @property
    def pressed(self) -> bool:
        """Whether a press waits for its scores."""
        return self._press is not None

    @property
    def untouched(self) -> bool:
        """Whether neither press nor score has come."""
        return self._press is None and not self._given

    def press(self, press: Press) -> None:
        """Take the press."""
        self._press = press

    def score(self, rater: str, label: str) -> None:
        """Take a score; one more than the rater is to give replaces the last."""
        mine = [mark for mark in self.turns.marks if mark[0] == rater]
        self._given[next((mark for mark in mine if mark not in self._given), mine[-1])] = label

    def take_back(self) -> str | None:
        """Forget the score given last and return its rater, if any."""
        return self._given.popitem()[0][0] if self._given else None

    def take_complete(self) -> BerryLogged | None:
        """Return the berry to be stored once press and scores are in, and begin the next.

        The order of squeezes is that in which the scores came.
        """
        if self._press is None or self.missing:
            return None
        scores = tuple(
            FingerScore(rater=rater, score=score, occasion=occasion, squeeze_order=place)
            for place, ((rater, occasion), score) in enumerate(self._given.items(), 1)
        )
        berry = BerryLogged(press=self._press, scores=scores, press_only=self.turns.press_only)
        self.clear()
        return berry

    def drop_press(self) -> bool:
        """Drop the press that waits; return whether there was one."""
        waited, self._press = self.pressed, None
        return waited

    def clear(self) -> None:
        """Forget press and scores."""
        self._press, self._given = None, {}
