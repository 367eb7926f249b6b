"""Percentages that follow from clamshell sheets: of one clamshell, or the mean of several.

What a sheet holds is in clamshell. Marketable berries (within the sale limit, neither leaking nor
decayed) are known only between two bounds, unless the sheets count them themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

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

    soft: Estimate | None
    at_limit: Estimate | None
    leaky: Estimate | None
    decayed: Estimate | None
    marketable: Estimate | None
    marketable_most: float | None
    dispersion: Mapping[str, Dispersion] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Percentages, as the commands write them.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Clamshell(sample="T1", scale=RASPBERRY, counts=(18, 2))
        >>> shares([one]).to_json()["soft_pct"]["value"]
        10.0
        """
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
    soft = _share([(c.soft, c.n) for c in limited], level)
    at_limit = _share([(c.at_limit, c.n) for c in limited], level)
    defects = {}
    for name in DEFECTS:
        counted = [(getattr(c, name), c.n) for c in clamshells if getattr(c, name) is not None]
        defects[name] = _share(counted, level)
    marketable, most = _marketable(limited, level)
    spread = {}
    if len(clamshells) > 1:
        spread["soft"] = dispersion([c.soft for c in limited], [c.n for c in limited])
        for name in DEFECTS:
            rows = [(getattr(c, name), c.n) for c in clamshells if getattr(c, name) is not None]
            if rows:
                spread[name] = dispersion([x for x, _ in rows], [n for _, n in rows])
    return Shares(
        soft=soft,
        at_limit=at_limit,
        leaky=defects["leaky"],
        decayed=defects["decayed"],
        marketable=marketable,
        marketable_most=most,
        dispersion=spread,
    )


def _share(counted: list[tuple[int, int]], level: float) -> Estimate | None:
    if not counted:
        return None
    if len(counted) == 1:
        return proportion(*counted[0], level=level)
    hits, n = zip(*counted, strict=True)
    return mean_proportion(hits, n, level=level)


def _marketable(
    clamshells: Sequence[Clamshell], level: float
) -> tuple[Estimate | None, float | None]:
    """The cautious share; its lower end from the least, its upper end from the most."""
    if not clamshells:
        return None, None
    exact = [c.marketable for c in clamshells]
    least = [c.least if m is None else m for c, m in zip(clamshells, exact, strict=True)]
    most = [c.most if m is None else m for c, m in zip(clamshells, exact, strict=True)]
    totals = [c.n for c in clamshells]
    low = _share(list(zip(least, totals, strict=True)), level)
    high = _share(list(zip(most, totals, strict=True)), level)
    if low is None or high is None:
        return None, None
    why = low.why if least == most else "counted as if no berry had two defects"
    return Estimate(value=low.value, low=low.low, high=high.high, why=why), high.value
