"""A calibration: a panel's cut points in newtons as they are kept, shown and used afterwards."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.data.scale import Scale
from calibrate.stats.estimate import Estimate
from calibrate.stats.forcespread import NO_GROWTH, SpreadGrowth
from calibrate.stats.likelihood import interval_probability, log_interval
from gauge.errors import InvalidValueError

ForceScale = Literal["linear", "log"]
Side = float | None
# Of a stored document: the key of each column of the cuts.
_COLUMNS = {"cuts_n": "value", "low_n": "low", "high_n": "high"}


def as_cuts(
    cut_newton: Iterable[Side],
    low_newton: Iterable[Side] | None = None,
    high_newton: Iterable[Side] | None = None,
) -> tuple[Estimate, ...]:
    """Make cut points of columns in newtons; None or NaN is a cut not known, or an open side."""
    value = list(cut_newton)
    none = [None] * len(value)
    low = none if low_newton is None else low_newton
    high = none if high_newton is None else high_newton
    columns = zip(value, low, high, strict=True)
    return tuple(Estimate(value=v, low=lo, high=hi) for v, lo, hi in columns)


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Cut points with their intervals, and the spread.

    Attributes
    ----------
    scale : Scale
    force_scale : {"linear", "log"}
        Whether h(F) of the model is F or log F.
    cuts : tuple of Estimate
        One a boundary, in newtons, falling from the firmest on; equal around a score that was
        never used, without a value beyond the firmest or the softest score that was.
    spread : float
        Logistic scale of the fingers, in newtons (linear) or in log newtons (log).
    growth : SpreadGrowth
        Of the spread with force; `spread` is that at its `at_newton`.
    level : float
        Of the intervals.
    covariance : tuple of tuple of float, or None
        Of the cuts on the model's scale and, last, the spread; rows and columns of an unknown cut
        are zero. None where only intervals are known.
    n : int
        Scored berries that it rests on, by `raters`, in `source`.
    hand_sd : float or None
        How far hands differ, as a share of force; None for a panel of one.
    hand_sds : tuple of float
        Equally likely values of it: what a few raters leave unknown.
    softening : Estimate or None
        Share of the force that a squeeze takes, where that is known; cut points are then of the
        force that the finger felt, and `as_pressed` of fruit pressed after it was squeezed.
    fingerprint, version : str
        SHA-256 of the data and options; the firmhand that made it.

    Raises
    ------
    InvalidValueError
        If the cuts do not fall, or an entry has the wrong length or sign.
    """

    scale: Scale
    force_scale: ForceScale
    cuts: tuple[Estimate, ...]
    spread: float
    growth: SpreadGrowth = NO_GROWTH
    level: float = 0.95
    covariance: tuple[tuple[float, ...], ...] | None = None
    n: int = 0
    raters: tuple[str, ...] = ()
    hand_sd: float | None = None
    hand_sds: tuple[float, ...] = ()
    softening: Estimate | None = None
    as_pressed: tuple[Estimate, ...] = ()
    log_likelihood: float = math.nan
    fingerprint: str = ""
    version: str = ""
    source: str = ""
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n_cuts = len(self.scale.boundaries)
        if len(self.cuts) != n_cuts:
            raise InvalidValueError(f"a scale of {n_cuts + 1} scores has {n_cuts} cut points")
        known = [cut.value for cut in self.cuts if cut.value is not None]
        if not known:
            raise InvalidValueError("a calibration needs a cut point")
        if any(a < b for a, b in itertools.pairwise(known)):
            raise InvalidValueError("cut points must fall from the firmest boundary on")
        if self.force_scale == "log" and min(known) <= 0:
            raise InvalidValueError("a cut point on the log scale must be above zero")
        size = n_cuts + 1
        if self.covariance is not None and np.shape(self.covariance) != (size, size):
            raise InvalidValueError(
                f"the covariance of {n_cuts} cuts and a spread is {size} square"
            )
        if not (math.isfinite(self.spread) and self.spread > 0):
            raise InvalidValueError("the spread must be above zero")

    @property
    def cut_newton(self) -> NDArray[np.float64]:
        """Cut points in newtons, firmest boundary first, NaN where not known; shape (cuts,)."""
        return np.array([cut.value for cut in self.cuts], dtype=float)

    def of_pressed_fruit(self) -> Calibration:
        """Take the cut points of fruit that is pressed after it was squeezed, where they differ."""
        if self.softening is None:
            return self
        return replace(self, cuts=self.as_pressed, softening=None, as_pressed=())

    def with_limit(self, sale_limit: str | None) -> Calibration:
        """Declare the softest score that may be sold; None leaves the scale as it is."""
        if sale_limit is None:
            return self
        return replace(self, scale=replace(self.scale, sale_limit=sale_limit))

    def h(self, force_newton: ArrayLike) -> NDArray[np.float64]:
        """Put force on the scale of the model: newtons, or log newtons."""
        force = np.asarray(force_newton, dtype=float)
        return force if self.force_scale == "linear" else np.log(force)

    def force(self, h: float) -> float:
        """Return the force in newtons at a position on the scale of the model."""
        return h if self.force_scale == "linear" else math.exp(h)

    def spread_at(self, force_newton: ArrayLike) -> NDArray[np.float64]:
        """Return the spread at forces, on the scale of the model; it grows on the linear one."""
        return self.spread * self.growth.factor(np.asarray(force_newton, dtype=float))

    def edges(self) -> NDArray[np.float64]:
        """Return the edges of all scores on the scale of the model, falling from +inf to -inf.

        Shape (number of scores + 1,); score k lies between edges k and k + 1. An unknown cut
        beyond the known ones lies at its infinity, and one between known ones falls onto its
        firmer neighbour: a score that was never used gets no room.
        """
        edges = [math.inf]
        for index, cut in enumerate(self.cuts):
            if cut.value is not None:
                edges.append(float(self.h(cut.value)))
            elif all(other.value is None for other in self.cuts[index:]):
                edges.append(-math.inf)
            else:
                edges.append(edges[-1])
        return np.array([*edges, -math.inf])

    def ranks(self, force_newton: ArrayLike) -> NDArray[np.int64]:
        """Return the score that the cut points give each force, as a rank from 0; shape (n,)."""
        return np.digitize(-self.h(force_newton), -self.edges()[1:-1]).astype(np.int64)

    def probabilities(self, force_newton: ArrayLike) -> NDArray[np.float64]:
        """Return the probability of each score at each force, shape (n, number of scores).

        Forces are above zero under the log scale. Computed as differences of logistics on the
        side where they do not cancel.
        """
        return self.probabilities_h(np.atleast_1d(self.h(force_newton)))

    def probabilities_h(self, h: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the probability of each score at positions on the scale of the model."""
        z = (h[:, None] - self.edges()) / self.spread_at(h)[:, None]
        return interval_probability(z[:, 1:], z[:, :-1])

    def crossing_h(self, firmer: int, softer: int) -> float:
        """Return the position on the model's scale at which two scores are equally probable.

        The ratio of the firmer to the softer score's probability never falls with force (the
        logistic density is log-concave, hence a monotone likelihood ratio; Karlin (1968) Total
        Positivity), so there is one crossing at most. Its tails are exponential, so the ratio has
        a finite limit: +inf is returned where the softer score is the more probable at every
        force, -inf where the firmer one is.
        """
        from scipy.optimize import brentq

        edges = self.edges()
        if edges[firmer] == edges[firmer + 1]:
            return math.inf
        if edges[softer] == edges[softer + 1]:
            return -math.inf

        two = np.array([firmer, softer])

        def log_ratio(h: float) -> float:
            z = (h - edges) / float(self.spread_at(h))
            firm, soft = log_interval(z[two + 1], z[two])[0]
            return float(firm - soft)

        # Beyond 40 spreads from all cuts the ratio equals its limit in double precision, unless an
        # end score is one of the two; then it crosses within the distance that balances the
        # narrower score's width, which 40 spreads cover as long as that width is above 1e-16 s.
        finite = edges[np.isfinite(edges)]
        low, high = finite.min() - 40 * self.spread, finite.max() + 40 * self.spread
        if self.growth.power:
            # Where the spread grows the ratio turns again far beyond both scores' own forces.
            low = max(float(edges[softer + 1]), 1e-6 * float(finite.min()))
            high = min(float(edges[firmer]), high)
        if log_ratio(low) >= 0:
            return -math.inf
        if log_ratio(high) <= 0:
            return math.inf
        return float(brentq(log_ratio, low, high, xtol=1e-12))

    def force_at(self, probability: float, score: int) -> Side:
        """Return the force at which a score of this rank or firmer has a probability.

        The inverse of the model: h = c_k + s logit(p). None where the cut is unknown, or where no
        force above zero gives it.
        """
        cut = self.cuts[score].value
        if cut is None:
            return None
        logit = math.log(probability / (1 - probability))
        if not self.growth.power:
            force = self.force(float(self.h(cut)) + self.spread * logit)
            return force if force > 0 else None
        from scipy.optimize import brentq

        def excess(force: float) -> float:
            return (force - cut) / float(self.spread_at(force)) - logit

        low, high = 1e-6 * cut, 1e3 * cut
        return float(brentq(excess, low, high)) if excess(low) < 0 < excess(high) else None

    def hand_half_width(self, level: float) -> float:
        """Half-width of the interval of a next hand, as a share of force, over `hand_sds`."""
        from scipy.optimize import brentq
        from scipy.special import ndtr, ndtri

        sds = np.array(self.hand_sds or (self.hand_sd or 0.0,))
        widest = float(sds.max() * ndtri(0.5 + level / 2.0))
        if widest == 0.0:
            return 0.0

        def excess(width: float) -> float:
            return float(np.mean(2.0 * ndtr(width / np.maximum(sds, 1e-9)) - 1.0)) - level

        return float(brentq(excess, 0.0, widest * (1.0 + 1e-9)))

    def to_document(self) -> dict[str, Any]:
        """Write everything as a document for JSON; `from_document` reads it back."""
        document = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "cuts"}
        document["scale"] = self.scale.to_json()
        document["growth"] = asdict(self.growth)
        document["softening"] = self.softening and self.softening.to_json()
        document["as_pressed"] = [cut.to_json() for cut in self.as_pressed]
        for key, side in _COLUMNS.items():
            document[key] = tuple(getattr(cut, side) for cut in self.cuts)
        if math.isnan(self.log_likelihood):
            document["log_likelihood"] = None
        return document

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> Calibration:
        """Read what `to_document` wrote.

        Raises
        ------
        InvalidValueError
            If the document is not a calibration.
        """
        try:
            values = {f.name: document[f.name] for f in fields(cls) if f.name in document}
            values["scale"] = Scale.from_json(values["scale"])
            values["growth"] = SpreadGrowth(**values.get("growth", {}))
            values["cuts"] = as_cuts(*(document[key] for key in _COLUMNS))
            for name in ("raters", "warnings", "hand_sds"):
                values[name] = tuple(values.get(name) or ())
            if values.get("softening"):
                values["softening"] = Estimate(**values["softening"])
            values["as_pressed"] = tuple(Estimate(**cut) for cut in values.get("as_pressed") or ())
            if values.get("covariance") is not None:
                values["covariance"] = tuple(tuple(row) for row in values["covariance"])
            if values.get("log_likelihood") is None:
                values["log_likelihood"] = math.nan
            return cls(**values)
        except (KeyError, TypeError, ValueError) as error:
            raise InvalidValueError(f"this is not a calibration: {error}") from None
