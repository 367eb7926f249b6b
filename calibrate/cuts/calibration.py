"""A calibration: a panel's cut points in newtons as they are kept, shown and used afterwards.

It is what remains of a fit: enough to tell which score a force would get and how sure that is.
Fitting is in cutmodel and raters; keeping it in a season file is in the season room.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.data.scale import Scale
from calibrate.stats.likelihood import interval_probability, log_interval
from gauge.errors import InvalidValueError

ForceScale = Literal["linear", "log"]
Side = float | None


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Cut points, spread and their intervals, firmest boundary first.

    Attributes
    ----------
    scale : Scale
    force_scale : {"linear", "log"}
        Whether h(F) of the model is F or log F.
    cuts_newton : tuple of (float or None)
        One a boundary, in newtons, falling; equal around a score that was never used, None beyond
        the firmest or the softest score that was.
    low_newton, high_newton : tuple of (float or None)
        Interval of each cut; None is an open side.
    spread : float
        Logistic scale of the fingers, in newtons (linear) or in log newtons (log).
    level : float
        Of the intervals.
    covariance : tuple of tuple of float, or None
        Of the cuts on the model's scale and, last, the spread; rows and columns of an unknown cut
        are zero. None where only intervals are known.
    n : int
        Scored berries that it rests on.
    raters : tuple of str
    hand_sd : float or None
        How far hands differ, as a share of force; None for a panel of one.
    log_likelihood : float
    fingerprint : str
        SHA-256 of the data and options.
    version : str
        firmhand version that made it.
    source : str
    warnings : tuple of str

    Raises
    ------
    InvalidValueError
        If the cuts do not fall, or an entry has the wrong length or sign.
    """

    scale: Scale
    force_scale: ForceScale
    cuts_newton: tuple[Side, ...]
    low_newton: tuple[Side, ...]
    high_newton: tuple[Side, ...]
    spread: float
    level: float = 0.95
    covariance: tuple[tuple[float, ...], ...] | None = None
    n: int = 0
    raters: tuple[str, ...] = ()
    hand_sd: float | None = None
    log_likelihood: float = math.nan
    fingerprint: str = ""
    version: str = ""
    source: str = ""
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        wanted = len(self.scale.labels) - 1
        if not len(self.cuts_newton) == len(self.low_newton) == len(self.high_newton) == wanted:
            raise InvalidValueError(f"a scale of {wanted + 1} scores has {wanted} cut points")
        known = [cut for cut in self.cuts_newton if cut is not None]
        if not known:
            raise InvalidValueError("a calibration needs a cut point")
        if any(a < b for a, b in itertools.pairwise(known)):
            raise InvalidValueError("cut points must fall from the firmest boundary on")
        if self.force_scale == "log" and min(known) <= 0:
            raise InvalidValueError("a cut point on the log scale must be above zero")
        size = wanted + 1
        if self.covariance is not None and np.shape(self.covariance) != (size, size):
            raise InvalidValueError(
                f"the covariance of {wanted} cuts and a spread is {size} square"
            )
        if not (math.isfinite(self.spread) and self.spread > 0):
            raise InvalidValueError("the spread must be above zero")

    def h(self, force_newton: ArrayLike) -> NDArray[np.float64]:
        """Force on the scale of the model: newtons, or log newtons.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> float(one.h(1.5))
        1.5
        """
        force = np.asarray(force_newton, dtype=float)
        return force if self.force_scale == "linear" else np.log(force)

    def force(self, h: float) -> float:
        """Inverse of `h`.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> one.force(1.5)
        1.5
        """
        return h if self.force_scale == "linear" else math.exp(h)

    def edges(self) -> NDArray[np.float64]:
        """Edges of all scores on the scale of the model, falling from +inf to -inf.

        Shape (number of scores + 1,); score k lies between edges k and k + 1. An unknown cut
        beyond the known ones lies at its infinity, and one between known ones falls onto its
        firmer neighbour: a score that was never used gets no room.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> one.edges()
        array([ inf,   2., -inf])
        """
        edges = [math.inf]
        for index, cut in enumerate(self.cuts_newton):
            if cut is not None:
                edges.append(float(self.h(cut)))
            elif all(c is None for c in self.cuts_newton[index:]):
                edges.append(-math.inf)
            else:
                edges.append(edges[-1])
        return np.array([*edges, -math.inf])

    def probabilities(self, force_newton: ArrayLike) -> NDArray[np.float64]:
        """Probability of each score at a force.

        Parameters
        ----------
        force_newton : array_like, shape (n,)
            Newtons; above zero under the log scale.

        Returns
        -------
        ndarray, shape (n, number of scores)
            Each row adds up to 1. Computed as differences of logistics on the side where they do
            not cancel.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> one.probabilities([2.0])
        array([[0.5, 0.5]])
        """
        return self.probabilities_h(np.atleast_1d(self.h(force_newton)))

    def probabilities_h(self, h: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probability of each score at positions on the scale of the model; see `probabilities`.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> one.probabilities_h(np.array([2.0, 40.0])).round(3)
        array([[0.5, 0.5],
               [1. , 0. ]])
        """
        z = (h[:, None] - self.edges()[None, :]) / self.spread
        return interval_probability(z[:, 1:], z[:, :-1])

    def crossing_h(self, firmer: int, softer: int) -> float:
        """Position on the model's scale at which two scores are equally probable.

        The ratio of the firmer to the softer score's probability never falls with force (the
        logistic density is log-concave, hence a monotone likelihood ratio; Karlin (1968) Total
        Positivity), so there is one crossing at most. Its tails are exponential, so the ratio has
        a finite limit: +inf is returned where the softer score is the more probable at every
        force, -inf where the firmer one is.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> one.crossing_h(0, 1)
        2.0
        """
        from scipy.optimize import brentq

        edges = self.edges()
        if edges[firmer] == edges[firmer + 1]:
            return math.inf
        if edges[softer] == edges[softer + 1]:
            return -math.inf

        two = np.array([firmer, softer])

        def log_ratio(h: float) -> float:
            z = (h - edges) / self.spread
            firm, soft = log_interval(z[two + 1], z[two])[0]
            return float(firm - soft)

        # Beyond 40 spreads from all cuts the ratio equals its limit in double precision, unless an
        # end score is one of the two; then it crosses within the distance that balances the
        # narrower score's width, which 40 spreads cover as long as that width is above 1e-16 s.
        finite = edges[np.isfinite(edges)]
        low, high = finite.min() - 40 * self.spread, finite.max() + 40 * self.spread
        if log_ratio(low) >= 0:
            return -math.inf
        if log_ratio(high) <= 0:
            return math.inf
        return float(brentq(log_ratio, low, high, xtol=1e-12))

    def force_at(self, probability: float, score: int) -> Side:
        """Force at which a berry is scored `score` (rank from 0) or firmer with a probability.

        The inverse of the model: h = c_k + s logit(p). None where the cut is unknown, or where no
        force above zero gives it.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> round(one.force_at(0.95, 0), 3)
        3.472
        """
        cut = self.cuts_newton[score]
        if cut is None:
            return None
        force = self.force(
            float(self.h(cut)) + self.spread * math.log(probability / (1 - probability))
        )
        return force if force > 0 else None

    def to_document(self) -> dict[str, Any]:
        """Everything as a document for JSON; `from_document` reads it back.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> one.to_document()["cuts_n"]
        (2.0,)
        """
        document = {_key(name): value for name, value in asdict(self).items()}
        document["scale"] = self.scale.to_json()
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

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
        ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.5)
        >>> Calibration.from_document(one.to_document()) == one
        True
        """
        try:
            values = {
                f.name: document[_key(f.name)] for f in fields(cls) if _key(f.name) in document
            }
            values["scale"] = Scale.from_json(values["scale"])
            for name in ("cuts_newton", "low_newton", "high_newton", "raters", "warnings"):
                values[name] = tuple(values.get(name) or ())
            if values.get("covariance") is not None:
                values["covariance"] = tuple(tuple(row) for row in values["covariance"])
            if values.get("log_likelihood") is None:
                values["log_likelihood"] = math.nan
            return cls(**values)
        except (KeyError, TypeError) as error:
            raise InvalidValueError(f"this is not a calibration: {error}") from None


def _key(name: str) -> str:
    """Return the key of a field in a stored document: there, the name of a force ends in `_n`."""
    return name.replace("_newton", "_n")
