"""Whether a fit can be believed: convergence, direction, separation, unused scores.

Judges data and fits, and says what to collect; it fits nothing itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from gauge.errors import SeparationError, TooFewScoresError, WrongDirectionError

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What is known of a fit beside its numbers.

    Attributes
    ----------
    converged : bool
    iterations : int
    decrement : float
        Twice the log-likelihood that one more Newton step would gain.
    max_gradient : float
    unused : tuple of int
        Ranks of the scale that no row bears; they are reported, never renumbered.
    separated : bool
        The columns tell the scores apart: the fit is only a limit, not a maximum.
    """

    converged: bool
    iterations: int
    decrement: float
    max_gradient: float
    unused: tuple[int, ...] = ()
    separated: bool = False


class Separation(Enum):
    """How force divides neighbouring scores."""

    OVERLAP = "overlap"
    QUASI = "quasi-complete"
    COMPLETE = "complete"


def force_separation(lowest: Floats, highest: Floats) -> Separation:
    """Tell whether one force column separates the used scores, firmest first.

    A finite best fit exists if and only if the forces of some pair of neighbouring scores
    overlap: one slope serves all boundaries, so one overlap bounds it (Albert, A. & Anderson,
    J. A. (1984) Biometrika 71:1-10, carried over to ordered classes). Touching forces count as
    no overlap: the likelihood then rises towards a limit that it never reaches.

    Parameters
    ----------
    lowest, highest : ndarray of float, shape (used scores,)
        Smallest and largest force of each used score, in the direction that is declared: pass
        them negated and swapped to ask about the other direction.

    Examples
    --------
    >>> force_separation(np.array([5.0, 2.0]), np.array([9.0, 4.0])).value
    'complete'
    >>> force_separation(np.array([4.0, 2.0]), np.array([9.0, 4.0])).value
    'quasi-complete'
    >>> force_separation(np.array([3.0, 2.0]), np.array([9.0, 4.0])).value
    'overlap'
    """
    gap = lowest[:-1] - highest[1:]
    if (gap < 0).any():
        return Separation.OVERLAP
    return Separation.COMPLETE if (gap > 0).all() else Separation.QUASI


def separated(design: Floats) -> bool:
    """Tell whether some direction of the parameters never lowers any term of the likelihood.

    Parameters
    ----------
    design : ndarray of float, shape (m, p)
        `stats.ordinal.Terms.design`. A direction d other than zero with ``design @ d >= 0``
        means that no finite maximum exists (complete or quasi-complete separation), or that the
        columns are not of full rank. Found by a linear programme (Konis, K. (2007) Linear
        programming algorithms for detecting separated data in binary logistic regression
        models, DPhil thesis, University of Oxford).

    Examples
    --------
    >>> separated(np.array([[1.0, -2.0], [-1.0, 1.0]]))  # firm at 2 N, soft at 1 N
    True
    >>> separated(np.array([[1.0, -2.0], [-1.0, 2.0], [1.0, -1.0], [-1.0, 1.0]]))
    False
    """
    from scipy.optimize import linprog

    scaled = design / np.maximum(np.abs(design).max(axis=0), 1e-300)
    if np.linalg.matrix_rank(scaled) < design.shape[1]:
        return True
    result = linprog(
        -scaled.sum(axis=0),
        A_ub=-scaled,
        b_ub=np.zeros(design.shape[0]),
        bounds=[(-1.0, 1.0)] * design.shape[1],
        method="highs",
    )
    return bool(-result.fun > 1e-7)


def require_two_used(used: Sequence[int] | NDArray[np.int64], source: str = "The data") -> None:
    """Refuse data with fewer than two used scores.

    Raises
    ------
    TooFewScoresError

    Examples
    --------
    >>> require_two_used([0, 1])
    >>> require_two_used([0], "R-114.csv")
    Traceback (most recent call last):
    gauge.errors.TooFewScoresError: R-114.csv uses only one score...
    """
    if len(used) < 2:
        raise TooFewScoresError(
            f"{source} use{'s' if source != 'The data' else ''} "
            f"{'only one score' if len(used) else 'no score'}, so there is no cut point to fit.",
            todo="Score berries from firm to soft, so that two scores or more are used.",
        )


