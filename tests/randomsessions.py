"""Random sessions: tares, gaps, lost lines, pauses, unit switches, other samples, scores and voids.

Whatever happens, the recorder does not crash, and the season that it leaves passes its audit.
Used small in tests/season/test_random_sessions.py and large in tests/bench/random_sessions.py.
"""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from gauge.audit.rederive import audit
from gauge.errors import FirmhandError
from gauge.protocol.formatfile import shipped_format
from gauge.records import Chunk, Gap, Sample, Session
from gauge.season.file import open_season
from gauge.session.events import LineLost
from gauge.session.recorder import BerryRecorder, rederivable
from tests.durability import SCRATCH

UNITS = {"N": 1.0, "lbf": 4.4482216152605, "kgf": 9.80665, "gf": 0.00980665}


class Bench:
    """A gauge, a tech and a recorder, driven by chance."""

    def __init__(self, path: Path, rng: random.Random) -> None:
        self.rng = rng
        self.season = open_season(path, create=True)
        self.season.add_samples([Sample(code=f"C{n}") for n in range(3)])
        fmt = shipped_format("number-unit")
        session = rederivable(Session(started_at="2026-07-01T08:00:00Z"), fmt)
        self.raters = rng.choice(((), (), ("ines",), ("ines", "marek")))
        self.recorder = BerryRecorder(
            fmt,
            season=self.season,
            session_id=self.season.add_session(session),
            sample=self.season.sample("C0"),
            raters=self.raters,
            n_required=rng.choice((None, None, 3)),
        )
        self.t_ns = 0
        self.step_ns = int(1e9 / rng.choice((10, 20, 50, 100)))
        self.zero, self.noise = 0.0, rng.choice((0.0, 0.001, 0.005))
        self.unit, self.digits = "N", 3

    def read(self, force_newton: float) -> None:
        """Let the gauge send one reading, or a damaged line."""
        self.t_ns += self.step_ns
        value = (force_newton + self.zero + self.rng.gauss(0, self.noise)) / UNITS[self.unit]
        line = f"{value:.{self.digits}f} {self.unit}\r\n".encode()
        if self.rng.random() < 0.002:
            line = line[self.rng.randrange(len(line)) :]
        cut = self.rng.randrange(len(line) + 1) if self.rng.random() < 0.1 else 0
        for part in filter(None, (line[:cut], line[cut:])):
            self.recorder.feed(Chunk(self.t_ns, part))
        if self.rng.random() < 0.02:
            self.recorder.tick(self.t_ns)

    def rest(self, seconds: float) -> None:
        for _ in range(round(seconds * 1e9 / self.step_ns)):
            self.read(0.0)

    def press(self) -> None:
        peak, rise_s = self.rng.uniform(0.6, 6), self.rng.uniform(0.4, 2)
        n = max(2, round(rise_s * 1e9 / self.step_ns))
        for i in range(n):
            self.read(peak * (i + 1) / n)
        for i in range(self.rng.randint(1, 4)):
            self.read(peak * (0.5 - i / 10))

    def happen(self) -> None:
        """One thing that happens at a bench."""
        rng, recorder = self.rng, self.recorder
        what = rng.choice(
            [
                "press",
                "press",
                "press",
                "press",
                "tare",
                "gap",
                "lost",
                "pause",
                "unit",
                "sample",
                "void",
                "score",
            ]
        )
        if what == "press":
            self.press()
        elif what == "tare":
            self.zero = rng.gauss(0, 0.05)
        elif what == "gap":
            start, self.t_ns = self.t_ns, self.t_ns + rng.randrange(1, 3 * 10**9)
            recorder.feed(Gap(start, self.t_ns, "unplugged"))
        elif what == "lost":
            recorder.feed(LineLost(t_ns=self.t_ns, reason="unplugged"))
            start, self.t_ns = self.t_ns, self.t_ns + rng.randrange(1, 3 * 10**9)
            recorder.feed(Gap(start, self.t_ns, "unplugged"))
        elif what == "pause":
            recorder.pause(self.t_ns)
            for _ in range(rng.randrange(40)):
                self.read(rng.uniform(0, 2))
            recorder.resume(self.t_ns)
        elif what == "unit":
            self.unit, self.digits = rng.choice(list(UNITS)), rng.choice((2, 3, 4))
        elif what == "sample":
            code = f"C{rng.randrange(3)}"
            recorder.change_sample(self.season.sample(code), self.t_ns, rng.choice((None, 4)))
        elif what == "void" and recorder.logged:
            recorder.void_last("slipped")
        elif what == "score" and self.raters:
            recorder.score(rng.choice(self.raters), rng.choice("12345"))
        self.rest(rng.uniform(0, 2.5))


def random_session(seed: int, *, folder: Path = SCRATCH) -> tuple[int, list[str]]:
    """Run one session; return its berries and what went wrong."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory(dir=folder) as name:
        path = Path(name) / "a.season"
        bench = Bench(path, rng)
        try:
            bench.rest(3)
            for _ in range(rng.randint(8, 30)):
                bench.happen()
            bench.recorder.close()
        except (FirmhandError, ArithmeticError, LookupError, ValueError, AssertionError) as error:
            return 0, [f"seed {seed}: {type(error).__name__}: {error}"]
        finally:
            bench.season.close()
        with open_season(path, read_only=True) as season:
            found = audit(season)
        wrong = [f"seed {seed}: berry {berry}: {what}" for berry, what in found.differences]
        if found.rederived != found.berries:
            wrong.append(f"seed {seed}: {found.rederived} of {found.berries} derived again")
    return found.berries, wrong
