"""Simulated berries on a simulated gauge: what fruit, hands, heads and lines do to the readings.

Written from physics, not from a detector: force and zero are drawn as functions of time on a grid
of a thousandth of a second, pass the gauge's smoothing, are read at the gauge's own times, rounded
to its display and delivered in chunks. Nothing of this is fitted to what some detector can do.

Common to all rows (uniform, or log-uniform where marked *): 20 to 200 readings/s*; noise 2 to
20 mN*, of which up to half (in variance) wanders as a first-order process of 0.02 to 0.2 s; noise
in the press up to 1 % of the force besides; peaks 0.6 to 8 N*; display step 1, 2, 5 or 10 mN,
0.001 lbf or 0.001 kgf; zero off by up to 0.02 N; smoothing in the gauge 0 to 20 ms; delivery of
each reading at once, in chunks of 5 to 60 ms, or late by up to 15 ms; six presses a session.
A press: approach of 0.3 to 6 s* (line, hand's S-shape, growing stiffness u^1.5, stairs of 2 to 5
pauses, each rise of at least 0.05 s), hold of 0 to 2 s in which the berry relaxes (fast part 0.1 to
0.5 s, slow part 2 to 6 s, together up to 35 %) while the hand wavers by up to 3 %, release within
0.02 to 0.4 s along the steeper branch of a hysteresis loop, or all at once (slipped off). Rest
between presses 0.6 to 4 s, before the first 1.5 to 4 s.

Rows
----
plain : besides: skin breaks (to 40 to 85 % and up again to 80 to 150 %), stairs, slips, a display
    that holds its peak for 3 to 15 s and is reset, reading times that jitter by 30 %, displays of
    20 and 50 mN (peaks from 20 steps on), soft berries (0.3 N* on, at least 30 noises), pairs of
    presses with 0.15 to 0.5 s between them.
juice : pulls: after a release the force falls below zero by 0.5 to 15 % of the peak for 0.1 to
    0.8 s, as a half sine, a sudden fall with slow recovery, or a flat pull that tears off; rest of
    at least 0.3 s after it.
residue : at each release zero steps by -0.02 to 0.06 N.
stack : three of four presses leave 0.03 to 0.35 N more on the head; with a chance of 0.2 it falls
    off in the rest after (all, or 30 to 100 % of it), at least 0.4 s before the next press.
tare : zero jumps by 5 to 40 sigma, up or down, in three of four rests (0.5 s after a release and
    before a press at least), each time towards the other side of the first zero.
decay : zero is lifted by 0.3 to 1.2 % of the peak after a release and decays with 1 to 3 s.
knocks : in three of four rests the bench is knocked: a damped swing of 0.1 to 3 N, 8 to 40 Hz,
    decaying within 10 to 50 ms; or a push of 10 to 60 ms.
slow : a third each: holds of 2 to 20 s that relax by up to 50 %; approaches of 10 to 30 s; mains
    hum of 50 or 60 Hz at 1 to 3 times the noise (at most a thirtieth of the smallest peak), read
    within 1 % of a whole fraction of it.
drift : zero drifts by up to 0.02 N/s, up or down, evenly or as a warm-up that dies within 20 to
    200 s.
sparse : 2 to 10 readings/s*, approaches of at least 1 s.
lost : readings lost in mid-press: in each second press a burst of 0.05 to 0.35 s, anywhere from
    onset to release.
unreadable : 0.5 to 5 % of all lines are damaged, besides bursts as above, and counted as such.
overload : every press above 70 % of the largest is cut off there: its lines cannot be read.
spike : each second press has one false reading at the top, 15 to 60 % above it.
zero : zero is off by 2 to 20 % of the usual peak (at least five display steps).
held : the display holds its peak from one berry to the next, larger one, two or three times.
decimals : the number of decimals shown changes (2, 3 or to 0) in mid-session, at rest.
late : each second press meets a stall of the line of 0.05 to 1.2 s*, anywhere from half a second
    before the press to its end; all that was read meanwhile comes after it, in 1 to 4 chunks within
    5 to 50 ms of each other. Nothing is lost. Rests are 2 s longer, as in the next row.
polled : the gauge answers requests: 10 to 30 readings/s*, and 1 reply in 12 to 40 is bad (cannot be
    read) or comes 0.1 to 1.5 s late, with no other request sent meanwhile; a press of which less
    than 30 % was received must be told of.

Seeds 700000 to 700999 are kept for the last run: nobody draws them before.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from gauge.records import Flag, Reading, Status
from gauge.units import NEWTON_PER_FLOAT, Unit

ROWS = (
    "plain", "juice", "residue", "stack", "tare", "decay", "knocks", "slow", "drift", "sparse",
    "lost", "unreadable", "overload", "spike", "zero", "held", "decimals", "late", "polled",
)  # fmt: skip
GRID_HZ = 1000
PRESSES = 6
FINE = [
    (Unit.N, 0.001, 3), (Unit.N, 0.002, 3), (Unit.N, 0.005, 3), (Unit.N, 0.01, 2),
    (Unit.LBF, 0.001, 3), (Unit.KGF, 0.001, 3),
]  # fmt: skip
COARSE = [(Unit.N, 0.02, 2), (Unit.N, 0.05, 2)]


@dataclass
class Scene:
    """Gauge and surroundings of one session."""

    row: str
    rate_hz: float
    noise_n: float
    unit: Unit
    step: float
    decimals: int
    offset_n: float = 0.0
    wander: float = 0.0
    wander_s: float = 0.1
    force_noise: float = 0.0
    smooth_s: float = 0.0
    jitter: float = 0.0
    chunk_s: float = 0.0
    late_s: float = 0.0
    drift_n_s: float = 0.0
    warm_s: float = math.inf
    hum_n: float = 0.0
    hum_hz: float = 50.0
    notes: list[str] = field(default_factory=list)

    @property
    def step_n(self) -> float:
        """Display step in newtons."""
        return self.step * NEWTON_PER_FLOAT[self.unit]


@dataclass
class TruePress:
    """One press as it was: when, its largest shown reading, and the flags that are due."""

    from_s: float
    to_s: float
    breaks: bool = False
    spans: float = 1.0
    hidden: bool = False
    due: set[Flag] = field(default_factory=set)
    peak_newton: float = math.nan


@dataclass
class Session:
    """Readings (None: a line that could not be read, at `times_s`), and the presses in them."""

    scene: Scene
    times_s: list[float]
    readings: list[Reading | None]
    presses: list[TruePress]


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _grid(seconds: float) -> np.ndarray:
    return np.arange(max(1, round(seconds * GRID_HZ))) / GRID_HZ


def _dips(force: np.ndarray) -> float:
    """Largest drop that is made up again (the smaller of drop and rise)."""
    before = np.maximum.accumulate(force)
    after = np.maximum.accumulate(force[::-1])[::-1]
    return float(np.max(np.minimum(before, after) - force))


class Bench:
    """A session on the grid, built from rests and presses one after another."""

    def __init__(self, rng: np.random.Generator, scene: Scene) -> None:
        self.rng, self.scene = rng, scene
        self.force: list[np.ndarray] = []
        self.zero_at: list[Callable[[np.ndarray], np.ndarray]] = []
        self.knocks: list[tuple[float, np.ndarray]] = []
        self.presses: list[TruePress] = []
        self.held: list[tuple[float, float]] = []
        self.now_s = 0.0

    def rest(self, seconds: float) -> None:
        """Let nothing press for so long."""
        self._add(np.zeros(len(_grid(seconds))))

    def step(self, at_s: float, height_n: float, over_s: float = 0.0) -> None:
        """Let zero step at a time."""
        self.zero_at.append(lambda t: height_n * np.clip((t - at_s) / (over_s + 1e-9), 0, 1))

    def _add(self, force: np.ndarray) -> None:
        self.force.append(force)
        self.now_s += len(force) / GRID_HZ

    def _approach(self, seconds: float, shape: str) -> np.ndarray:
        t = _grid(seconds)
        u = (np.arange(len(t)) + 1) / len(t)
        if shape == "hand":
            return u * u * (3 - 2 * u)
        if shape == "stiffening":
            return u**1.5
        if shape == "stairs":
            n = int(self.rng.integers(2, 6))
            least = min(0.05 / seconds, 0.5 / (n + 1))  # each rise takes 0.05 s at least
            x = np.sort(self.rng.uniform(0, 1 - (n + 1) * least, 2 * n))
            x += least * np.arange(1, n + 1).repeat(2)
            y = np.sort(self.rng.uniform(0.05, 0.97, n)).repeat(2)
            return np.interp(u, [0.0, *x, 1.0], [0.0, *y, 1.0])
        return u

    def press(
        self, peak_newton: float, approach_s: float, hold_s: float, *,
        breaks: bool = False, relaxes: float = 0.35, shape: str | None = None,
    ) -> TruePress:  # fmt: skip
        """Press one berry."""
        rng = self.rng
        shape = shape or str(rng.choice(["line", "hand", "stiffening", "stairs"]))
        parts = [self._approach(approach_s, shape)]
        level = 1.0
        if breaks:
            low, second = rng.uniform(0.4, 0.85), rng.uniform(0.8, 1.5)
            fall = np.linspace(1.0, low, len(_grid(rng.uniform(0.003, 0.05))) + 1)[1:]
            rise = self._approach(rng.uniform(0.2, 1.0) * approach_s, "hand")
            level = max(low, second)
            parts += [fall, low + (level - low) * rise]
        if hold_s:
            t = _grid(hold_s)
            share, fast_s, slow_s = rng.uniform(0.3, 0.7), rng.uniform(0.1, 0.5), rng.uniform(2, 6)
            gone = share * (1 - np.exp(-t / fast_s)) + (1 - share) * (1 - np.exp(-t / slow_s))
            waver = rng.uniform(0, 0.03) * np.sin(2 * math.pi * rng.uniform(0.3, 3) * t)
            parts.append(level * (1 - rng.uniform(0, relaxes) * gone + waver * np.minimum(1, t)))
        at = float(parts[-1][-1])
        if rng.random() < 0.15:  # slipped off
            parts.append(np.zeros(1))
        else:
            v = 1 - _grid(rng.uniform(0.02, 0.4))
            v = np.linspace(1, 0, len(v) + 1)[1:]
            parts.append(at * v ** rng.uniform(1.0, 2.5))  # unloads along a steeper branch
        whole = np.concatenate(parts)
        force = peak_newton * whole / whole.max()
        found = TruePress(self.now_s, self.now_s + len(force) / GRID_HZ, breaks)
        found.spans = approach_s
        found.breaks = breaks or _dips(whole / whole.max()) > 0.04
        self.presses.append(found)
        self._add(force)
        return found

    def times(self) -> np.ndarray:
        """Times at which the gauge reads."""
        scene, rng = self.scene, self.rng
        n = int(self.now_s * scene.rate_hz)
        t = (np.arange(n) + rng.uniform()) / scene.rate_hz
        if scene.jitter:
            t = t + scene.jitter * rng.uniform(-0.5, 0.5, n) / scene.rate_hz
        return np.clip(t, 0, self.now_s - 1 / GRID_HZ)

    def signal(self, t: np.ndarray) -> np.ndarray:
        """What the gauge measures at those times (N)."""
        scene, rng = self.scene, self.rng
        force = np.concatenate(self.force)
        for at_s, knock in self.knocks:
            at = int(at_s * GRID_HZ)
            force[at : at + len(knock)] += knock[: len(force) - at]
        if scene.smooth_s:
            a = math.exp(-1 / (scene.smooth_s * GRID_HZ))
            force = lfilter([1 - a], [1, -a], force)
        n = len(t)
        loaded = force[(t * GRID_HZ).astype(int)]
        white = math.sqrt(1 - scene.wander) * rng.standard_normal(n)
        a = math.exp(-1 / (scene.rate_hz * scene.wander_s))
        slow = lfilter([math.sqrt(1 - a * a)], [1, -a], rng.standard_normal(n + 100))[100:]
        noise = scene.noise_n * (white + math.sqrt(scene.wander) * slow)
        zero = scene.offset_n + sum((f(t) for f in self.zero_at), np.zeros(n))
        if math.isinf(scene.warm_s):
            zero += scene.drift_n_s * t
        else:
            zero += scene.drift_n_s * scene.warm_s * (1 - np.exp(-t / scene.warm_s))
        hum = scene.hum_n * np.sin(2 * math.pi * (scene.hum_hz * t + rng.uniform()))
        return loaded * (1 + scene.force_noise * rng.standard_normal(n)) + zero + noise + hum

    def session(self) -> Session:
        """Read, round and deliver."""
        scene, rng = self.scene, self.rng
        t = self.times()
        measured = self.signal(t)
        for from_s, to_s in self.held:  # the display shows the largest since it was reset
            inside = (t >= from_s) & (t < to_s)
            measured[inside] = np.maximum.accumulate(measured[inside])
        numbers = np.round(measured / scene.step_n) * scene.step
        arrive = t
        if scene.chunk_s:
            arrive = np.ceil(t / scene.chunk_s) * scene.chunk_s
        elif scene.late_s:
            arrive = np.maximum.accumulate(t + rng.uniform(0, scene.late_s, len(t)))
        readings: list[Reading | None] = []
        for at, number in zip(arrive.tolist(), numbers.tolist(), strict=True):
            shown = f"{number:.{scene.decimals}f}"
            readings.append(Reading(at, float(shown), shown, scene.unit, Status.OK))
        for press in self.presses:
            a, b = np.searchsorted(t, press.from_s), np.searchsorted(t, press.to_s)
            inside = [r.force_newton for r in readings[a : b + 1] if r is not None]
            press.peak_newton = max(inside, default=math.nan)
            press.from_s = float(arrive[max(a - 1, 0)])
            press.to_s = float(arrive[min(b, len(arrive) - 1)])
        return Session(scene, arrive.tolist(), readings, self.presses)


def _scene(rng: np.random.Generator, row: str, least_n: float) -> Scene:
    rates = {"sparse": (2, 10), "polled": (10, 30)}
    rate = _log(rng, *rates.get(row, (20, 200)))
    unit, step, decimals = FINE[rng.integers(len(FINE))]
    if row == "plain" and rng.random() < 0.2:
        unit, step, decimals = COARSE[rng.integers(len(COARSE))]
        if step * NEWTON_PER_FLOAT[unit] * 20 > least_n:
            unit, step, decimals = COARSE[0] if least_n >= 0.4 else FINE[3]
    scene = Scene(
        row, rate, min(_log(rng, 0.002, 0.02), least_n / 30), unit, step, decimals,
        offset_n=rng.uniform(-0.02, 0.02) * (rng.random() < 0.7),
        wander=rng.uniform(0, 0.5) * (rng.random() < 0.5),
        wander_s=rng.uniform(0.02, 0.2), force_noise=rng.uniform(0, 0.01),
        smooth_s=rng.uniform(0, 0.02) * (rng.random() < 0.5),
    )  # fmt: skip
    way = rng.random()
    if way < 0.4:
        scene.chunk_s = rng.uniform(0.005, 0.06)
    elif way < 0.6:
        scene.late_s = rng.uniform(0, 0.015)
    if row == "plain" and rng.random() < 0.3:
        scene.jitter = 0.3
    if row == "drift":
        scene.drift_n_s = rng.uniform(-0.02, 0.02)
        scene.warm_s = math.inf if rng.random() < 0.5 else _log(rng, 20, 200)
    return scene


def _knock(rng: np.random.Generator, sign: float) -> np.ndarray:
    t = _grid(0.4)
    height = _log(rng, 0.1, 3.0)
    if rng.random() < 0.3:
        push_s = rng.uniform(0.01, 0.06)
        return height * np.where(t < push_s, np.sin(math.pi * t / push_s), 0.0)
    swing = np.sin(2 * math.pi * rng.uniform(8, 40) * t)
    return sign * height * swing * np.exp(-t / rng.uniform(0.01, 0.05))


def _slow_hum(rng: np.random.Generator, scene: Scene, least_n: float) -> None:
    scene.hum_hz = float(rng.choice([50.0, 60.0]))
    fraction = [f for f in (1, 2, 3, 4, 0.5) if 20 <= scene.hum_hz / f <= 200]
    scene.rate_hz = scene.hum_hz / float(rng.choice(fraction)) * (1 + rng.uniform(-0.01, 0.01))
    scene.hum_n = min(rng.uniform(1, 3) * scene.noise_n, least_n / 30)


def _after(bench: Bench, peak_newton: float, residue_n: float) -> tuple[float, float]:
    """Do what the row does after a release; how long the rest is, and what lies on the head."""
    rng, scene, now_s = bench.rng, bench.scene, bench.now_s
    row, rest_s = scene.row, rng.uniform(0.6, 4.0)
    if row == "plain" and rng.random() < 0.2:
        return max(rng.uniform(0.15, 0.5), 3.5 / scene.rate_hz), 0.0
    if row == "juice":
        pull_n, pull_s = -rng.uniform(0.005, 0.15) * peak_newton, rng.uniform(0.1, 0.8)
        t = _grid(pull_s)
        kind = rng.integers(3)
        if kind == 0:
            pull = pull_n * np.sin(math.pi * t / pull_s)
        elif kind == 1:
            pull = pull_n * np.exp(-3 * t / pull_s) * np.minimum(1, t / 0.02)
        else:
            pull = pull_n * np.minimum(1, t / 0.03)
        bench.knocks.append((now_s, pull))
        rest_s = max(rest_s, pull_s + 0.3)
    elif row in ("late", "polled"):
        rest_s += 2.0
    elif row == "residue":
        bench.step(now_s - 0.02, rng.uniform(-0.02, 0.06), 0.02)
    elif row == "stack":
        if rng.random() < 0.75:
            left_n = rng.uniform(0.03, 0.35)
            bench.step(now_s - 0.02, left_n, 0.02)
            residue_n += left_n
        rest_s = max(rest_s, 1.0)
        if residue_n and rng.random() < 0.2:
            off_n = residue_n * (1.0 if rng.random() < 0.5 else rng.uniform(0.3, 1.0))
            bench.step(now_s + rng.uniform(0.4, rest_s - 0.4), -off_n)
            residue_n -= off_n
    elif row == "tare" and rng.random() < 0.75:
        rest_s = max(rest_s, 1.1)
        jump_n = rng.uniform(5, 40) * scene.noise_n
        if residue_n > 0 or (residue_n == 0 and rng.random() < 0.5):
            jump_n = -jump_n  # tare brings zero back, never further and further off
        bench.step(now_s + rng.uniform(0.5, rest_s - 0.5), jump_n)
        residue_n += jump_n
    elif row == "decay":
        lift_n, tau_s = rng.uniform(0.003, 0.012) * peak_newton, rng.uniform(1, 3)
        bench.zero_at.append(
            lambda t: (
                np.where(t > now_s - 0.02, lift_n, 0) * np.exp(-np.maximum(t - now_s, 0) / tau_s)
            )
        )
    elif row == "knocks" and rng.random() < 0.75:
        rest_s = max(rest_s, 1.4)
        at_s = now_s + rng.uniform(0.4, rest_s - 0.8)
        bench.knocks.append((at_s, _knock(rng, float(rng.choice([-1, 1])))))
    return rest_s, residue_n


def _draw_press(bench: Bench, peak_newton: float, kind: str) -> None:
    """Press one berry as the row has it."""
    rng, row = bench.rng, bench.scene.row
    approach_s, hold_s = _log(rng, 0.3, 6), rng.choice([0.0, rng.uniform(0, 2)])
    if row == "sparse":
        approach_s = _log(rng, 1, 6)
    if kind == "hold":
        bench.press(peak_newton, approach_s, rng.uniform(2, 20), relaxes=0.5)
    elif kind == "approach":
        bench.press(peak_newton, rng.uniform(10, 30), float(hold_s))
    elif row == "plain" and rng.random() < 0.2:
        bench.press(peak_newton, approach_s, float(hold_s), breaks=True)
    elif row == "plain" and rng.random() < 0.1:
        press = bench.press(peak_newton, approach_s, 0.0)
        bench.rest(rng.uniform(3, 15))
        bench.held.append((press.from_s, bench.now_s))
        press.to_s = bench.now_s
    else:
        bench.press(peak_newton, approach_s, float(hold_s))


def _held_presses(bench: Bench) -> None:
    """Press berries, each larger than the one before, on a display that nobody resets."""
    rng = bench.rng
    peaks = np.sort(np.exp(rng.uniform(math.log(0.6), math.log(8), int(rng.integers(2, 4)))))
    peaks *= 1.15 ** np.arange(len(peaks))
    from_s = bench.now_s
    for peak_newton in peaks:
        bench.press(float(peak_newton), _log(rng, 0.3, 3), 0.3, relaxes=0.0).hidden = True
        bench.rest(rng.uniform(3, 10))
    bench.held.append((from_s, bench.now_s))
    bench.presses[-1].hidden = False
    bench.presses[-1].to_s = bench.now_s
    bench.rest(rng.uniform(1, 4))


def _damage(rng: np.random.Generator, session: Session) -> None:
    """Lose or damage readings as the row has it; the true peak is that of all readings."""
    row, readings, times = session.scene.row, session.readings, session.times_s
    gone: set[int] = set()
    largest_newton = max(press.peak_newton for press in session.presses)
    rated_n = 0.7 * largest_newton
    for k, press in enumerate(session.presses):
        inside = [i for i, t in enumerate(times) if press.from_s < t < press.to_s]
        if not inside:
            continue
        if row in ("lost", "unreadable") and k % 2:
            at_s, span_s = times[int(rng.choice(inside))], rng.uniform(0.05, 0.35)
            gone |= {i for i in inside if at_s <= times[i] < at_s + span_s}
        elif row == "overload":
            over = {i for i in inside if (r := readings[i]) and r.force_newton > rated_n}
            gone |= over
        elif row == "spike" and k % 2:
            top = max(inside, key=lambda i: r.force_newton if (r := readings[i]) else 0.0)
            number = readings[top]
            assert number is not None
            shown = f"{number.value * rng.uniform(1.15, 1.6):.{session.scene.decimals}f}"
            readings[top] = number._replace(value=float(shown), shown=shown)
            press.due.add(Flag.LONE_READING)
    if row == "unreadable":
        gone |= set(np.nonzero(rng.random(len(readings)) < rng.uniform(0.005, 0.05))[0].tolist())
    if row == "lost":
        session.readings = [r for i, r in enumerate(readings) if i not in gone]
        session.times_s = [t for i, t in enumerate(times) if i not in gone]
    else:
        session.readings = [None if i in gone else r for i, r in enumerate(readings)]


def _stall(rng: np.random.Generator, session: Session) -> None:
    """Deliver late what was read while the line stalled; nothing is lost."""
    times = session.times_s
    for k, press in enumerate(session.presses):
        if k % 2:
            from_s = rng.uniform(press.from_s - 0.5, press.to_s)
            to_s = from_s + _log(rng, 0.05, 1.2)
            held = [i for i, t_s in enumerate(times) if from_s <= t_s < to_s]
            ends = np.sort(rng.uniform(0, len(held), int(rng.integers(0, 4))))
            gap_s = rng.uniform(0.005, 0.05)
            for n, i in enumerate(held):
                times[i] = to_s + gap_s * int(np.searchsorted(ends, n))
    for press in session.presses:
        press.to_s += 1.5
    session.times_s = np.maximum.accumulate(times).tolist()
    session.readings = [
        r and r._replace(t_s=t) for t, r in zip(session.times_s, session.readings, strict=True)
    ]


def _ask(rng: np.random.Generator, session: Session) -> None:
    """Read by request and reply, some of which are bad or late; the true peak is that received."""
    share, now_s = 1 / _log(rng, 12, 40), -math.inf
    kept = []
    for t_s, reading in zip(session.times_s, session.readings, strict=True):
        if t_s < now_s or reading is None:
            continue  # the last request is still unanswered
        now_s = t_s
        if rng.random() < share:
            if rng.random() < 0.5:
                kept.append((t_s, None))
                continue
            now_s = t_s + _log(rng, 0.1, 1.5)
        kept.append((now_s, reading._replace(t_s=now_s)))
    session.times_s = [t_s for t_s, _ in kept]
    session.readings = [reading for _, reading in kept]
    for press in session.presses:
        press.to_s += 1.5
        inside = [r.force_newton for t, r in kept if r and press.from_s < t <= press.to_s]
        whole, press.peak_newton = press.peak_newton, max(inside, default=math.nan)
        press.hidden = not press.peak_newton > 0.3 * whole


def _change_decimals(rng: np.random.Generator, session: Session) -> None:
    """Show another number of decimals from a moment at rest on."""
    scene, presses = session.scene, session.presses
    k = int(rng.integers(1, len(presses)))
    from_s = 0.5 * (presses[k - 1].to_s + presses[k].from_s)
    decimals = int(rng.choice([d for d in (0, 2, 3) if d != scene.decimals]))
    for i, reading in enumerate(session.readings):
        if reading is not None and reading.t_s > from_s:
            shown = f"{reading.value:.{decimals}f}"
            session.readings[i] = reading._replace(value=float(shown), shown=shown)
    for press in presses:
        inside = [
            r.force_newton for r in session.readings if r and press.from_s < r.t_s <= press.to_s
        ]
        press.peak_newton = max(inside, default=math.nan)
    scene.notes.append(f"{scene.decimals} to {decimals} decimals at {from_s:.1f} s")


def draw(row: str, seed: int, number: int) -> Session:
    """Draw session `number` of a row."""
    rng = np.random.default_rng([seed, ROWS.index(row), number])
    soft = row == "plain" and rng.random() < 0.2
    peaks = np.exp(rng.uniform(math.log(0.3 if soft else 0.6), math.log(8), PRESSES))
    if row == "decimals":
        peaks = rng.uniform(2, 8, PRESSES)
    least_n = float(peaks.min())
    scene = _scene(rng, row, least_n)
    kind = str(rng.choice(["hold", "approach", "hum"])) if row == "slow" else ""
    if kind == "hum":
        _slow_hum(rng, scene, least_n)
    if row == "zero":
        share = rng.choice([-1, 1]) * max(
            rng.uniform(0.02, 0.2) * float(np.median(peaks)), 5 * scene.step_n
        )
        scene.offset_n = max(float(share), -0.5 * least_n)
    bench = Bench(rng, scene)
    bench.rest(max(rng.uniform(1.5, 4.0), 12 / scene.rate_hz))
    residue_n = 0.0
    if row == "held":
        for _ in range(2):
            _held_presses(bench)
        peaks = peaks[:2]
    for peak_newton in peaks.tolist():
        _draw_press(bench, peak_newton, kind)
        rest_s, residue_n = _after(bench, peak_newton, residue_n)
        bench.rest(max(rest_s, 3.5 / scene.rate_hz))
    bench.rest(1.0)
    session = bench.session()
    if row == "zero":
        for press in session.presses:
            press.due.add(Flag.ZERO_OFF)
    if row in ("lost", "unreadable", "overload", "spike"):
        _damage(rng, session)
    elif row == "decimals":
        _change_decimals(rng, session)
    elif row == "late":
        _stall(rng, session)
    elif row == "polled":
        _ask(rng, session)
    return session
