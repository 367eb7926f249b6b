"""Make the sample runs of the invented farm Tallow Ridge again, byte for byte, from their seeds.

Run it as ``python sample_runs/make.py [FOLDER]``. True values are here and in README.md; nothing
that firmhand does reads them.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from random import Random

from gauge.protocol.capture import write_capture
from gauge.protocol.formatfile import dump_format, shipped_format
from gauge.records import Chunk
from gauge.simulate.berrymodel import (
    PressedBerry,
    Rest,
    Selection,
    Track,
    berry_track,
    gauss,
    weight_track,
)
from gauge.simulate.linewriter import LineWriter
from gauge.simulate.playback import recorded
from gauge.simulate.virtualgauge import Display, VirtualGauge
from gauge.units import Unit
from gauge.verify.gravity import normal_gravity_m_s2
from gauge.verify.mass import expected_newton, parse_mass

FORMAT = "number-unit"
RATE_HZ = 40.0
LATITUDE_DEG, ELEVATION_M = 35.5, 250.0


@dataclass(frozen=True, kw_only=True)
class Hand:
    """A rater's hand: cut points times `factor`, logistic spread of the fingers in newtons."""

    factor: float
    spread_newton: float


@dataclass(frozen=True, kw_only=True)
class Season:
    """A season and its true values."""

    folder: str
    crop: str
    seed: int
    prefix: str
    labels: tuple[str, ...]
    cuts_newton: tuple[float, ...]
    hands: dict[str, Hand]
    selections: tuple[Selection, ...]
    days: tuple[int, ...]
    berries: int
    first_day: str
    clamshells: int = 1
    sheets: int = 0
    verifications: tuple[tuple[str, float], ...] = field(default=())


BLACKBERRIES = (
    Selection(code="R-114", mean_newton=4.7, cv=0.24, softening_per_day=0.07),
    Selection(code="R-207", mean_newton=4.1, cv=0.26, softening_per_day=0.06),
    Selection(code="R-231", mean_newton=3.5, cv=0.28, softening_per_day=0.09),
    Selection(code="R-318", mean_newton=3.0, cv=0.26, softening_per_day=0.05),
    Selection(code="R-402", mean_newton=4.0, cv=0.30, softening_per_day=0.14),
)
RASPBERRIES = (
    Selection(code="P-051", mean_newton=2.3, cv=0.26, softening_per_day=0.08),
    Selection(code="P-077", mean_newton=1.8, cv=0.28, softening_per_day=0.06),
)
HANDS = {
    "ines": Hand(factor=0.94, spread_newton=0.22),
    "marek": Hand(factor=1.00, spread_newton=0.28),
    "odile": Hand(factor=1.08, spread_newton=0.36),
}
SEASONS = (
    Season(
        folder="2026-blackberry", crop="blackberry", seed=2026, prefix="B26",
        labels=("1", "2", "3", "4", "5"), cuts_newton=(4.2, 3.1, 2.2, 1.4), hands=HANDS,
        selections=BLACKBERRIES, days=(0, 4, 8), berries=10, first_day="2026-06-08", clamshells=2,
        sheets=4,
        # Weekly gain errors in percent: a slow drift, a failure, then a repaired gauge.
        verifications=(
            ("2026-05-04", 0.05), ("2026-05-11", -0.05), ("2026-05-18", 0.10),
            ("2026-05-25", 0.00), ("2026-06-01", -0.10), ("2026-06-08", 0.15),
            ("2026-06-15", 0.30), ("2026-06-22", 0.45), ("2026-06-29", 0.60),
            ("2026-07-06", 1.60), ("2026-07-07", 0.00), ("2026-07-13", 0.05),
        ),
    ),
    Season(
        folder="2025-blackberry", crop="blackberry", seed=2025, prefix="B25",
        labels=("1", "2", "3", "4", "5"),
        # The whole panel called berries firm 6 % later than in 2026.
        cuts_newton=(4.2 * 1.06, 3.1 * 1.06, 2.2 * 1.06, 1.4 * 1.06), hands=HANDS,
        selections=BLACKBERRIES, days=(0, 8), berries=10, first_day="2025-06-09", clamshells=2,
    ),
    Season(
        folder="2026-raspberry", crop="raspberry", seed=626, prefix="P26",
        labels=("firm", "soft"), cuts_newton=(1.55,),
        hands={"ines": Hand(factor=0.95, spread_newton=0.16),
               "marek": Hand(factor=1.05, spread_newton=0.2)},
        selections=RASPBERRIES, days=(0, 3, 6), berries=20, first_day="2026-07-01", sheets=3,
    ),
)  # fmt: skip
VIGOUR = 0.06  # standard deviation of the log of a clamshell's mean force
# Durable pads, pressed once at the start of each blackberry season.
PADS = {"PAD-A": 1.60, "PAD-B": 2.40, "PAD-C": 3.30, "PAD-D": 4.30}


