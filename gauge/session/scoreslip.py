"""The finger scores of the berry that is due, and the press that waits for them.

Scores may come before the press or after it; force and scores leave together. Nothing is stored.
"""

from __future__ import annotations

from collections.abc import Sequence

from gauge.records import Compression, FingerScore


class ScoreSlip:
    """One berry's scores.

    Parameters
    ----------
    raters : sequence of str
        Whose score is needed; without any, no press ever waits.

    Examples
    --------
    >>> slip = ScoreSlip(["ines", "marek"])
    >>> slip.give("marek", "2")
    >>> slip.missing
    ('ines',)
    """

    def __init__(self, raters: Sequence[str] = ()) -> None:
        self.raters = tuple(raters)
        self._given: dict[str, str] = {}
        self._press: Compression | None = None

    @property
    def missing(self) -> tuple[str, ...]:
        """Raters whose score is not in yet."""
        return tuple(rater for rater in self.raters if rater not in self._given)

    @property
    def holding(self) -> bool:
        """Whether a press waits for its scores."""
        return self._press is not None

    def hold(self, press: Compression) -> None:
        """Take the press."""
        self._press = press

    def give(self, rater: str, label: str) -> None:
        """Take a score; a second one of the same rater replaces the first."""
        self._given[rater] = label

    def take_back(self) -> str | None:
        """Forget the score given last; its rater, if any."""
        return self._given.popitem()[0] if self._given else None

    def complete(self) -> tuple[Compression, tuple[FingerScore, ...]] | None:
        """Press and scores, once all are in; the slip is empty then."""
        if self._press is None or self.missing:
            return None
        press = self._press
        scores = tuple(FingerScore(rater=r, score=self._given[r]) for r in self.raters)
        self._press, self._given = None, {}
        return press, scores

    def drop_press(self) -> bool:
        """Give up the press that waits; whether there was one."""
        waited, self._press = self.holding, None
        return waited

    def clear(self) -> None:
        """Forget all."""
        self._press, self._given = None, {}
