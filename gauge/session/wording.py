"""What happened at the gauge, in words for a person: the same on every screen."""

from __future__ import annotations

from gauge.records import Flag
from gauge.session.events import (
    BerryLogged,
    Event,
    LineGap,
    LineLost,
    PressCut,
    PressRefused,
    ScoresWanted,
    Silence,
    StoreDelayed,
)
from gauge.units import Unit

FLAG_WORDS = {
    Flag.OVERLOAD: "OVERLOAD: the true peak is higher",
    Flag.BASELINE_DRIFT: "zero drifted",
    Flag.FEW_READINGS: "few readings on the way up",
    Flag.LOADING_RATE: "pressed faster or slower than planned",
    Flag.DOUBLE_RISE: "skin broke, then rose again",
    Flag.LONE_READING: "the peak is a single reading: line noise, or a knock?",
    Flag.UNIT_CHANGED: "the gauge changed its unit",
}


def berry_line(berry: BerryLogged) -> str:
    """One line for a berry.

    Examples
    --------
    >>> from gauge.records import Compression
    >>> press = Compression(t_start_s=0, t_peak_s=1, t_end_s=2, peak_shown="1.240",
    ...     peak_unit=Unit.N, peak_newton=1.24, baseline_newton=0, noise_newton=0.01, n_readings=40, n_ramp=20,
    ...     rate_hz=20, loading_rate_newton_s=1.2, sampling_loss_newton=0.01, flags=(Flag.DOUBLE_RISE,))
    >>> berry_line(BerryLogged(number=7, berry_id=1, press=press))
    'berry 7: 1.240 N (skin broke, then rose again)'
    """
    press = berry.press
    newtons = "" if press.peak_unit is Unit.N else f" = {press.peak_newton:.3f} N"
    flags = "; ".join(FLAG_WORDS[flag] for flag in press.flags)
    scores = "".join(f", {mark.rater} {mark.score}" for mark in berry.scores)
    return (
        f"berry {berry.number}: {press.peak_shown} {press.peak_unit}{newtons}{scores}"
        f"{f' ({flags})' if flags else ''}"
    )


def told(event: Event, port: str) -> str:
    """What to say of anything that happened.

    Examples
    --------
    >>> told(LineLost(t_ns=0, reason="the port went away"), "/dev/ttyUSB0")
    '/dev/ttyUSB0: the port went away. Waiting for it to come back; nothing stored is lost.'
    """
    match event:
        case BerryLogged():
            return berry_line(event)
        case PressCut(cut=cut):
            return f"No berry: a press was seen only in part ({cut.reason}). Press again."
        case ScoresWanted(missing=missing):
            return f"Pressed. The force stays hidden until these have scored: {', '.join(missing)}."
        case PressRefused(reason=reason):
            return f"No berry: {reason}."
        case LineLost(reason=reason):
            return f"{port}: {reason}. Waiting for it to come back; nothing stored is lost."
        case LineGap(gap=gap):
            seconds = (gap.to_ns - gap.from_ns) / 1e9
            return f"{port}: gap of {seconds:.1f} s ({gap.reason}); what was sent then is lost."
        case Silence(seconds=seconds, heard=True):
            return (
                f"{port}: for {seconds:.0f} s bytes came, but none that the line format can read. "
                "Speed or format may be wrong: gauge learn makes a new format."
            )
        case Silence(seconds=seconds):
            return (
                f"{port}: nothing heard for {seconds:.0f} s. Is the gauge on, and does it send? "
                "Still listening."
            )
        case StoreDelayed(reason=reason):
            return f"NOT STORED YET: {reason} Trying again; do not close this window."
