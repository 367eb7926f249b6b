"""What a season file itself says for the page: sections that no other command prints."""

from __future__ import annotations

import platform
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from calibrate.data.conditions import conditions_in, within
from calibrate.data.labels import format_newton, format_value, unit, with_unit
from calibrate.raters.warmup import practice_days
from gauge.errors import NoSuchRecordError
from gauge.package import __version__
from gauge.plaintext import plural
from gauge.printed import echo, print_table, say

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile

_LIBRARIES = ("numpy", "scipy", "matplotlib")


def of_samples(file: SeasonFile, name: str) -> str:
    """Return what the samples of a season say of themselves, each word once."""
    said = {getattr(row.sample, name) for row in file.samples()} - {None}
    return ", ".join(f"{one:g}" if isinstance(one, float) else str(one) for one in sorted(said))


def work(file: SeasonFile) -> None:
    """Tell who pressed and scored what, when and how."""
    berries = [berry for berry in file.berries() if berry.void is None]
    if not berries:
        raise NoSuchRecordError("No berry is stored.", todo="'gauge log' presses berries.")
    known = file.press_days()
    days = sorted({known[berry.berry_id] for berry in berries if berry.berry_id in known})
    raters = sorted({mark.rater for berry in berries for mark in berry.scores})
    n_scores = sum(len(berry.scores) for berry in berries)
    when = "; on which day is not known"
    if days:
        when = f" on {days[0]}" if len(days) == 1 else f" from {days[0]} to {days[-1]}"
    samples = plural(len({berry.sample for berry in berries}), "sample")
    were = "was" if len(berries) == 1 else "were"
    echo(f"{plural(len(berries), 'berry')} of {samples} {were} pressed{when}.")
    if raters:
        echo(f"{', '.join(raters)} gave {n_scores} finger scores on the scale "
             f"{', '.join(file.labels)}, firmest first.")  # fmt: skip
    for name, words in (
        ("selection", "Selections"), ("harvest_date", "Harvested"),
        ("storage_day", "Storage days"), ("site", "Sites"),
    ):  # fmt: skip
        if said := of_samples(file, name):
            echo(f"{words}: {said}.")
    sessions = [row.session for row in file.sessions() if row.session.purpose == "berries"]
    conditions = conditions_in(file)
    for words, found in (
        ("Gauge", sorted(conditions.gauges)),
        ("How berries were pressed", conditions.protocol.phrases()),
        ("At the gauge", sorted({one.operator for one in sessions if one.operator})),
    ):
        echo(f"{words}: {', '.join(found) or 'not recorded'}.")
    for doubt in within(conditions):
        say(doubt)


def gauge(file: SeasonFile) -> None:
    """Tell how the gauge stood against its check weights."""
    from gauge.season.checks import points_by_mass

    rows = file.verifications()
    if not rows:
        raise NoSuchRecordError(
            "The gauge was not checked against weights in this season.",
            todo="Do so: gauge verify --port PORT --format FORMAT.toml --season SEASON --mass 500g",
        )
    passed = [row for row in rows if row.passed]
    last = rows[-1]
    echo(
        f"The gauge passed {len(passed)} of {plural(len(rows), 'check')}; at the last, of "
        f"{last.at[:10]}, it {'passed' if last.passed else 'FAILED'}."
    )
    if not last.passed:
        echo("Do not trust its forces until 'gauge verify' passes.")
    peaks = (last.result.get("uncertainty") or {}).get("peaks", [])
    if peaks:
        wide = (f"{with_unit(one['U_N'])} at {with_unit(one['force_N'])}" for one in peaks)
        echo(f"Expanded uncertainty of a peak (k = 2): {', '.join(wide)}.")
    for certificate in file.certificates(last.gauge, last.gauge_serial):
        echo(f"There is a {certificate.words()}.")
    points = points_by_mass(rows)
    masses = sorted(points)
    errors: dict[str, dict[str, float]] = {}
    for mass, of_mass in points.items():
        for point in of_mass:
            errors.setdefault(point.at, {})[mass] = point.error_pct
    verdicts = {row.at[:10]: "passed" if row.passed else "FAILED" for row in rows}
    print_table(
        ["day", *(f"error at {mass}, %" for mass in masses), "verdict"],
        [
            [day, *(format_value(found.get(mass), "+.2f", missing="-") for mass in masses),
             verdicts[day]]
            for day, found in sorted(errors.items())
        ],
        title=f"Check weights; tolerance {last.tolerance_pct:g} %",
        left=(0, len(masses) + 1),
    )  # fmt: skip


