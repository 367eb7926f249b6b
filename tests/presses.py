"""Simulated hand-lowered presses for tests and bench, with the truth beside the readings.

Independent of the product's own simulator. A session is drawn from a seed: display, rate, noise,
offset, drift and a list of presses and touches of many shapes; the truth is taken from the readings
as shown. Ranges (uniform, or log-uniform where marked *):

rate 5 to 2,000 readings/s*; ramp 0.3 to 10 s*; peak 0.3 to 22 N*; noise at rest 0.001 to 0.05 N*,
at most 1/30 of the smallest peak; noise in the press up to 3 % of the force besides; display step
0.001, 0.002, 0.005, 0.01, 0.02, 0.05 N, 0.001 or 0.01 lbf, 0.001 kgf, at most 1/6 of the smallest
peak; offset -0.3 to 0.5 N; drift up to 0.002 N/s; chunk of one reading, or 5 to 60 ms; touches up
to 5 noises or 3 display steps; skin break to 35..75 % of the force, and no less than eight noises
(what is left must differ from a release), and a second rise to 0.8..1.5; rest between presses 0.5
to 3 s, in quick succession 3 to 8 readings (at least 60 ms); rest before the first press 1 to 3 s
and at least 12 readings, as the screen says when the gauge is at rest and the tech waits for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from gauge.records import Reading, Status
from gauge.units import NEWTON_PER_FLOAT, Unit

DISPLAYS = [
    (Unit.N, 0.001, 3), (Unit.N, 0.002, 3), (Unit.N, 0.005, 3), (Unit.N, 0.01, 2),
    (Unit.N, 0.02, 2), (Unit.N, 0.05, 2), (Unit.LBF, 0.001, 3), (Unit.LBF, 0.01, 2),
    (Unit.KGF, 0.001, 3),
]  # fmt: skip
SHAPES = ("line", "half-sine", "convex", "concave", "steps", "dips")
TOPS = ("break", "hold", "creep", "rounded")


@dataclass
class Bench:
    """Display and surroundings."""

    rate_hz: float = 100.0
    noise_newton: float = 0.005
    press_noise: float = 0.0
    offset_newton: float = 0.0
    drift_newton_s: float = 0.0
    unit: Unit = Unit.N
    step: float = 0.001
    decimals: int = 3
    chunk_s: float = 0.0
    jitter: float = 0.0
    coloured: bool = False


@dataclass
class Truth:
    """Readings, and of each press the indices from first to last loaded reading."""

    readings: list[Reading] = field(default_factory=list)
    presses: list[tuple[int, int]] = field(default_factory=list)
    ends_s: list[float] = field(default_factory=list)

    def peaks_newton(self) -> list[float]:
        """Largest reading of each press, as shown."""
        return [max(r.force_newton for r in self.readings[a:b]) for a, b in self.presses]


def ramp(u: np.ndarray, shape: str, rng: np.random.Generator) -> np.ndarray:
    """Loading from 0 to 1 over u in 0..1."""
    if shape == "half-sine":
        return np.sin(0.5 * math.pi * u)
    if shape == "convex":
        return u ** rng.uniform(1.2, 2.0)
    if shape == "concave":
        return u ** rng.uniform(0.6, 0.9)
    if shape == "steps":
        k = rng.integers(2, 6)
        phase = u * k
        return (np.floor(phase) + np.minimum(1, 2 * (phase % 1))) / k
    if shape == "dips":
        return u - rng.uniform(0.02, 0.15) * np.sin(math.pi * u * rng.integers(2, 5)) ** 2 * u
    return u


def press(
    rng: np.random.Generator,
    rate_hz: float,
    ramp_s: float,
    *,
    shape: str = "line",
    top: str = "break",
    hold_s: float = 1.0,
    second: float | None = None,
    release_s: float = 0.05,
    least: float = 0.0,
) -> np.ndarray:
    """Forces of one press with a peak of 1; `second` is the height of a rise after a skin break.

    The break leaves at least a share `least` of the peak.
    """
    phase = rng.uniform(0, 1)
    n = max(2, round(ramp_s * rate_hz))
    parts = [ramp(np.minimum((np.arange(n) + phase) / n, 1.0), shape, rng)]
    level = 1.0
    if second is not None:
        low = max(rng.uniform(0.35, 0.75), least * max(1.0, second))
        m = max(2, round(0.5 * ramp_s * rate_hz))
        parts += [np.full(2, low), np.linspace(low, second, m)]
        level = second
    n_hold = round(hold_s * rate_hz)
    if top == "hold":
        parts.append(np.full(n_hold, level))
    elif top == "creep":
        decay = rng.uniform(0.6, 0.9)
        x = np.arange(n_hold) / max(rate_hz * hold_s / 3, 1)
        parts.append(level * (decay + (1 - decay) * np.exp(-x)))
    elif top == "rounded":
        m = max(2, round(0.3 * ramp_s * rate_hz))
        parts.append(level * np.cos(0.5 * math.pi * np.arange(m) / m))
    if top != "rounded":
        last = parts[-1][-1] if len(parts[-1]) else level
        m = round(release_s * rate_hz)
        parts.append(last * (1 - (np.arange(m) + 1) / (m + 1)))
    forces = np.concatenate(parts)
    return forces / forces.max()


def render(bench: Bench, rng: np.random.Generator, pieces: list[tuple[str, np.ndarray]]) -> Truth:
    """Readings of rests, touches and presses (forces in N without offset) one after another."""
    truth = Truth()
    at = 0
    for kind, forces in pieces:
        if kind == "press":
            truth.presses.append((at, at + len(forces)))
            truth.ends_s.append((at + len(forces)) / bench.rate_hz)
        at += len(forces)
    clean = np.concatenate([f for _, f in pieces])
    t = np.arange(len(clean)) / bench.rate_hz
    noisy = clean * (1 + bench.press_noise * rng.standard_normal(len(clean)))
    if bench.coloured:
        noisy += bench.noise_newton * _coloured(rng, len(clean), bench.rate_hz)
    else:
        noisy += bench.noise_newton * rng.standard_normal(len(clean))
    noisy += bench.offset_newton + bench.drift_newton_s * t
    if bench.jitter:
        t = np.maximum(t + bench.jitter * rng.uniform(-1, 1, len(t)) / bench.rate_hz, 0.0)
    numbers = np.round(noisy / NEWTON_PER_FLOAT[bench.unit] / bench.step) * bench.step
    if bench.chunk_s:
        t = np.ceil(t / bench.chunk_s) * bench.chunk_s
    shown = [f"{v:.{bench.decimals}f}" for v in numbers]
    truth.readings = [
        Reading(ts, float(s), s, bench.unit, Status.OK)
        for ts, s in zip(t.tolist(), shown, strict=True)
    ]
    return truth


def draw_bench(rng: np.random.Generator, smallest_newton: float) -> Bench:
    """Draw a display and surroundings that can show a peak of `smallest_newton`."""
    fits = [d for d in DISPLAYS if d[1] * NEWTON_PER_FLOAT[d[0]] <= smallest_newton / 6]
    unit, step, decimals = fits[rng.integers(len(fits))]
    rate = math.exp(rng.uniform(math.log(5), math.log(2000)))
    return Bench(
        rate_hz=rate,
        noise_newton=min(
            math.exp(rng.uniform(math.log(0.001), math.log(0.05))), smallest_newton / 30
        )
        * float(rng.random() > 0.1),
        press_noise=rng.uniform(0, 0.03),
        offset_newton=rng.choice([0.0, rng.uniform(-0.3, 0.5)]),
        drift_newton_s=rng.choice([0.0, rng.uniform(-0.002, 0.002)]),
        unit=unit,
        step=step,
        decimals=decimals,
        chunk_s=rng.choice([0.0, rng.uniform(0.005, 0.06)]),
    )


def left_by_break_newton(bench: Bench) -> float:
    """Force that a skin break leaves at least: less would look like a release."""
    return 8 * math.hypot(bench.noise_newton, 0.3 * bench.step * NEWTON_PER_FLOAT[bench.unit])


def draw_session(rng: np.random.Generator, presses: int = 5) -> tuple[Bench, Truth]:
    """Draw a whole session of presses, touches and rests."""
    peaks = np.exp(rng.uniform(math.log(0.3), math.log(22), presses))
    bench = draw_bench(rng, float(peaks.min()))
    rate = bench.rate_hz
    # A shown peak must be above zero, and above the noise, even with a negative offset.
    bench.offset_newton = max(bench.offset_newton, -0.5 * float(peaks.min()))

    def rest(seconds: float) -> tuple[str, np.ndarray]:
        return "rest", np.zeros(max(3, round(seconds * rate)))

    # Drawn ramps are shorter at high rates only to keep the campaign short.
    longest = min(10.0, 3000 / rate) if rate > 300 else 10.0
    left_newton = left_by_break_newton(bench)
    pieces = [rest(max(rng.uniform(1.0, 3.0), 12 / rate))]
    for peak in peaks:
        ramp_s = math.exp(rng.uniform(math.log(0.3), math.log(longest)))
        second = rng.uniform(0.8, 1.5) if rng.random() < 0.2 else None
        shape, top = rng.choice(SHAPES), rng.choice(TOPS)
        hold_s = rng.uniform(0.1, 2.0)
        release_s = rng.choice([0.0, rng.uniform(0.01, 0.5)])
        forces = press(
            rng, rate, ramp_s, shape=shape, top=top, hold_s=hold_s, second=second,
            release_s=release_s, least=left_newton / peak,
        )  # fmt: skip
        pieces.append(("press", peak * forces))
        chance = rng.random()
        if chance < 0.2:
            pieces.append(("rest", np.zeros(max(int(rng.integers(3, 9)), round(0.06 * rate)))))
        else:
            pieces.append(rest(rng.uniform(0.5, 3.0)))
        if chance > 0.7:
            step_newton = bench.step * NEWTON_PER_FLOAT[bench.unit]
            height = rng.uniform(
                0, max(5 * bench.noise_newton, 3 * step_newton) - 2 * bench.noise_newton
            )
            width = max(1, round(rng.uniform(0.05, 0.5) * rate))
            bump = height * np.sin(math.pi * (np.arange(width) + 0.5) / width)
            pieces += [("touch", bump), rest(rng.uniform(0.5, 2.0))]
    pieces.append(rest(rng.uniform(0.7, 1.5)))
    return bench, render(bench, rng, pieces)


# --- a second simulator, of other shapes --------------------------------------------------------
#
# Whole presses as smooth curves, uneven sampling, coloured noise. Ranges (uniform, or log-uniform
# where marked *): rate 5 to 2,000 readings/s*, each reading up to 0.3 of an interval early or late;
# ramp 0.3 to 10 s*; peak 0.3 to 22 N*; noise 0.0005 to 0.05 N*, at most 1/25 of the smallest peak,
# white, wandering (first-order) or hum; display step at most 1/10 of the smallest peak; offset
# -0.1 to 0.5 N; drift up to 0.003 N/s; hold up to 6 s that relaxes by up to 50 % with two time
# constants; release at once, in a line or cosine of up to 1.5 s, or with an exponential tail; skin
# break to 25..80 % of the force, and no less than eight noises, and a second rise to 0.5..1.6;
# rests 0.4 to 4 s, in quick succession 0.15 to 0.4 s (at least three readings), before the first
# press 1 to 4 s (at least twelve); touches up to four noises.

RAMPS = ("half-sine", "line", "exponential", "growth", "hand", "pauses")
RELEASES = ("at once", "line", "cosine", "tail")


def _curve(u: np.ndarray, shape: str, rng: np.random.Generator) -> np.ndarray:
    """Loading from 0 to 1 over u in 0..1."""
    if shape == "half-sine":
        return np.sin(0.5 * math.pi * u)
    if shape == "exponential":
        return (1 - np.exp(-3 * u)) / (1 - math.exp(-3))
    if shape == "growth":
        k = rng.uniform(0.5, 2.0)
        return (np.exp(k * u) - 1) / (math.exp(k) - 1)
    if shape == "hand":
        return u * u * (3 - 2 * u)
    if shape == "pauses":
        times = np.sort(rng.uniform(0, 1, 6))
        heights = np.sort(rng.uniform(0.1, 0.95, 3)).repeat(2)
        return np.interp(u, [0.0, *times, 1.0], [0.0, *heights, 1.0])
    return u


def hand_press(
    rng: np.random.Generator, rate_hz: float, ramp_s: float, least: float = 0.0
) -> np.ndarray:
    """Forces of one press with a largest of 1, of drawn shape, break, hold and release."""
    n = max(2, round(ramp_s * rate_hz))
    u = (np.arange(n) + rng.uniform(0, 1)) / n
    parts = [_curve(np.minimum(u, 1.0), str(rng.choice(RAMPS)), rng)]
    level = 1.0
    if rng.random() < 0.25:
        low, second = rng.uniform(0.25, 0.8), rng.uniform(0.5, 1.6)
        low = max(low, least * max(1.0, second))
        fall = max(1, round(rng.uniform(0.02, 0.1) * rate_hz))
        rise = max(3, round(rng.uniform(0.2, 1.0) * ramp_s * rate_hz))
        parts += [np.linspace(1.0, low, fall + 1)[1:]]
        level = max(second, low)
        parts += [low + (level - low) * np.sin(0.5 * math.pi * (np.arange(rise) + 1) / rise)]
    if rng.random() < 0.5:
        t = np.arange(round(rng.uniform(0, 6) * rate_hz)) / rate_hz
        lost = rng.uniform(0, 0.5)
        relaxed = 0.6 * (1 - np.exp(-t / 0.3)) + 0.4 * (1 - np.exp(-t / 4))
        parts.append(level * (1 - lost * relaxed))
        level = float(parts[-1][-1]) if len(t) else level
    release, m = str(rng.choice(RELEASES)), round(rng.uniform(0.05, 1.5) * rate_hz)
    v = (np.arange(m) + 1) / (m + 1)
    if release == "line":
        parts.append(level * (1 - v))
    elif release == "cosine":
        parts.append(level * 0.5 * (1 + np.cos(math.pi * v)))
    elif release == "tail":
        tau_s = rng.uniform(0.01, 0.15)
        parts.append(
            level * np.exp(-np.arange(1, round(6 * tau_s * rate_hz) + 1) / rate_hz / tau_s)
        )
    forces = np.concatenate(parts)
    return forces / forces.max()


def _coloured(rng: np.random.Generator, n: int, rate_hz: float) -> np.ndarray:
    """Noise of unit size: white, wandering over a few readings, or with hum."""
    white = rng.standard_normal(n)
    kind = rng.integers(3)
    if kind == 1:
        return np.sqrt(0.75) * lfilter([1.0], [1.0, -0.5], white)
    if kind == 2:
        phase = 2 * math.pi * (50 * np.arange(n) / rate_hz + rng.uniform(0, 1))
        return 0.8 * white + 0.6 * math.sqrt(2) * np.sin(phase)
    return white


def draw_hand_session(rng: np.random.Generator, presses: int = 5) -> tuple[Bench, Truth]:
    """Draw a session of the second simulator."""
    peaks = np.exp(rng.uniform(math.log(0.3), math.log(22), presses))
    least = float(peaks.min())
    fits = [d for d in DISPLAYS if d[1] * NEWTON_PER_FLOAT[d[0]] <= least / 10]
    unit, step, decimals = fits[rng.integers(len(fits))]
    rate = math.exp(rng.uniform(math.log(5), math.log(2000)))
    noise = math.exp(rng.uniform(math.log(0.0005), math.log(0.05))) * float(rng.random() > 0.1)
    bench = Bench(
        rate_hz=rate, noise_newton=min(noise, least / 25), press_noise=rng.uniform(0, 0.03),
        offset_newton=rng.choice([0.0, rng.uniform(-0.1, 0.5)]),
        drift_newton_s=rng.choice([0.0, rng.uniform(-0.003, 0.003)]),
        unit=unit, step=step, decimals=decimals,
        chunk_s=rng.choice([0.0, rng.uniform(0.005, 0.06)]), jitter=0.3, coloured=True,
    )  # fmt: skip

    def rest(low_s: float, high_s: float, least: int = 3) -> tuple[str, np.ndarray]:
        return "rest", np.zeros(max(least, round(rng.uniform(low_s, high_s) * rate)))

    longest = min(10.0, 3000 / rate) if rate > 300 else 10.0
    left_newton = left_by_break_newton(bench)
    pieces = [rest(1.0, 4.0, 12)]
    for peak in peaks:
        ramp_s = math.exp(rng.uniform(math.log(0.3), math.log(longest)))
        pieces.append(("press", peak * hand_press(rng, rate, ramp_s, left_newton / peak)))
        pieces.append(rest(0.15, 0.4) if rng.random() < 0.25 else rest(0.4, 4.0))
        if rng.random() < 0.25:
            width = max(1, round(rng.uniform(0.05, 0.6) * rate))
            bump = np.sin(math.pi * (np.arange(width) + 0.5) / width) ** 2
            pieces += [("touch", rng.uniform(0, 4) * bench.noise_newton * bump), rest(0.5, 2.0)]
    pieces.append(rest(0.7, 1.5))
    return bench, render(bench, rng, pieces)
