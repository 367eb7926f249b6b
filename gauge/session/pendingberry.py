"""The berry that is next: its finger scores so far, and its press while that waits for them.

Scores may come before the press or after it; press and scores leave together. Nothing is stored.
"""

from __future__ import annotations

from collections.abc import Sequence

from gauge.records import FingerScore, Press


class PendingBerry:
    """Collects a press and the scores of `raters`; without any rater, no press ever waits."""

    def __init__(self, raters: Sequence[str] = ()) -> None:
        self.raters = tuple(raters)
        self._given: dict[str, str] = {}
        self._press: Press | None = None

    @property
    def missing(self) -> tuple[str, ...]:
        """Raters whose score is not in yet."""
        return tuple(rater for rater in self.raters if rater not in self._given)

    @property
    def pressed(self) -> bool:
        """Whether a press waits for its scores."""
        return self._press is not None

    def press(self, press: Press) -> None:
        """Take the press."""
        self._press = press

    def score(self, rater: str, label: str) -> None:
        """Take a score; a second one of the same rater replaces the first."""
        self._given[rater] = label

    def take_back(self) -> str | None:
        """Forget the score given last and return its rater, if any."""
        return self._given.popitem()[0] if self._given else None

    def take_complete(self) -> tuple[Press, tuple[FingerScore, ...]] | None:
        """Return press and scores once all are in, and begin the next berry."""
        if self._press is None or self.missing:
            return None
        press = self._press
        scores = tuple(FingerScore(rater=r, score=self._given[r]) for r in self.raters)
        self.clear()
        return press, scores

    def drop_press(self) -> bool:
        """Drop the press that waits; return whether there was one."""
        waited, self._press = self.pressed, None
        return waited

    def clear(self) -> None:
        """Forget press and scores."""
        self._press, self._given = None, {}
