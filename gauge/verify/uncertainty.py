"""How sure a peak is: the uncertainty budget of a gauge, from one check with weights.

After JCGM 100:2008 (the GUM): from repeated readings by 4.2, from bounds by 4.3.7 (what lies
anywhere within a is a / sqrt(3)), combined as independent by 5.1.2, expanded by 6.2 with k = 2. A
peak is not corrected for the error that the check has shown, nor for the zero: both are bounds.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

K = 2.0
METHOD = "JCGM 100:2008"


@dataclass(frozen=True, kw_only=True, slots=True)
class Component:
    """One source of uncertainty: a standard uncertainty in N, and as a share of the force."""

    name: str
    newton: float = 0.0
    share: float = 0.0
    source: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Uncertainty:
    """The budget of a peak: what is in it, and what could not be."""

    components: tuple[Component, ...]
    missing: tuple[str, ...] = ()

    def expanded_newton(self, force_newton: float) -> float:
        """Return the expanded uncertainty (k = 2) of a peak of this force, in newtons.

        Examples
        --------
        >>> one, two = Component(name="step", newton=0.003), Component(name="mass", share=0.004)
        >>> Uncertainty(components=(one, two)).expanded_newton(1.0)
        0.01
        """
        shares = (one.newton for one in self.components)
        return K * math.hypot(*shares, *(one.share * force_newton for one in self.components))

    def document(self, forces_newton: Sequence[float]) -> dict[str, Any]:
        """Build the document that is printed and kept, with the peaks of these forces."""
        peaks = [(force, self.expanded_newton(force)) for force in forces_newton]
        return {
            "k": K,
            "method": METHOD,
            "peaks": [
                {"force_N": force, "U_N": wide, "U_pct": 100 * wide / force}
                for force, wide in peaks
            ],
            "components": [
                {"name": c.name, "u_N": c.newton, "u_pct": 100 * c.share, "from": c.source}
                for c in self.components
            ],
            "missing": list(self.missing),
        }


def of_bound(half_width: float) -> float:
    """Return the standard uncertainty of what lies anywhere within a bound (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def budget(
    *,
    rising_newton: Sequence[Sequence[float]],
    error_share: float | None,
    resolution_newton: float,
    zero_change_newton: float | None,
    weights_share: float | None,
    gravity_share: float,
) -> Uncertainty:
    """Build the budget of a single peak.

    From the readings on each mass with rising load, the largest error as a share of the force, the
    step of the display, by how much the zero came back off, and by what shares weights (None where
    their class is not known) and gravity may be off.
    """
    found = [
        Component(
            name="resolution", newton=of_bound(resolution_newton / 2), source="half a display step"
        ),
        Component(
            name="gravity", share=of_bound(gravity_share), source="what is known of the site"
        ),
    ]
    missing = []
    if weights_share is None:
        missing.append("weights (--weight-class)")
    else:
        found.append(
            Component(name="weights", share=of_bound(weights_share), source="limit of their class")
        )
    if error_share is not None:
        bound = of_bound(abs(error_share))
        found.append(Component(name="error", share=bound, source="largest error, not corrected"))
    repeated = [readings for readings in rising_newton if len(readings) > 1]
    if repeated:
        squares = sum(statistics.variance(one) * (len(one) - 1) for one in repeated)
        df = sum(len(one) - 1 for one in repeated)
        what = f"{df + len(repeated)} readings, pooled"
        found.append(Component(name="repeatability", newton=math.sqrt(squares / df), source=what))
    else:
        missing.append("repeatability (each weight twice: --runs 2)")
    if zero_change_newton is None:
        missing.append("zero (not seen after the weights)")
    else:
        off = max(abs(zero_change_newton), resolution_newton / 2)
        found.append(Component(name="zero", newton=of_bound(off), source="change over the check"))
    return Uncertainty(components=tuple(found), missing=tuple(missing))
