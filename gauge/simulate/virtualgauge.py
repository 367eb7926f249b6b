"""A virtual gauge: how the force at its head becomes shown numbers and lines.

Pure and seeded; the clock is handed in.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from random import Random

from gauge.errors import InvalidValueError
from gauge.records import Chunk, Status
from gauge.simulate.berrymodel import Track, gauss
from gauge.simulate.linewriter import LineWriter
from gauge.units import NEWTON_PER_FLOAT, Unit


@dataclass(frozen=True, kw_only=True, slots=True)
class Display:
    """What a gauge makes of a force before it shows it."""

    step: Decimal = Decimal("0.01")  # in the unit shown
    noise_newton: float = 0.006  # N; standard deviation
    baseline_newton: float = 0.0
    gain: float = 1.0  # 1 for a true gauge; 1.02 reads 2 % high
    capacity_newton: float = 22.0  # N; beyond this the gauge shows overload

    def __post_init__(self) -> None:
        if self.step <= 0 or self.noise_newton < 0 or self.capacity_newton <= 0 or self.gain <= 0:
            raise InvalidValueError("display step, capacity and gain must be above zero")

    @property
    def decimals(self) -> int:
        """Digits after the point of the step."""
        exponent = self.step.as_tuple().exponent
        return max(0, -exponent) if isinstance(exponent, int) else 0

    def show(self, force_newton: float, unit: Unit, rng: Random) -> tuple[Decimal, Status]:
        """Return number and status that the gauge shows for a force.

        Examples
        --------
        >>> Display(noise_newton=0.0, step=Decimal("0.05")).show(2.37, Unit.N, Random(1))
        (Decimal('2.35'), <Status.OK: 'ok'>)
        """
        noise_newton = self.noise_newton * gauss(rng)
        value_newton = self.gain * force_newton + self.baseline_newton + noise_newton
        steps = Decimal(value_newton / NEWTON_PER_FLOAT[unit]) / self.step
        shown = steps.to_integral_value(ROUND_HALF_EVEN) * self.step + Decimal(0)
        return shown, Status.OVERLOAD if value_newton > self.capacity_newton else Status.OK


@dataclass(kw_only=True)
class VirtualGauge:
    """A seeded gauge that plays a track, in the mode of its format.

    When streaming it sends at its rate, when polled a line for each request, and with a button only
    the peaks.
    """

    writer: LineWriter
    track: Track
    display: Display = field(default_factory=Display)
    unit: Unit = Unit.N
    rate_hz: float = 20.0  # Hz; readings when streaming
    seed: int = 1
    # What goes wrong on the way.
    noise_share: float = 0.0  # share of lines in which one byte is hit
    unit_from_s: float = math.inf  # s; from here on the gauge shows `unit_then`
    unit_then: Unit | None = None

    def __post_init__(self) -> None:
        if not 0 < self.rate_hz <= 10_000:
            raise InvalidValueError(f"a rate of {self.rate_hz} readings a second cannot be played.")
        self._rng = Random(self.seed)
        self._fault_rng = Random(self.seed + 1)  # faults leave the other lines as they were
        self._times = self._sends()
        self.next_s, self._peak_newton = next(self._times)
        """When the gauge sends next by itself; infinite when it waits for a request."""

    def _sends(self) -> Iterator[tuple[float, float | None]]:
        """When the gauge sends by itself, and the force shown if not that of the moment."""
        mode = self.writer.fmt.mode
        if mode == "streaming":
            yield from ((tick / self.rate_hz, None) for tick in itertools.count())
        if mode == "button":
            yield from ((end_s, press.peak_newton) for end_s, press in self.track.presses())
        yield math.inf, None

    def line(self, t_s: float, force_newton: float | None = None) -> bytes:
        """Write the line that the gauge sends at `t_s`, with its faults."""
        force_newton = self.track.force_newton(t_s) if force_newton is None else force_newton
        unit = self.unit
        if self.unit_then is not None and t_s >= self.unit_from_s:
            unit = self.unit_then
        value, status = self.display.show(force_newton, unit, self._rng)
        data = self.writer.line(value, unit, status)
        if self.noise_share and self._fault_rng.random() < self.noise_share:
            hit = int(self._fault_rng.random() * len(data))
            byte = int(self._fault_rng.random() * 256)
            data = data[:hit] + bytes([byte]) + data[hit + 1 :]
        return data

    def sent_until(self, until_s: float) -> list[Chunk]:
        """Return the lines that the gauge sends by itself up to `until_s`, each once."""
        out = []
        while self.next_s <= until_s:
            line = self.line(self.next_s, self._peak_newton)
            out.append(Chunk(round(self.next_s * 1e9), line))
            self.next_s, self._peak_newton = next(self._times)
        return out
