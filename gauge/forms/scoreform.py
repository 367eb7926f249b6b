"""The entry form of one rater's finger scores of one sample: a key a berry."""

from __future__ import annotations

from dataclasses import dataclass, replace

from gauge.errors import InvalidValueError

# Keys of the numeric pad that lie beside the digits. Common practice, no source.
SKIP, UNDO_KEYS, DONE_KEYS = "-", frozenset("/\x7f\b"), frozenset("\r\n")
_MOST_KEYS = 9


@dataclass(frozen=True, kw_only=True, slots=True)
class ScoreForm:
    """The keys pressed so far: a key in, the next state out.

    `labels` are the season's scale, the firmest first, which is key 1, and no more than there are
    keys; `berries` the numbers to score, in the order of the paper; `entries` the labels of those
    that are done, None of one that was skipped. `message` says what the last key did, or why it
    was refused.

    Examples
    --------
    >>> form = ScoreForm(labels=("firm", "soft"), berries=("1", "2", "4"))
    >>> for key in "1-8":
    ...     form = form.press(key)
    >>> form.scores, form.message
    ({'1': 'firm'}, 'no such key: 1 firm, 2 soft')
    """

    labels: tuple[str, ...]
    berries: tuple[str, ...]
    entries: tuple[str | None, ...] = ()
    message: str = ""
    done: bool = False

    def __post_init__(self) -> None:
        if len(self.labels) > _MOST_KEYS:
            raise InvalidValueError(
                f"a scale of {len(self.labels)} scores has more than {_MOST_KEYS} keys.",
                todo="Import these scores from a sheet.",
            )

    @property
    def keys(self) -> str:
        """Say which key is which score."""
        return ", ".join(f"{key} {label}" for key, label in enumerate(self.labels, 1))

    @property
    def scores(self) -> dict[str, str]:
        """Scores so far, by berry."""
        given = zip(self.berries, self.entries, strict=False)
        return {berry: label for berry, label in given if label is not None}

    @property
    def line(self) -> str:
        """What the form shows: which berry is next, and what the last key did."""
        ahead = self.berries[len(self.entries) :]
        next_one = f"berry {ahead[0]}" if ahead else "all berries are in: Enter stores them"
        return f"{len(self.entries)} of {len(self.berries)} | {self.message} | {next_one}"

    def press(self, key: str) -> ScoreForm:
        """Take one key; a key that cannot be right changes nothing and says why."""
        if key in UNDO_KEYS:
            taken = self.berries[len(self.entries) - 1] if self.entries else None
            message = "nothing to undo" if taken is None else f"berry {taken} undone"
            return replace(self, entries=self.entries[:-1], message=message)
        if key in DONE_KEYS:
            return replace(self, done=True, message="done")
        if len(self.entries) == len(self.berries):
            return replace(self, message="all berries are in")
        number = self.berries[len(self.entries)]
        if key == SKIP:
            return replace(self, entries=(*self.entries, None), message=f"berry {number} skipped")
        if key.isdigit() and 1 <= int(key) <= len(self.labels):
            label = self.labels[int(key) - 1]
            return replace(self, entries=(*self.entries, label), message=f"berry {number}: {label}")
        return replace(self, message=f"no such key: {self.keys}")
