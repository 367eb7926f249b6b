"""Peaks of a gauge that sends a number only when its button is pressed: each one is a berry.

The gauge has found the peak by itself, so nothing is detected here and the ramp is not
known.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from gauge.detect.detector import Detector, Event
from gauge.detect.settings import DetectorSettings
from gauge.records import DetectorView, Flag, Press, Reading, Status
from gauge.units import Unit

_LATE_REPLY_S = 2.0  # s; a reply that comes later is a gap


class ButtonPeaks:
    """Turns each reading of a button gauge into a press; used like a `Detector`.

    Examples
    --------
    >>> [berry] = ButtonPeaks().feed([Reading(3.0, 1.24, "1.24", Unit.N)])
    >>> berry.peak_shown, berry.n_readings
    ('1.24', 1)
    """

    def __init__(self) -> None:
        self._unit: Unit | None = None
        self._last = math.nan

    def feed(self, readings: Iterable[Reading]) -> list[Event]:
        """Take readings; each number above zero is one berry, a bare overload word is none."""
        out: list[Event] = []
        for reading in readings:
            force_newton = reading.force_newton
            usable = reading.status in (Status.OK, Status.OVERLOAD)
            if not usable or not math.isfinite(force_newton) or force_newton <= 0:
                continue
            flags = []
            if reading.status is Status.OVERLOAD:
                flags.append(Flag.OVERLOAD)
            if self._unit not in (None, reading.unit):
                flags.append(Flag.UNIT_CHANGED)
            self._unit, self._last = reading.unit, force_newton
            out.append(
                Press(
                    t_start_s=reading.t_s,
                    t_peak_s=reading.t_s,
                    t_end_s=reading.t_s,
                    peak_shown=reading.shown,
                    peak_unit=reading.unit,
                    peak_newton=force_newton,
                    baseline_newton=0.0,
                    noise_newton=0.0,
                    n_readings=1,
                    n_ramp=0,
                    rate_hz=0.0,
                    loading_rate_newton_s=0.0,
                    sampling_loss_newton=0.0,
                    flags=tuple(flags),
                )
            )
        return out

    def unreadable(self, t_s: float, n: int) -> list[Event]:
        """Do nothing: a line that cannot be read belongs to no other."""
        return []

    def gap(self, t_s: float, reason: str) -> list[Event]:
        """Do nothing: a button press is received whole or not at all."""
        return []

    def close(self) -> list[Event]:
        """Do nothing: no press is ever under way."""
        return []

    @property
    def view(self) -> DetectorView:
        """Snapshot for screens: always at rest."""
        return DetectorView(
            state="rest",
            baseline_newton=0.0,
            noise_newton=0.0,
            current_newton=self._last,
            largest_newton=math.nan,
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
    if mode == "polled":
        settings = replace(settings, gap_s=max(settings.gap_s, _LATE_REPLY_S))
    return Detector(settings)
