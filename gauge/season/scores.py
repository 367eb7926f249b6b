"""The season's scale, finger scores on it, and notes. A score is never overwritten.

Of a scale only labels and the sale limit: what it means is calibrate's business.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import Any

from gauge.csvsheet import name_key
from gauge.errors import AlreadyThereError, InvalidValueError, NoSuchRaterError, NoSuchRecordError
from gauge.records import FingerScore
from gauge.season.rows import NoteRow, RaterRow, made
from gauge.season.sessions import SessionTables
from gauge.season.tables import as_json, now, stored

# The 1-5 scale with 3 the limit for sale, and the two-word scale: common practice, no source.
DEFAULT_SCALES: dict[str, dict[str, Any]] = {
    "blackberry": {"name": "blackberry", "labels": ["1", "2", "3", "4", "5"], "sale_limit": "3"},
    "raspberry": {"name": "raspberry", "labels": ["firm", "soft"], "sale_limit": "firm"},
}

STATUSES = ("in training", "qualified", "suspended")  # of a rater


def default_scale(crop: str | None) -> str:
    """The scale of a crop as JSON text; the blackberry's for a crop that has none of its own.

    Examples
    --------
    >>> default_scale("raspberry")
    '{"name": "raspberry", "labels": ["firm", "soft"], "sale_limit": "firm"}'
    """
    return as_json(DEFAULT_SCALES.get(name_key(crop or ""), DEFAULT_SCALES["blackberry"]))


def known_crop(typed: str) -> str:
    """Return a crop as it is spelled here; another one is a word or two, and like none of ours.

    One that is no word, or most likely a slip, is an InvalidValueError.

    Examples
    --------
    >>> known_crop(" Raspberry"), known_crop("dewberry")
    ('raspberry', 'dewberry')
    """
    crop = name_key(typed)
    if crop in DEFAULT_SCALES:
        return crop
    near = like_crop(crop)
    if near or not re.fullmatch(r"[^\W\d_]+([ -][^\W\d_]+)?", crop):
        todo = f"Is it {near}?" if near else "Give blackberry, raspberry or another crop's name."
        raise InvalidValueError(f"'{typed}' is no crop known here.", todo=todo)
    return " ".join(typed.split())


def like_crop(typed: str) -> str | None:
    """Return the crop of ours that was most likely meant, if any.

    >>> like_crop("raspbery"), like_crop("dewberry")
    ('raspberry', None)
    """
    return next(iter(get_close_matches(name_key(typed), DEFAULT_SCALES, 1, 0.75)), None)


def labels_of(scale_json: str) -> tuple[str, ...]:
    """The labels of a scale, firmest first.

    An InvalidValueError says of a text that it is not a scale: labels fewer than two, repeated, or
    a sale limit not on it.

    Examples
    --------
    >>> labels_of(default_scale("raspberry"))
    ('firm', 'soft')
    """
    try:
        document = json.loads(scale_json)
        labels = tuple(document["labels"])
        limit = document.get("sale_limit")
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InvalidValueError("this is not a scale of finger scores") from None
    if not all(isinstance(label, str) and label.strip() for label in labels):
        raise InvalidValueError("a label of the scale is not a word")
    if len(labels) < 2 or len(set(labels)) != len(labels):
        raise InvalidValueError("a scale needs two labels or more, all different")
    if limit is not None and limit not in labels:
        raise InvalidValueError(f"the sale limit '{limit}' is not a label of the scale")
    return labels


class ScoreTables(SessionTables):
    """Scale, finger scores and notes of a season file."""

    @property
    def scale_text(self) -> str:
        """The season's scale of finger scores as JSON text."""
        ((scale,),) = self._records("season", "scale")
        return str(scale)

    @property
    def labels(self) -> tuple[str, ...]:
        """The labels of the season's scale, firmest first."""
        return labels_of(self.scale_text)

    def rater_names(self) -> list[str]:
        """Everyone who scored a berry or stands on the list of raters, sorted."""
        named = self._records("raters", "name") + self._records("scores", "rater")
        return sorted({name for (name,) in named})

    def rater_named(self, typed: str, *, new: Iterable[str] = ()) -> str:
        """Return a rater's name as the season spells it, whatever the case and blanks typed.

        Where the season has raters, one that neither they nor `new` hold is a NoSuchRaterError.
        """
        known = {name_key(name): name for name in self.rater_names()}
        typed = " ".join(typed.split())
        if known and name_key(typed) not in {*known, *map(name_key, new)}:
            raise NoSuchRaterError(
                f"'{typed}' has scored nothing in {self.path} (it knows "
                f"{', '.join(known.values())}).",
                todo="A new rater needs --new-rater.",
            )
        return known.get(name_key(typed), typed)

    def roster(self) -> list[RaterRow]:
        """Raters on the list, by name; all others count as qualified."""
        found = {row["name"]: made(RaterRow, row) for row in self._dicts("raters")}
        return [found[name] for name in sorted(found)]

    def know_raters(self, names: Iterable[str]) -> None:
        """Put raters on the list who were named and have scored nothing yet."""
        for name in sorted(set(names) - set(self.rater_names())):
            self.set_rater_status(name, "qualified", None)

    def set_rater_status(self, name: str, status: str, why: str | None) -> None:
        """Put a rater on the roster, or change the status there; the trail keeps the old one.

        Without a reason the rater was only named.
        """
        if status not in STATUSES:
            raise InvalidValueError(
                f"'{status}' is no status of a rater.", todo=f"One of {', '.join(STATUSES)}."
            )
        new = {"status": status, "since": now(), "why": why}
        with self._write("changing the roster"):
            ids: dict[str, int] = dict(self._records("raters", "name", "rater_id"))
            if name in ids:
                self._change("raters", [ids[name]], new, kind="correct", why=why)
            else:
                added = self._add("raters", name=name, **new)
                self._note_change("raters", [added], {}, {"name": name, **new}, "correct", why)

    def add_scores(
        self, scores: Iterable[tuple[int, FingerScore]], *, source: str = "gauge"
    ) -> int:
        """Store finger scores as (berry id, score), all or none, and return how many they are.

        A rater scores a berry once on an occasion.
        """
        with self._write("storing finger scores"):
            ids = self._add_scores(list(scores), source)
            new = {"source": source, "scores": len(ids), "first": min(ids, default=None)}
            self._note_change("scores", [], {}, new, "scores", None)
        return len(ids)

    def _add_scores(self, scores: Sequence[tuple[int, FingerScore]], source: str) -> list[int]:
        labels, ids = self.labels, []
        for berry_id, mark in scores:
            score = {"score": mark.score, "score_rank": _rank(labels, berry_id, mark.score)}
            row = self._score_row(berry_id, mark.rater, mark.occasion)
            if row and row[2] is None:
                raise AlreadyThereError(
                    f"berry {berry_id}: {mark.rater} scored it {row[1]} on occasion "
                    f"{mark.occasion} already.",
                    todo="Nothing was overwritten. A second scoring is another occasion.",
                )
            if row:  # taken back before; the trail keeps what it was
                self._change("scores", [row[0]], {**score, "taken_back": None}, kind="correct")
                ids.append(row[0])
                continue
            new = stored(mark) | score | {"at": mark.at or now()}
            ids.append(self._add("scores", berry_id=berry_id, source=source, **new))
        return ids

    def _score_row(self, berry_id: int, rater: str, occasion: int) -> Any | None:
        """Return id, score and `taken_back` of a rater's score, if there is one."""
        sql = "SELECT score_id, score, taken_back FROM scores WHERE berry_id = ? AND rater = ?"
        return self._row(f"{sql} AND occasion = ?", (berry_id, rater, occasion))

    def correct_score(
        self, berry_id: int, rater: str, score: str | None, why: str, *, occasion: int = 1
    ) -> None:
        """Replace a rater's score of a berry, or take it back where `score` is None.

        The old one stays in the trail; one that was taken back can be given again.
        """
        with self._write("correcting a finger score"):
            row = self._score_row(berry_id, rater, occasion)
            if row is None or row[2] is not None:
                raise NoSuchRecordError(f"berry {berry_id}: {rater} has not scored it.")
            new: dict[str, Any] = {"taken_back": why}
            if score is not None:
                new = {"score": score, "score_rank": _rank(self.labels, berry_id, score)}
            kind = "undo" if score is None else "correct"
            self._change("scores", [row[0]], new, kind=kind, why=why)

    def take_back_note(self, note_id: int, why: str) -> None:
        """Take back a note; it stays in the file and in the trail."""
        with self._write("taking back a note"):
            self._change("notes", [note_id], {"taken_back": why}, kind="undo", why=why)

    def add_note(
        self, text: str, *, session_id: int | None = None, berry_id: int | None = None
    ) -> int:
        """Store a note on the season, a session or a berry, and return its id."""
        if not text.strip():
            raise InvalidValueError("a note needs words")
        with self._write("storing a note"):
            return self._add("notes", session_id=session_id, berry_id=berry_id, at=now(), text=text)

    def notes(self) -> list[NoteRow]:
        """All notes that were not taken back, oldest first."""
        return [made(NoteRow, row) for row in self._dicts("notes") if row["taken_back"] is None]


def _rank(labels: Sequence[str], berry_id: int, score: str) -> int:
    """The place of a berry's score on the season's scale, from 1."""
    if score not in labels:
        raise InvalidValueError(
            f"berry {berry_id}: '{score}' is not a score of the season's scale "
            f"({', '.join(labels)})"
        )
    return labels.index(score) + 1
