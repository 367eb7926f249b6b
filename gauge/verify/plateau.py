"""From readings to the stable readings of a verification: zero, weight, zero, weight ...

Pure and incremental: no key is pressed, the load itself says what is on the gauge.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import replace

from gauge.records import Reading, Status
from gauge.season.rows import CheckweightRow
from gauge.units import NEWTON_PER_FLOAT
from gauge.verify.checkweight import CheckSettings
from gauge.verify.mass import Mass, expected_newton

# Share of a weight's force; a load is taken for the next weight within it, for another of the list
# within twice as much. Far wider than any gauge worth keeping is off.
_PLAUSIBLE = 0.1
_STEADY_READINGS = 6


class WeightWatch:
    """Watch for a list of check weights to be hung one after another.

    A reading counts as stable when, over `window_s` and at least six readings, it stays within
    three display steps, or eight times the noise seen at zero, or half the tolerance, whichever
    is most, and its two halves have the same mean within one third of that. The mean of the window
    is the reading (noise lets it resolve less than a display step), its median what is shown.

    With a `window_s` of 0, for a gauge that sends one reading when its button is pressed, a reading
    counts at once.

    Of the `readings`, one on a weight is without a sign (a hung weight may show as tension), with
    what the display showed in the middle of the stable ones; `warnings` say what was noticed.
    """

    def __init__(self, settings: CheckSettings, *, window_s: float = 0.7) -> None:
        gravity_m_s2 = settings.gravity.m_s2
        self._pending = [(mass, expected_newton(mass, gravity_m_s2)) for mass in settings.masses]
        forces = sorted({force for _, force in self._pending})
        gaps = [b - a for a, b in itertools.pairwise(forces)]
        self._masses = {mass.shown: force for mass, force in self._pending}
        self._leave_newton = 0.25 * min([forces[0], *gaps])
        self._zero_within_newton = 0.3 * forces[0]
        self._hung = settings.loading == "hanging"
        self._slack = settings.tolerance_pct / 100 / 2
        self._window_s = window_s
        self._enough = _STEADY_READINGS if window_s else 1
        self._window: deque[Reading] = deque()
        self._noise_newton = 0.0
        self._zero_newton = 0.0
        self._plateau_newton: float | None = None  # the level taken last, until it is left
        self._on = False  # whether that level is the weight of the last stable reading
        self._check_s = 0.0
        self._last_weight_newton = 0.0  # heaviest load since the gauge was last empty
        self._seen: set[int] = set()  # different numbers shown, in units of the last digit
        self._step_newton = 0.0
        self.readings: list[CheckweightRow] = []
        self.warnings: list[str] = []

    @property
    def done(self) -> bool:
        """Whether all weights were read and the gauge is back at zero."""
        return self.weighed and self.readings[-1].kind == "zero"

    @property
    def weighed(self) -> bool:
        """Whether all weights were read."""
        return not self._pending

    @property
    def action(self) -> str:
        """What should be done next, for the person at the gauge."""
        if not self.readings and self._plateau_newton is None:
            upright = "" if self._hung else "stand the gauge upright, head up, zero it, and "
            return f"{upright}leave the gauge empty"
        on = self.readings[-1].mass_shown if self._on and self.readings else None
        if not self._pending:
            return f"take the {on or 'weight'} off"
        following = f"{'hang' if self._hung else 'set on'} {self._pending[0][0].shown}"
        return f"take the {on} off, then {following}" if on else following

    @property
    def resolution_newton(self) -> float:
        """Step of the display in newtons.

        The greatest common divisor of what was shown once there are ten different numbers; one
        unit of the last digit until then.
        """
        return self._step_newton * (math.gcd(*self._seen) if len(self._seen) >= 10 else 1)

    def feed(self, readings: Iterable[Reading]) -> list[CheckweightRow]:
        """Take in readings; return the stable ones that they complete.

        A weight that stays on is read again and again, and `readings` has its last stable reading.
        """
        before = len(self.readings)
        for reading in readings:
            self._take(reading)
        return self.readings[before:]

    def gap(self) -> None:
        """Forget the readings under way: bytes were lost."""
        self._window.clear()

    def _warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)

    def _take(self, reading: Reading) -> None:
        """Take in one reading."""
        if reading.status is not Status.OK:
            self._window.clear()
            if reading.status is Status.OVERLOAD:
                self._warn("the gauge reported an overload: take the weight off at once")
            return
        self._note_digits(reading)
        force_newton = reading.force_newton
        if abs(force_newton - self._zero_newton) <= self._zero_within_newton:
            self._last_weight_newton = 0.0
        plateau_newton = self._plateau_newton
        if plateau_newton is not None and abs(force_newton - plateau_newton) > self._leave_newton:
            self._plateau_newton, self._on = None, False
            self._window.clear()
        if (self._plateau_newton is not None and not self._on) or not self._is_steady(reading):
            return
        by_force = sorted(self._window, key=lambda r: r.value)
        middle = by_force[(len(by_force) - 1) // 2]
        level_newton = statistics.fmean(r.force_newton for r in by_force)
        if self._plateau_newton is not None:
            # The weight still hangs there and has come to rest further: the later reading counts.
            self.readings[-1] = replace(
                self.readings[-1],
                reading_shown=middle.shown,
                reading_unit=str(middle.unit),
                reading_newton=abs(level_newton),
            )
            return
        self._plateau_newton = level_newton
        if abs(level_newton) <= self._zero_within_newton:
            self._at_zero(middle, level_newton)
        else:
            self._on = self._on_weight(middle, level_newton)

    def _is_steady(self, reading: Reading) -> bool:
        """Take a reading into the window; return whether the window is stable now."""
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
        """Note the last digit shown, and how the number looks in units of it."""
        decimals = len(reading.shown.partition(".")[2]) if "e" not in reading.shown.lower() else 0
        step_newton = 10.0**-decimals * NEWTON_PER_FLOAT[reading.unit]
        if step_newton != self._step_newton:
            self._seen.clear()
            self._step_newton = step_newton
        if len(self._seen) < 1000:
            self._seen.add(round(reading.value * 10**decimals))

    def _is_stable(self, forces_newton: list[float]) -> bool:
        """Return whether forces stay within the bounds that the class names."""
        if len(forces_newton) == 1:
            return True
        level_newton = statistics.median(forces_newton)
        if not self.readings and abs(level_newton) <= self._zero_within_newton:
            # The first rest: its noise is not known yet, take it from the readings themselves.
            self._noise_newton = _noise_newton(forces_newton)
        allowed_newton = max(
            3.0001 * self._step_newton,
            8 * self._noise_newton,
            self._slack * abs(level_newton - self._zero_newton),
        )
        half = len(forces_newton) // 2
        first, last = forces_newton[:half], forces_newton[-half:]
        return (
            max(forces_newton) - min(forces_newton) <= allowed_newton
            and abs(statistics.fmean(last) - statistics.fmean(first)) <= allowed_newton / 3
        )

    def _at_zero(self, middle: Reading, level_newton: float) -> None:
        """Note the gauge at rest, and take the first such level for its zero."""
        if not self.readings:
            self._zero_newton = level_newton
            if abs(level_newton) > 2.0001 * self.resolution_newton + 3 * self._noise_newton:
                self._warn(
                    f"the gauge rests at {middle.shown} {middle.unit} where it should be empty: "
                    "take off a hook that was left on, or zero the gauge"
                )
        self._add("zero", None, 0.0, middle, level_newton)

    def _on_weight(self, middle: Reading, level_newton: float) -> bool:
        """Note the weight that hangs there; return whether it is one that was pending."""
        load_newton = abs(level_newton - self._zero_newton)
        if level_newton < 0 and not self._hung:
            self._warn(
                f"the gauge shows {middle.shown} {middle.unit} where a weight presses on it: a "
                "press must be above zero. Stand it upright, weights on its head, not hung from it"
            )
            return False
        if not self._pending:
            self._warn(f"a further load was seen: {middle.shown} {middle.unit}")
            return False
        index = self._which(load_newton)
        if index is None:
            mass, force_newton = self._pending[0]
            self._warn(
                f"the gauge was still at {middle.shown} {middle.unit}, which is not {mass.shown} "
                f"({force_newton:.4g} N): {self._likely(load_newton)}"
            )
            return False
        if index:
            self._warn("the weights were hung in another order than given")
        if not self.readings:
            self._warn("no zero was seen before the first weight")
        if level_newton < 0:
            self._warn("the gauge shows hung weights as negative (tension); signs were dropped")
        mass, force_newton = self._pending.pop(index)
        before = any(r.mass_g == mass.g for r in self.readings)
        falling = load_newton < 0.99 * self._last_weight_newton
        self._last_weight_newton = max(self._last_weight_newton, load_newton)
        kind = "down" if falling else "repeat" if before else "up"
        self._add(kind, mass, force_newton, middle, abs(level_newton))
        return True

    def _add(
        self, kind: str, mass: Mass | None, expected_newton: float, middle: Reading, newton: float
    ) -> None:
        self.readings.append(
            CheckweightRow(
                kind=kind,
                mass_shown=None if mass is None else mass.shown,
                mass_g=None if mass is None else mass.g,
                expected_newton=expected_newton,
                reading_shown=middle.shown,
                reading_unit=str(middle.unit),
                reading_newton=newton,
            )
        )

    def _likely(self, load_newton: float) -> str:
        """Say what a load is most likely that is no weight that was pending."""
        for n in (1, 2, 3):
            for names in itertools.combinations(self._masses, n):
                force_newton = sum(self._masses[name] for name in names)
                if abs(load_newton / force_newton - 1) <= _PLAUSIBLE / 3:
                    return f"this looks like {' and '.join(names)}"
        if not self.readings:
            return "take off what hangs there, such as a hook, or zero the gauge with it"
        return "wrong weight, something touching, or a gauge far out"

    def _which(self, load_newton: float) -> int | None:
        """Return the place of the weight among the pending ones, the next one first."""
        off = [abs(load_newton / force_newton - 1) for _, force_newton in self._pending]
        if off[0] <= _PLAUSIBLE:
            return 0
        nearest = min(range(len(off)), key=off.__getitem__)
        return nearest if off[nearest] <= 2 * _PLAUSIBLE else None


def _noise_newton(forces_newton: Sequence[float]) -> float:
    """Estimate the standard deviation from neighbouring differences, which drift leaves alone."""
    steps = [b - a for a, b in itertools.pairwise(forces_newton)]
    return math.sqrt(statistics.fmean(d * d for d in steps) / 2) if steps else 0.0
