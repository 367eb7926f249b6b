"""How many berries and raters a precision needs, and which forces to pick next.

From fits of simulated panels, and from expected information, under a calibration that was measured
or guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.cuts.simulatedpanel import Simulation, simulated_half_widths
from gauge.errors import InfeasiblePlanError, InvalidValueError

Floats = NDArray[np.float64]
# Raters beyond whom a panel takes too long to simulate.
_MOST_RATERS = 30
# The first of `_ANCHORS` to be looked at: some 80 berries.
_FIRST_ANCHOR = 3
# A share of panels so far below the one asked for is not brought up to it by the approximation's
# own error.
_HOPELESS = 0.3


def _ladder(last: int) -> tuple[int, ...]:
    steps = [10]
    while steps[-1] < last:
        steps.append(max(steps[-1] + 1, round(1.05 * steps[-1])))
    return tuple(steps)


# Numbers of berries that are looked at: all up to 30, then in steps of 5 %; and the places of those
# that are looked at first, each about twice the one before.
_LADDER = _ladder(3000)
_ANCHORS = (
    *(int(np.argmin(np.abs(np.array(_LADDER) - n))) for n in 10 * 2 ** np.arange(8)),
    len(_LADDER) - 1,
)


def berry_information(calibration: Calibration, force_newton: ArrayLike) -> Floats:
    """Return the expected information of one scored berry at each force.

    Sum over scores of (dP_k)(dP_k)' / P_k, over the cuts on the model's scale and the spread;
    McCullagh (1980) J. R. Stat. Soc. B 42:109.

    Of shape (forces, cuts + 1, cuts + 1); every cut must be known.
    """
    from scipy.special import expit

    if any(cut.value is None for cut in calibration.cuts):
        raise InvalidValueError("a plan needs every cut point; give a guess for the missing ones")
    cuts = calibration.edges()[1:-1]
    k = len(cuts)
    h = np.atleast_1d(calibration.h(force_newton))
    spread = calibration.spread_at(np.atleast_1d(force_newton))[:, None]
    z = (h[:, None] - cuts) / spread
    density = expit(z) * expit(-z) / spread
    # d P(score <= k) by its cut and by the spread; scores are differences of neighbours.
    upto = np.zeros((len(h), k + 2, k + 1))
    index = np.arange(k)
    upto[:, index + 1, index] = -density
    upto[:, 1:-1, k] = -density * z * spread / calibration.spread
    slope = np.diff(upto, axis=1)
    p = np.clip(calibration.probabilities_h(h), 1e-300, None)
    return np.asarray(np.einsum("nka,nkb->nab", slope, slope / p[:, :, None]))


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedPanel:
    """The raters that will score: how many, and how they and the berries differ.

    `hand_sds` are equally likely values of how far raters differ from each other, and `berry_sd` is
    how far berries of one force differ to the fingers, as shares of force (standard deviations).
    """

    raters: int
    hand_sds: tuple[float, ...] = (0.0,)
    berry_sd: float = 0.0

    def __post_init__(self) -> None:
        if self.raters < 1 or not self.hand_sds or min(*self.hand_sds, self.berry_sd, 0.0) < 0:
            raise InvalidValueError("a panel needs a rater or more, and no spread below zero")
        if self.raters > _MOST_RATERS:
            raise InvalidValueError(
                f"a panel of {self.raters} raters takes too long to simulate.",
                todo=f"Plan for {_MOST_RATERS} raters at most: more of them need fewer berries.",
            )


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Panels of one size, simulated and fitted.

    Attributes
    ----------
    berries : int
    widths_newton : ndarray of float, shape (fits, cuts)
        Half-widths of the intervals of all cuts; infinite where a panel could not be fitted.
    berries_newton2 : ndarray of float, shape (cuts,)
        Expected part of a squared half-width that is in inverse proportion to the berries, at one.
    """

    berries: int
    widths_newton: Floats
    berries_newton2: Floats

    def reached(self, half_width_newton: float) -> float:
        """Share of panels in which every cut has the half-width."""
        return float((self.widths_newton <= half_width_newton).all(axis=1).mean())

    def shares_at(self, berries: int, half_width_newton: float) -> tuple[float, Floats]:
        """Approximate share of panels of another size that reach it at all cuts, and at each."""
        change = self.berries_newton2 * (1.0 / berries - 1.0 / self.berries)
        # Panels that could not be fitted tell nothing of another size.
        fitted = self.widths_newton[np.isfinite(self.widths_newton).all(axis=1)]
        if not fitted.size:
            return 0.0, np.zeros(change.size)
        reached = fitted**2 + change <= half_width_newton**2
        return float(reached.all(axis=1).mean()), reached.mean(axis=0)

    def least(self, half_width_newton: float, assurance: float) -> int:
        """Approximate place in `_LADDER` of the least number of berries; its length if none."""
        for at, berries in enumerate(_LADDER):
            if self.shares_at(berries, half_width_newton)[0] >= assurance:
                return at
        return len(_LADDER)

    def reached_between(self, more: Plan, berries: int, half_width_newton: float) -> float:
        """Approximate share of panels of a size between this one and another of the same panels.

        Of each panel the squared half-width is taken to be linear in the inverse of the berries.
        """
        few, many = 1.0 / self.berries, 1.0 / more.berries
        part = (1.0 / berries - many) / (few - many)
        both = min(len(self.widths_newton), len(more.widths_newton))
        squared = part * self.widths_newton[:both] ** 2
        squared += (1.0 - part) * more.widths_newton[:both] ** 2
        return float((squared <= half_width_newton**2).all(axis=1).mean())


