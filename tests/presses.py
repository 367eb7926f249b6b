"""Simulated hand-lowered presses for tests and bench, with the truth beside the readings.

Independent of the product's own simulator. A session is drawn from a seed: display, rate, noise,
offset, drift and a list of presses and touches of many shapes; the truth is taken from the readings
as shown. Ranges (uniform, or log-uniform where marked *):

rate 5 to 2,000 readings/s*; ramp 0.3 to 10 s*; peak 0.3 to 22 N*; noise at rest 0.001 to 0.05 N*,
at most 1/30 of the smallest peak; noise in the press up to 3 % of the force besides; display step
0.001, 0.002, 0.005, 0.01, 0.02, 0.05 N, 0.001 or 0.01 lbf, 0.001 kgf, at most 1/6 of the smallest
peak; offset -0.3 to 0.5 N; drift up to 0.002 N/s; chunk of one reading, or 5 to 60 ms; touches up
to 5 noises or 3 display steps; rest between presses 0.5 to 3 s, in quick succession 3 to 8 readings
(at least 60 ms).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

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
    noise_n: float = 0.005
    press_noise: float = 0.0
    offset_n: float = 0.0
    drift_n_s: float = 0.0
    unit: Unit = Unit.N
    step: float = 0.001
    decimals: int = 3
    chunk_s: float = 0.0


@dataclass
class Truth:
    """Readings, and of each press the indices from first to last loaded reading."""

    readings: list[Reading] = field(default_factory=list)
    presses: list[tuple[int, int]] = field(default_factory=list)
    ends_s: list[float] = field(default_factory=list)

    def peaks_n(self) -> list[float]:
        """Largest reading of each press, as shown."""
        return [max(r.force_n for r in self.readings[a:b]) for a, b in self.presses]


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
) -> np.ndarray:
    """Forces of one press with a peak of 1; `second` is the height of a rise after a skin break."""
    phase = rng.uniform(0, 1)
    n = max(2, round(ramp_s * rate_hz))
    parts = [ramp(np.minimum((np.arange(n) + phase) / n, 1.0), shape, rng)]
    level = 1.0
    if second is not None:
        low = rng.uniform(0.35, 0.75)
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
    noisy += bench.noise_n * rng.standard_normal(len(clean))
    noisy += bench.offset_n + bench.drift_n_s * t
    numbers = np.round(noisy / NEWTON_PER_FLOAT[bench.unit] / bench.step) * bench.step
    if bench.chunk_s:
        t = np.ceil(t / bench.chunk_s) * bench.chunk_s
    shown = [f"{v:.{bench.decimals}f}" for v in numbers]
    truth.readings = [
        Reading(ts, float(s), s, bench.unit, Status.OK)
        for ts, s in zip(t.tolist(), shown, strict=True)
    ]
    return truth


def draw_bench(rng: np.random.Generator, smallest_n: float) -> Bench:
    """Draw a display and surroundings that can show a peak of `smallest_n`."""
    fits = [d for d in DISPLAYS if d[1] * NEWTON_PER_FLOAT[d[0]] <= smallest_n / 6]
    unit, step, decimals = fits[rng.integers(len(fits))]
    rate = math.exp(rng.uniform(math.log(5), math.log(2000)))
    return Bench(
        rate_hz=rate,
        noise_n=min(math.exp(rng.uniform(math.log(0.001), math.log(0.05))), smallest_n / 30)
        * float(rng.random() > 0.1),
        press_noise=rng.uniform(0, 0.03),
        offset_n=rng.choice([0.0, rng.uniform(-0.3, 0.5)]),
        drift_n_s=rng.choice([0.0, rng.uniform(-0.002, 0.002)]),
        unit=unit,
        step=step,
        decimals=decimals,
        chunk_s=rng.choice([0.0, rng.uniform(0.005, 0.06)]),
    )


def draw_session(rng: np.random.Generator, presses: int = 5) -> tuple[Bench, Truth]:
    """Draw a whole session of presses, touches and rests."""
    peaks = np.exp(rng.uniform(math.log(0.3), math.log(22), presses))
    bench = draw_bench(rng, float(peaks.min()))
    rate = bench.rate_hz
    # A shown peak must be above zero, and above the noise, even with a negative offset.
    bench.offset_n = max(bench.offset_n, -0.5 * float(peaks.min()))

    def rest(seconds: float) -> tuple[str, np.ndarray]:
        return "rest", np.zeros(max(3, round(seconds * rate)))

    # Drawn ramps are shorter at high rates only to keep the campaign short.
    longest = min(10.0, 3000 / rate) if rate > 300 else 10.0
    pieces = [rest(rng.uniform(1.0, 3.0))]
    for peak in peaks:
        ramp_s = math.exp(rng.uniform(math.log(0.3), math.log(longest)))
        second = rng.uniform(0.8, 1.5) if rng.random() < 0.2 else None
        shape, top = rng.choice(SHAPES), rng.choice(TOPS)
        hold_s = rng.uniform(0.1, 2.0)
        release_s = rng.choice([0.0, rng.uniform(0.01, 0.5)])
        forces = press(
            rng, rate, ramp_s, shape=shape, top=top, hold_s=hold_s, second=second,
            release_s=release_s,
        )  # fmt: skip
        pieces.append(("press", peak * forces))
        chance = rng.random()
        if chance < 0.2:
            pieces.append(("rest", np.zeros(max(int(rng.integers(3, 9)), round(0.06 * rate)))))
        else:
            pieces.append(rest(rng.uniform(0.5, 3.0)))
        if chance > 0.7:
            step_n = bench.step * NEWTON_PER_FLOAT[bench.unit]
            height = rng.uniform(0, max(5 * bench.noise_n, 3 * step_n) - 2 * bench.noise_n)
            width = max(1, round(rng.uniform(0.05, 0.5) * rate))
            bump = height * np.sin(math.pi * (np.arange(width) + 0.5) / width)
            pieces += [("touch", bump), rest(rng.uniform(0.5, 2.0))]
    pieces.append(rest(rng.uniform(0.7, 1.5)))
    return bench, render(bench, rng, pieces)
