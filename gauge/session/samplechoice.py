"""Which sample is meant, how many berries it lacks, and by which name the tech knows it."""

from __future__ import annotations

from dataclasses import replace

from gauge.errors import NoSuchRecordError
from gauge.records import Sample
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow


def find_or_begin(season: SeasonFile, stated: Sample) -> tuple[SampleRow, list[str]]:
    """Return the sample of that code (or blind code), begun if it is new.

    Returns
    -------
    row : SampleRow
    differs : list of str
        What is stated otherwise than in the season file, which is left as it is.

    Examples
    --------
    >>> import tempfile
    >>> from gauge.season.file import open_season
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with open_season(f"{folder}/a.season", create=True) as season:
    ...         find_or_begin(season, Sample(code="C-01", crop="raspberry"))[1]
    ...         find_or_begin(season, Sample(code="C-01", crop="blackberry"))[1]
    []
    ['crop raspberry, not blackberry']
    """
    try:
        row = season.sample(stated.code)
    except NoSuchRecordError:
        season.add_sample(replace(stated, crop=stated.crop or season.crop))
        return season.sample(stated.code), []
    differs = [
        f"{name} {stored if stored is not None else '(none)'}, not {value}"
        for name in Sample.__slots__
        if name not in ("code", "cues")
        and (value := getattr(stated, name)) is not None
        and (stored := getattr(row.sample, name)) != value
    ]
    return row, differs


def planned_next(season: SeasonFile) -> SampleRow:
    """Return the sample that the plan has next; refuse a plan that is done."""
    row = season.next_sample()
    if row is None:
        raise NoSuchRecordError(
            f"{season.path}: no planned sample is left.",
            todo="'gauge plan' shows the plan and imports more samples.",
        )
    return row


def has_plan(season: SeasonFile) -> bool:
    """Return whether any sample of the season is planned."""
    return any(row.sample.plan_order is not None for row in season.samples())


def berries_left(row: SampleRow) -> int | None:
    """Return how many planned berries a sample lacks; None without a plan or beyond it."""
    planned = row.sample.berries_planned
    if planned is None or row.berries >= planned:
        return None
    return planned - row.berries


def shown_name(row: SampleRow, *, blind: bool) -> str:
    """Return the name of a sample for the tech: its blind code where the work is blind."""
    return (row.sample.blind_code if blind else None) or row.sample.code