def practice(file: SeasonFile) -> None:
    """Tell what each rater's practice showed, day by day."""
    print_table(
        ["rater", "day", "squeezes", "scored as the panel", f"off on average, {unit()}"],
        [
            [one.rater, one.day, str(one.n), f"{one.as_panel / one.n:.0%}",
             format_newton(one.off_newton, sign="+")]
            for one in practice_days(file.practice())
        ],
        title="Practice on anchors; above zero: they were firmer than the score given",
        left=(0, 1),
    )  # fmt: skip


def anchors(file: SeasonFile) -> None:
    """Tell how old the anchors of the season's own calibration are."""
    from calibrate.anchors.retirement import good_anchors

    rows = file.anchors(file.setting("calibration"))
    if not rows:
        raise NoSuchRecordError(
            "No anchor is kept.", todo="Keep a set: calibrate anchors SEASON --keep --card card.pdf"
        )
    today = datetime.now(UTC).date()
    good = good_anchors(rows, today)
    retired = sum(row.retired_at is not None for row in rows)
    left = len(rows) - len(good) - retired
    tired = f"; {left} are worn, voided or too old: retire them" if left else ""
    echo(f"{len(good)} of {len(rows)} anchors are good, {retired} are retired{tired}.")
    if pressed := [row.since for row in good if row.kind != "pad" and row.since is not None]:
        ago = plural((today - min(pressed)).days, "day")
        echo(f"The oldest fruit of them was pressed {ago} ago.")
    if pads := sum(row.kind == "pad" for row in good):
        echo(f"Durable pads among them: {pads}.")


def flags(file: SeasonFile) -> None:
    """List what was flagged and what was voided, each with its reason."""
    from gauge.season.checks import peak_flags

    berries, flags = file.berries(), peak_flags(file)
    if not berries:
        raise NoSuchRecordError("No berry is stored.", todo="'gauge log' presses berries.")
    void = [(berry, berry.void) for berry in berries if berry.void is not None]
    flagged = [
        (berry, ", ".join(flags[berry.berry_id]))
        for berry in berries
        if berry.void is None and flags.get(berry.berry_id)
    ]
    for found, what in ((void, "void, used nowhere"), (flagged, "flagged, and used")):
        echo(f"{what.capitalize()}: {len(found) or 'none'} of {plural(len(berries), 'berry')}.")
    for title, rows in (("Void berries", void), ("Flagged berries", flagged)):
        print_table(
            ["berry", f"force {unit()}", "why"],
            [
                [f"{b.sample}-{b.number}", format_newton(b.peak_newton, missing="-"), why]
                for b, why in rows
            ],
            title=title,
            left=(0, 2),
        )


def computed(file: SeasonFile) -> None:
    """Name versions, calibration, changes and the last digest."""
    from importlib.metadata import version

    libraries = ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    echo(f"Computed by firmhand {__version__} on Python {platform.python_version()}, {libraries}.")
    detectors = {row.session.detector for row in file.sessions()} - {None}
    if detectors:
        echo(f"Peaks were found by detector version {', '.join(sorted(map(str, detectors)))}.")
    adopted = file.setting("calibration")
    for row in file.calibrations():
        own = " and adopted as the season's own" if row.name == adopted else ""
        echo(
            f"Calibration {row.name}: stored {row.at[:10]} by firmhand {row.version}{own}; "
            f"fingerprint {row.fingerprint[:12]}, log-likelihood "
            f"{format_value(row.document.get('log_likelihood'), '.3f', missing='not kept')}."
        )
    changes = Counter(row.kind for row in file.trail())
    kinds = ", ".join(f"{kind} ({n})" for kind, n in changes.most_common())
    echo(f"Changes in the trail: {kinds or 'none'}.")
    echo(f"Last digest of the season file: {file.digest}. Any later change gives another one.")
    echo("'gauge audit' derives every peak again from the bytes that the gauge sent.")
