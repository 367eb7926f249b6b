"""Derives every peak of a season again from the bytes that were received, and compares."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields
from typing import Any

from gauge.errors import FirmhandError
from gauge.protocol.formatfile import load_format_text
from gauge.records import Press, Session
from gauge.season.file import SeasonFile
from gauge.session.events import BerryLogged
from gauge.session.recorder import DETECTOR_VERSION, BerryRecorder, DetectorSettings

# share; the same sums in another order, on another machine
_ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class Audit:
    """What an audit found; a season is in order where nothing differs.

    `differences` are (berry or None, in words). `not_rederivable` are berries without bytes
    (imported ones), or whose session does not keep its line format.
    """

    berries: int
    rederived: int
    detector_changed: int
    not_rederivable: int
    differences: tuple[tuple[int | None, str], ...]

    @property
    def ok(self) -> bool:
        """Whether nothing differs."""
        return not self.differences


def audit(season: SeasonFile) -> Audit:
    """Compare a season with its digests and with the bytes that were received.

    Sessions of 0.1.0 name neither detector nor settings, so theirs is another detector's.
    """
    found = season.differences()
    rederived = changed = 0
    with season.unchecked():
        peaks = season.peaks()
        n_berries = len(season.columns("berries", ["berry_id"])["berry_id"])
        for row in season.sessions():
            stored = peaks.get(row.session_id, {})
            if not stored or row.session.line_format is None:
                continue
            if row.session.detector != DETECTOR_VERSION:
                changed += len(stored)
                continue
            if row.session.format_text is None:
                continue
            try:
                derived = _derived(season, row.session_id, row.session)
            except (FirmhandError, ValueError, TypeError) as error:
                what = getattr(error, "what", "its settings of the detector cannot be read")
                found.append((None, f"session {row.session_id}: {what}"))
                continue
            rederived += len(stored)
            for berry_id, press in stored.items():
                again = derived.get(press.t_start_s)
                found += [(berry_id, what) for what in _unlike(press, again)]
    return Audit(
        berries=n_berries,
        rederived=rederived,
        detector_changed=changed,
        not_rederivable=n_berries - rederived - changed,
        differences=tuple(found),
    )


def _derived(season: SeasonFile, session_id: int, session: Session) -> dict[float, Press]:
    """Find the presses of a session again, by when they began, as `gauge replay` does."""
    fmt = load_format_text(json.loads(str(session.format_text)), "the line format kept")
    settings = json.loads(session.detector_settings or "{}")
    if plan := settings.get("loading_rate_per_s"):
        settings["loading_rate_per_s"] = tuple(plan)
    recorder = BerryRecorder(fmt, settings=DetectorSettings(**settings))
    events = [event for item in season.received(session_id) for event in recorder.feed(item)]
    events += recorder.close()
    presses = (event.press for event in events if isinstance(event, BerryLogged))
    return {press.t_start_s: press for press in presses}


def _unlike(stored: Press, again: Press | None) -> list[str]:
    """Say in words what a stored press and the one derived again differ in."""
    if again is None:
        return [f"no press begins at {stored.t_start_s:.3f} s in what was received"]
    found = []
    for field in fields(Press):
        one, other = getattr(stored, field.name), getattr(again, field.name)
        if field.name == "flags":
            one, other = sorted(one), sorted(other)
        if not _alike(one, other):
            found.append(f"{field.name} is {_shown(one)}, but what was received gives "
                         f"{_shown(other)}")  # fmt: skip
    return found


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        both_unknown = math.isnan(one) and math.isnan(other)
        return both_unknown or math.isclose(one, other, rel_tol=_ROUNDING, abs_tol=_ROUNDING)
    return bool(one == other)


def _shown(value: Any) -> str:
    return ", ".join(value) or "none" if isinstance(value, list) else str(value)
