"""Which line format, sample and number of berries the command line means."""

from __future__ import annotations

from dataclasses import replace

from gauge.errors import NoSuchRecordError
from gauge.protocol.formatfile import load_format
from gauge.protocol.lineformat import LineFormat
from gauge.records import Sample
from gauge.season.file import SeasonFile
from gauge.season.rows import SampleRow


def chosen_format(name: str) -> LineFormat:
    """A line format by file, or a shipped one by name (``numeric-response:N``).

    Examples
    --------
    >>> chosen_format("number-unit").name
    'number-unit'
    """
    return load_format(name)


def chosen_sample(season: SeasonFile, wanted: Sample) -> tuple[SampleRow, list[str]]:
    """The sample of that code (or blind code), begun if it is new.

    Returns
    -------
    row : SampleRow
    differs : list of str
        What the command line says otherwise than the season file; the file is left as it is.

    Examples
    --------
    >>> import tempfile
    >>> from gauge.season.file import open_season
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with open_season(f"{folder}/a.season", create=True) as season:
    ...         chosen_sample(season, Sample(code="C-01", crop="raspberry"))[1]
    ...         chosen_sample(season, Sample(code="C-01", crop="blackberry"))[1]
    []
    ['crop raspberry, not blackberry']
    """
    try:
        row = season.sample(wanted.code)
    except NoSuchRecordError:
        season.add_sample(replace(wanted, crop=wanted.crop or season.crop))
        return season.sample(wanted.code), []
    differs = [
        f"{name} {stored if stored is not None else '(none)'}, not {said}"
        for name in Sample.__slots__
        if name not in ("code", "cues")
        and (said := getattr(wanted, name)) is not None
        and (stored := getattr(row.sample, name)) != said
    ]
    return row, differs


def planned_next(season: SeasonFile) -> SampleRow:
    """The sample that the plan says is next.

    Raises
    ------
    NoSuchRecordError
        If there is no plan, or it is done.

    Examples
    --------
    >>> import tempfile
    >>> from gauge.season.file import open_season
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with open_season(f"{folder}/a.season", create=True) as season:
    ...         _ = season.add_sample(Sample(code="C-01", berries_planned=20, plan_order=1))
    ...         planned_next(season).sample.code
    'C-01'
    """
    row = season.next_sample()
    if row is None:
        raise NoSuchRecordError(
            f"{season.path}: no planned sample is left.",
            todo="'gauge plan' shows the plan and imports more samples.",
        )
    return row


def berries_left(row: SampleRow) -> int | None:
    """How many berries of the plan a sample still lacks; None without a plan or beyond it.

    Examples
    --------
    >>> row = SampleRow(sample_id=1, sample=Sample(code="A", berries_planned=20), berries=19)
    >>> berries_left(row)
    1
    """
    planned = row.sample.berries_planned
    if planned is None or row.berries >= planned:
        return None
    return planned - row.berries


def shown_name(row: SampleRow, *, blind: bool) -> str:
    """The name of a sample for the bench: its blind code where the work is blind.

    Examples
    --------
    >>> row = SampleRow(sample_id=1, sample=Sample(code="A", blind_code="KX4"), berries=0)
    >>> shown_name(row, blind=True)
    'KX4'
    """
    return (row.sample.blind_code if blind else None) or row.sample.code
