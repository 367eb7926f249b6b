"""The entry form of a clamshell sheet for one hand: a key a berry, on the numeric pad."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from calibrate.data.clamshell import Clamshell
from calibrate.data.scale import Scale
from gauge.errors import ImpossibleSheetError, InvalidValueError

# Keys of the numeric pad that lie beside the digits. Common practice, no source.
LEAKY, DECAYED, COLOUR, UNDO, DONE = "+", "-", "*", "/", "\r"
UNDO_KEYS = frozenset({UNDO, "\x7f", "\b"})
DONE_KEYS = frozenset({DONE, "\n"})
_MOST_KEYS = 9


@dataclass(frozen=True, kw_only=True, slots=True)
class TallyForm:
    """The keys pressed so far for one clamshell: a key in, the next state out.

    A scale with more labels than there are keys is an InvalidValueError.

    Examples
    --------
    >>> from calibrate.data.scale import BLACKBERRY
    >>> form = TallyForm(sample="T1", scale=BLACKBERRY)
    >>> for key in "112+":
    ...     form = form.press(key)
    >>> form.counts, form.count("+"), form.message
    ((2, 1, 0, 0, 0), 1, 'leaky: 1')
    """

    sample: str
    # At most nine labels: key 1 is the firmest.
    scale: Scale
    planned: int | None = None
    # Allowed values of the overall colour.
    colours: Collection[int] = range(4)
    # One an accepted key, in order: a label, `+`, `-`, or `*2` for colour 2.
    entries: tuple[str, ...] = ()
    # After `*`, the next digit is the colour.
    pending: bool = False
    # What the last key did or why it was refused.
    message: str = ""
    done: bool = False

    def __post_init__(self) -> None:
        if len(self.scale.labels) > _MOST_KEYS:
            raise InvalidValueError(
                f"a scale of {len(self.scale.labels)} scores has more than {_MOST_KEYS} keys.",
                todo="Enter these sheets from a CSV.",
            )

    def count(self, entry: str) -> int:
        """Count how often a label or a mark was entered."""
        return self.entries.count(entry)

    @property
    def counts(self) -> tuple[int, ...]:
        """Berries at each score, firmest first."""
        return tuple(self.count(label) for label in self.scale.labels)

    @property
    def n(self) -> int:
        """Berries so far."""
        return sum(self.counts)

    @property
    def colour(self) -> int | None:
        """The overall colour, the last one entered."""
        given = [entry for entry in self.entries if entry.startswith("*")]
        return int(given[-1][1:]) if given else None

    @property
    def keys(self) -> str:
        """What each key means, for the one who counts."""
        scores = "  ".join(f"{i} = {label}" for i, label in enumerate(self.scale.labels, 1))
        return f"{scores}\n+ leaky  - decayed  * colour  backspace or / undo  Enter store"

    @property
    def line(self) -> str:
        """What was counted so far and what the last key did, on one line."""
        columns = zip(self.scale.labels, self.counts, strict=True)
        counts = "  ".join(f"{label}: {count}" for label, count in columns)
        of = f" of {self.planned}" if self.planned else ""
        colour = "" if self.colour is None else f"  colour {self.colour}"
        return (
            f"berry {self.n}{of} | {counts} | leaky {self.count(LEAKY)}  "
            f"decayed {self.count(DECAYED)}{colour} | {self.message}"
        )

    def press(self, key: str) -> TallyForm:
        """Take one key; a key that cannot be right changes nothing and says why."""
        if self.pending:
            return self._take_colour(key)
        if key in UNDO_KEYS:
            if not self.entries:
                return replace(self, message="nothing to undo")
            return replace(self, entries=self.entries[:-1], message=f"undone: {self.entries[-1]}")
        if key in DONE_KEYS:
            return self._finish()
        if key == COLOUR:
            return replace(self, pending=True, message="colour?")
        if key in (LEAKY, DECAYED):
            word = "leaky" if key == LEAKY else "decayed"
            if self.count(key) >= self.n:
                return replace(self, message=f"more {word} than berries: enter the berry first")
            return self._add(key, f"{word}: {self.count(key) + 1}")
        if key.isdigit() and 1 <= int(key) <= len(self.scale.labels):
            label = self.scale.labels[int(key) - 1]
            if self.planned is not None and self.n >= self.planned:
                return replace(self, message=f"all {self.planned} berries are in")
            return self._add(label, f"{label}: {self.count(label) + 1}")
        return replace(self, message="no such key here")

    def _add(self, entry: str, message: str) -> TallyForm:
        return replace(self, entries=(*self.entries, entry), message=message)

    def _take_colour(self, key: str) -> TallyForm:
        form = replace(self, pending=False)
        if key.isdigit() and int(key) in self.colours:
            return form._add(f"*{key}", f"colour: {key}")
        allowed = ", ".join(map(str, self.colours))
        return replace(form, message=f"colour must be one of {allowed}; press * again")

    def _finish(self) -> TallyForm:
        try:
            self.sheet()
        except ImpossibleSheetError as error:
            return replace(self, message=error.what)
        return replace(self, done=True, message="done")

    def sheet(self) -> Clamshell:
        """Make the sheet of these keys; one that cannot be true is an ImpossibleSheetError."""
        return Clamshell(
            sample=self.sample,
            scale=self.scale,
            counts=self.counts,
            leaky=self.count(LEAKY),
            decayed=self.count(DECAYED),
            colour=self.colour,
            planned=self.planned,
        )