@dataclass(frozen=True, kw_only=True)
class SampleSize:
    """How many berries reach a half-width, with what share of panels.

    Attributes
    ----------
    berries : int
    reached, reached_with_fewer : float
        Share of simulated panels in which all cuts had the half-width, with these berries and with
        the next smaller number looked at.
    berries_at : tuple of int or None
        Approximate number that each cut needs by itself; None beyond what is looked at.
    """

    berries: int
    reached: float
    reached_with_fewer: float
    berries_at: tuple[int | None, ...]


def sample_size(
    calibration: Calibration,
    force_newton: ArrayLike,
    panel: PlannedPanel,
    half_width_newton: float,
    *,
    assurance: float = 0.8,
    level: float = 0.95,
    fits: int = 400,
    progress: Callable[[int, int], None] = lambda done, expected: None,
) -> SampleSize:
    """Find the least number of berries with which a share of panels reaches a half-width.

    Half of the panels of a few sizes, each twice the one before, say between which two of them the
    answer lies, and by interpolation where. From there sizes are tried one after another by `fits`
    panels each, so that the answer and its smaller neighbour are both confirmed. Panels of all
    sizes have the same hands and first berries, and every search starts where an answer for a
    wider interval would have started or beyond, so that the answer never rises with the half-width.
    For assurance in place of an expected width: Kupper, L. L. & Hafner, K. B. (1989) Am. Stat.
    43:101-105 (from memory).

    Parameters
    ----------
    calibration : Calibration
        The truth to plan for, measured or guessed; all cuts known.
    force_newton : array_like
        As they will be picked; only their distribution matters.
    panel : PlannedPanel
    half_width_newton : float
    assurance, level : float
    fits : int
    progress : callable
        Told, after every fit, how many are done and how many there will be as far as is known.

    Raises
    ------
    InvalidValueError
        If the half-width is not above zero.
    InfeasiblePlanError
        If no number of berries suffices: more raters are needed.
    """
    if half_width_newton <= 0:
        raise InvalidValueError("the half-width must be above zero")
    forces = np.asarray(force_newton, dtype=float)
    with ProcessPoolExecutor() as pool:
        panels = _Panels(
            pool=pool, fits=fits, progress=progress,
            falling=_falling(calibration, forces, panel, level),
            what=Simulation(
                calibration=calibration, force_newton=forces, panel=panel, berries=0,
                level=level, seed=0,
            ),
        )  # fmt: skip
        start, first = _start(panels, half_width_newton, assurance)
        at = _boundary(
            start, len(_LADDER),
            lambda at: panels.plan(at, fits).reached(half_width_newton) >= assurance,
        )  # fmt: skip
        if at == len(_LADDER):
            raise _infeasible(calibration, first, panel, half_width_newton, assurance)
        last = panels.plan(at, fits)
        fewer = panels.plan(at - 1, fits).reached(half_width_newton) if at else 0.0
    each = np.array([last.shares_at(n, half_width_newton)[1] >= assurance for n in _LADDER])
    return SampleSize(
        berries=_LADDER[at],
        reached=last.reached(half_width_newton),
        reached_with_fewer=fewer,
        berries_at=tuple(
            _LADDER[int(column.argmax())] if column.any() else None for column in each.T
        ),
    )


@dataclass(kw_only=True)
class _Panels:
    """Simulated panels of every size so far: those of one seed have the same hands."""

    pool: ProcessPoolExecutor
    what: Simulation
    falling: Floats
    fits: int
    progress: Callable[[int, int], None]
    seen: dict[int, list[Floats]] = field(default_factory=dict)

    def plan(
        self, at: int, n_fits: int, settled: Callable[[Sequence[Floats]], bool] = lambda _: False
    ) -> Plan:
        """Fit panels of a size of the ladder, until `settled`; those fitted before count."""
        widths = self.seen.setdefault(at, [])
        tasks = [
            replace(self.what, berries=_LADDER[at], seed=seed)
            for seed in range(len(widths), n_fits)
        ]
        to_come = len(tasks) + (2 * self.fits if n_fits < self.fits else 0)
        expected = sum(map(len, self.seen.values())) + to_come
        for one in self.pool.map(simulated_half_widths, tasks):
            widths.append(one)
            self.progress(sum(map(len, self.seen.values())), expected)
            if settled(widths):  # the pool drops what it has not begun
                break
        return Plan(
            berries=_LADDER[at], widths_newton=np.array(widths), berries_newton2=self.falling
        )


