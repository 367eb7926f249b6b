"""Force at the head of a virtual gauge over time: seeded berries pressed, or check weights hung.

Only `random.Random.random` is drawn from, the one stream that Python keeps the same between
versions, so a seed gives the same berries everywhere.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from random import Random
from statistics import NormalDist

from gauge.errors import InvalidValueError
from gauge.units import STANDARD_GRAVITY_M_S2
from gauge.verify.mass import expected_newton, parse_mass

_NORMAL = NormalDist()


def gauss(rng: Random) -> float:
    """Draw a standard normal deviate by inversion of one uniform draw."""
    return _NORMAL.inv_cdf(min(max(rng.random(), 1e-12), 1 - 1e-12))


def _lognormal(rng: Random, mean: float, cv: float) -> float:
    """Draw from the lognormal distribution of a given mean and coefficient of variation."""
    log_variance = math.log1p(cv * cv)
    return mean * math.exp(math.sqrt(log_variance) * gauss(rng) - log_variance / 2)


@dataclass(frozen=True, kw_only=True, slots=True)
class Rest:
    """Nothing touches the head."""

    duration_s: float

    def force_newton(self, t_s: float) -> float:
        """Zero."""
        return 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class PressedBerry:
    """One press of a hand-lowered stand on one berry.

    The ramp follows a contact law, force as the 3/2 power of the way (Hertz), with a hand that
    does not move evenly; at the top the berry relaxes as a Maxwell element; then it is let go.
    """

    peak_newton: float
    rise_s: float = 1.2
    hold_s: float = 0.3  # s; at the top
    release_s: float = 0.25
    unevenness: float = 0.3  # from 0 to below 1; depth of the wave in the speed of the hand
    relaxation: float = 0.2  # share of the force that relaxes away if held for long
    relaxation_s: float = 0.6  # s; time constant of the relaxation

    def __post_init__(self) -> None:
        if not (
            self.peak_newton > 0 and self.rise_s > 0 and self.release_s > 0 and self.hold_s >= 0
        ):
            raise InvalidValueError("a press needs a peak, a rise and a release above zero")
        shares = (self.unevenness, self.relaxation)
        if not all(0 <= share < 1 for share in shares) or self.relaxation_s <= 0:
            raise InvalidValueError("the shares of a press lie between 0 and 1")

    @property
    def duration_s(self) -> float:
        """Seconds from touch to release."""
        return self.rise_s + self.hold_s + self.release_s

    def force_newton(self, t_s: float) -> float:
        """Force `t_s` seconds after the touch."""
        if t_s <= 0 or t_s >= self.duration_s:
            return 0.0
        if t_s < self.rise_s:
            return self.peak_newton * self._ramp(t_s / self.rise_s)
        held_s = min(t_s - self.rise_s, self.hold_s)
        top = self.peak_newton * (1 - self.relaxation * -math.expm1(-held_s / self.relaxation_s))
        released_s = t_s - self.rise_s - self.hold_s
        return top if released_s <= 0 else top * (1 - released_s / self.release_s) ** 1.5

    def _ramp(self, x: float) -> float:
        """Share of the peak at share `x` of the ramp."""
        way = x - self.unevenness * math.sin(2 * math.pi * x) / (2 * math.pi)
        return float(way**1.5)


@dataclass(frozen=True, kw_only=True, slots=True)
class HungWeight:
    """A check weight: put on within 0.3 s, swinging down to rest, lifted off at the end."""

    weight_newton: float
    duration_s: float = 6.0
    swing: float = 0.03
    swing_hz: float = 2.0
    damping_s: float = 0.4

    def force_newton(self, t_s: float) -> float:
        """Force `t_s` seconds after the weight first pulled."""
        if t_s <= 0 or t_s >= self.duration_s:
            return 0.0
        on = min(t_s / 0.3, 1.0, (self.duration_s - t_s) / 0.2)
        swing = self.swing * math.exp(-t_s / self.damping_s)
        return self.weight_newton * on * (1 + swing * math.cos(2 * math.pi * self.swing_hz * t_s))


Act = Rest | PressedBerry | HungWeight


class Track:
    """Acts one after another on one clock, broken off at `until_s`.

    Examples
    --------
    >>> track = Track([Rest(duration_s=1.0), PressedBerry(peak_newton=2.0, rise_s=1.0)])
    >>> track.force_newton(0.5), track.force_newton(2.0)
    (0.0, 2.0)
    """

    def __init__(self, acts: Sequence[Act], *, until_s: float = math.inf) -> None:
        self.acts = tuple(acts)
        self._until_s = until_s
        self._starts = list(itertools.accumulate((a.duration_s for a in acts), initial=0.0))

    @property
    def duration_s(self) -> float:
        """Seconds from the first act to the end of the last."""
        return min(self._starts[-1], self._until_s)

    def force_newton(self, t_s: float) -> float:
        """Force at the time `t_s`; zero before the first act and after the last."""
        index = bisect.bisect_right(self._starts, t_s) - 1
        if not 0 <= index < len(self.acts):
            return 0.0
        return self.acts[index].force_newton(t_s - self._starts[index])

    def presses(self) -> list[tuple[float, PressedBerry]]:
        """List the presses with the time at which each one ends."""
        ends = self._starts[1:]
        return [
            (end, a) for end, a in zip(ends, self.acts, strict=True) if isinstance(a, PressedBerry)
        ]


@dataclass(frozen=True, kw_only=True, slots=True)
class Selection:
    """A breeding selection: how firm its berries are and how fast they soften.

    Peaks are lognormal, and their mean falls as exp(-softening_per_day * day) in storage.
    """

    code: str
    mean_newton: float  # N; mean peak on the day of harvest
    cv: float = 0.25
    softening_per_day: float = 0.06

    def __post_init__(self) -> None:
        if not (self.mean_newton > 0 and self.cv >= 0 and self.softening_per_day >= 0):
            raise InvalidValueError(f"selection {self.code}: firmness must be above zero")

    def peaks_newton(self, rng: Random, count: int, *, day: float = 0.0) -> list[float]:
        """Draw the peak forces of `count` berries after `day` days of storage."""
        mean_newton = self.mean_newton * math.exp(-self.softening_per_day * day)
        return [_lognormal(rng, mean_newton, self.cv) for _ in range(count)]


def draw_berry(rng: Random, peak_newton: float, *, pace: float = 1.0) -> PressedBerry:
    """Draw how one tech's hand lowers the stand on one berry; a `pace` above 1 is a slower hand."""
    return PressedBerry(
        peak_newton=peak_newton,
        rise_s=pace * _lognormal(rng, 1.2, 0.25),
        hold_s=pace * (0.15 + 0.3 * rng.random()),
        release_s=pace * (0.2 + 0.15 * rng.random()),
        unevenness=0.6 * rng.random(),
        relaxation=0.1 + 0.2 * rng.random(),
    )


