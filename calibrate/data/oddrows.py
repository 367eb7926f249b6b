"""Rows of pairs that cannot be right, or hardly: typing errors that would move the cut points."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibrate.data.factor import Factor, combined, first_rows
from gauge.units import MOST_NEWTON, NEWTON_PER_FLOAT, Unit

if TYPE_CHECKING:
    from calibrate.data.pairs import Pairs

Floats = NDArray[np.float64]
Namer = Callable[[int], str]
# A force so many times the usual one of its score is a lost decimal point, and one further than so
# many standard deviations of its log is doubtful: common practice, no source.
_LOST_POINT, _DOUBTFUL_SD = 10.0, 6.0
_LEAST_SD = 0.15  # of a log force within a score; no hand is sharper
_LEAST_ROWS = 20  # below that no row is called odd
_SAME_FORCE = 1e-3  # share; two forces of one berry that differ by more contradict each other
# log of the ratios of two units that one column may hold
_UNIT_GAPS = tuple(
    math.log(NEWTON_PER_FLOAT[one] / NEWTON_PER_FLOAT[other])
    for one, other in ((Unit.LBF, Unit.N), (Unit.KGF, Unit.N), (Unit.KGF, Unit.LBF))
)
# Natural logs of likelihood that a second unit must gain, the rows that it must hold, how many
# standard deviations must lie between the two, and what share of its rows may lie in the valley
# between: a heap with a long tail has more there than beyond.
_GAIN, _LEAST_OTHERS, _LEAST_GAP_SD, _MOST_BETWEEN = 12.0, 3, 3.0, 0.5
_MOST_SHOWN = 6  # rows named in one sentence


def impossible(pairs: Pairs, where: Namer) -> Iterator[str]:
    """Say in words which rows cannot be right, each kind of error in one sentence.

    `where` gives the name of a row, such as "row 12".
    """
    force = pairs.force_newton
    yield from _said(where, force <= 0, "a force of {} N is no press", force)
    yield from _said(where, force > MOST_NEWTON, "{} N is a force that no berry has", force)
    usual = (force > 0) & (force <= MOST_NEWTON)
    off, sd = _residuals(pairs, usual)
    lost = (off > math.log(_LOST_POINT)) & (off > _DOUBTFUL_SD * sd)
    what = f"{{}} N is more than {_LOST_POINT:g} times the usual force of its score"
    yield from _said(where, lost, what, force)
    yield from _contradictions(pairs, where)
    yield from _two_units(pairs, where, usual & ~lost)


def doubtful(pairs: Pairs, where: Namer) -> Iterator[str]:
    """Say in words which forces are far from the usual ones of their score."""
    off, sd = _residuals(pairs, pairs.force_newton > 0)
    far = (np.abs(off) > _DOUBTFUL_SD * sd) & (off < math.log(_LOST_POINT))
    what = "{} N is far from the usual force of its score; look at it again"
    yield from _said(where, far, what, pairs.force_newton)


def _said(
    where: Namer, rows: NDArray[np.bool_], what: str, force: Floats | None = None
) -> Iterator[str]:
    found = np.flatnonzero(rows).tolist()
    if found:
        shown = found[:_MOST_SHOWN]
        more = f" and {len(found) - len(shown)} more" if len(found) > len(shown) else ""
        forces = [] if force is None else [f"{force[i]:.4g}" for i in shown]
        names, values = (", ".join(dict.fromkeys(one)) for one in (map(where, shown), forces))
        yield f"{names}{more}: {what.format(values)}"


def _residuals(pairs: Pairs, usable: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Log of each force over the usual one of its score, and the robust SD of those; 0 if few.

    The firmest and the softest score have no end, so their forces spread more than all together.
    """
    off, sd = np.zeros(pairs.rank.size), np.full(pairs.rank.size, _LEAST_SD)
    if usable.sum() < _LEAST_ROWS:
        return off, sd
    log_force = np.log(np.where(usable, pairs.force_newton, 1.0))
    for rank in np.unique(pairs.rank):
        mine = usable & (pairs.rank == rank)
        if mine.any():
            off[mine] = log_force[mine] - np.median(log_force[mine])
            sd[mine] = max(_LEAST_SD, _robust_sd(off[mine]))
    return off, np.maximum(sd, _robust_sd(off[usable]))


def _robust_sd(off: Floats) -> float:
    """Median absolute deviation, times what makes it the SD of a normal variable."""
    return 1.4826 * float(np.median(np.abs(off)))


