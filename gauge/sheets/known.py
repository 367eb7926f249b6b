"""What a season holds, for a sheet to be compared with: berries, samples, and whom a name means.

A rater of a sheet is known to the season, new, or most likely another one's slip.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cached_property

from gauge.csvsheet import name_key
from gauge.records import FingerScore, Sample
from gauge.season.file import SeasonFile
from gauge.season.rows import BerryRow, Key, code_key
from gauge.season.scores import default_scale, labels_of


@dataclass(frozen=True, kw_only=True)
class Known:
    """What a season holds, for a sheet to be compared with; of a season to come, its scale."""

    labels: tuple[str, ...]
    raters: tuple[str, ...] = ()
    # by the keys of their codes and blind codes
    samples: Mapping[str, Sample] = field(default_factory=dict)
    berries: Mapping[int, BerryRow] = field(default_factory=dict)
    ids: Mapping[Key, int] = field(default_factory=dict)  # of berries that are not void
    void: Collection[Key] = ()  # numbers of void berries that no other has taken

    @cached_property
    def press_only(self) -> set[int | Key]:
        """Berries that were pressed without a squeeze."""
        return {berry.berry_id for berry in self.berries.values() if berry.press_only}

    @cached_property
    def scores(self) -> dict[tuple[int | Key, str, int], FingerScore]:
        """Scores by berry, rater and occasion."""
        return {(i, mark.rater, mark.occasion): mark for i, mark in self._marks}

    @cached_property
    def squeezes(self) -> dict[tuple[int | Key, int | None], str]:
        """Who squeezed a berry, by berry and place in the row of its squeezes."""
        return {(i, mark.squeeze_order): mark.rater for i, mark in self._marks}

    @property
    def _marks(self) -> Iterator[tuple[int, FingerScore]]:
        return ((i, mark) for i, berry in self.berries.items() for mark in berry.scores)

    @classmethod
    def of(cls, season: SeasonFile | None, crop: str | None = None) -> Known:
        """Read what a season holds; None for a season that is yet to be begun."""
        if season is None:
            return cls(labels=labels_of(default_scale(crop)))
        samples = [row.sample for row in season.samples()]
        berries = {berry.berry_id: berry for berry in season.berries()}
        ids = {(b.sample, b.number): i for i, b in berries.items() if b.void is None}
        return cls(
            labels=season.labels,
            raters=tuple(season.rater_names()),
            samples={code_key(name): sample for sample in samples for name in sample.names},
            berries=berries,
            ids=ids,
            void={(b.sample, b.number) for b in berries.values()} - ids.keys(),
        )


@dataclass(kw_only=True)
class RaterNames:
    """Finds whom a name means: one of the season's raters, one of `new`, or one that `ask` allows.

    Where the season has no raters yet, everyone is new.
    """

    known: Sequence[str]
    new: Collection[str] = ()
    ask: Callable[[str, str], bool] | None = None
    _found: dict[str, str | None] = field(default_factory=dict)

    def named(self, typed: str) -> str | None:
        """Return a rater's name as the season spells it; None of one that is refused."""
        key = name_key(typed)
        if not self._found:
            self._found = {name_key(name): name for name in self.known}
        if key not in self._found:
            allowed = not self.known or key in map(name_key, self.new)
            if not allowed and self.ask is not None:
                allowed = self.ask(typed, self._like(key))
            self._found[key] = " ".join(typed.split()) if allowed else None
        return self._found[key]

    def refusal(self, typed: str) -> str:
        """Say why a name is refused, and what to do."""
        like = self._like(name_key(typed)) or f", which knows {', '.join(self.known)}"
        what = f"'{typed}' has scored nothing in this season{like}"
        return f"{what}; a new rater needs --new-rater '{typed}'"

    def _like(self, key: str) -> str:
        """Ask whether a name like this is meant."""
        known = {name_key(name): name for name in self.known}
        likely = get_close_matches(key, list(known), 1)
        return f" (is it {known[likely[0]]}?)" if likely else ""

    def alike(self, raters: Sequence[str]) -> tuple[tuple[str, str], ...]:
        """Pair each rater who is new with one whose name is written much alike."""
        keys = {name_key(name): name for name in (*self.known, *raters)}
        found: list[tuple[str, str]] = []
        for name in raters:
            others = [key for key in keys if keys[key] != name]
            if name not in self.known and (like := get_close_matches(name, others, 1, 0.8)):
                pair = (name, keys[like[0]])
                found += [] if pair[::-1] in found else [pair]
        return tuple(found)
