"""Percentages that follow from clamshell sheets: of one clamshell, or the mean of several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from calibrate.data.clamshell import DEFECTS, Clamshell
from calibrate.stats.estimate import Estimate
from calibrate.stats.proportions import Dispersion, dispersion, mean_proportion, proportion


@dataclass(frozen=True, kw_only=True, slots=True)
class Shares:
    """Proportions of one clamshell, or the mean of several.

    Attributes
    ----------
    soft, at_limit, leaky, decayed, marketable : Estimate or None
        0 to 1; None where nothing was counted. `marketable` has the cautious value (each defect on
        a berry of its own); its upper end belongs to `marketable_most`.
    marketable_most : float or None
        Marketable share if defects share berries as far as they can.
    dispersion : mapping of str to Dispersion
        For several clamshells: of soft, leaky and decayed berries.
    """

    soft: Estimate | None = None
    at_limit: Estimate | None = None
    leaky: Estimate | None = None
    decayed: Estimate | None = None
    marketable: Estimate | None = None
    marketable_most: float | None = None
    dispersion: Mapping[str, Dispersion] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Make the document of percentages that the commands write."""
        document: dict[str, Any] = {}
        for name in ("soft", "at_limit", "leaky", "decayed", "marketable"):
            estimate = getattr(self, name)
            document[f"{name}_pct"] = None if estimate is None else estimate.times(100).to_json()
        if self.marketable_most is not None:
            document["marketable_at_most_pct"] = 100 * self.marketable_most
        if self.dispersion:
            document["overdispersion"] = {
                name: {"ratio": d.ratio, "df": d.df, "p": d.p}
                for name, d in self.dispersion.items()
            }
        return document


def shares(clamshells: Sequence[Clamshell], *, level: float = 0.95) -> Shares:
    """Find the proportions of one clamshell, or their mean over several.

    One clamshell has Wilson intervals; of several each counts alike and is the unit, see
    `calibrate.stats.proportions.mean_proportion`.

    Parameters
    ----------
    clamshells : sequence of Clamshell
        One or more.
    level : float

    Examples
    --------
    >>> from calibrate.data.scale import BLACKBERRY
    >>> one = Clamshell(sample="T1", scale=BLACKBERRY, counts=(4, 6, 5, 4, 1), leaky=3, decayed=1)
    >>> found = shares([one])
    >>> found.soft.value, found.at_limit.value, found.marketable.value, found.marketable_most
    (0.25, 0.25, 0.55, 0.75)
    """
    limited = [c for c in clamshells if c.scale.sale_limit is not None]
    counted = {}
    for name in ("soft", "at_limit", *DEFECTS):
        every = [(getattr(c, name), c.n) for c in (clamshells if name in DEFECTS else limited)]
        counted[name] = [(count, n) for count, n in every if count is not None]
    spread = {}
    for name in ("soft", *DEFECTS) if len(clamshells) > 1 else ():
        if name == "soft" or counted[name]:
            hits, n = np.array(counted[name], dtype=float).reshape(-1, 2).T
            spread[name] = dispersion(hits, n)
    marketable, most = _marketable(limited, level)
    return Shares(
        **{name: _share(rows, level) for name, rows in counted.items()},
        marketable=marketable,
        marketable_most=most,
        dispersion=spread,
    )


def _share(counted: Sequence[tuple[int, int]], level: float) -> Estimate | None:
    if not counted:
        return None
    if len(counted) == 1:
        return proportion(*counted[0], level=level)
    hits, n = zip(*counted, strict=True)
    return mean_proportion(hits, n, level=level)


def _marketable(
    clamshells: Sequence[Clamshell], level: float
) -> tuple[Estimate | None, float | None]:
    """Find the cautious share; its lower end from the least, its upper end from the most."""
    exact = [(c.least, c.most) if c.marketable is None else (c.marketable,) * 2 for c in clamshells]
    low = _share([(k, c.n) for (k, _), c in zip(exact, clamshells, strict=True)], level)
    high = _share([(k, c.n) for (_, k), c in zip(exact, clamshells, strict=True)], level)
    if low is None or high is None:
        return None, None
    settled = all(least == most for least, most in exact)
    why = low.why if settled else "counted as if no berry had two defects"
    return Estimate(value=low.value, low=low.low, high=high.high, why=why), high.value
