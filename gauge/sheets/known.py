"""What a season holds, and what a sheet says beside it: the two sides of an import."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from gauge.csvsheet import name_key
from gauge.records import FingerScore, Sample
from gauge.season.file import SeasonFile
from gauge.season.rows import BerryRow, ImportedBerry
from gauge.season.scores import default_scale, labels_of

Key = tuple[str, int]  # sample and number


@dataclass(frozen=True, kw_only=True)
class Known:
    """What a season holds, for a sheet to be compared with; of a season to come, its scale."""

    labels: tuple[str, ...]
    raters: tuple[str, ...] = ()
    samples: Mapping[str, Sample] = field(default_factory=dict)
    """By the keys of their codes and blind codes."""
    berries: Mapping[int, BerryRow] = field(default_factory=dict)
    ids: Mapping[Key, int] = field(default_factory=dict)
    """Of berries that are not void, by sample and number."""
    void: Collection[Key] = ()
    """Numbers of void berries that no other has taken."""

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
            samples={
                name_key(name): sample
                for sample in samples
                for name in (sample.code, sample.blind_code)
                if name
            },
            berries=berries,
            ids=ids,
            void={(b.sample, b.number) for b in berries.values()} - ids.keys(),
        )


@dataclass(kw_only=True)
class Found:
    """What a sheet says: berries and samples that are new, scores, scores to put in their place.

    A score is of a berry's id, or of the sample and number of a new one.
    """

    rows: int
    berries: list[ImportedBerry] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    scores: list[tuple[int | Key, FingerScore]] = field(default_factory=list)
    corrected: list[tuple[int, FingerScore]] = field(default_factory=list)
    raters: tuple[str, ...] = ()
    already: int = 0
    """Scores and berries that the season holds just so."""
    void: int = 0
    """Rows of void berries, which are left out."""
    alike: tuple[tuple[str, str], ...] = ()
    """New names of raters that look like another's."""
    undated: int = 0
    """New berries of which nothing says on which day they were pressed."""
    unread: tuple[str, ...] = ()
    """Columns of the sheet that were not read."""
