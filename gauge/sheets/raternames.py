"""Raters as a sheet names them: known to the season, new, or most likely another one's slip."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

from gauge.csvsheet import name_key


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
