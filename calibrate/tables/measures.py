"""What a table measures: force, score and shares of berries, unit by unit.

Of every measure each unit has a value, berries behind it and their spread; so means, letters and
variance components are one computation for all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibrate.data.clamshell import DEFECTS, Clamshell
from calibrate.data.scale import Scale
from calibrate.stats.estimate import Estimate
from calibrate.stats.groups import Variance
from calibrate.stats.proportions import Dispersion, dispersion, mean_proportion, proportion
from calibrate.tables.samplingunits import SamplingUnits, sheet_units

Floats = NDArray[np.float64]
SHARES = ("soft", "at_limit", *DEFECTS)


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One measure of the m units that have a value of it.

    Of each, shape (m,), there are the mean of its berries, how many they are, their sum of squares
    about it, and the berries that a share counts. No value lies beyond `span`.
    """

    units: SamplingUnits
    values: Floats
    n: Floats
    ss: Floats
    hits: Floats | None = None
    span: tuple[float, float] = (0.0, np.inf)

    @property
    def variance_of_means(self) -> Variance:
        """The variance that a unit's value has from its berries alone."""
        df = float((self.n - 1).sum())
        within = float(self.ss.sum()) / max(df, 1.0)
        return Variance(value=within * float((1 / self.n).mean()), df=df)


def measured(
    units: SamplingUnits, sheets: SamplingUnits, scale: Scale | None
) -> dict[str, list[SamplingUnits]]:
    """Find what there is to measure, and of what; sheets go before single scores."""
    found = {"force": [units]} if units.pressed().m else {}
    if scored := [one for one in (sheets, units) if one.scores.size]:
        found["score"] = scored
        if scale is not None and scale.sale_boundary is not None:
            found |= dict.fromkeys(("soft", "at_limit"), scored)
    for name in (*DEFECTS, "weight_loss"):
        if any(getattr(one, name) is not None for one in sheets.sheets):
            found[name] = [sheets]
    return found


def hits_of(name: str, units: SamplingUnits, scale: Scale | None) -> tuple[SamplingUnits, Floats]:
    """Count the berries of a share in each unit that has it."""
    if name == "unmarketable":
        units = units.where(np.full(units.m, bool(units.sheets) and scale is not None))
        worst = [c.n - c.marketable_bounds[0] for c in units.sheets]
        return units, np.array(worst, dtype=float)
    if name in DEFECTS:
        counts = [getattr(sheet, name) for sheet in units.sheets] or [None] * units.m
        units = units.where(np.array([count is not None for count in counts], bool))
        return units, np.array([count for count in counts if count is not None], dtype=float)
    units = units.scored()
    if scale is None or scale.sale_limit is None or not units.m:
        return units.where(np.zeros(units.m, bool)), np.zeros(0)
    beyond = scale.beyond_limit if name == "soft" else [scale.rank(scale.sale_limit)]
    return units, units.scores[:, beyond].sum(axis=1)


def measure(name: str, units: SamplingUnits, scale: Scale | None) -> Measure:
    """Measure the units that have such a value."""
    if name == "force":
        units = units.pressed()
        return Measure(units=units, values=units.mean_newton, n=units.n, ss=units.ss_n2)
    if name == "weight_loss":
        units = units.where(
            np.array([sheet.weight_loss is not None for sheet in units.sheets], bool)
        )
        loss, one = [sheet.weight_loss for sheet in units.sheets], np.ones(units.m)
        values = np.array(loss, float)
        return Measure(units=units, values=values, n=one, ss=0 * one, span=(0.0, 1.0))
    if name == "score":
        units = units.scored()
        n, k = units.n_scored, units.scores.shape[1]
        place = np.arange(1, k + 1)
        mean = units.scores @ place / n
        ss = (units.scores * (place - mean[:, None]) ** 2).sum(axis=1)
        return Measure(units=units, values=mean, n=n, ss=ss, span=(1.0, k))
    units, hits = hits_of(name, units, scale)
    n = units.n_scored
    share = hits / n
    ss = n * share * (1 - share)
    return Measure(units=units, values=share, n=n, ss=ss, hits=hits, span=(0.0, 1.0))


@dataclass(frozen=True, kw_only=True, slots=True)
class Shares:
    """Proportions, 0 to 1, of one clamshell, or the mean of several.

    `of` has soft, at_limit and the defects that were counted. `marketable` is the cautious value
    (each defect on a berry of its own); its upper end belongs to `marketable_most`, the share if
    defects share berries as far as they can. `dispersion` is that of soft berries and defects, for
    several clamshells.
    """

    of: Mapping[str, Estimate] = field(default_factory=dict)
    marketable: Estimate | None = None
    marketable_most: float | None = None
    weight_loss: Estimate | None = None
    dispersion: Mapping[str, Dispersion] = field(default_factory=dict)

    @property
    def soft(self) -> Estimate | None:
        """Share beyond the sale limit."""
        return self.of.get("soft")

    def to_json(self) -> dict[str, Any]:
        """Make the document of percentages that the commands write."""
        document: dict[str, Any] = {}
        every = {**dict.fromkeys(SHARES), **self.of, "marketable": self.marketable}
        for name, estimate in (every | {"weight_loss": self.weight_loss}).items():
            document[f"{name}_pct"] = None if estimate is None else estimate.times(100).to_json()
        if self.marketable_most is not None:
            document["marketable_at_most_pct"] = 100 * self.marketable_most
        if self.dispersion:
            spread = {name: asdict(one) for name, one in self.dispersion.items()}
            document["overdispersion"] = spread
        return document


def shares(clamshells: Sequence[Clamshell], *, level: float = 0.95) -> Shares:
    """Find the proportions of one clamshell, or their mean over several.

    One clamshell has Wilson intervals; of several each counts alike and is the unit, see
    `calibrate.stats.proportions.mean_proportion`.

    Examples
    --------
    >>> from calibrate.data.scale import BLACKBERRY
    >>> one = Clamshell(sample="T1", scale=BLACKBERRY, counts=(4, 6, 5, 4, 1), leaky=3, decayed=1)
    >>> found = shares([one])
    >>> found.soft.value, found.of["at_limit"].value, found.marketable.value, found.marketable_most
    (0.25, 0.25, 0.55, 0.75)
    """
    units, scale = sheet_units(clamshells), clamshells[0].scale
    found, spread = {}, {}
    for name in SHARES:
        counted, hits = hits_of(name, units, scale)
        if counted.m:
            found[name] = _share(hits, counted.n_scored, level)
            if len(clamshells) > 1 and name != "at_limit":
                spread[name] = dispersion(hits, counted.n_scored)
    lost = measure("weight_loss", units, scale).values
    marketable = most = None
    if scale.sale_limit is not None:
        low, high = np.array([c.marketable_bounds for c in clamshells], dtype=float).T
        least, greatest = (_share(hits, units.n_scored, level) for hits in (low, high))
        why = least.why if (low == high).all() else "counted as if no berry had two defects"
        marketable = Estimate(value=least.value, low=least.low, high=greatest.high, why=why)
        most = greatest.value
    return Shares(
        of=found,
        marketable=marketable,
        marketable_most=most,
        weight_loss=Estimate(value=float(lost.mean())) if lost.size else None,
        dispersion=spread,
    )


def _share(hits: Floats, n: Floats, level: float) -> Estimate:
    if hits.size == 1:
        return proportion(float(hits[0]), float(n[0]), level=level)
    return mean_proportion(hits, n, level=level)
