"""Peaks of a gauge that sends a number only when its button is pressed: each one is a berry.

The gauge has found the peak by itself, so nothing is detected here and the ramp is not known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from gauge.detect.detector import Detector, Event
from gauge.detect.settings import DetectorSettings
from gauge.records import DetectorView, Flag, Press, Reading, Status

_LATE_REPLY_S = 2.0  # s; a reply that comes later is a gap


class ButtonPeaks:
    """Turns each reading of a button gauge into a press; used like a `Detector`.

    Examples
    --------
    >>> from gauge.units import Unit
    >>> [berry] = ButtonPeaks().feed([Reading(3.0, 1.24, "1.24", Unit.N)])
    >>> berry.peak_shown, berry.n_readings
    ('1.24', 1)
    """

    def __init__(self) -> None:
        self._last: Reading | None = None

    def feed(self, readings: Iterable[Reading]) -> list[Event]:
        """Take readings; each number above zero is one berry, a bare overload word is none."""
        out: list[Event] = []
        for reading in readings:
            t_s, force = reading.t_s, reading.force_newton
            if reading.status not in (Status.OK, Status.OVERLOAD) or not 0 < force < math.inf:
                continue
            flags = [Flag.OVERLOAD] if reading.status is Status.OVERLOAD else []
            if self._last and self._last.unit is not reading.unit:
                flags.append(Flag.UNIT_CHANGED)
            self._last = reading
            out.append(
                Press(
                    t_start_s=t_s, t_peak_s=t_s, t_end_s=t_s, peak_shown=reading.shown,
                    peak_unit=reading.unit, peak_newton=force, flags=tuple(flags),
                )
            )  # fmt: skip
        return out

    def unreadable(self, *_: object) -> list[Event]:
        """Do nothing: a press is received whole or not at all, and no line belongs to another."""
        return []

    gap = close = unreadable

    @property
    def view(self) -> DetectorView:
        """Snapshot for screens: always at rest."""
        last = self._last.force_newton if self._last else math.nan
        return DetectorView(
            state="rest", baseline_newton=0.0, noise_newton=0.0, current_newton=last
        )


def detector_for(mode: str, settings: DetectorSettings | None = None) -> Detector | ButtonPeaks:
    """Choose by the mode of a line format: "button", "streaming" or "polled".

    A polled gauge may reply late now and then; no press is cut for that.

    Examples
    --------
    >>> type(detector_for("button")).__name__
    'ButtonPeaks'
    """
    if mode == "button":
        return ButtonPeaks()
    settings = settings or DetectorSettings()
    late_s = _LATE_REPLY_S if mode == "polled" else 0.0
    return Detector(replace(settings, gap_s=max(settings.gap_s, late_s)))
