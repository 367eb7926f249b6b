"""What a panel's likelihood depends on: one scale, a hand and a spread per rater, in its rows.

``z = (h(F e^b) - c_k e^g) / (s e^v)`` with h the identity, and ``(log F + b - log c_k - g) / (s
e^v)`` with h the logarithm, where ``g = u + t d_k + w_k``: hands (u), their offsets at single
boundaries (w) and berries (b) multiply force on both force scales. Where the order of squeezes is
taken in, a finger felt ``F e^(l m)``: each of the m squeezes from this one to the press took the
share ``1 - e^-l`` of the force. The tilt t is what a hand has
that adds newtons, or stretches the scale: the directions ``d_k`` are those of 1 / c_k about their
mean, which is what a few newtons more are in the logarithm. Cut points of each rater's own around
common ones: Johnson, V. E. & Albert, J. H. (1999) Ordinal Data Modeling, chapter 5 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class PanelData:
    """Rows of a panel, whose ranks, raters and berries count from 0 without a gap.

    The parameters are ``theta = (places, log s, [l,] u_1 .. u_J, v_1 .. v_J, t_1 .. t_J, w_11 ..
    w_JK)``: the places are the logs of the panel's cut points c_1 .. c_K, then one more for every
    score that a rater skips between two that he or she uses. The log of every cut point and of
    every spread is a sum of parameters, each with a weight.
    """

    h: Floats  # (n,), force in newtons, or its logarithm
    rank: Ints  # (n,), among the used ones, 0 to K
    rater: Ints  # (n,)
    berry: Ints  # (n,)
    weight: Floats  # (n,)
    # (J, K), which place each cut point of each rater is: -1 at plus infinity (the firmest
    # scores are never used), -2 at minus infinity.
    place: Ints
    direction: Floats  # (K,), of tilts; w and t have no effect at the places of skipped scores
    widening: Floats  # (n,), how many times as wide as at a middle force the spread is at this one
    # (n,), from this finger to the press, its own included; None where no order is taken in.
    squeezes: Floats | None
    log_scale: bool

    @property
    def n_raters(self) -> int:
        """Number of raters J."""
        return len(self.place)

    @property
    def n_cuts(self) -> int:
        """Number of cut points K."""
        return self.direction.size

    @property
    def n_places(self) -> int:
        """Number of places."""
        return max(self.n_cuts, int(self.place.max()) + 1)

    @property
    def n_fixed(self) -> int:
        """Number of parameters that are no rater's: they come first."""
        return self.n_places + 1 + (self.squeezes is not None)

    @property
    def size(self) -> int:
        """Number of parameters p."""
        return self.n_fixed + (3 + self.n_cuts) * self.n_raters

    @property
    def effects(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Parameters that are raters' hands, spreads, tilts (J,) and a hand's offsets (J, K)."""
        each = self.n_fixed + np.arange((3 + self.n_cuts) * self.n_raters)
        hand, spread, tilt, *offset = each.reshape(-1, self.n_raters)
        return hand, spread, tilt, np.ravel(offset).reshape(self.n_raters, -1)

    @cached_property
    def n_berries(self) -> int:
        """Number of berries."""
        return int(self.berry.max()) + 1

    def cut_weights(self, place: Ints) -> Floats:
        """Weights of the parameters in log cut points that have these places, shape (J, K, p)."""
        hand, _, tilt, offset = self.effects
        out = np.zeros((*place.shape, self.size))
        j, k = np.nonzero(place >= 0)
        out[j, k, place[j, k]] = out[j, k, hand[j]] = 1.0
        j, k = np.nonzero((place >= 0) & (place < self.n_cuts))
        out[j, k, tilt[j]], out[j, k, offset[j, k]] = self.direction[k], 1.0
        return out

    @cached_property
    def spread_weights(self) -> Floats:
        """Weights of the parameters in raters' log spreads, shape (J, p)."""
        out = np.zeros((self.n_raters, self.size))
        out[:, self.n_places] = 1.0
        out[np.arange(self.n_raters), self.effects[1]] = 1.0
        return out

    @cached_property
    def softening_weights(self) -> Floats:
        """Weights of the parameters in the log force that a squeeze takes, shape (p,)."""
        out = np.zeros(self.size)
        out[self.n_places + 1] = self.squeezes is not None
        return out

    @cached_property
    def cuts(self) -> tuple[Floats, Floats]:
        """Weights of the parameters in raters' log cut points, and what infinity is added, (J, K).

        Infinite are those beyond the scores in use.
        """
        infinite = np.append(np.zeros(self.n_places), [-np.inf, np.inf])[self.place]
        return self.cut_weights(self.place), infinite

    @property
    def cell(self) -> Ints:
        """Which of all pairs of a rater and a rank each row is, shape (n,)."""
        return self.rater * (self.n_cuts + 1) + self.rank

    @cached_property
    def cell_map(self) -> Floats:
        """Derivative by theta of a row's upper and lower log cut point, log spread and l.

        Of every rater and rank, shape (J (K + 1), 4, p); without l where the order of squeezes is
        not taken in.
        """
        none = np.zeros((self.n_raters, 1, self.size))
        wide = np.concatenate([none, self.cuts[0], none], axis=1)
        parts = [wide[:, 1:], wide[:, :-1], self.spread_weights[:, None]]
        if self.squeezes is not None:
            parts.append(self.softening_weights)
        each = [np.broadcast_to(part, wide[:, 1:].shape) for part in parts]
        return np.stack(each, axis=2).reshape(-1, len(parts), self.size)

    @cached_property
    def berry_map(self) -> sparse.csr_matrix:
        """`cell_map` summed over the rows of each berry, shape (n_berries * p, 4 n)."""
        of_rows = self.cell_map[self.cell]
        n, parts, size = of_rows.shape
        row, part, column = np.nonzero(of_rows)
        return sparse.csr_matrix(
            (of_rows[row, part, column], (self.berry[row] * size + column, part * n + row)),
            shape=(self.n_berries * size, parts * n),
        )

    @cached_property
    def berry_sum(self) -> sparse.csr_matrix:
        """Sum over the rows of each berry, shape (n_berries, n)."""
        n = self.berry.size
        return sparse.csr_matrix(
            (np.ones(n), (self.berry, np.arange(n))), shape=(self.n_berries, n)
        )

    def log_cuts(self, theta: Floats) -> Floats:
        """Logs of the cut points of every rater, shape (J, K); infinite beyond scores in use."""
        weights, infinite = self.cuts
        return np.asarray(weights @ theta + infinite)

    def edges(self, theta: Floats) -> Floats:
        """Edges of every rater's scores in units of h, falling from infinity, shape (J, K + 2)."""
        cut = self.log_cuts(theta)
        if not self.log_scale:
            cut = np.where(np.isneginf(cut), cut, np.exp(cut))
        end = np.full((self.n_raters, 1), np.inf)
        return np.hstack([end, cut, -end])

    def in_order(self, theta: Floats) -> bool:
        """Return whether every rater's cut points, and the panel's, descend."""
        logs = self.log_cuts(theta)
        same = self.place[:, :-1] == self.place[:, 1:]
        descends = bool(((logs[:, :-1] > logs[:, 1:]) | same).all())
        return descends and bool((np.diff(theta[: self.n_cuts]) < 0).all())
