"""From readings to the stable readings of a verification: zero, weight, zero, weight ...

Pure and incremental: no key is pressed, the load itself says what is on the gauge. The verdict on
the readings is in checkweight.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import replace

from gauge.errors import InvalidValueError
from gauge.mass import Mass, expected_newton
from gauge.records import Reading, Status
from gauge.units import NEWTON_PER_FLOAT
from gauge.verify.checkweight import StableReading

# A hung weight is taken for the mass that is due within this share of its force, or for another
# mass of the list within twice as much. Far wider than any gauge worth keeping is off.
_PLAUSIBLE = 0.1
_STEADY_READINGS = 6


class WeightWatch:
    """Watch for a list of check weights to be hung one after another.

    A reading counts as stable when, over `window_s` and at least six readings, it stays within
    three display steps, or eight times the noise seen at zero, or half the tolerance, whichever
    is most, and its two halves have the same mean within one third of that. The mean of the window
    is the reading (noise lets it resolve less than a display step), its median what is shown.

    Parameters
    ----------
    masses : sequence of Mass
        In the order in which they will be hung; a mass may stand there more than once.
    gravity_m_s2 : float
    tolerance_pct : float, optional
    window_s : float, optional
        Seconds for which a reading must hold still; 0 for a gauge that sends one reading when its
        button is pressed, which then counts at once.

    Raises
    ------
    InvalidValueError
        If no mass is given.

    Attributes
    ----------
    steps : list of StableReading
        What was seen so far.
    warnings : list of str
        What was noticed on the way.

    Examples
    --------
    >>> from gauge.mass import parse_mass
    >>> from gauge.units import Unit
    >>> watch = WeightWatch([parse_mass("500g")], 9.80665)
    >>> shown = ["0.00"] * 20 + ["4.90"] * 20 + ["0.00"] * 20
    >>> for i, text in enumerate(shown):
    ...     for step in watch.feed([Reading(i / 10, float(text), text, Unit.N)]):
    ...         print(step.kind, step.shown)
    zero 0.00
    up 4.90
    zero 0.00
    >>> watch.done
    True
    """

    def __init__(
        self,
        masses: Sequence[Mass],
        gravity_m_s2: float,
        *,
        tolerance_pct: float = 1.0,
        window_s: float = 0.7,
    ) -> None:
        if not masses:
            raise InvalidValueError("no check weight was named.", todo="Give --mass, as 500g.")
        self._pending = [(mass, expected_newton(mass, gravity_m_s2)) for mass in masses]
        forces = sorted({force for _, force in self._pending})
        gaps = [b - a for a, b in itertools.pairwise(forces)]
        self._leave_newton = 0.25 * min([forces[0], *gaps])
        self._zero_within_newton = 0.3 * forces[0]
        self._slack = tolerance_pct / 100 / 2
        self._window_s = window_s
        self._enough = _STEADY_READINGS if window_s else 1
        self._window: deque[Reading] = deque()
        self._noise_newton = 0.0
        self._zero_newton = 0.0
        self._held_newton: float | None = None  # the level last taken; wait until it is left
        self._on = False  # whether that level is the weight of the last step
        self._check_s = 0.0
        self._last_weight_newton = 0.0  # heaviest load since the gauge was last empty
        self._seen: set[int] = set()
        self._step_newton = 0.0
        self._decimals = 0
        self.steps: list[StableReading] = []
        self.warnings: list[str] = []

    @property
    def done(self) -> bool:
        """Whether all weights were read and the gauge is back at zero."""
        return self.weighed and self.steps[-1].kind == "zero"

    @property
    def weighed(self) -> bool:
        """Whether all weights were read."""
        return not self._pending

    @property
    def action(self) -> str:
        """What should be done next, for the person at the gauge."""
        if not self.steps and self._held_newton is None:
            return "leave the gauge empty"
        if not self._pending:
            return "take the weight off"
        return f"hang {self._pending[0][0].shown}"

    @property
    def resolution_newton(self) -> float:
        """StableReading of the display in newtons.

        The greatest common divisor of what was shown once there are ten different numbers; one
        unit of the last digit until then.
        """
        if len(self._seen) < 10:
            return self._step_newton
        return self._step_newton * math.gcd(*self._seen)

    def feed(self, readings: Iterable[Reading]) -> list[StableReading]:
        """Take in readings; give back the stable ones that they complete.

        A weight that stays on is read again and again, and `steps` has its last stable reading.

        Examples
        --------
        >>> from gauge.mass import parse_mass
        >>> from gauge.units import Unit
        >>> watch = WeightWatch([parse_mass("500g")], 9.80665)
        >>> [step] = watch.feed([Reading(i / 10, 0.0, "0.00", Unit.N) for i in range(20)])
        >>> step.kind, watch.action
        ('zero', 'hang 500g')
        """
        steps = []
        for reading in readings:
            step = self._one(reading)
            if step is not None:
                self.steps.append(step)
                steps.append(step)
        return steps

    def gap(self) -> None:
        """Forget the readings under way: bytes were lost."""
        self._window.clear()

    def _warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)

    def _one(self, reading: Reading) -> StableReading | None:
        if reading.status is not Status.OK:
            self._window.clear()
            if reading.status is Status.OVERLOAD:
                self._warn("the gauge reported an overload: take the weight off at once")
            return None
        self._note_digits(reading)
        force_newton = reading.force_newton
        if abs(force_newton - self._zero_newton) <= self._zero_within_newton:
            self._last_weight_newton = 0.0
        held = (
            self._held_newton is not None
            and abs(force_newton - self._held_newton) <= self._leave_newton
        )
        if self._held_newton is not None and not held:
            self._held_newton, self._on = None, False
            self._window.clear()
        if held and not self._on:
            return None
        if not self._steady(reading):
            return None
        if held:
            # The weight still hangs there and has come to rest further: the later reading counts.
            shown, level_newton = self._level()
            self.steps[-1] = replace(
                self.steps[-1],
                shown=shown.shown,
                unit=str(shown.unit),
                reading_newton=abs(level_newton),
            )
            return None
        return self._settled()

    def _steady(self, reading: Reading) -> bool:
        """Take a reading into the window; tell whether the window is stable now."""
        window = self._window
        if window and window[-1].unit is not reading.unit:
            self._warn(f"the unit changed from {window[-1].unit} to {reading.unit}")
            window.clear()
        if not window:
            self._check_s = reading.t_s
        window.append(reading)
        while len(window) > self._enough and reading.t_s - window[1].t_s >= self._window_s:
            window.popleft()
        if len(window) < self._enough or reading.t_s - window[0].t_s < self._window_s:
            return False
        if reading.t_s < self._check_s:
            return False
        self._check_s = reading.t_s + self._window_s / 8  # at high rates not at every reading
        return self._is_stable([r.force_newton for r in window])

    def _note_digits(self, reading: Reading) -> None:
        decimals = len(reading.shown.partition(".")[2]) if "e" not in reading.shown.lower() else 0
        step_newton = 10.0**-decimals * NEWTON_PER_FLOAT[reading.unit]
        if step_newton != self._step_newton:
            self._seen.clear()
            self._step_newton, self._decimals = step_newton, decimals
        if len(self._seen) < 1000:
            self._seen.add(round(reading.value * 10**decimals))

    def _is_stable(self, forces: list[float]) -> bool:
        if len(forces) == 1:
            return True
        level_newton = statistics.median(forces)
        if not self.steps and abs(level_newton) <= self._zero_within_newton:
            # The first rest: its noise is not known yet, take it from the readings themselves.
            self._noise_newton = _noise_newton(forces)
        allowed_newton = max(
            3.0001 * self._step_newton,
            8 * self._noise_newton,
            self._slack * abs(level_newton - self._zero_newton),
        )
        half = len(forces) // 2
        shift_newton = statistics.fmean(forces[-half:]) - statistics.fmean(forces[:half])
        return (
            max(forces) - min(forces) <= allowed_newton and abs(shift_newton) <= allowed_newton / 3
        )

    def _level(self) -> tuple[Reading, float]:
        """Middle reading and mean force of the window."""
        by_force = sorted(self._window, key=lambda r: r.value)
        return by_force[(len(by_force) - 1) // 2], statistics.fmean(
            r.force_newton for r in by_force
        )

    def _settled(self) -> StableReading | None:
        middle, level_newton = self._level()
        self._held_newton = level_newton
        if abs(level_newton) <= self._zero_within_newton:
            return self._at_zero(middle, level_newton)
        step = self._on_weight(middle, level_newton)
        self._on = step is not None
        return step

    def _at_zero(self, middle: Reading, level_newton: float) -> StableReading:
        if not self.steps:
            self._zero_newton = level_newton
            if abs(level_newton) > 2.0001 * self.resolution_newton + 3 * self._noise_newton:
                self._warn(f"the gauge rests at {middle.shown} {middle.unit}: zero it before use")
        return StableReading(
            kind="zero",
            mass=None,
            expected_newton=0.0,
            shown=middle.shown,
            unit=str(middle.unit),
            reading_newton=level_newton,
        )

    def _on_weight(self, middle: Reading, level_newton: float) -> StableReading | None:
        load_newton = abs(level_newton - self._zero_newton)
        if not self._pending:
            self._warn(f"a further load was seen: {middle.shown} {middle.unit}")
            return None
        index = self._which(load_newton)
        if index is None:
            mass, force_newton = self._pending[0]
            self._warn(
                f"the gauge was still at {middle.shown} {middle.unit}, which is not {mass.shown} "
                f"({force_newton:.4g} N): wrong weight, something touching, or a gauge far out"
            )
            return None
        if index:
            self._warn("the weights were hung in another order than given")
        if not self.steps:
            self._warn("no zero was seen before the first weight")
        if level_newton < 0:
            self._warn("the gauge shows hung weights as negative (tension); signs were dropped")
        mass, force_newton = self._pending.pop(index)
        before = any(s.mass is not None and s.mass.kg == mass.kg for s in self.steps)
        kind = (
            "down"
            if load_newton < 0.99 * self._last_weight_newton
            else "repeat"
            if before
            else "up"
        )
        self._last_weight_newton = max(self._last_weight_newton, load_newton)
        return StableReading(
            kind=kind,
            mass=mass,
            expected_newton=force_newton,
            shown=middle.shown,
            unit=str(middle.unit),
            reading_newton=abs(level_newton),
        )

    def _which(self, load_newton: float) -> int | None:
        """Position among the pending weights of the one that is on, the due one first."""
        off = [abs(load_newton / force_newton - 1) for _, force_newton in self._pending]
        if off[0] <= _PLAUSIBLE:
            return 0
        nearest = min(range(len(off)), key=off.__getitem__)
        return nearest if off[nearest] <= 2 * _PLAUSIBLE else None


def _noise_newton(forces: Sequence[float]) -> float:
    """Estimate the standard deviation from neighbouring differences, which drift leaves alone."""
    steps = [b - a for a, b in itertools.pairwise(forces)]
    return math.sqrt(statistics.fmean(d * d for d in steps) / 2) if steps else 0.0