def berry_track(
    rng: Random, peaks_newton: Iterable[float], *, rest_s: float = 1.5, pace: float = 1.0
) -> Track:
    """Play one press a berry, with a rest of about `rest_s` before each and after the last."""
    acts: list[Act] = []
    for peak_newton in peaks_newton:
        acts += [Rest(duration_s=pace * rest_s * (0.8 + 0.4 * rng.random()))]
        acts += [draw_berry(rng, peak_newton, pace=pace)]
    return Track([*acts, Rest(duration_s=pace * rest_s)])


def weight_track(
    weights_newton: Iterable[float], *, rest_s: float = 4.0, dwell_s: float = 6.0
) -> Track:
    """Hang weights one after another, each for `dwell_s`, with a rest before each and after."""
    acts: list[Act] = [Rest(duration_s=rest_s)]
    for weight_newton in weights_newton:
        acts += [
            HungWeight(weight_newton=weight_newton, duration_s=dwell_s),
            Rest(duration_s=rest_s),
        ]
    return Track(acts)


def simulated_track(
    rng: Random,
    *,
    selection: Selection,
    berries: int,
    day: float = 0.0,
    masses: Sequence[str] = (),
    overload_newton: float | None = None,
    cut: bool = False,
) -> Track:
    """Draw what happens at the head in one session.

    `berries` of the selection are pressed after `day` days of storage, the one in the middle to a
    peak of `overload_newton`; with `cut` the session ends two thirds up the rise of the last press.
    With `masses`, such as "500g", these are hung at standard gravity, and no berries pressed.
    """
    if masses:
        gravity = float(STANDARD_GRAVITY_M_S2)
        return weight_track(expected_newton(parse_mass(mass), gravity) for mass in masses)
    peaks_newton = selection.peaks_newton(rng, berries, day=day)
    if overload_newton is not None:
        peaks_newton[berries // 2] = overload_newton
    track = berry_track(rng, peaks_newton)
    if not cut:
        return track
    released_s, last = track.presses()[-1]
    return Track(track.acts, until_s=released_s - last.duration_s + last.rise_s * 2 / 3)