def score(rng: Random, force_newton: float, season: Season, hand: Hand) -> str:
    """Draw the score that a hand gives: logistic in the force, cut by cut."""
    u = rng.random()
    for label, cut_newton in zip(season.labels[:-1], season.cuts_newton, strict=True):
        if u < 1 / (1 + math.exp(-(force_newton - cut_newton * hand.factor) / hand.spread_newton)):
            return label
    return season.labels[-1]


@cache
def _writer() -> LineWriter:
    return LineWriter(shipped_format(FORMAT))


def _gauge(track: Track, seed: int, *, rate_hz: float = RATE_HZ, **more: object) -> VirtualGauge:
    options = {"display": Display(noise_newton=0.006), "seed": seed, **more}
    return VirtualGauge(writer=_writer(), track=track, rate_hz=rate_hz, **options)  # type: ignore[arg-type]


def _text(target: Path, lines: Iterable[str]) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(f"{line}\n" for line in lines)


def _capture(target: Path, title: str, chunks: Sequence[Chunk]) -> None:
    _text(target, [f"# {title}", *write_capture(chunks)])


def _table(target: Path, rows: Sequence[dict[str, object]]) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _day(first: str, days: int) -> str:
    from datetime import date, timedelta

    return (date.fromisoformat(first) + timedelta(days=days)).isoformat()


def _samples(season: Season) -> list[tuple[str, Selection, int, int]]:
    """List the code, selection, storage day and replicate of each clamshell that is pressed."""
    replicates = range(1, season.clamshells + 1)
    rows = [(s, day, r) for r in replicates for day in season.days for s in season.selections]
    return [(f"{season.prefix}-{n:02d}", *row) for n, row in enumerate(rows, start=1)]


def true_peaks(season: Season) -> dict[str, list[float]]:
    """Draw the true peak forces in newtons, by sample; clamshells of one plan differ a little."""
    rng, found = Random(season.seed), {}
    for code, selection, day, _ in _samples(season):
        vigour = math.exp(VIGOUR * gauss(rng)) if season.clamshells > 1 else 1.0
        peaks_newton = selection.peaks_newton(rng, season.berries, day=day)
        found[code] = [max(vigour * p, 0.4) for p in peaks_newton]
    return found


def make_season(season: Season, target: Path) -> None:
    """Write plan, captures, score sheet, clamshell sheets and weights of one season."""
    rng = Random(season.seed + 1)
    peaks_newton = true_peaks(season)
    plan: list[dict[str, object]] = []
    scores: list[dict[str, object]] = []
    for code, selection, day, replicate in _samples(season):
        plan.append(
            {
                "code": code, "crop": season.crop, "selection": selection.code,
                "replicate": replicate, "harvest_date": season.first_day, "storage_day": day,
                "storage_temp_c": 2,
                "site": "Tallow Ridge", "lot": f"{selection.code}/{day}",
                "berries": season.berries,
            }
        )  # fmt: skip
        track = berry_track(rng, peaks_newton[code], rest_s=0.9, pace=0.8)
        gauge = _gauge(track, season.seed * 100 + len(plan))
        title = f"Tallow Ridge, {code}: {selection.code}, storage day {day}, invented"
        _capture(target / "captures" / f"{code}.txt", title, recorded(gauge, latency_s=0.05))
        for number, peak_newton in enumerate(peaks_newton[code], start=1):
            for rater, hand in season.hands.items():
                given = score(rng, peak_newton, season, hand)
                if rng.random() < 0.02:
                    continue  # a berry that this rater did not get to
                at = _day(season.first_day, day)
                scores.append(
                    {"sample": code, "number": number, "rater": rater, "score": given,
                     "scored_at": at}
                )  # fmt: skip
    _table(target / "plan.csv", plan)
    _table(target / "scores.csv", scores)
    if season.sheets:
        _table(target / "clamshells.csv", _sheets(season, rng))
    for at, gain_pct in season.verifications:
        _weights(target / "weights" / f"{at}.txt", at, gain_pct)