def _contradictions(pairs: Pairs, where: Namer) -> Iterator[str]:
    """Find berries with two forces, and scores that stand twice."""
    if not pairs.berries:
        return
    force, n = pairs.force_newton, pairs.rank.size
    first = first_rows(pairs.berry)
    other = np.abs(force - force[first]) > _SAME_FORCE * np.abs(force[first])
    yield from _said(where, other, "this berry has another force in an earlier row ({} N)", force)
    if not pairs.raters or (pairs.count != 1).any():
        return
    texts = [pairs.extra[name] for name in ("occasion", "scored_at") if name in pairs.extra]
    more = [Factor.of([str(text) for text in column]) for column in texts]
    codes = [Factor(code=c.astype(np.int32), labels=()) for c in (pairs.berry, pairs.rater)]
    first = first_rows(combined([*codes, *more], n))
    again, same = first != np.arange(n), pairs.rank == pairs.rank[first]
    if (placed := pairs.squeeze_recorded).any():
        places = Factor.of(list(map(str, pairs.extra["squeeze_order"])))
        taken = first_rows(combined([codes[0], places], n)) != np.arange(n)
        what = "somebody else squeezed this berry at the same place"
        yield from _said(where, placed & taken & ~again, what)
    yield from _said(where, again & same & ~other, "this rater's score of this berry stands twice")
    yield from _said(
        where, again & ~same & ~other,
        "this rater gave this berry another score in an earlier row; a second scoring needs a "
        "column occasion with 2",
    )  # fmt: skip


def _two_units(pairs: Pairs, where: Namer, usable: NDArray[np.bool_]) -> Iterator[str]:
    """Find rows that look like another unit: within a score, forces fall into two heaps.

    Of the scores between the firmest and the softest only: those two have no end, so that their
    forces spread. A mixture of two normals of log force a known ratio apart, fitted by the EM
    algorithm (Dempster, A. P., Laird, N. M., Rubin, D. B. (1977) J. R. Statist. Soc. B 39:1-38).
    """
    inner = usable & (pairs.rank > 0) & (pairs.rank < len(pairs.scale.labels) - 1)
    rows = np.flatnonzero(inner)
    if rows.size < _LEAST_ROWS:
        return
    log_force = np.log(pairs.force_newton[rows])
    _, group = np.unique(pairs.rank[rows], return_inverse=True)
    found = [_mixture(log_force, group, gap, q) for gap in _UNIT_GAPS for q in (0.25, 0.75)]
    gain, high, gap = max(found, key=lambda one: one[0])
    others = high if 2 * high.sum() <= rows.size else ~high
    if gain > _GAIN and others.sum() >= _LEAST_OTHERS:
        flagged = np.zeros(pairs.rank.size, bool)
        flagged[rows[others]] = True
        side = "" if others is high else "1/"
        what = (
            f"these look like another unit, {side}{math.exp(gap):.1f} times the other rows of "
            "their score"
        )
        yield from _said(where, flagged, what)


def _mixture(
    x: Floats, group: NDArray[np.int64], gap: float, quantile: float
) -> tuple[float, NDArray[np.bool_], float]:
    """Fit x = mean of its group + gap z + error; return the gain in log likelihood, z and the gap.

    The gain is over one heap alone, and none where the heaps are not apart.
    """
    counts = np.bincount(group)
    centre = np.bincount(group, x) / counts
    alone = _log_likelihood(x - centre[group])
    centre = np.array([np.quantile(x[group == k], quantile) for k in range(counts.size)])
    centre -= gap if quantile > 0.5 else 0.0
    share, sd = 0.5, 0.3
    high = np.zeros(x.size)
    for _ in range(60):
        off = x - centre[group]
        odds = np.clip((off - gap / 2) * gap / sd**2, -50, 50)
        high = 1 / (1 + (1 - share) / share * np.exp(-odds))
        share = float(np.clip(high.mean(), 1e-6, 1 - 1e-6))
        centre = np.bincount(group, x - gap * high) / counts
        off = x - centre[group]
        sd = max(0.05, float(np.sqrt(np.mean((1 - high) * off**2 + high * (off - gap) ** 2))))
    off = x - centre[group]
    density = (1 - share) * np.exp(-0.5 * (off / sd) ** 2) + share * np.exp(
        -0.5 * ((off - gap) / sd) ** 2
    )
    both = float(np.log(density / sd).sum())
    between = int((np.abs(off - gap / 2) < gap / 6).sum())
    smaller = min(int((high > 0.5).sum()), int((high <= 0.5).sum()))
    apart = gap / sd >= _LEAST_GAP_SD and between <= _MOST_BETWEEN * smaller
    return (both - alone if apart else 0.0), high > 0.5, gap


def _log_likelihood(residual: Floats) -> float:
    """Log likelihood of a normal sample at its own SD, but for a constant, as `_mixture` has it."""
    sd = max(0.05, float(residual.std()))
    return float(-residual.size * math.log(sd) - 0.5 * (residual**2).sum() / sd**2)
