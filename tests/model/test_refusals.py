"""What is refused, and that nothing else is: separation, direction, unused scores."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calibrate.data.scale import RASPBERRY, Scale
from calibrate.model.cutmodel import fit_cuts
from calibrate.stats.likelihood import make_terms
from calibrate.stats.ordinal import Separation, fit_ordinal, force_separation, separated
from gauge.errors import SeparationError, TooFewScoresError, WrongDirectionError
from tests import ordinal_reference as ref
from tests.pairsof import pairs_of

THREE = Scale(labels=("1", "2", "3"))


def fit(rows: list[tuple[float, int]], scale: Scale = THREE, **options):
    force, rank = (np.array(column) for column in zip(*rows, strict=True))
    return fit_cuts(pairs_of(force, rank, scale, source="sheet.csv"), **options)


def test_complete_separation_of_the_wine_responses_is_refused() -> None:
    # Randall (1989), data of R ordinal: the 0-100 response settles the rating. There clm stops at
    # a slope of 40 and log-likelihood -1.1e-08 and goes on.
    response = ref.numbers("wine", "response")
    rank = 5 - ref.numbers("wine", "rating").astype(int)
    scale = Scale(labels=("5", "4", "3", "2", "1"))
    with pytest.raises(SeparationError, match=r"complete.*Score more berries of forces around"):
        fit_cuts(pairs_of(response, rank, scale))
    with pytest.raises(SeparationError, match="without overlap"):
        fit_ordinal(response, rank)


def test_separation_the_wrong_way_round_names_the_direction() -> None:
    with pytest.raises(WrongDirectionError, match="--firmest last"):
        fit([(1.0, 0), (2.0, 1), (3.0, 2)])


def test_a_slope_of_the_wrong_sign_is_refused() -> None:
    rows = [(1.0, 0), (2.0, 0), (4.0, 0), (2.0, 1), (3.0, 1), (5.0, 1)]
    with pytest.raises(WrongDirectionError, match="run against force"):
        fit(rows, RASPBERRY)
    with pytest.raises(WrongDirectionError, match="--firmest first"):
        fit(rows, RASPBERRY, firmest="last")
    assert fit([(force, 1 - rank) for force, rank in rows], RASPBERRY).spread > 0


def test_touching_forces_are_quasi_complete_separation() -> None:
    with pytest.raises(SeparationError, match="quasi-complete"):
        fit([(5.0, 0), (3.0, 0), (3.0, 1), (2.0, 1), (1.0, 2)])


def test_one_overlap_anywhere_bounds_the_slope() -> None:
    # 1 and 2 are separated completely, 2 and 3 overlap: one slope serves both boundaries.
    found = fit([(9.0, 0), (8.0, 0), (5.0, 1), (3.0, 1), (3.5, 2), (1.0, 2)])
    assert np.isfinite(found.cut_newton).all()
    assert 5.0 < found.cut_newton[0] < 8.0


def test_too_few_scores_and_constant_force() -> None:
    with pytest.raises(TooFewScoresError, match=r"sheet\.csv.*only one score"):
        fit([(1.0, 1), (2.0, 1)])
    with pytest.raises(TooFewScoresError, match="every force is 2 N"):
        fit([(2.0, 0), (2.0, 1), (2.0, 2)])


def test_columns_of_dependent_rank_are_refused() -> None:
    x = np.array([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0], [2.5, 5.0]])
    with pytest.raises(SeparationError):
        fit_ordinal(x, [0, 1, 0, 1])


@settings(max_examples=150, deadline=None)
@given(
    rows=st.lists(st.tuples(st.integers(1, 6), st.integers(0, 2)), min_size=2, max_size=9),
)
def test_the_check_on_force_agrees_with_the_linear_programme(rows) -> None:
    force = np.array([float(f) for f, _ in rows])
    used, rank = np.unique([k for _, k in rows], return_inverse=True)
    assume(used.size > 1)
    assume(np.unique(force).size > 1)
    terms = make_terms(force[:, None], rank, np.ones(force.size), used.size)
    low = np.array([force[rank == k].min() for k in range(used.size)])
    high = np.array([force[rank == k].max() for k in range(used.size)])
    overlap = Separation.OVERLAP
    direct = force_separation(low, high) is overlap and force_separation(-high, -low) is overlap
    assert separated(terms.design) is not direct
    if direct:
        # And where it says that a maximum exists, Newton finds it.
        assert np.isfinite(fit_ordinal(force, rank).phi).all()