def _sheets(season: Season, rng: Random) -> list[dict[str, object]]:
    """Finger counts of a shelf-life trial, scored by one rater, 25 berries a clamshell."""
    rows: list[dict[str, object]] = []
    rater, hand = next(iter(season.hands.items()))
    for selection in season.selections:
        for day in season.days:
            for replicate in range(1, season.sheets + 1):
                vigour = math.exp(VIGOUR * gauss(rng))
                peaks_newton = [vigour * p for p in selection.peaks_newton(rng, 25, day=day)]
                given = [score(rng, p, season, hand) for p in peaks_newton]
                names = [f"s{x}" if x.isdigit() else x for x in season.labels]
                leaky = sum(rng.random() < 0.01 + 0.02 * day for _ in peaks_newton)
                decayed = sum(rng.random() < 0.004 * day for _ in peaks_newton)
                rows.append(
                    {
                        "sample": f"{season.prefix}-C{len(rows) + 1:02d}", "rater": rater,
                        "selection": selection.code, "harvest_date": season.first_day,
                        "storage_day": day, "replicate": replicate, "planned": 25,
                        **{n: given.count(x) for n, x in zip(names, season.labels, strict=True)},
                        "leaky": leaky, "decayed": decayed,
                    }
                )  # fmt: skip
    return rows


def _weights(target: Path, at: str, gain_pct: float) -> None:
    """Check weights hung on one day: 200 g and 500 g up, 200 g down."""
    seed = int(at.replace("-", ""))
    g = normal_gravity_m_s2(LATITUDE_DEG, ELEVATION_M)
    forces_newton = [expected_newton(parse_mass(mass), g) for mass in ("200g", "500g", "200g")]
    display = Display(noise_newton=0.004, gain=1 + gain_pct / 100)
    track = weight_track(forces_newton, rest_s=2.0, dwell_s=3.5)
    gauge = _gauge(track, seed, rate_hz=20.0, display=display)
    title = f"Tallow Ridge, {at}: 200 g, 500 g, 200 g; gauge made to read {gain_pct:+.2f} % off"
    _capture(target, title, recorded(gauge, latency_s=0.05))


def make_pads(target: Path) -> None:
    """Write one press of each pad in each of the two blackberry seasons."""
    rng = Random(77)
    rows: list[dict[str, object]] = []
    for day in ("2025-06-09", "2026-06-08"):
        for pad, force_newton in PADS.items():
            peak_newton = force_newton * (1 + 0.006 * gauss(rng))
            rows.append({"pad": pad, "at": day, "force_N": f"{peak_newton:.2f}"})
    _table(target, rows)


def make_faults(target: Path) -> None:
    """Write four small captures in each of which something goes wrong."""
    berries = BLACKBERRIES[1].peaks_newton(Random(5), 4)
    track = berry_track(Random(6), berries, rest_s=0.9, pace=0.8)
    switched = {"unit_from_s": track.duration_s / 2, "unit_then": Unit.LBF}
    _capture(
        target / "unit-switched.txt", "The display was switched from N to lbf halfway.",
        recorded(_gauge(track, 1, **switched)),
    )  # fmt: skip
    _capture(
        target / "line-noise.txt", "One byte in 3 % of the lines was hit.",
        recorded(_gauge(track, 2, noise_share=0.03)),
    )  # fmt: skip
    over = berry_track(Random(6), [berries[0], 30.0, *berries[2:]], rest_s=0.9, pace=0.8)
    _capture(
        target / "overload.txt", "The second press went beyond the 22 N of the gauge.",
        recorded(_gauge(over, 3)),
    )  # fmt: skip
    cut = Track([*track.acts[:-1], Rest(duration_s=0.9), PressedBerry(peak_newton=3.0)],
                until_s=track.duration_s + 0.8)  # fmt: skip
    _capture(
        target / "cut-mid-press.txt", "The recording ends in the middle of the fifth press.",
        recorded(_gauge(cut, 4)),
    )  # fmt: skip


def make(target: Path) -> None:
    """Make all sample runs in a folder."""
    for season in SEASONS:
        make_season(season, target / season.folder)
    make_pads(target / "pads.csv")
    make_faults(target / "faults")
    _text(target / "gauge.toml", dump_format(shipped_format(FORMAT)).splitlines())


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
