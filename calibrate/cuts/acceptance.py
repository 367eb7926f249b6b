"""Single sampling of a lot: how many berries to test, how many may be soft, what that accepts.

Good practice as in ISO 2859-1 and ISO 2859-2 (their tables are not copied: plans here are exact).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gauge.errors import InfeasiblePlanError, InvalidValueError

Floats = NDArray[np.float64]
MOST_BERRIES = 5000  # of a plan that is looked for


@dataclass(frozen=True, kw_only=True, slots=True)
class SamplingPlan:
    """Test `n` berries drawn at random; accept the lot with `acceptance_number` soft or fewer.

    `lot_size` is the number of berries in the lot, None of a lot so large that n changes nothing.
    """

    n: int
    acceptance_number: int
    lot_size: int | None = None

    def __post_init__(self) -> None:
        if self.n < 1 or not -1 <= self.acceptance_number < self.n:
            raise InvalidValueError("a plan tests one berry or more, and accepts fewer soft ones")
        if self.lot_size is not None and self.lot_size < self.n:
            raise InvalidValueError(f"a lot of {self.lot_size} has no {self.n} berries to test")

    def accepted(self, share: ArrayLike) -> Floats:
        """Return the probability that a lot is accepted, by its share soft: the operating curve.

        Binomial, or hypergeometric of a lot of known size, in which a share is rounded up to a
        whole berry.
        """
        return _at_most(self.acceptance_number, self.n, np.asarray(share, float), self.lot_size)


def _at_most(soft: int, n: int, share: Floats, lot_size: int | None) -> Floats:
    """Return P(at most `soft` of n are soft) for each share of the lot."""
    from scipy.special import bdtr

    if soft < 0:
        return np.zeros(share.shape)
    if lot_size is None:
        return np.asarray(bdtr(soft, n, share), dtype=float)
    bad, drawn = np.ceil(share * lot_size - 1e-9)[..., None], np.arange(soft + 1.0)
    log = _log_choose(bad, drawn) + _log_choose(lot_size - bad, n - drawn)
    log -= _log_choose(np.array(float(lot_size)), np.array(float(n)))
    return np.asarray(np.minimum(np.exp(log).sum(axis=-1), 1.0))


def _log_choose(n: Floats, k: Floats) -> Floats:
    """Return the log of n over k, -inf where there is no such choice."""
    from scipy.special import gammaln

    possible = (k >= 0) & (k <= n)
    n, k = np.where(possible, n, 0.0), np.where(possible, k, 0.0)
    log = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return np.where(possible, log, -np.inf)


def upper_bound(soft: int, n: int, *, level: float = 0.95, lot_size: int | None = None) -> float:
    """Find the upper confidence bound of a lot's share soft.

    The largest share of which as few as `soft` of n are no surprise: P(at most so many) is above
    1 - level. Clopper, C. J. & Pearson, E. S. (1934) Biometrika 26:404-413, one-sided; of a lot of
    known size by the hypergeometric distribution, in whole berries.
    """
    from scipy.special import betaincinv

    if not 0 <= soft <= n:
        raise InvalidValueError(f"{soft} soft of {n} berries cannot be")
    if lot_size is None:
        return 1.0 if soft == n else float(betaincinv(soft + 1, n - soft, level))
    shares = np.arange(soft, lot_size - (n - soft) + 1) / lot_size
    return float(shares[_at_most(soft, n, shares, lot_size) > 1 - level].max())


def plan_of(
    n: int, at_most: float, *, level: float = 0.95, lot_size: int | None = None
) -> SamplingPlan:
    """Find the acceptance number with which n berries show the share soft to be below `at_most`.

    So many soft berries have an upper bound below it; one more has not. A lot of that share is
    then accepted with a probability of 1 - level or less. It is -1 where n is too few: even none
    soft shows too little.
    """
    if not 0 < at_most < 1:
        raise InvalidValueError("a share lies between 0 and 1")
    if lot_size is not None and lot_size < n:
        raise InvalidValueError(f"a lot of {lot_size} has no {n} berries to test")
    share = np.array(at_most)
    soft = -1
    while soft + 1 < n and _at_most(soft + 1, n, share, lot_size) <= 1 - level:
        soft += 1
    return SamplingPlan(n=n, acceptance_number=soft, lot_size=lot_size)


def smallest_plan(
    at_most: float,
    good: float,
    *,
    level: float = 0.95,
    assurance: float = 0.9,
    lot_size: int | None = None,
) -> SamplingPlan:
    """Find the fewest berries that show a share below `at_most` and still pass good lots.

    A lot of which the share `good` is soft is accepted with a probability of `assurance` or more.

    Raises
    ------
    InvalidValueError
        If `good` is not below `at_most`.
    InfeasiblePlanError
        If more berries would be needed than are in the lot, or than anybody tests.
    """
    if not 0 <= good < at_most:
        raise InvalidValueError("a good lot has a smaller share of soft berries than is allowed")
    soft = -1
    for n in range(1, (lot_size or MOST_BERRIES) + 1):
        # The acceptance number never falls as n grows.
        while soft + 1 < n and _at_most(soft + 1, n, np.array(at_most), lot_size) <= 1 - level:
            soft += 1
        plan = SamplingPlan(n=n, acceptance_number=soft, lot_size=lot_size)
        if plan.accepted(good) >= assurance:
            return plan
    raise InfeasiblePlanError(
        f"No sample of {lot_size or MOST_BERRIES} berries or fewer separates lots of {good:.1%} "
        f"soft from lots of {at_most:.1%}.",
        todo="Allow more soft berries, or ask for less assurance.",
    )
