"""What a season file gives back: one frozen record a row. Nothing is read or written here."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date
from difflib import get_close_matches
from typing import Any, TypeVar

from gauge.csvsheet import name_key
from gauge.records import FingerScore, Flag, Sample, Session
from gauge.units import Unit

Key = tuple[str, int]  # sample and number of a berry
R = TypeVar("R")


def made(kind: type[R], row: Mapping[str, Any], **more: Any) -> R:
    """Make a record of those of its fields that a row has, and of `more`."""
    names = {f.name for f in fields(kind)} & row.keys()  # type: ignore[arg-type]
    return kind(**{name: row[name] for name in names} | more)


@dataclass(frozen=True, kw_only=True, slots=True)
class SampleRow:
    """A stored sample and how far it has come.

    Examples
    --------
    >>> SampleRow(sample_id=1, sample=Sample(code="A", berries_planned=20), berries=19).done
    False
    """

    sample_id: int
    sample: Sample
    berries: int  # stored and not voided

    @property
    def done(self) -> bool:
        """Whether it has all its planned berries, or at least one where no number was planned."""
        return self.berries >= (self.sample.berries_planned or 1)

    @property
    def due(self) -> date | None:
        """The day to which harvest date and planned storage day come; None without a date."""
        return self.sample.due


def ahead(rows: Iterable[SampleRow], here: int | None = None) -> list[SampleRow]:
    """Return the planned samples that are not done, those of today first; not the one here.

    Those of a later day come last; the order of the plan holds within each of the three.
    """
    today = date.today()
    left = (r for r in rows if r.sample.plan_order and not r.done and r.sample_id != here)
    return sorted(left, key=lambda row: (row.due != today, (row.due or today) > today))


def match(rows: Iterable[SampleRow], code: str) -> SampleRow | None:
    """Return the sample of a code or blind code, whatever its case and blanks.

    Examples
    --------
    >>> rows = [SampleRow(sample_id=1, sample=Sample(code="B-01", blind_code="WFMF"), berries=0)]
    >>> [match(rows, code) is rows[0] for code in ("b-01 ", " wfmf", "B_01")]
    [True, True, False]
    """
    by_name = {name: row for row in reversed([*rows]) for name in row.sample.names}
    return by_name.get(as_known(code, [*by_name]))


def nearest(rows: Iterable[SampleRow], code: str) -> str | None:
    """Return the code that an unknown one is most likely a slip of.

    Examples
    --------
    >>> rows = [SampleRow(sample_id=n, sample=Sample(code=f"C-{n:02}"), berries=0) for n in (1, 21)]
    >>> nearest(rows, "C-1")
    'C-01'
    """

    def key(name: str) -> str:  # C-1 is the nearest to C-01
        return re.sub(r"(?<!\d)0+(?=\d)", "", code_key(name))

    known = {key(name): name for row in rows for name in row.sample.names}
    near = get_close_matches(key(code), known, 1)
    return known[near[0]] if near else None


def as_known(typed: str, known: Sequence[str]) -> str:
    """Return the known label that is typed, whatever its case and blanks; else the typed one.

    Examples
    --------
    >>> as_known(" pad-a", ["PAD-A"]), as_known(" PAD-B ", ["PAD-A"])
    ('PAD-A', 'PAD-B')
    >>> as_known("A", ["A", "a"]), as_known("a", ["A", "a"])
    ('A', 'a')
    """
    exact, labels = typed.strip(), {code_key(label): label for label in known}
    # Labels may differ only in case; then the exact one counts.
    return exact if exact in known else labels.get(code_key(exact), exact)


def code_key(code: str) -> str:
    """Return what two spellings of a sample's code share; see `name_key`."""
    return name_key(code).replace(" ", "")


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionRow:
    """A stored session."""

    session_id: int
    session: Session
    ended_at: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class BerryRow:
    """A stored berry with its peak and finger scores.

    `press_only`: planned to be pressed without a squeeze. What describes the peak is None for a
    berry that was never pressed; `baseline_newton` is what the gauge showed before the press.
    """

    berry_id: int
    sample: str
    number: int
    at: str
    session_id: int | None
    peak_shown: str | None
    peak_unit: str | None
    peak_newton: float | None
    baseline_newton: float | None
    loading_rate_newton_s: float | None
    flags: tuple[str, ...]
    size_mm: float | None
    mass_g: float | None
    fruit_temp_c: float | None
    void: str | None
    press_only: bool = False
    scores: tuple[FingerScore, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ImportedBerry:
    """A berry of a sheet: there are no bytes from which its peak could be found again.

    `row` is that of the sheet; `at` is None where the sheet names no time.
    """

    sample: str
    number: int
    row: int
    shown: str
    unit: Unit
    force_newton: float
    at: str | None = None
    flags: tuple[Flag, ...] = ()
    size_mm: float | None = None
    mass_g: float | None = None
    fruit_temp_c: float | None = None
    press_only: bool = False


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
    already: int = 0  # scores and berries that the season holds just so
    void: int = 0  # rows of void berries, which are left out
    alike: tuple[tuple[str, str], ...] = ()  # new names of raters that look like another's
    undated: int = 0  # new berries of which nothing says on which day they were pressed
    unread: tuple[str, ...] = ()  # columns of the sheet


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteRow:
    """A note on a session or a berry."""

    text: str
    session_id: int | None
    berry_id: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckweightRow:
    """One reading of a verification. `kind` is "zero", "up", "down" or "repeat"."""

    kind: str
    mass_shown: str | None
    mass_g: float | None
    expected_newton: float
    reading_shown: str
    reading_unit: str
    reading_newton: float


@dataclass(frozen=True, kw_only=True, slots=True)
class VerificationRow:
    """One verification of a gauge against check weights; `result` is the whole verdict."""

    verification_id: int
    at: str
    gauge: str | None
    gauge_serial: str | None
    gravity_from: str
    tolerance_pct: float
    passed: bool
    result: dict[str, Any]
    checkweights: tuple[CheckweightRow, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class CertificateRow:
    """A certificate of a "gauge" (`name` its serial number or name) or of the "weights"."""

    kind: str
    name: str
    number: str
    issued_on: str | None
    due_on: str | None

    def words(self) -> str:
        """Say which certificate it is."""
        due = f", due {self.due_on}" if self.due_on else ""
        return f"certificate {self.number} of the {self.kind}, issued {self.issued_on}{due}"


@dataclass(frozen=True, kw_only=True, slots=True)
class CalibrationRow:
    """A stored calibration: its document, the fingerprint of its data, the version that made it."""

    name: str
    at: str
    fingerprint: str
    version: str
    document: dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class PressRow:
    """A squeeze of an anchor; the force where it was pressed on the gauge, gently."""

    press_id: int
    at: str
    force_newton: float | None
    by: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class AnchorRow:
    """An anchor in use or retired, "berry", "lot" or "pad"; `void` is why its berry is void.

    `force_newton` is that on which it was chosen; `since` the day from which its age counts.
    """

    anchor_id: int
    calibration: str
    kind: str
    label: str
    berry_id: int | None
    score: str | None
    boundary: str | None
    force_newton: float
    press_limit: int
    valid_days: float
    retired_at: str | None = None
    retired_why: str | None = None
    presses: tuple[PressRow, ...] = ()
    void: str | None = None
    since: date | None = None

    @property
    def latest_newton(self) -> float:
        """Its force by the latest gentle press on the gauge, or as it was chosen."""
        measured = [one.force_newton for one in self.presses if one.force_newton is not None]
        # Each squeeze of a lot is one of another berry.
        return measured[-1] if measured and self.kind != "lot" else self.force_newton


@dataclass(frozen=True, kw_only=True, slots=True)
class PadPressRow:
    """A press of a durable pad, which shows whether the newton itself has changed.

    `made_on` is the day on which the pad was made, `temp_c` its temperature.
    """

    pad: str
    at: str
    force_newton: float
    batch: str | None = None
    made_on: str | None = None
    temp_c: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RaterRow:
    """A rater on the roster: "in training", "qualified" or "suspended", since when and why.

    One who was only named has no reason.
    """

    name: str
    status: str
    since: str
    why: str | None = None

    @property
    def about(self) -> str:
        """Say it in words."""
        return f"{self.name} is {self.status} since {self.since[:10]} ({self.why})"


@dataclass(frozen=True, kw_only=True, slots=True)
class PracticeRow:
    """One blind squeeze of a rater's warm-up; never data."""

    rater: str
    at: str
    calibration: str
    anchor: str
    force_newton: float
    score: str
    off_newton: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ClamshellRow:
    """The finger counts of one clamshell by one rater; `sheet` is the tally as a document."""

    sample: str
    rater: str
    at: str
    sheet: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class TrailRow:
    """A change: these columns of these rows of a table, from `old` to `new`, by whom and why.

    `kind` is "void", "undo", "correct", "join", "scores", "adopt", "retire", "measure", "site" or
    "end".
    """

    at: str
    who: str | None
    kind: str
    why: str | None
    table: str
    ids: tuple[int, ...]
    old: dict[str, Any]
    new: dict[str, Any]