def _start(panels: _Panels, half_width_newton: float, assurance: float) -> tuple[int, Plan]:
    """Find where in `_LADDER` the answer will be, its length where there is none; first panels."""
    few = max(panels.fits // 2, 10)

    def plan(anchor: int) -> Plan:
        return panels.plan(_ANCHORS[anchor], few)

    def missed(widths: Sequence[Floats]) -> bool:
        """Return whether so many miss it already that those to come change nothing."""
        return (few - sum(bool(one.max() > half_width_newton) for one in widths)) / few < assurance

    first = plan(_FIRST_ANCHOR)
    if first.shares_at(_LADDER[-1], half_width_newton)[0] < assurance - _HOPELESS:
        return len(_LADDER), first
    high = _boundary(
        int(np.searchsorted(_ANCHORS[:-1], first.least(half_width_newton, assurance))),
        len(_ANCHORS),
        lambda anchor: (
            panels.plan(_ANCHORS[anchor], few, missed).reached(half_width_newton) >= assurance
        ),
    )
    if high in (0, len(_ANCHORS)):
        return (0 if high == 0 else len(_LADDER)), first
    below, above = plan(high - 1), plan(high)
    for at in range(_ANCHORS[high - 1] + 1, _ANCHORS[high]):
        if below.reached_between(above, _LADDER[at], half_width_newton) >= assurance:
            return at, first
    return _ANCHORS[high], first


def _boundary(start: int, end: int, reaches: Callable[[int], bool]) -> int:
    """Find a place that reaches next to one that does not; `end` if none does.

    One by one up from `start`, or down if it reaches itself: of two starts and two sets of places
    that reach, the lower start and the larger set have the lower answer.
    """
    at = start
    if at < end and reaches(at):
        while at and reaches(at - 1):
            at -= 1
        return at
    at += 1
    while at < end and not reaches(at):
        at += 1
    return min(at, end)


def _falling(
    calibration: Calibration, force_newton: Floats, panel: PlannedPanel, level: float
) -> Floats:
    """Squared half-width, in newtons, that one berry scored by all raters would leave.

    Inverse expected information of all scores times the design effect 1 + (J - 1) rho for berries
    that all raters share, where rho is the berries' part of the variance of a score (Kish (1965)
    Survey Sampling, section 5.4).
    """
    from scipy.special import ndtri

    information = berry_information(calibration, force_newton).mean(axis=0)
    cut = calibration.cut_newton
    to_newton2 = np.ones_like(cut) if calibration.force_scale == "linear" else cut**2
    score_variance = (calibration.spread_at(cut) * math.pi) ** 2 / 3 * to_newton2
    rho = np.minimum((panel.berry_sd * cut) ** 2 / score_variance, 1.0)
    single = np.diagonal(np.linalg.inv(information))[:-1] * to_newton2 / panel.raters
    return np.asarray(float(ndtri(0.5 + level / 2)) ** 2 * single * (1 + (panel.raters - 1) * rho))


def _infeasible(
    calibration: Calibration,
    first: Plan,
    panel: PlannedPanel,
    half_width_newton: float,
    assurance: float,
) -> InfeasiblePlanError:
    """Name the boundary that is worst even with the most berries."""
    worst = int(first.shares_at(_LADDER[-1], half_width_newton)[1].argmin())
    name = "/".join(calibration.scale.boundaries[worst])
    return InfeasiblePlanError(
        f"With {panel.raters} rater{'s' if panel.raters > 1 else ''} no number of berries up to "
        f"{_LADDER[-1]} brings boundary {name} within {half_width_newton:g} N in {assurance:.0%} "
        "of panels.",
        todo="Plan more raters, or accept a wider interval.",
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class NextForce:
    """A force to pick next, and by how much it would shrink the cuts' mean variance (per cent)."""

    force_newton: float
    gain_pct: float


def next_forces(
    calibration: Calibration, force_newton: ArrayLike, choices_newton: Sequence[float]
) -> tuple[NextForce, ...]:
    """Choose three forces (or lots' mean forces) whose next berries show most about the cuts.

    One berry at a time, by how much the mean variance of the cuts shrinks (A-optimality; Atkinson,
    Donev & Tobias (2007) Optimum Experimental Designs, section 10.1), the berries so far counted.

    Parameters
    ----------
    calibration : Calibration
    force_newton : array_like, shape (n,)
        Scored so far, two or more different ones.
    choices_newton : sequence of float
        What can be picked.
    """
    information = berry_information(calibration, force_newton).sum(axis=0)
    options = berry_information(calibration, choices_newton)
    picked = []
    for _ in range(3):
        now = float(np.trace(np.linalg.inv(information)[:-1, :-1]))
        after = [float(np.trace(np.linalg.inv(information + one)[:-1, :-1])) for one in options]
        best = int(np.argmin(after))
        picked.append(
            NextForce(
                force_newton=float(choices_newton[best]), gain_pct=100 * (1 - after[best] / now)
            )
        )
        information = information + options[best]
    return tuple(picked)
