"""The tray plan: how many berries to pull from which lots, so that a tray holds all scores.

For berries that are not measured yet. Measured ones are chosen in anchors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.bands import Band
from gauge.errors import InfeasiblePlanError, InvalidValueError

Floats = NDArray[np.float64]
# (wanted + 1) ** scores states are followed; beyond this a plan would take minutes.
MOST_STATES = 50_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Lot:
    """A lot of fruit with the distribution of its peak force, taken as lognormal.

    Attributes
    ----------
    name : str
    mean_newton, sd_newton : float
        Mean and standard deviation of peak force in newtons.
    available : int
        Berries that may be pulled.
    """

    name: str
    mean_newton: float
    sd_newton: float
    available: int

    def __post_init__(self) -> None:
        if not (
            self.mean_newton > 0
            and self.sd_newton > 0
            and math.isfinite(self.mean_newton + self.sd_newton)
        ):
            raise InvalidValueError(f"lot {self.name}: mean and SD of force must be above zero")
        if self.available < 0:
            raise InvalidValueError(f"lot {self.name}: the number of berries is below zero")

    def shares(self, bands: Sequence[Band]) -> Floats:
        """Share of the lot's berries in each band, shape (number of bands,).

        Examples
        --------
        >>> from calibrate.cuts.bands import Band
        >>> band = Band(score="1", low_newton=2.0, target_newton=3.0, high_newton=None, core_low_newton=None,
        ...             core_high_newton=None, best_probability=0.9)
        >>> Lot(name="A", mean_newton=2.2, sd_newton=0.6, available=9).shares([band]).round(3)
        array([0.588])
        """
        from scipy.stats import lognorm

        log_variance = math.log1p((self.sd_newton / self.mean_newton) ** 2)
        force = lognorm(
            s=math.sqrt(log_variance), scale=self.mean_newton * math.exp(-log_variance / 2)
        )
        shares = [
            0.0
            if band.low_newton is None
            else float(
                (1.0 if band.high_newton is None else force.cdf(band.high_newton))
                - force.cdf(band.low_newton)
            )
            for band in bands
        ]
        return np.array(shares)


@dataclass(frozen=True, kw_only=True, slots=True)
class TrayPlan:
    """How many berries to pull from each lot, and the probability that the tray is full."""

    pulls: dict[str, int]
    probability: float
    expected: dict[str, float]

    @property
    def berries(self) -> int:
        """Berries in all."""
        return sum(self.pulls.values())


def fill_probability(pulls: Sequence[int], shares: Floats, wanted: int) -> float:
    """Probability that every band gets at least `wanted` of the berries pulled, exactly.

    Berry by berry, the distribution of all counts, each held at `wanted` (a sum of independent
    multinomial draws).

    Parameters
    ----------
    pulls : sequence of int, length n_lots
    shares : ndarray, shape (n_lots, n_bands)
    wanted : int

    Examples
    --------
    >>> round(fill_probability([4], np.array([[0.5, 0.5]]), 1), 4)
    0.875
    """
    state = np.zeros((wanted + 1,) * shares.shape[1])
    state[(0,) * shares.shape[1]] = 1.0
    for pull, share in zip(pulls, shares, strict=True):
        for _ in range(pull):
            state = _one_more(state, share)
    return float(state[(wanted,) * shares.shape[1]])


def _one_more(state: Floats, share: Floats) -> Floats:
    """Distribution of the counts after one more berry."""
    after: Floats = state * (1.0 - float(share.sum()))
    for axis, probability in enumerate(share):
        if probability == 0:
            continue
        source, target = np.moveaxis(state, axis, 0), np.moveaxis(after, axis, 0)
        target[1:] += probability * source[:-1]
        target[-1] += probability * source[-1]
    return after


def plan_tray(
    bands: Sequence[Band], lots: Sequence[Lot], *, wanted: int = 3, probability: float = 0.9
) -> TrayPlan:
    """Find the least fruit with which the tray holds `wanted` berries of each score.

    The number of berries grows one at a time; for each, berries are exchanged between lots as
    long as the exact probability of a full tray rises (steepest ascent). Scores that no force
    makes the most probable are left out.

    Parameters
    ----------
    bands : sequence of Band
    lots : sequence of Lot
    wanted : int
        Berries of each score.
    probability : float
        Least probability that all scores are there.

    Raises
    ------
    InvalidValueError
        If `wanted` or `probability` make no sense, or the plan would be too large to compute.
    InfeasiblePlanError
        If all berries of all lots do not suffice; names the score that falls short most.

    Examples
    --------
    >>> from calibrate.cuts.calibration import Calibration
    >>> from calibrate.cuts.bands import bands
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Calibration(scale=RASPBERRY, force_scale="linear", cuts_newton=(2.0,),
    ...                   low_newton=(1.8,), high_newton=(2.2,), spread=0.25)
    >>> lots = [Lot(name="fresh", mean_newton=3, sd_newton=0.6, available=20),
    ...         Lot(name="day 9", mean_newton=1.2, sd_newton=0.5, available=20)]
    >>> plan_tray(bands(one), lots, wanted=2).pulls
    {'fresh': 2, 'day 9': 3}
    """
    if wanted < 1 or not 0 < probability < 1:
        raise InvalidValueError("a tray needs one berry a score or more, and 0 < probability < 1")
    reachable = [band for band in bands if band.reachable]
    if (wanted + 1) ** len(reachable) > MOST_STATES:
        raise InvalidValueError(
            f"{wanted} berries of each of {len(reachable)} scores are too many to plan at once.",
            todo="Plan a smaller tray and pull it twice.",
        )
    shares = np.array([lot.shares(reachable) for lot in lots]).reshape(len(lots), len(reachable))
    limit = [lot.available for lot in lots]
    if fill_probability(limit, shares, wanted) < probability:
        raise _not_enough(reachable, shares, limit, wanted, probability)
    pulls = [0] * len(lots)
    reached = 0.0
    while reached < probability:
        pulls = _add_best(pulls, shares, wanted, limit)
        pulls, reached = _exchange(pulls, shares, wanted, limit)
    expected = np.array(pulls) @ shares
    return TrayPlan(
        pulls={lot.name: pull for lot, pull in zip(lots, pulls, strict=True)},
        probability=reached,
        expected={band.score: float(x) for band, x in zip(reachable, expected, strict=True)},
    )


def _merit(pulls: Sequence[int], shares: Floats, wanted: int) -> tuple[float, float]:
    """Probability of a full tray; before there is any, the score that is furthest behind."""
    if sum(pulls) < wanted * shares.shape[1]:
        return 0.0, float(np.minimum(np.array(pulls) @ shares, wanted).sum())
    return fill_probability(pulls, shares, wanted), 0.0


def _add_best(pulls: Sequence[int], shares: Floats, wanted: int, limit: Sequence[int]) -> list[int]:
    options = []
    for lot in range(len(pulls)):
        if pulls[lot] < limit[lot]:
            more = list(pulls)
            more[lot] += 1
            options.append((_merit(more, shares, wanted), more))
    return max(options, key=lambda option: option[0])[1]


def _exchange(
    pulls: list[int], shares: Floats, wanted: int, limit: Sequence[int]
) -> tuple[list[int], float]:
    merit = _merit(pulls, shares, wanted)
    while True:
        best = (merit, pulls)
        for giver in range(len(pulls)):
            for taker in range(len(pulls)):
                if giver == taker or pulls[giver] == 0 or pulls[taker] == limit[taker]:
                    continue
                moved = list(pulls)
                moved[giver] -= 1
                moved[taker] += 1
                option = (_merit(moved, shares, wanted), moved)
                if option[0] > best[0]:
                    best = option
        if best[1] is pulls:
            return pulls, merit[0]
        merit, pulls = best


def _not_enough(
    bands: Sequence[Band], shares: Floats, limit: Sequence[int], wanted: int, probability: float
) -> InfeasiblePlanError:
    expected = np.array(limit) @ shares
    worst = int(expected.argmin())
    return InfeasiblePlanError(
        f"All {sum(limit)} berries together do not give {wanted} of each score with a probability "
        f"of {probability:g}; score {bands[worst].score} is the scarcest, with "
        f"{expected[worst]:.1f} expected.",
        todo=f"Add a lot with forces near {bands[worst].target_newton:.2f} N, or ask for less.",
    )