def require_sound(
    lowest: Floats, highest: Floats, labels: Sequence[str], *, firmest: str, source: str
) -> None:
    """Refuse forces from which no cut points can be fitted, and say what to collect.

    Parameters
    ----------
    lowest, highest : ndarray of float, shape (used scores,)
        Smallest and largest force (N) of each used score, firmest first.
    labels : sequence of str
        The used scores, firmest first.
    firmest : str
        The label declared firmest, for the message.
    source : str

    Raises
    ------
    TooFewScoresError
        If all forces are equal.
    WrongDirectionError
        If force separates the scores, and the wrong way round.
    SeparationError
        If force separates the scores completely or quasi-completely.

    Examples
    --------
    >>> lowest, highest = np.array([2.0, 1.0]), np.array([3.0, 2.4])
    >>> require_sound(lowest, highest, ("firm", "soft"), firmest="first", source="R-114.csv")
    >>> require_sound(highest, highest, ("firm", "soft"), firmest="first", source="R-114.csv")
    Traceback (most recent call last):
    gauge.errors.SeparationError: R-114.csv: force tells the scores apart...
    """
    if lowest.min() == highest.max():
        raise TooFewScoresError(
            f"{source}: every force is {lowest[0]:g} N, so there is no cut point to fit.",
            todo="Score berries of different firmness.",
        )
    if force_separation(-highest, -lowest) is not Separation.OVERLAP:
        raise WrongDirectionError(
            f"{source}: force separates the scores the wrong way round: '{labels[0]}', declared "
            f"firmer, was given from {lowest[0]:g} to {highest[0]:g} N and '{labels[-1]}' from "
            f"{lowest[-1]:g} to {highest[-1]:g} N.",
            todo=_other_way(firmest),
        )
    kind = force_separation(lowest, highest)
    if kind is Separation.OVERLAP:
        return
    gaps = "; ".join(
        f"no '{hard}' below {low:g} N and no '{soft}' above {high:g} N"
        for hard, soft, low, high in zip(
            labels[:-1], labels[1:], lowest[:-1], highest[1:], strict=True
        )
    )
    edges = ", ".join(
        f"{(low + high) / 2:.3g}" for low, high in zip(lowest[:-1], highest[1:], strict=True)
    )
    raise SeparationError(
        f"{source}: force tells the scores apart without overlap ({kind.value} separation: {gaps})"
        ", so no finite spread and no honest interval exists.",
        todo=f"Score more berries of forces around {edges} N, by the same raters, blind to force; "
        "or ask for --penalised, a fit that leans on a penalty and says so.",
    )


def require_direction(slope: float, *, labels: Sequence[str], firmest: str, source: str) -> None:
    """Refuse a slope of the wrong sign.

    Parameters
    ----------
    slope : float
        beta of the cumulative logit with ranks from the firmest: below zero when firmer scores
        go with higher forces.

    Raises
    ------
    WrongDirectionError

    Examples
    --------
    >>> words = ("firm", "soft")
    >>> require_direction(-4.0, labels=words, firmest="first", source="R-114.csv")
    >>> require_direction(4.0, labels=words, firmest="first", source="R-114.csv")
    Traceback (most recent call last):
    gauge.errors.WrongDirectionError: R-114.csv: scores run against force...
    """
    if not slope < 0:
        raise WrongDirectionError(
            f"{source}: scores run against force: the higher the force, the more berries are "
            f"scored towards '{labels[-1]}', though '{labels[0]}' is declared firmer.",
            todo=_other_way(firmest),
        )


def _other_way(firmest: str) -> str:
    other = "last" if firmest == "first" else "first"
    return (
        f"If the scale runs the other way, declare it with --firmest {other}; "
        "else check that forces and scores belong to the same berries."
    )
